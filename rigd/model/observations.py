"""What a person may say about a specimen after a test: closed lists, so that two people mean the same by a word."""

OBSERVATIONS = {
    "rupture": "broken open: burst, split or cracked through",
    "weep": "water seeps or drips, body not open",
    "ballooned": "grown for good, still tight",
    "parted": "a cap or part came off",
    "own_joint_leak": "leaks at a joint of its own",
    "end_closure_leak": "leaks at the end closure or fixture (invalid test, not a failure)",
    "rig_part": "a part of the rig failed",
    "nothing": "nothing found",
    "not_inspected": "not looked at",
}
BODY_FAILURES = ("rupture", "weep", "ballooned", "parted", "own_joint_leak")

WHY_NOT_VALID = {
    "charge_low": "the charge pressure at the release was below its tolerance",
    "charge_high": "the charge pressure at the release was above its tolerance",
    "sagged": "the feed sagged during the surge",
    "peak_low": "the peak was below its tolerance",
    "peak_high": "the peak was above its tolerance",
    "no_rise": "the pressure never passed the threshold",
    "unseen": "samples are missing or not good",
    "partial": "the surge was cut short",
}
"""Why a cycle does not count towards those owed. It counts as applied when the body felt it, whatever stands here."""
