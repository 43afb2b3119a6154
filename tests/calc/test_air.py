"""Trapped air against a published rule, IAPWS-95 and its own truth; the source stands beside each check.

Status words: *seen* in the source, *memory* = reproduced by computation but the source was not on hand, *computed*.
Row numbers are those of the project's list of check values.
"""

import doctest
import math

import iapws
import numpy as np
import pytest
from scipy import stats

from rigd.calc import air, hoop

PSI = 8896443230521 / 1290320000  # Pa, from lbf and inch, both exact
ATM = 101_325.0
WARM = 293.15
KNOWN = {
    "pressure_u_pa": 200.0,
    "zero_u_pa": 500.0,
    "volume_u_m3": 2e-9,
    "volume_scale_u": 0.005,
    "water_m3": 1e-3,
    "water_k": WARM,
}


def added(pressure, free_air_m3, foot, start):
    return foot * (pressure - start) + free_air_m3 * ATM * (1.0 / start - 1.0 / pressure)


def test_a_thousandth_of_air_makes_water_soft():
    # C11 (computed from C10): 96.8, 853.8, 2141.5 MPa at 1 atm, 40 psig, 500 psig.
    got = air.mixture_modulus_pa(0.001, ATM + PSI * np.array([0.0, 40.0, 500.0]), WARM)
    assert got / 1e6 == pytest.approx([96.8, 853.8, 2141.5], rel=5e-4)
    # C10: 1.0323e-8 /Pa with C_water = 4.54e-10 /Pa (seen, a paper quoting White); that water is at about 24 degC.
    warmer = 297.4
    assert air.compressibility_per_pa(warmer) == pytest.approx(4.54e-10, rel=2e-3)
    assert 1.0 / air.mixture_modulus_pa(0.001, ATM, warmer) == pytest.approx(1.0323e-8, rel=1e-4)
    # IAPWS-95 for the water's part, through `iapws`, a test-only package.
    water = iapws.IAPWS95(T=WARM, P=ATM / 1e6).kappa * 1e-6
    assert got[0] == pytest.approx(1.0 / (0.001 / ATM + 0.999 * water), rel=1e-4)
    assert air.mixture_modulus_pa(0.0, 10 * ATM, WARM) == pytest.approx(1.0 / water, rel=1e-4)


def test_compliance_and_back():
    # C12 (computed): a litre, 5 mL at 1 atm; 13.125/2.4854/.96555/.50028 mL/MPa, and back to 5.000 mL and 2.179 GPa.
    pressure = np.array([200e3, 500e3, 1000e3, 3500e3])
    got = air.compliance_m3_per_pa(pressure, 5e-6, 1e-3, WARM)
    assert got * 1e12 == pytest.approx([13.125, 2.4854, 0.96555, 0.50028], rel=5e-5)
    back = air.air_from_compliance(pressure, got, 0.01 * got, water_m3=1e-3, water_k=WARM)
    assert back.free_air_m3 == pytest.approx(5e-6, rel=1e-6)
    assert 1e-3 / back.foot_m3_per_pa == pytest.approx(2.179e9, rel=1e-4)
    assert back.body_m3_per_pa == pytest.approx(0.0, abs=1e-18)
    assert back.compliance(500e3)[0] == pytest.approx(got[1], rel=1e-9)


def test_the_body_is_softer_than_its_water():
    # C13 (thin closed tube, memory): half-inch schedule 40 at 500 psi grows .729 %, water .158 %. Without a term of its
    # own the body would be taken for water of a fifth of the stiffness, or for air.
    per_pressure = hoop.stress_pa(1.0, 0.840, 0.109, "mean_diameter") * 2.0  # (D - t)/t
    growth = 500.0 * per_pressure / 400e3 * (1.25 - 0.38)
    assert growth == pytest.approx(0.00729, rel=2e-3)
    assert 500.0 * PSI * air.compressibility_per_pa(WARM) == pytest.approx(0.00158, rel=2e-3)
    body = 1e-3 * growth / (500.0 * PSI)
    pressure = ATM + PSI * np.array([5.0, 15.0, 30.0, 60.0, 120.0])
    got = air.compliance_m3_per_pa(pressure, 2e-6, 1e-3, WARM, body)
    found = air.air_from_compliance(pressure, got, 0.01 * got, water_m3=1e-3, water_k=WARM)
    assert (found.free_air_m3, found.body_m3_per_pa) == pytest.approx((2e-6, body), rel=1e-6)


def test_steps_of_any_size_are_exact():
    # By definition: V = const + C p - Va0 p0/p; coarse strokes must give what fine ones do.
    for count in (6, 60):
        pressure = np.linspace(150e3, 450e3, count)
        found = air.air_from_volume(pressure, added(pressure, 3e-6, 3e-12, pressure[0]), **KNOWN)
        assert found.free_air_m3 == pytest.approx(3e-6, rel=1e-6)
        assert found.foot_m3_per_pa == pytest.approx(3e-12, rel=1e-6)
    # One step's dV/dp belongs to sqrt(p1 p2), exactly, as the docstring says.
    one, two = 150e3, 300e3
    step = added(two, 3e-6, 3e-12, one) / (two - one)
    assert step == pytest.approx(3e-12 + 3e-6 * ATM / (one * two), rel=1e-12)


def test_the_stated_uncertainty_is_true():
    # Simulation: strokes into a soft body with no, some and much air; errors drawn as stated, common ones too.
    rng = np.random.default_rng(11)
    true = np.linspace(120e3, 400e3, 16)
    for free in (0.0, 1e-6, 20e-6):
        pulls, slopes, refused = [], [], 0
        for _ in range(300):
            pressure = true + rng.normal(0.0, 200.0, true.size) + rng.normal(0.0, 500.0)
            scale = 1.0 + rng.normal(0.0, 0.005)
            volume = added(true, free, 3e-12, true[0]) * scale + rng.normal(0.0, 2e-9, true.size)
            try:
                found = air.air_from_volume(pressure, volume, **KNOWN)
            except ValueError as reason:
                assert "miss the law" in str(reason)
                refused += 1
                continue
            pulls.append((found.free_air_m3 - free) / found.free_air_u_m3)
            slope, slope_u = found.compliance(250e3)
            slopes.append((slope - 3e-12 - free * ATM / 250e3**2) / slope_u)
        assert refused <= 3, "one in a thousand is the promise"
        for scores in (pulls, slopes):
            assert 0.85 < float(np.std(scores)) < 1.15 and abs(float(np.mean(scores))) < 0.25, (free, np.std(scores))
            assert 0.92 < float(np.mean(np.abs(scores) < 1.96)) < 0.98


def test_a_body_that_creeps_between_strokes_is_refused():
    pressure = np.linspace(120e3, 400e3, 16)
    volume = added(pressure, 1e-6, 3e-12, pressure[0])
    creeping = volume + 4e-18 * np.maximum(0.0, pressure - 250e3) ** 2
    air.air_from_volume(pressure, volume, **KNOWN)
    with pytest.raises(ValueError, match="the body creeps or yields, something leaks"):
        air.air_from_volume(pressure, creeping, **KNOWN)


def test_judged_with_its_uncertainty():
    pressure = np.linspace(120e3, 400e3, 16)
    found = air.air_from_volume(pressure, added(pressure, 3e-6, 3e-12, pressure[0]), **KNOWN)
    guard = 1.645 * found.free_air_u_m3  # ISO 14253-1 (memory)
    assert air.judge_air(found, 3e-6 + 1.01 * guard) == "accept"
    assert air.judge_air(found, 3e-6 + 0.99 * guard) == "undecided"
    assert air.judge_air(found, 3e-6 - 0.98 * guard) == "undecided"
    assert air.judge_air(found, 3e-6 - 1.02 * guard) == "reject"


def test_a_softer_day_is_told_from_a_usual_one():
    # Prediction limit: t(.999, 5) = 5.8934 (standard table, memory).
    days = [3.00, 3.02, 2.98, 3.01, 2.99, 3.00]
    found = air.watch_softness(days, 3.05)
    assert found.limit == pytest.approx(3.0 + 5.8934 * float(np.std(days, ddof=1)) * math.sqrt(7 / 6), rel=1e-5)
    assert not found.softer and found.why == ""
    # A litre of nitrogen through a bladder at 30 psi, the least of it, is a thousand times what the line holds.
    assert air.watch_softness(days, 3.0 + 1e-3 * 1e12 / (ATM + 30 * PSI)).softer
    assert "Do not arm" in air.watch_softness(days, 3.2).why and not air.watch_softness(days, 1.0).softer
    # The chance of a false alarm is what it says: exactly so for normal days (simulation, 20,000 rigs).
    rng = np.random.default_rng(3)
    drawn = rng.normal(3.0, 0.02, (20_000, 7))
    factor = stats.t.ppf(0.999, 5) * math.sqrt(7 / 6)
    alarms = np.mean(drawn[:, 6] > drawn[:, :6].mean(axis=1) + factor * drawn[:, :6].std(axis=1, ddof=1))
    assert alarms == pytest.approx(air.FALSE_ALARM_CHANCE, abs=0.0008)
    for row in drawn[:50]:
        upper = row[:6].mean() + factor * row[:6].std(ddof=1)
        assert air.watch_softness(row[:6], row[6]).limit == pytest.approx(upper)


def test_impossible_input_is_refused_in_words():
    good = np.linspace(120e3, 400e3, 8)
    volume = added(good, 1e-6, 3e-12, good[0])
    with pytest.raises(ValueError, match="is it gauge"):
        air.compliance_m3_per_pa(0.0, 1e-6, 1e-3, WARM)
    with pytest.raises(ValueError, match="in per cent"):
        air.mixture_modulus_pa(1.0, ATM, WARM)
    with pytest.raises(ValueError, match="take more steps"):
        air.air_from_volume(good[:4], volume[:4], **KNOWN)
    with pytest.raises(ValueError, match="does it leak"):
        air.air_from_volume(good[::-1], volume, **KNOWN)
    with pytest.raises(ValueError, match="state what is known"):
        air.air_from_volume(good, volume, **{**KNOWN, "pressure_u_pa": 0.0, "volume_u_m3": 0.0})
    with pytest.raises(ValueError, match="too close together"):
        air.air_from_volume(200e3 + 1e-3 * np.arange(8), volume, **KNOWN)
    with pytest.raises(ValueError, match="commission the rig first"):
        air.watch_softness([3.0] * 4, 3.0)
    with pytest.raises(ValueError, match="not measured finely enough"):
        air.watch_softness([3.0] * 6, 3.0)


def test_worked_cases_in_the_docstrings():
    assert doctest.testmod(air) == (0, 14)
