"""What came out of a cap-turn leak test, for people and for a table: the onset as the interval it is, turn by turn.

A run of another kind has none of this, and every function here then says so with nothing.
"""

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any

FINEST = 256  # a turn is shown as a fraction down to this part, else as it is
ML_PER_MIN = 1e-6 / 60.0  # [m3/s]
MARGIN = 18  # where the words of a report begin

CENSORING_WORDS = {
    "interval": "tight at the one, leaking at the other; where between is not known",
    "left": "it leaked at the first mark that was judged",
    "right": "no mark leaked",
    "not monotone": "it leaked, then was tight at a larger turn or the same: no onset is named",
    "none": "no mark could be decided",
}
ONSET_VERDICTS = {
    "accept": "accept: tight to the turn asked for, the angle's uncertainty taken off",
    "reject": "reject: it leaks before the turn asked for, the angle's uncertainty added",
    "undecided": "undecided: this run cannot tell",
    "none": "none: the profile asks for no turn",
}


def data_of(result: Mapping[str, Any]) -> dict[str, Any]:
    """What the engine counted besides pressures, by name."""
    return dict(result.get("data") or ())


def onset_of(result: Mapping[str, Any]) -> dict[str, Any] | None:
    """The onset for programs, in turns from the fully tightened mark; None where open. None: not a cap-turn test."""
    told = data_of(result)
    if "onset_censoring" not in told:
        return None
    named = told["onset_censoring"] not in ("not monotone", "none")
    return {
        "last_tight_turns": told["last_tight_turns"] if named else None,
        "first_leaking_turns": told["first_leaking_turns"] if named else None,
        "low_turns": told["onset_low_turns"],
        "high_turns": told["onset_high_turns"],
        "censoring": told["onset_censoring"],
        "angle_u_turns": told["angle_u_turns"],
        "prior_loosenings": told["prior_loosenings"],
        "primary": told["primary"],
    }


def turn_columns(result: Mapping[str, Any]) -> dict[str, Any]:
    """Columns of a table of results; turns from the fully tightened mark, empty where open."""
    return {} if onset_of(result) is None else data_of(result)


def say_turns(turns: float) -> str:
    """As a technician writes it: 3/16, 1 1/8, 0.1719."""
    exact = Fraction(turns)
    if exact.denominator > FINEST:
        return f"{turns:.4g}"
    whole, rest = divmod(exact, 1)
    return f"{whole} {rest}" if whole and rest else f"{exact}"


def describe_turns(
    result: Mapping[str, Any], judgements: Iterable[Any], decay: Mapping[str, Any] | None = None
) -> list[str]:
    """Lines of a report: the onset, how it was come by, and each look; `decay` as run.json has it."""
    onset = onset_of(result)
    if onset is None:
        return []
    told = data_of(result)
    lines = [f"  {'Onset of leak':{MARGIN}}{_between(onset)}"]
    lines.append(f"  {'':{MARGIN}}{CENSORING_WORDS[onset['censoring']]}")
    if onset["low_turns"] is not None:
        low, high = onset["low_turns"], onset["high_turns"]
        width = f"above {low:.4g}" if high is None else f"above {low:.4g}, up to {high:.4g}"
        lines.append(f"  {'':{MARGIN}}{width} turn with the angle's uncertainty of {say_turns(told['angle_u_turns'])}")
    lines.append(f"  {'Seal':{MARGIN}}{_seal(told)}")
    for judged in judgements:
        if judged.kind == "turn":
            lines.append(f"  {'Look ' + str(judged.number):{MARGIN}}{judged.text}")
    return lines + (_decay_lines(decay) if decay is not None else [])


def _decay_lines(decay: Mapping[str, Any]) -> list[str]:
    """What each shut dwell was, or why that is not told."""
    words = f"told apart in {decay['told']} of {decay['of']} looks, refused in {decay['refused']}"
    lines = [f"  {'Decay':{MARGIN}}leak, creep and warming {words}"]
    for look in decay["looks"]:
        said = _causes(look) if look["told"] else f"not told: {look['why']}"
        lines.append(f"  {'  look ' + str(look['look']):{MARGIN}}{said}")
        if look["contradicts_engine"]:
            measured = "above its limit" if look["verdict"] == "reject" else "below its limit"
            words = f"CONTRADICTION: {look['engine']} by its fall, {measured} by what was told apart"
            lines.append(f"  {'':{MARGIN}}{words}")
    if decay["looks"]:
        lines.append(f"  {'':{MARGIN}}± standard uncertainty; measured afterwards: the looks' own judgements stand")
    return lines


def _causes(look: Mapping[str, Any]) -> str:
    leak, u = (f"{value / ML_PER_MIN:.3g}" for value in (look["leak_m3_per_s"], look["leak_u_m3_per_s"]))
    creep, warming = (
        f"{1e6 * look[f'{cause}_m3']:.3g} ± {1e6 * look[f'{cause}_u_m3']:.2g} mL" for cause in ("creep", "temperature")
    )
    return f"leak {leak} ± {u} mL/min; in its dwell creep took {creep}, warming took {warming}"


def _between(onset: Mapping[str, Any]) -> str:
    tight, leaking = onset["last_tight_turns"], onset["first_leaking_turns"]
    if tight is None and leaking is None:
        return "none named"
    if leaking is None:
        return f"after {say_turns(tight)} turn"
    if tight is None:
        return f"up to {say_turns(leaking)} turn"
    return f"after {say_turns(tight)} turn, up to {say_turns(leaking)} turn"


def _seal(told: Mapping[str, Any]) -> str:
    prior, here = told["prior_loosenings"], told["loosenings_here"]
    before = "unknown how often it was loosened before" if prior is None else f"loosened {prior} times before"
    primary = "the primary result" if told["primary"] else "not a first loosening, so not the primary result"
    return f"{before}, {here} times in this run: {primary}"
