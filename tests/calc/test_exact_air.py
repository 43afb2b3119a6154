"""The engine's rule for trapped air against calc.air, against water of IAPWS-95, and against bubbles put in by hand.

checks/physics.md C12 (a litre with 5 mL: 13.125, 2.4854, 0.96555, 0.50028 mL/MPa at 200, 500, 1000, 3500 kPa) and C13
(a body is softer than water). `iapws` is a test-only package.
"""

import iapws
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rigd.calc import air as measured
from rigd.calc.exact import air as exact
from rigd.calc.exact.air import ATMOSPHERE_PA, MISFIT, Foot, Point, body_between, foot_of, free_air, judge

KNOWN = {"pressure_u_pa": 60.0, "zero_u_pa": 800.0, "volume_u_m3": 2e-9, "volume_scale_u": 0.02}


def points_of(pressures, air_m3, foot, noise=None, rng=None):
    p = np.asarray(pressures, dtype=float)
    added = foot * (p - p[0]) + air_m3 * ATMOSPHERE_PA * (1.0 / p[0] - 1.0 / p)
    if rng is not None:
        p = p + rng.normal(0.0, noise["pressure_u_pa"], p.size)
        added = added + rng.normal(0.0, noise["volume_u_m3"], p.size)
    return tuple(Point(float(a), float(b)) for a, b in zip(p, added, strict=True))


@settings(max_examples=60, deadline=None)
@given(
    air_m3=st.floats(1e-8, 2e-5), body=st.floats(5e-13, 5e-12), first=st.floats(1.2e5, 2.5e5),
    rise=st.floats(2e4, 1e5), count=st.integers(5, 12), seed=st.integers(0, 1000),
)  # fmt: skip
def test_the_engine_says_what_calc_measures(air_m3, body, first, rise, count, seed):
    pressures = first + rise * np.arange(count)
    points = points_of(pressures, air_m3, 4.6e-13 + body, KNOWN, np.random.default_rng(seed))
    p, added = np.array([q.absolute_pa for q in points]), np.array([q.added_m3 for q in points])
    found = free_air(points, **KNOWN, foot=None)
    try:
        expected = measured.air_from_volume(p, added, water_m3=1e-3, water_k=293.15, **KNOWN)
    except ValueError as refused:
        assert found.why and ("miss the law" in str(refused) or "too close" in str(refused))
        return
    assert found.why == ""
    assert found.air_m3 == pytest.approx(expected.free_air_m3, rel=1e-6, abs=1e-14)
    assert found.air_u_m3 == pytest.approx(expected.free_air_u_m3, rel=1e-5)
    assert found.foot_m3_per_pa == pytest.approx(expected.foot_m3_per_pa, rel=1e-6)
    assert found.foot_u_m3_per_pa == pytest.approx(expected.foot_u_m3_per_pa, rel=1e-5)
    dv_dp, _ = expected.compliance(3e5)
    assert found.compliance(3e5) == pytest.approx(dv_dp, rel=1e-6)
    word = {"accept": "passed", "reject": "failed", "undecided": "undecided"}[measured.judge_air(expected, 3e-6)]
    assert judge(found, 3e-6) == word


def test_the_table_of_misfits_is_that_of_chi_squared():
    for freedom, limit in enumerate(MISFIT, 1):
        assert limit == pytest.approx(stats.chi2.isf(measured.MISFIT_CHANCE, freedom), abs=6e-4)


def test_water_is_that_of_iapws_95_within_its_uncertainty():
    for celsius in (5, 20, 35):
        state = iapws.IAPWS95(T=273.15 + celsius, P=0.101325)
        assert state.kappa * 1e-6 == pytest.approx(exact.WATER_PER_PA, rel=1.7 * exact.WATER_U)


def test_compliance_is_that_of_the_check():
    """C12: 5 mL in a rigid litre."""
    found = exact.FreeAir("", 5e-6, 0.0, 1e-3 / 2.17906e9, 0.0)
    for kilopascal, ml_per_mpa in ((200, 13.125), (500, 2.4854), (1000, 0.96555), (3500, 0.50028)):
        assert found.compliance(1e3 * kilopascal) * 1e12 == pytest.approx(ml_per_mpa, rel=2e-4)


@pytest.mark.parametrize("pressures", [(1.7e5, 2.2e5), (1.7e5, 2.0e5, 2.4e5)])
def test_one_or_two_steps_are_enough_where_the_body_is_known_within_bounds(pressures):
    """Two standard uncertainties hold the air that was put in, body and zero anywhere within theirs."""
    rng, held, draws = np.random.default_rng(3), 0, 1500
    least, most = 1.0e-12, 3.0e-12
    foot = foot_of(1.4e-3, body_between(least, most))
    for _ in range(draws):
        true = 1.4e-3 * 4.59e-10 * (1 + rng.normal(0, exact.WATER_U)) + rng.uniform(least, most)
        shift = rng.normal(0.0, KNOWN["zero_u_pa"])
        scale = 1.0 + rng.normal(0.0, KNOWN["volume_scale_u"])
        points = points_of(np.array(pressures), 2e-6, true, KNOWN, rng)
        points = tuple(Point(p + shift, v * scale) for p, v in points)
        found = free_air(points, **KNOWN, foot=foot)
        held += found.why == "" and abs(found.air_m3 - 2e-6) <= 2.0 * found.air_u_m3
    assert 0.93 <= held / draws <= 0.995


def test_what_cannot_be_told_is_not_told():
    two = points_of((1.7e5, 2.2e5), 2e-6, 3e-12)
    assert free_air(two, **KNOWN, foot=None).why == exact.TOO_FEW
    same = (Point(1.7e5, 0.0),) * 5
    assert free_air(same, **KNOWN, foot=None).why == exact.TOO_CLOSE
    assert free_air(two[:1], **KNOWN, foot=Foot(3e-12, 1e-13)).why == exact.TOO_FEW
    crept = tuple(
        Point(p, v + (2e-7 if at == 3 else 0.0))
        for at, (p, v) in enumerate(points_of(1.5e5 + 2e4 * np.arange(6), 2e-6, 3e-12))
    )
    found = free_air(crept, **KNOWN, foot=None)
    assert found.why == exact.MISSED and judge(found, 1.0) == "undecided"
