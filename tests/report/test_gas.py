"""A leak of gas told to people: never a standard volume without its temperature, never a number that was not measured.

ASTM E1003-05, its footnote: 1e-4 std cm3/s at 0 degC are 4.4615e-9 mol/s.
"""

from types import MappingProxyType

import pytest

from rigd.model.verdicts import GAS_RESULTS
from rigd.report.gas import describe_gas, gas_columns

SCCM = 4.4615e-9 / 6e-3
TOLD = MappingProxyType(
    dict.fromkeys(GAS_RESULTS)
    | {
        "gas_leak_verdict": "tight", "gas_leak_why": "", "gas_leak_sccm": 0.5, "gas_leak_u_sccm": 0.05,
        "gas_leak_mol_per_s": 0.5 * SCCM, "gas_leak_u_mol_per_s": 0.05 * SCCM, "limit_sccm": 1.0,
        "sccm_reference_k": 293.15, "sccm_reference_pa": 101_325.0, "u_by_pressure_sccm": 0.03,
        "u_by_temperature_sccm": 0.03, "u_by_volume_sccm": 0.001, "u_by_body_sccm": 0.02, "start_absolute_pa": 204e3,
        "end_absolute_pa": 203e3, "start_k": 294.0, "end_k": 294.1, "measured_s": 540.0, "gas": "nitrogen",
        "closure": "torqued_plug", "volume_m3": 1e-3, "volume_u_m3": 5e-6, "body_change": 2e-4,
        "body_change_source": "a trial",
    }
)  # fmt: skip
AGAIN = {
    "mol_per_s": 0.5 * SCCM, "first_half_mol_per_s": 0.8 * SCCM, "second_half_mol_per_s": 0.2 * SCCM,
    "agrees_with_engine": True,
}  # fmt: skip


def told(**changes):
    return {"data": tuple((TOLD | changes).items())}


def test_all_that_belongs_to_the_number_stands_beside_it():
    lines = describe_gas(told(), AGAIN)
    text = "\n".join(lines)
    for words in ("0.5 sccm (20 degC, 101325 Pa)", "between 0.402 and 0.598 sccm (20 degC) at 95 %", "3.718e-07 mol/s",
                  "0.8 and 0.2 sccm (20 degC)", "the body's change 0.02", "a trial", "204.000 kPa absolute at 20.850",
                  "torqued plug", "1 L of nitrogen"):  # fmt: skip
        assert words in text, words
    assert all("degC" in line for line in lines if "sccm" in line) and "CAUTION" not in text


def test_a_trace_that_says_otherwise_is_told():
    assert "do not give the leak" in "\n".join(describe_gas(told(), AGAIN | {"agrees_with_engine": False}))
    assert not any("half" in line for line in describe_gas(told(), None))


@pytest.mark.parametrize("verdict", ["leaking", "undecided"])
def test_without_a_number_none_is_made_up(verdict):
    (line,) = describe_gas(told(gas_leak_verdict=verdict, gas_leak_sccm=None, gas_leak_why="the reason"), None)
    assert f"{verdict}, no number: the reason" in line and "limit 1 sccm (20 degC)" in line
    (line,) = describe_gas({"data": tuple(dict.fromkeys(GAS_RESULTS).items())}, None)
    assert "not measured" in line


def test_other_runs_have_nothing_of_it():
    assert describe_gas({"data": ()}, None) == [] and gas_columns({"data": (("cycles_owed", 3),)}) == {}
    assert list(gas_columns(told())) == list(GAS_RESULTS)
