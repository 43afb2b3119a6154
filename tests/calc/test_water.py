"""Water against IAPWS-95, through the `iapws` package, which is used in tests only.

Status words: *seen*, *memory*, *computed* as in test_hoop. C6 was computed with two packages that agree to 1e-9.
"""

import doctest

import iapws
import numpy as np
import pytest

from rigd.calc import water
from rigd.calc.exact import head

PSI = 8896443230521 / 1290320000  # Pa, from lbf and inch, both exact
FOOT = 0.3048


def test_water_at_20_degc_is_the_published_water():
    """C6, IAPWS-95 at 101.325 kPa (computed): density, isothermal and isentropic bulk modulus, speed of sound."""
    published = {"density": 998.2072, "isothermal": 2.17906e9, "isentropic": 2.19341e9, "sound": 1482.346}
    state = iapws.IAPWS95(T=293.15, P=0.101325)
    assert state.rho == pytest.approx(published["density"], rel=1e-7)
    assert state.w == pytest.approx(published["sound"], rel=1e-6)
    assert state.rho * state.w**2 == pytest.approx(published["isentropic"], rel=5e-6)
    assert water.density_kg_per_m3(293.15) == pytest.approx(published["density"], rel=5e-6)
    assert water.bulk_modulus_pa(293.15) == pytest.approx(published["isothermal"], rel=5e-5)
    # E15: 3.17e-6 per psi in a physiology manual (Univ. Washington, seen), a source of quite another kind.
    assert water.compressibility_per_pa(293.15) * PSI == pytest.approx(3.17e-6, rel=5e-3)


def test_water_follows_iapws_95_over_the_whole_range_it_claims():
    """Kell's coefficients came from memory; here they meet the standard at every 5 K. The densest is near 4 degC."""
    temperatures = np.arange(water.COLDEST_K + 0.05, water.HOTTEST_K + 0.01, 5.0)
    states = [iapws.IAPWS95(T=float(temperature), P=0.101325) for temperature in temperatures]
    assert len(states) == 12
    assert water.density_kg_per_m3(temperatures) == pytest.approx([state.rho for state in states], rel=5e-6)
    assert water.compressibility_per_pa(temperatures) == pytest.approx(
        [state.kappa * 1e-6 for state in states], rel=1e-4
    )
    fine = np.linspace(274.0, 284.0, 1001)
    assert fine[np.argmax(water.density_kg_per_m3(fine))] == pytest.approx(277.13, abs=0.05)  # 3.98 degC (memory)


def test_head_of_a_metre_and_a_foot():
    """C8 (computed from C6): 9789.07 Pa a metre, 0.43275 psi a foot, 2.3108 ft a psi. The engine's own constant too."""
    for column in (water.column_pa(1.0, 293.15), head.head_pa(1.0)):
        assert column == pytest.approx(9789.07, rel=5e-6)
        assert column / PSI == pytest.approx(1.41978, rel=5e-6)
    foot = head.head_pa(FOOT) / PSI
    assert foot == pytest.approx(0.43275, rel=2e-5)
    assert 1.0 / foot == pytest.approx(2.3108, rel=2e-5)
    assert head.head_pa(-1.0) == -head.head_pa(1.0), "a transducer below the datum reads too much"
    assert head.STANDARD_GRAVITY == water.STANDARD_GRAVITY_M_PER_S2
    assert water.density_kg_per_m3(293.15) == pytest.approx(head.WATER_DENSITY_20C, rel=5e-6)


def test_what_is_not_liquid_water_is_refused():
    for temperature in (20.0, 273.0, 340.0, float("nan"), [293.15, 20.0]):
        with pytest.raises(ValueError, match="is it in degrees Celsius"):
            water.density_kg_per_m3(temperature)


def test_worked_cases_in_the_docstrings():
    assert doctest.testmod(water) == (0, 4)
    assert doctest.testmod(head) == (0, 1)
