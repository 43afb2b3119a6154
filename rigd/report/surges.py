"""What came out of a surge test, as columns of results.csv and as words.

Counts first: owed goes by valid cycles, damage by applied ones, and neither is called the other. Charge pressure and
the peak at the specimen are two pressures with two names everywhere. What fails in a surge fails at a cycle and has no
failure pressure. Advice about drift stands last and says that it is advice.
"""

from collections.abc import Callable, Mapping
from typing import Any

from rigd.model.observations import OBSERVATIONS, WHY_NOT_VALID
from rigd.model.states import LINE_AT_ZERO
from rigd.model.verdicts import CYCLE_RESULTS, OUTCOMES
from rigd.report.tables import CAUTIONS, SIGN_WORDS, pa_per, pressure_lines

Say = Callable[[float], str]

NAMES = {
    "peak_sampled_pa": "peak at the specimen",
    "charge_pa": "charge pressure",
    "blow_down_ns": "blow-down time",
    "return_ns": "return time of the moving part",
    "rise_pa_per_s": "rate of rise",
}
SPREADS = (
    ("peak_at_specimen_pa", "peak_at_specimen", "_pa"), ("charge_pressure_pa", "charge_pressure", "_pa"),
    ("blow_down_s", "blow_down", "_s"), ("return_s", "return", "_s"),
)  # fmt: skip
MOST_RANGES = 12  # lines of ranges in the words; run.json has them all


def surge_columns(run: Mapping[str, Any], *, display_unit: str) -> dict[str, Any]:
    """The columns a surge test adds to its row of results.csv."""
    surges = run["surges"]
    row: dict[str, Any] = {"station": run["station"], "resumed_from_run": run["resumed_from_run"]}
    row |= {name: surges["counts"][name] for name in CYCLE_RESULTS}
    row |= {f"not_valid_{word}": surges["why_not_valid"].get(word, 0) for word in WHY_NOT_VALID}
    row |= {"medium": surges["medium"]}
    row |= {f"energy_{name}_j": float(f"{joules:.6g}") for name, joules in surges["energy_j"].items()}
    scale, label = pa_per(display_unit), "".join(c if c.isalnum() else "_" for c in display_unit)
    for key, name, unit in SPREADS:
        for which in ("least", "median", "most"):
            value = surges[key][which] if surges[key] else None
            row[f"{name}_{which}{unit}"] = value
            if unit == "_pa":
                row[f"{name}_{which}_{label}"] = None if value is None else float(f"{value / scale:.7g}")
    return row


def describe_surges(
    run: Mapping[str, Any], *, display_unit: str = "psi", opening_words: str = LINE_AT_ZERO
) -> str:  # fmt: skip
    """The result of a surge test for people, from its run.json."""
    scale = pa_per(display_unit)

    def say(value_pa: float, decimals: int = 1) -> str:
        return f"{value_pa / scale:.{decimals}f} {display_unit}"

    result, surges = run["result"], run["surges"]
    lines = [f"Run {run['run']}, specimen {run['specimen']}" + _where(run)]
    lines.append(f"  Outcome           {result['outcome']}: {OUTCOMES[result['outcome']].words}")
    if result["observation"] in OBSERVATIONS:
        lines.append(f"  Seen              {result['observation']}: {OBSERVATIONS[result['observation']]}")
    lines.append(f"  Verdict           {cycle_verdict_words(result['verdict'], surges)}")
    lines += _count_lines(surges)
    lines += _pressure_lines(surges, say, run["pressure_reference"])
    if result["failure_pa"] is not None:  # surged first, and then broken by pressure
        lines += pressure_lines(result, say, run["pressure_reference"])
    elif result["signs"]:
        lines.append(f"  Signs             {'; '.join(SIGN_WORDS.get(sign, sign) for sign in result['signs'])}")
    if result["first_out"]:
        lines.append(f"  First cause of the trip: {result['first_out']}")
    lines += [f"  Remark: {flag}" for flag in result["flags"]]
    lines.append(f"  Measured again    {_agreement_words(run)}")
    lines += _advice_lines(run["advice"], say)
    lines += ["", opening_words, *(f"  {caution}" for caution in CAUTIONS)]
    return "\n".join(lines)


def _where(run: Mapping[str, Any]) -> str:
    words = f", station {run['station']}" if run["station"] else ""
    words += f", resumed from run {run['resumed_from_run']}" if run["resumed_from_run"] else ""
    return words + (", SIMULATED: these data are invented" if run["simulated"] else "")


def cycle_verdict_words(verdict: str, surges: Mapping[str, Any]) -> str:
    """The verdict and why, by cycles."""
    counts, least = surges["counts"], surges["minimum_cycles"]
    failed_at = counts["failed_at_cycle"] or counts["cycles_applied"]
    return {
        "accept": f"accept: it stood {counts['cycles_valid']} valid cycles; at least {least} were asked for",
        "reject": f"reject: it failed at cycle {failed_at}, before the {least} asked for",
        "undecided": "undecided: this run cannot tell" + (f" about the {least} cycles asked for" if least else ""),
        "invalid": "invalid test: it says nothing about the body",
        "none": "none: the profile sets no number of cycles",
    }[verdict]


def _count_lines(surges: Mapping[str, Any]) -> list[str]:
    counts = surges["counts"]
    lines = [
        f"  Cycles            {counts['cycles_valid']} valid of {counts['cycles_owed']} owed; "
        f"{counts['cycles_applied']} applied: the body felt them"
    ]
    others = [f"{counts[f'cycles_{kind}']} {kind}" for kind in ("partial", "extra", "assisted")]
    lines.append(f"                    of which {', '.join(others)}")
    if surges["not_ended"]:
        lines.append(f"                    {surges['not_ended']} begun when the record was cut off, counted as partial")
    for word, count in surges["why_not_valid"].items():
        lines.append(f"  Not valid         {count}: {WHY_NOT_VALID[word]}")
    if counts["failed_at_cycle"]:
        lines.append(f"  Failed at cycle   {counts['failed_at_cycle']}")
    if counts["stuck_cycles"]:
        lines.append(
            f"  Stuck             {counts['stuck_cycles']} times, first at cycle {counts['first_stuck_cycle']}"
        )
    return lines


def _pressure_lines(surges: Mapping[str, Any], say: Say, reference: str) -> list[str]:
    lines = []
    peak, charge = surges["peak_at_specimen_pa"], surges["charge_pressure_pa"]
    if peak:
        asked = say(surges["asked_pressure_pa"])
        lines.append(
            f"  Peak at specimen  {_spread_words(peak, say)}, {reference}, as sampled less the zero; asked for {asked}"
        )
    if charge:
        asked = say(surges["asked_charge_pa"])
        lines.append(f"  Charge pressure   {_spread_words(charge, say)}, behind the release valve; asked for {asked}")
    seen = surges["resolved"]
    if seen["no"]:
        lines.append(
            f"  Sampling          too slow for the line in {seen['no']} cycles: their peaks may have been higher"
        )
    elif seen["unknown"] and not seen["yes"]:
        lines.append("  Sampling          no line is declared, so nobody can say whether a peak was missed")
    for key, name in (("blow_down_s", "Blow-down"), ("return_s", "Return of part")):
        if surges[key]:
            lines.append(f"  {name:17} {_spread_words(surges[key], lambda seconds: f'{1e3 * seconds:.0f} ms')}")
    energy = surges["energy_j"]
    known = "" if surges["specimen_volume_known"] else ", without the specimen: its volume is not known"
    stored = ", ".join(
        f"{words} {energy[key]:.3g} J"
        for key, words in (
            ("gas_at_specimen", "gas in line and specimen"),
            ("gas_behind", "gas behind"),
            ("water", "water"),
        )
    )
    lines += [f"  Medium            {surges['medium']}", f"  Stored at most    {stored}{known}"]
    return lines


def _spread_words(spread: Mapping[str, float], say: Say) -> str:
    return f"{say(spread['median'])} (median; {say(spread['least'])} to {say(spread['most'])})"


def _agreement_words(run: Mapping[str, Any]) -> str:
    measured = run["measured"]
    if run["engine_and_measured_agree"] is None:
        return "there were no surges"
    if run["engine_and_measured_agree"]:
        return f"{measured['surges']} surges in the trace: the same counts, times and pressures as were told"
    told = ", ".join(f"{name} at cycle {cycle}" for name, cycle in measured["first_differing_cycle"].items())
    return f"NOT the same as was told: {told}"


# --- advice --------------------------------------------------------------------------------------------------------


def _advice_lines(advice: Mapping[str, Any], say: Say) -> list[str]:
    """Drift and loading in words, under a heading that says what they are not."""
    outside = any(drift["advice"] for drift in advice["drift"])
    lines = ["", f"Drift watch. {advice['words']}" if outside else "Drift watch: nothing left its limits."]
    if not advice["drift"]:
        lines[-1] = f"Drift watch: too few accepted cycles for a baseline of {advice['baseline_cycles']}."
        return lines + _loading_lines(advice["loading"], say)
    for drift in advice["drift"]:
        lines += _drift_lines(drift, say)
    lines += [
        f"  {NAMES[name]}: too few accepted cycles have one for a baseline" for name in advice["too_few_cycles_for"]
    ]
    return lines + _loading_lines(advice["loading"], say)


def drift_words(column: str, value: float, say: Say) -> str:
    """A value of a column of the cycles table in words."""
    if column.endswith("_ns"):
        return f"{value / 1e6:.1f} ms"
    return f"{say(value)}/s" if column.endswith("_per_s") else say(value)


def _cycles(count: int) -> str:
    return f"{count} cycle" + ("" if count == 1 else "s")


def _drift_lines(drift: Mapping[str, Any], say: Say) -> list[str]:
    def word(value: float) -> str:
        return drift_words(drift["column"], value, say)

    lines = [
        f"  {NAMES[drift['column']]}: {word(drift['mean'])} in the {drift['baseline_count']} cycles of the baseline "
        f"({drift['baseline_first']} to {drift['baseline_last']}), {word(drift['latest'])} at the end"
    ]
    if drift["per_thousand"] is not None:
        slope, error = word(drift["per_thousand"]), word(drift["per_thousand_error"])
        lines.append(f"    trend {slope} a thousand cycles, standard error {error}, over {drift['accepted']} cycles")
    outside = [chart for chart in drift["charts"] if chart["cycles_outside"]]
    for chart in outside:
        still = "still so at the end" if chart["outside_at_end"] else "not at the end"
        first = f"the first cycle {chart['first_cycle']}"
        lines.append(f"    {chart['chart']}: {_cycles(chart['cycles_outside'])} outside, {first}, {still}")
    if outside:
        alarms = f"about {drift['false_alarms']:.2g} alarms come by chance alone"
        lines.append(f"    if nothing drifts {alarms}, and more where cycles depend on each other or on neighbours")
        lines.append(f"    may mean: {drift['may_mean']}")
    return lines


def _loading_lines(loading: Mapping[str, Any] | None, say: Say) -> list[str]:
    if loading is None or not loading["uneven"]:
        return []
    lines = ["", "The loading was uneven. Ranges the body felt, by rainflow (ASTM E1049), from peaks and troughs:"]
    ranges = sorted(loading["ranges"], reverse=True)
    lines += [f"  up to {say(edge):>12}   {count:g} cycles" for edge, count in ranges[:MOST_RANGES]]
    if len(ranges) > MOST_RANGES:
        lines.append(f"  and {len(ranges) - MOST_RANGES} lower ranges: run.json has them")
    if loading["unseen"]:
        lines.append(f"  {loading['unseen']} applied surges are not in it: nobody saw their peaks")
    if loading["equivalent"] is None:
        lines.append(
            "  No exponent of the material's life curve is given, so no damage-equivalent number is worked out."
        )
    else:
        lines.append(
            f"  Damage-equivalent: {loading['equivalent']:.0f} even cycles by exponent {loading['exponent']:g} "
            f"({loading['source']}; Palmgren-Miner); not a count of anything that happened"
        )
    return lines
