"""What came out of a leak test with gas, for people and a table: the leak, its uncertainty and where each came from.

A standard volume is never told without its reference temperature. A run of another kind has none of this, and every
function here then says so with nothing.
"""

from collections.abc import Mapping
from typing import Any

from rigd.model.verdicts import GAS_RESULTS

MARGIN = 18  # where the words of a report begin
COVERS_95 = 1.959963984540054  # standard uncertainties, both sides of a normal distribution
SOURCES = {"pressure": "pressure", "temperature": "temperature", "volume": "volume", "body": "the body's change"}
VERDICT = "gas_leak_verdict"
GAS_VERDICTS = {
    "accept": "accept: below the limit with 95 % behind it (1.645 standard uncertainties)",
    "reject": "reject: above the limit with 95 % behind it, or seen to fail",
    "undecided": "undecided: this run cannot tell",
}


def gas_columns(result: Mapping[str, Any]) -> dict[str, Any]:
    """Columns of a table of results, empty where nothing was measured."""
    told = dict(result.get("data") or ())
    return {name: told[name] for name in GAS_RESULTS} if VERDICT in told else {}


def describe_gas(result: Mapping[str, Any], again: Mapping[str, Any] | None) -> list[str]:
    """Lines of a report; `again`: what run.json says under `gas_leak`."""
    told = gas_columns(result)
    if not told:
        return []
    if told[VERDICT] is None:
        return [f"  {'Leak of gas':{MARGIN}}not measured: the run ended before it was judged"]
    degrees = f"{told['sccm_reference_k'] - 273.15:.4g} degC"
    at, full = f"sccm ({degrees})", f"sccm ({degrees}, {told['sccm_reference_pa']:.0f} Pa)"
    if told["gas_leak_sccm"] is None:
        words = f"{told[VERDICT]}, no number: {told['gas_leak_why']}; limit {told['limit_sccm']:.4g} {at}"
        return [f"  {'Leak of gas':{MARGIN}}{words}"]
    flow, u = told["gas_leak_sccm"], told["gas_leak_u_sccm"]
    low, high = flow - COVERS_95 * u, flow + COVERS_95 * u
    by = [f"{words} {told[f'u_by_{name}_sccm']:.2g}" for name, words in SOURCES.items()]
    rows = (
        ("Leak of gas", f"{flow:.4g} {full}; above 0 is outwards"),
        ("", f"between {low:.3g} and {high:.3g} {at} at 95 %, standard uncertainty {u:.2g}"),
        ("", f"{told['gas_leak_mol_per_s']:.4g} mol/s, standard uncertainty {told['gas_leak_u_mol_per_s']:.2g}"),
        ("Limit", f"{told['limit_sccm']:.4g} {at}"),
        *_halves(told, again or {}, at),
        ("From", _look(told, "start")),
        ("to", f"{_look(told, 'end')}, {told['measured_s']:.1f} s later"),
        ("Shut in", f"{1e3 * told['volume_m3']:.4g} L of {told['gas']} in body, line and fittings"),
        ("", f"standard uncertainty {1e6 * told['volume_u_m3']:.2g} mL"),
        ("Body may change", f"{100.0 * told['body_change']:.3g} % over the dwell: {told['body_change_source']}"),
        ("Uncertainty by", f"{', '.join(by)} {at}"),
        ("Closure", told["closure"].replace("_", " ")),
    )
    return [f"  {name:{MARGIN}}{words}" for name, words in rows]


def _halves(told: Mapping[str, Any], again: Mapping[str, Any], at: str) -> list[tuple[str, str]]:
    """The same from the samples of the trace, each half of the dwell by itself."""
    if again.get("mol_per_s") is None or again.get("first_half_mol_per_s") is None:
        return []
    per_mol = told["gas_leak_sccm"] / told["gas_leak_mol_per_s"] if told["gas_leak_mol_per_s"] else 0.0
    halves = [f"{again[f'{name}_half_mol_per_s'] * per_mol:.3g}" for name in ("first", "second")]
    words = f"{halves[0]} and {halves[1]} {at}: a leak is even, a body that relaxes is not"
    lines = [("Either half", words)]
    if not again["agrees_with_engine"]:
        lines.append(("CAUTION", "the samples of the trace do not give the leak that was judged"))
    return lines


def _look(told: Mapping[str, Any], end: str) -> str:
    return f"{told[f'{end}_absolute_pa'] / 1e3:.3f} kPa absolute at {told[f'{end}_k'] - 273.15:.3f} degC"
