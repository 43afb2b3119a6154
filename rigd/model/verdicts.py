"""Outcomes, verdicts and exit codes: one table, so that a word on a screen and a number in a shell never disagree.

The engine classes the trace; a person says what it was; only both together give the outcome. A leak at the end closure
is an invalid test item and not a failure (ASTM D1599-99(2005) 5.4).
"""

from dataclasses import dataclass

from rigd.model import errors
from rigd.model.observations import BODY_FAILURES, OBSERVATIONS
from rigd.model.states import READY, VENTED

TRACE_CLASSES = (
    "collapse", "slow_loss", "plateau", "ceiling", "supply_exhausted", "sensor",
    "run_out", "stuck", "no_back_pressure", "no_blow_down", "given_up", "wet",
    "onset", "tight", "not_monotone", "undecided", "aimed", "air_left", "air_checked",
    "gas_tight", "gas_leaking", "commissioned", "not_commissioned",
)  # fmt: skip
SIGNS = ("pressure_fall", "not_following", "operator_mark", "back_pressure", "wet", "supply_flow")
VERDICTS = ("accept", "reject", "undecided", "invalid", "none")

JUDGEMENTS = ("tight", "leaking", "undecided", "passed", "failed", "measured")

BY_CRITERION = "by criterion"
"""Not a verdict: the verdict follows from the acceptance criterion, or is `none` when there is no criterion."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    words: str
    verdict: str
    exit_code: int | None  # None: from the verdict
    failed: bool  # the body lost containment or its shape: there is a failure pressure


OUTCOMES = {
    "rupture": Outcome(words="the body broke open", verdict=BY_CRITERION, exit_code=None, failed=True),
    "weep": Outcome(words="the body weeps", verdict=BY_CRITERION, exit_code=None, failed=True),
    "ballooned": Outcome(words="the body ballooned", verdict=BY_CRITERION, exit_code=None, failed=True),
    "parted": Outcome(words="a cap or part came off", verdict=BY_CRITERION, exit_code=None, failed=True),
    "own_joint_leak": Outcome(words="a joint of the body leaked", verdict=BY_CRITERION, exit_code=None, failed=True),
    "end_closure_leak": Outcome(
        words="the end closure leaked: invalid test, not a failure",
        verdict="invalid",
        exit_code=errors.INVALID,
        failed=False,
    ),
    "early": Outcome(words="failed in fill, proof or hold", verdict=BY_CRITERION, exit_code=None, failed=True),
    "ceiling": Outcome(words="ceiling reached, not failed", verdict=BY_CRITERION, exit_code=None, failed=False),
    "run_out": Outcome(words="all cycles done, not failed", verdict=BY_CRITERION, exit_code=None, failed=False),
    "stuck": Outcome(words="the moving part stuck", verdict=BY_CRITERION, exit_code=None, failed=True),
    "leak_onset": Outcome(words="leaks from a turn of the cap on", verdict=BY_CRITERION, exit_code=None, failed=True),
    "tight_throughout": Outcome(words="tight at every turn", verdict=BY_CRITERION, exit_code=None, failed=False),
    "not_monotone": Outcome(
        words="leaked, then was tight at a larger turn: no onset",
        verdict="undecided",
        exit_code=errors.NOT_MET,
        failed=False,
    ),
    "air_checked": Outcome(
        words="the air was checked, and nothing failed", verdict="none", exit_code=None, failed=False
    ),
    "air_left": Outcome(
        words="too much air was left in it, or too little known of it: not tested",
        verdict="undecided",
        exit_code=errors.NOT_MET,
        failed=False,
    ),
    "gas_tight": Outcome(words="it leaks less gas than its limit", verdict="accept", exit_code=None, failed=False),
    "gas_leaking": Outcome(words="it leaks more gas than its limit", verdict="reject", exit_code=None, failed=False),
    "aimed": Outcome(words="every aim was made", verdict="none", exit_code=None, failed=False),
    "commissioned": Outcome(words="every check of the rig passed", verdict="accept", exit_code=None, failed=False),
    "not_commissioned": Outcome(words="a check of the rig failed", verdict="reject", exit_code=None, failed=False),
    "no_blow_down": Outcome(
        words="the pressure stayed up after a surge", verdict="undecided", exit_code=errors.NOT_MET, failed=False
    ),
    "not_decided": Outcome(
        words="what was looked for could not be decided", verdict="undecided", exit_code=errors.NOT_MET, failed=False
    ),
    "given_up": Outcome(
        words="too many cycles in a row were not valid", verdict="undecided", exit_code=errors.NOT_MET, failed=False
    ),
    "supply_exhausted": Outcome(
        words="the supply could not follow", verdict="undecided", exit_code=errors.NOT_MET, failed=False
    ),
    "relief_lifted": Outcome(
        words="the relief valve lifted", verdict="undecided", exit_code=errors.NOT_MET, failed=False
    ),
    "regulator": Outcome(
        words="the regulator did not follow", verdict="undecided", exit_code=errors.NOT_MET, failed=False
    ),
    "rig_part": Outcome(
        words="a part of the rig failed: invalid test", verdict="invalid", exit_code=errors.INVALID, failed=False
    ),
    "sensor": Outcome(words="a sensor failed: invalid test", verdict="invalid", exit_code=errors.INVALID, failed=False),
    "stopped": Outcome(words="stopped by a person", verdict="undecided", exit_code=errors.STOPPED, failed=False),
    "tripped": Outcome(words="tripped", verdict="undecided", exit_code=errors.TRIPPED, failed=False),
    "interrupted": Outcome(
        words="interrupted: the rig process ended", verdict="undecided", exit_code=errors.TRIPPED, failed=False
    ),
    "not_inspected": Outcome(
        words="nobody said what it was", verdict="undecided", exit_code=errors.NOT_MET, failed=False
    ),
}
EXIT_BY_VERDICT = {
    "accept": errors.DONE,
    "none": errors.DONE,
    "reject": errors.NOT_MET,
    "undecided": errors.NOT_MET,
    "invalid": errors.INVALID,
}
ENDINGS = ("stopped", "tripped", "interrupted")
"""Ways a run ends that no observation can turn into something else."""

NEEDS_NO_LOOK = (
    "supply_exhausted", "run_out", "stuck", "no_blow_down", "given_up", "onset", "tight", "not_monotone", "undecided",
    "aimed", "air_left", "air_checked", "gas_tight", "gas_leaking", "commissioned", "not_commissioned",
)  # fmt: skip
"""What the trace alone says well enough: nobody need have looked at the specimen."""

TURNS_JUDGED = ("onset", "tight", "not_monotone")
"""What the marks of a cap-turn test say. Nothing that is seen on the specimen afterwards says otherwise: its closure
was loosened until it leaked, and what else is found is recorded beside the onset."""

_BY_CLASS_WHEN_NOTHING_FOUND = {
    "ceiling": "ceiling",
    "supply_exhausted": "supply_exhausted",
    "run_out": "run_out",
    "stuck": "stuck",
    "no_blow_down": "no_blow_down",
    "given_up": "given_up",
    "onset": "leak_onset",
    "tight": "tight_throughout",
    "not_monotone": "not_monotone",
    "undecided": "not_decided",
    "aimed": "aimed",
    "gas_tight": "gas_tight",
    "gas_leaking": "gas_leaking",
    "air_left": "air_left",
    "air_checked": "air_checked",
    "commissioned": "commissioned",
    "not_commissioned": "not_commissioned",
    "collapse": "not_inspected",
    "slow_loss": "not_inspected",
}


def outcome_of(*, trace_class: str, observation: str, ending: str, early: bool, relief_reached: bool) -> str:
    """Name the outcome from the trace and from what a person saw.

    Parameters: trace_class in TRACE_CLASSES or ""; observation in OBSERVATIONS; ending in ENDINGS or "" when the run
    came to its own end; early when the loss came before the ramp or in a hold; relief_reached when the highest pressure
    came within the relief's reseat. Returns a key of OUTCOMES.
    """
    assert observation in OBSERVATIONS and (trace_class in TRACE_CLASSES or not trace_class)
    if ending:
        assert ending in ENDINGS
        return ending
    is_judged = trace_class in TURNS_JUDGED
    if observation == "rig_part" or (observation == "end_closure_leak" and not is_judged):
        return observation
    if trace_class == "sensor":
        return "sensor"  # whatever the person saw: nobody measured it
    if observation in BODY_FAILURES and not is_judged:
        return "early" if early else observation
    if observation == "not_inspected" and trace_class not in NEEDS_NO_LOOK:
        return "not_inspected"
    if trace_class == "plateau":
        return "relief_lifted" if relief_reached else "regulator"
    return _BY_CLASS_WHEN_NOTHING_FOUND.get(trace_class, "not_inspected")


def verdict_of(
    *, outcome: str, reached_pa: float | None, bound_down_pa: float, bound_up_pa: float, minimum_pa: float
) -> str:
    """Decide with the uncertainty, never without it: accept only what is above the minimum by its whole bound.

    reached_pa is the failure pressure, or for `ceiling` the highest pressure [Pa]; minimum_pa is 0 for no criterion.
    """
    fixed = OUTCOMES[outcome].verdict
    if fixed != BY_CRITERION:
        return fixed
    if minimum_pa <= 0.0:
        return "none"
    if reached_pa is None:
        return "undecided"
    if reached_pa - bound_down_pa >= minimum_pa:
        return "accept"
    if OUTCOMES[outcome].failed and reached_pa + bound_up_pa < minimum_pa:
        return "reject"
    return "undecided"


CYCLE_RESULTS = (
    "cycles_owed", "cycles_applied", "cycles_valid", "cycles_partial", "cycles_extra", "cycles_assisted",
    "stuck_cycles", "first_stuck_cycle", "failed_at_cycle",
)  # fmt: skip
"""Keys of Result.data of a surge test; counts go through every run the specimen was resumed from."""


def verdict_of_cycles(*, outcome: str, valid: int, applied: int, minimum: int) -> str:
    """Decide a surge test: what is owed counts by valid cycles, what did damage by applied ones.

    A body is accepted only when it stood `minimum` valid cycles, rejected only when it failed at fewer applied ones.
    """
    fixed = OUTCOMES[outcome].verdict
    if fixed != BY_CRITERION:
        return fixed
    if minimum <= 0:
        return "none"
    if valid >= minimum:
        return "accept"
    return "reject" if OUTCOMES[outcome].failed and applied < minimum else "undecided"


TURN_RESULTS = (
    "last_tight_turns", "first_leaking_turns", "onset_low_turns", "onset_high_turns", "onset_censoring",
    "angle_u_turns", "turns_judged", "turns_undecided", "tightness_proofs", "order", "prior_loosenings",
    "loosenings_here", "primary",
)  # fmt: skip
"""Keys of Result.data of a cap-turn leak test; turns from the fully tightened mark, None where open or unknown."""


def verdict_of_turns(*, outcome: str, low_turns: float | None, high_turns: float | None, minimum: float) -> str:
    """Decide a cap-turn test: tight to at least `minimum` turns with the angle's uncertainty, or leaking before it."""
    fixed = OUTCOMES[outcome].verdict
    if fixed != BY_CRITERION:
        return fixed
    if minimum <= 0.0:
        return "none"
    if low_turns is not None and low_turns >= minimum:
        return "accept"
    return "reject" if high_turns is not None and high_turns <= minimum else "undecided"


AIR_RESULTS = ("free_air_m3", "free_air_u_m3", "free_air_most_m3", "air_checks")
"""Keys of Result.data of any test with an air check, of its last one; free air at one atmosphere."""

AIM_RESULTS = (
    "aims_owed", "aims_made", "aims_measured", "aims_undecided", "aims_judged_by", "half_width_deg", "share_in_mean",
    "share_outside_mean", "share_not_caught_mean", "hits",
)  # fmt: skip
"""Keys of Result.data of a flush-direction test; shares are parts of the water, None where not measured."""


def outcome_without_result(*, left: bool, state: str) -> str:
    """Of a run that came to no result: somebody left (`left`) a line proven vented, or it was cut off and nobody knows
    how the line was left. `state`: the run state it ended in."""
    return "stopped" if left and state in (VENTED, READY) else "interrupted"


GAS_RESULTS = (
    "gas_leak_verdict", "gas_leak_why", "gas_leak_mol_per_s", "gas_leak_u_mol_per_s", "gas_leak_sccm",
    "gas_leak_u_sccm", "limit_sccm", "sccm_reference_k", "sccm_reference_pa", "u_by_pressure_sccm",
    "u_by_temperature_sccm", "u_by_volume_sccm", "u_by_body_sccm", "start_absolute_pa", "end_absolute_pa", "start_k",
    "end_k", "measured_s", "gas", "closure", "volume_m3", "volume_u_m3", "body_change", "body_change_source",
)  # fmt: skip
"""Keys of Result.data of a leak test with gas; above 0 gas went out, `u` is standard, None where not measured."""


def verdict_of_gas(*, outcome: str) -> str:
    """Decide a leak test with gas: by its limit, and a body that a person saw fail is none that passes."""
    fixed = OUTCOMES[outcome].verdict
    return "reject" if fixed == BY_CRITERION else fixed


def exit_code_of(*, outcome: str, verdict: str, unproven: bool = False) -> int:
    """The exit code of a run. `unproven`: it ended with nobody able to say that the line is at zero."""
    if unproven:
        return errors.TRIPPED
    fixed = OUTCOMES[outcome].exit_code
    return EXIT_BY_VERDICT[verdict] if fixed is None else fixed
