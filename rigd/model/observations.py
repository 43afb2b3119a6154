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

FAILURE_MODES = {
    "rupture": ("broken open", "rupture"),
    "split": ("split along its length", "rupture"),
    "crack": ("cracked; its length is measured", "rupture"),
    "seam": ("opened along a seam", "rupture"),
    "weep": ("seeps, not open", "weep"),
    "ballooned": ("grown for good", "ballooned"),
    "cap_blown_off": ("the cap blew off", "parted"),
    "thread_stripped": ("the thread is stripped", "parted"),
    "seal_cut": ("the seal is cut", "own_joint_leak"),
    "seal_torn": ("the seal is torn", "own_joint_leak"),
    "seal_extruded": ("the seal is pressed out of its groove", "own_joint_leak"),
    "seal_rolled": ("the seal is rolled or twisted", "own_joint_leak"),
    "seal_displaced": ("the seal has left its place", "own_joint_leak"),
    "seal_intact": ("the seal is intact", "nothing"),
    "moving_part_stuck": ("the moving part is stuck", "nothing"),
    "moving_part_slow": ("the moving part comes back slowly", "nothing"),
    "moving_part_free": ("the moving part is free", "nothing"),
    "end_closure_leaked": ("the end closure leaked (invalid test)", "end_closure_leak"),
    "nothing_found": ("nothing found", "nothing"),
}
"""What an inspector may find: mode -> (words, the observation it counts as). A rig file may add modes of its lab."""

LENGTH_MODES = ("crack", "split")
"""Modes whose length is part of the finding."""

INVALID_REASONS = {
    "end_closure_leaked": "the end closure leaked",
    "wrong_specimen": "it was another specimen than the one named",
    "wrong_mounting": "it was mounted otherwise than the procedure says",
    "damaged_before": "it was damaged before the test",
    "sensor_failed": "a sensor failed",
    "rig_fault": "a part of the rig failed",
    "procedure_not_followed": "the procedure was not followed",
}
"""Why an inspector may call a test invalid: a closed list, and whether the number had been seen is told with it."""
