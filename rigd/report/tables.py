"""What came out of a run, as one row of a table and as words on a terminal.

Both say the same from the same result: failure pressure with its bound, highest pressure beside it under its own name,
what was seen, and the verdict with the reason. Numbers are SI in the row, with display columns beside them that carry
their unit in their name. This file makes text and rows; where they are written is the business of others.
"""

import csv
import io
from collections.abc import Iterable, Mapping
from typing import Any

from rigd.files.units import PRESSURE, TEMPERATURE, TIME, NotAQuantity, parse
from rigd.model.observations import OBSERVATIONS
from rigd.model.specimen import FACTS, QUANTITY_FACTS
from rigd.model.states import LINE_AT_ZERO
from rigd.model.verdicts import OUTCOMES
from rigd.report.aims import aim_columns, describe_aims
from rigd.report.air import describe_air
from rigd.report.checks import describe_checks
from rigd.report.gas import GAS_VERDICTS, describe_gas, gas_columns
from rigd.report.turns import ONSET_VERDICTS, describe_turns, onset_of, turn_columns
from rigd.store.cells import cell

NS_PER_S = 1e9
FACT_KINDS = {kind.si: kind for kind in (TEMPERATURE, TIME)}

SIGN_WORDS = {
    "pressure_fall": "the pressure fell",
    "not_following": "the pressure no longer followed the ramp",
    "operator_mark": "a person pressed the mark key",
    "back_pressure": "the body no longer held back the pressure",
    "wet": "it was wet beneath the specimen",
    "supply_flow": "more water was fed than a tight body takes",
}
PRESSURES = (
    "failure_pa", "failure_raw_pa", "bound_pa", "bound_up_pa", "bound_down_pa", "highest_pa", "highest_corrected_pa",
    "ramp_pa_per_s", "noise_pa", "zero_pa", "zero_shift_pa",
)  # fmt: skip
TEXTS = ("outcome", "verdict", "trace_class", "signs", "observation", "first_out", "flags")

CAUTIONS = (
    "Gas in the tank and trapped in the body keeps its energy after the water is gone: stay out until the rig says so.",
    "A cap, a shard or a hose can still let go. Look closely only when the line is open and at rest.",
    "rigd is not the safety device and claims no safety rating: relief valve, guard, hardware emergency stop,",
    "site procedures, local codes and licensed practice come first.",
)


def pa_per(unit: str) -> float:
    """What one display unit is worth [Pa]."""
    return parse(f"1 {unit}", PRESSURE)


def fields_of(result: Any) -> Mapping[str, Any]:
    """A result as a mapping: it may be the engine's shape or what was read back from a record."""
    if isinstance(result, Mapping):
        return result
    return {name: getattr(result, name) for name in result.__slots__}


# --- rows --------------------------------------------------------------------------------------------------------


def result_row(
    result: Any,
    *,
    run: int,
    specimen: str,
    profile: str,
    rig: str,
    opened_utc: str,
    facts: Mapping[str, str],
    pressure_reference: str = "gauge",
    display_unit: str = "psi",
) -> dict[str, Any]:
    """One tidy row: who and what, the outcome, every number in SI, then the pressures again in the display unit."""
    found = fields_of(result)
    row: dict[str, Any] = {"run": run, "specimen": specimen, "profile": profile, "rig": rig, "opened_utc": opened_utc}
    row |= {name: facts.get(name, "") for name in FACTS if name not in QUANTITY_FACTS}
    row |= {f"{name}_{si.lower()}": _si_of(facts.get(name, ""), si) for name, si in QUANTITY_FACTS.items()}
    row |= {name: _joined(found[name]) for name in TEXTS}
    row["pressure_reference"] = pressure_reference
    row |= {name: found[name] for name in PRESSURES}
    row["failure_t_ns"] = found["failure_t_ns"]
    time_ns = found["time_to_failure_ns"]
    row["time_to_failure_s"] = None if time_ns is None else time_ns / NS_PER_S
    scale, label = pa_per(display_unit), "".join(c if c.isalnum() else "_" for c in display_unit)
    for name in PRESSURES:
        shown = name.replace("_pa_per_s", f"_{label}_per_s") if "_per_" in name else name.removesuffix("pa") + label
        row.setdefault(shown, None if found[name] is None else float(f"{found[name] / scale:.7g}"))
    return row | turn_columns(found) | aim_columns(found) | gas_columns(found)


def _si_of(text: str, si: str) -> float | None:
    """A fact that is a quantity, in SI: written as an SI number when measured, with its unit when a person wrote it."""
    try:
        value = float(text)
    except ValueError:
        try:
            value = parse(text, FACT_KINDS[si])
        except NotAQuantity:  # not known, or words: they stay in run.json, where a run is never refused for them
            return None
    return float(f"{value:.9g}")


def _joined(value: Any) -> str:
    return value if isinstance(value, str) else "; ".join(value)


def results_csv(rows: Iterable[Mapping[str, Any]]) -> str:
    """The rows as CSV text. Text that a spreadsheet would take for a formula is marked as text; numbers never are."""
    rows = list(rows)
    names = list(dict.fromkeys(name for row in rows for name in row))
    page = io.StringIO(newline="")
    writer = csv.writer(page, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([cell(row.get(name)) for name in names] for row in rows)
    return page.getvalue()


# --- words -------------------------------------------------------------------------------------------------------


def describe(
    result: Any,
    *,
    run: int,
    specimen: str,
    display_unit: str = "psi",
    pressure_reference: str = "gauge",
    minimum_pa: float = 0.0,
    simulated: bool = False,
    opening_words: str = LINE_AT_ZERO,
    judgements: Iterable[Any] = (),
    decay: Mapping[str, Any] | None = None,
    gas: Mapping[str, Any] | None = None,
) -> str:
    """The result for people, about twenty lines. `opening_words`: what the rig says about opening up; `decay`: of a
    cap-turn test, what run.json says of its shut dwells; `gas`: of a leak test with gas, what it says of the trace."""
    found = fields_of(result)
    scale = pa_per(display_unit)

    def say(value_pa: float, decimals: int = 1) -> str:
        return f"{value_pa / scale:.{decimals}f} {display_unit}"

    lines = [f"Run {run}, specimen {specimen}" + (", SIMULATED: these data are invented" if simulated else "")]
    lines += _outcome_lines(found, minimum_pa, say)
    special = describe_turns(found, judgements, decay)
    special = special or describe_aims(found, judgements) or describe_checks(judgements)
    lines += describe_air(judgements)
    of_gas = describe_gas(found, gas)
    lines += of_gas
    if not of_gas or found["failure_pa"] is not None:
        lines += special or pressure_lines(found, say, pressure_reference)
    lines += _quality_lines(found, say)
    if found["first_out"]:
        lines.append(f"  First cause of the trip: {found['first_out']}")
    lines += [f"  Remark: {flag}" for flag in found["flags"]]
    lines += ["", opening_words, *(f"  {caution}" for caution in CAUTIONS)]
    return "\n".join(lines)


def _outcome_lines(found: Mapping[str, Any], minimum_pa: float, say: Any) -> list[str]:
    seen = OBSERVATIONS.get(found["observation"], "")
    lines = [f"  Outcome           {found['outcome']}: {OUTCOMES[found['outcome']].words}"]
    if seen:
        lines.append(f"  Seen              {found['observation']}: {seen}")
    words = verdict_words(found["verdict"], minimum_pa, say)
    if onset_of(found) is not None:
        words = ONSET_VERDICTS.get(found["verdict"], words)
    if gas_columns(found):
        words = GAS_VERDICTS.get(found["verdict"], words)
    lines.append(f"  Verdict           {words}")
    return lines


def verdict_words(verdict: str, minimum_pa: float, say: Any) -> str:
    """The verdict and why. `say` writes a pressure [Pa] for people."""
    least = say(minimum_pa)
    return {
        "accept": f"accept: at or above the minimum of {least} even with the whole bound taken off",
        "reject": f"reject: below the minimum of {least} even with the whole bound added",
        "undecided": "undecided: this run cannot tell" + (f" about the minimum of {least}" if minimum_pa > 0 else ""),
        "invalid": "invalid test: it says nothing about the strength of the body",
        "none": "none: the profile sets no minimum",
    }[verdict]


def pressure_lines(found: Mapping[str, Any], say: Any, reference: str) -> list[str]:
    failure, bound, highest = found["failure_pa"], found["bound_pa"], found["highest_pa"]
    lines = []
    if failure is None:
        lines.append("  Failure pressure  none: containment was not lost, or when it was could not be told")
    else:
        width = ""
        if bound is not None:
            share = f" ({100.0 * bound / failure:.2f} %)" if failure > 0.0 else ""
            width = f" ± {say(bound, 2)}{share}"
        lines.append(f"  Failure pressure  {say(failure, 2)}{width}, {reference}, at the onset of the loss")
        if found["bound_up_pa"] is not None and found["bound_down_pa"] is not None:
            low, high = failure - found["bound_down_pa"], failure + found["bound_up_pa"]
            lines.append(f"                    between {say(low, 2)} and {say(high, 2)}")
        if found["failure_raw_pa"] is not None:
            lines.append(
                f"                    as sampled {say(found['failure_raw_pa'], 2)}, corrected for lag and sampling"
            )
        if found["signs"]:
            words = "; ".join(SIGN_WORDS.get(sign, sign) for sign in found["signs"])
            lines.append(f"  Signs             {words}")
    if highest is not None:
        corrected = found["highest_corrected_pa"]
        lines.append(f"  Highest pressure  {say(highest, 2)} as sampled{_corrected_words(corrected, say)}")
        if None not in (failure, bound, corrected) and corrected > failure + bound:
            lines.append(
                "                    higher than the failure pressure: the supply went on feeding after the onset"
            )
    return lines


def _corrected_words(corrected_pa: float | None, say: Any) -> str:
    return "" if corrected_pa is None else f", {say(corrected_pa, 2)} corrected"


def _quality_lines(found: Mapping[str, Any], say: Any) -> list[str]:
    lines = []
    if found["time_to_failure_ns"] is not None:
        lines.append(f"  Time to failure   {found['time_to_failure_ns'] / NS_PER_S:.2f} s from the start of the ramp")
    if found["ramp_pa_per_s"] is not None:
        lines.append(f"  Ramp              {say(found['ramp_pa_per_s'], 2)}/s as achieved")
    if found["noise_pa"] is not None and found["ramp_pa_per_s"] is not None:
        lines.append(f"  Noise             {say(found['noise_pa'], 3)} about the ramp")
    if found["zero_shift_pa"] is not None:
        lines.append(f"  Zero shift        {say(found['zero_shift_pa'], 3)} from before to after")
    return lines
