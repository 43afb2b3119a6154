"""The water's physics against checks/physics.md C10 to C13 and L15: numbers computed outside this project."""

import math

import pytest

from simulator.bodies import KINDS, PSI, draw_body
from simulator.plant import PER_M2
from simulator.transducers import ATMOSPHERE_PA
from simulator.water import WATER_K_PA, Water

LITRE = 1e-3


def rigid(water_m3: float, air_m3: float) -> Water:
    """Water and air (at one atmosphere) in a room that does not stretch."""
    return Water(room_m3=water_m3 + air_m3, water_m3=water_m3, stretch_m3_per_pa=0.0, trapped_air_m3=air_m3)


def squeeze(water: Water, absolute_pa: float) -> float:
    """Make the room smaller until the contents stand at absolute_pa; returns the room [m3]."""
    full_m3 = water.water_m3 + water.air_j / ATMOSPHERE_PA
    low, high = 0.9 * full_m3, 1.1 * full_m3
    for _ in range(200):
        water.room_m3 = 0.5 * (low + high)
        if water.settle() + ATMOSPHERE_PA > absolute_pa:
            low = water.room_m3
        else:
            high = water.room_m3
    return water.room_m3


def give_m3_per_pa(water: Water, absolute_pa: float) -> float:
    """-dV/dp of the contents at absolute_pa."""
    step_pa = 1e-3 * absolute_pa
    return (squeeze(water, absolute_pa - step_pa) - squeeze(water, absolute_pa + step_pa)) / (2.0 * step_pa)


def test_a_thousandth_of_air_softens_water_as_computed() -> None:
    # checks/physics.md C11 (from C10, a public copy citing White): K_eff in MPa at 0.1 % free air at 1 atm.
    for gauge_pa, expected_mpa in ((0.0, 96.8), (40.0 * PSI, 853.8), (500.0 * PSI, 2141.5)):
        water = rigid(0.999 * LITRE, 0.001 * LITRE)
        soft = give_m3_per_pa(water, gauge_pa + ATMOSPHERE_PA)
        assert LITRE / soft / 1e6 == pytest.approx(expected_mpa, rel=0.005)


def test_air_check_finds_the_air_and_the_water_again() -> None:
    # checks/physics.md C12: 1 L of water, 5 mL of air; mL/MPa at kPa absolute, linear in 1/p^2.
    expected = {200e3: 13.125, 500e3: 2.4854, 1000e3: 0.96555, 3500e3: 0.50028}
    points = []
    for absolute_pa, ml_per_mpa in expected.items():
        soft = give_m3_per_pa(rigid(LITRE, 5e-6), absolute_pa)
        assert soft * 1e12 == pytest.approx(ml_per_mpa, rel=0.002)
        points.append((1.0 / absolute_pa**2, soft))
    (x0, y0), (x1, y1) = points[0], points[-1]
    slope = (y0 - y1) / (x0 - x1)
    assert slope / ATMOSPHERE_PA == pytest.approx(5e-6, rel=0.002)
    assert LITRE / (y1 - slope * x1) == pytest.approx(2.179e9, rel=0.005)


def test_bodies_stretch_more_than_water_shrinks() -> None:
    # checks/physics.md C13 (closed-end thin tube, from memory): 0.729 % at 500 psi against water's 0.158 %.
    tube = 500 * PSI * 0.731 / (0.109 * 400e3 * PSI) * (1.25 - 0.38)
    assert tube == pytest.approx(0.00729, rel=0.002)
    for kind in KINDS:
        for seed in range(20):
            stretch = draw_body(kind, seed).compliance_per_pa * 500 * PSI
            assert 500 * PSI / WATER_K_PA < 0.7 * tube < stretch < 1.4 * tube


def test_hole_passes_what_the_orifice_formula_says() -> None:
    # checks/physics.md L15: 0.1 mm hole, 40 psi, Cd 0.62: 6.868 mL/min (computed).
    area_m2 = math.pi / 4 * 1e-4**2
    assert area_m2 * PER_M2 * math.sqrt(40 * PSI) * 60e6 == pytest.approx(6.868, rel=0.001)


@pytest.mark.parametrize("dt_s", [0.0001, 0.001])
def test_stiff_line_vents_as_the_root_law_says(dt_s: float) -> None:
    """Without air sqrt(p) falls in a straight line: from s*dp/dt = -k*sqrt(p) follows sqrt(p0) - k*t/(2*s)."""
    water = Water(room_m3=LITRE, water_m3=0.99999 * LITRE, stretch_m3_per_pa=2e-12, trapped_air_m3=0.0)
    water.air_j, start_pa, k_out = 0.0, 300 * PSI, 1e-8
    while water.pa < start_pa:
        water.flow(0.01, 1e-8, start_pa + 1.0, 0.0, 0.0)
    start_pa, soft, t_s = water.pa, 2e-12 + water.water_m3 / WATER_K_PA, 0.0
    while t_s < 0.15:
        water.flow(dt_s, 0.0, 0.0, k_out, k_out)
        t_s += dt_s
        expected = (math.sqrt(start_pa) - k_out * t_s / (2.0 * soft)) ** 2
        assert water.pa == pytest.approx(expected, abs=20.0 * dt_s * start_pa)


def test_no_step_length_overshoots_the_source() -> None:
    for dt_s in (0.001, 0.01, 0.02):
        for air_m3 in (0.0, 1e-6, 50e-6, 500e-6):
            water = Water(room_m3=LITRE, water_m3=LITRE - air_m3 - 1e-9, stretch_m3_per_pa=2e-12, trapped_air_m3=air_m3)
            for _ in range(500):
                water.flow(dt_s, 6e-8, 2e6, 0.0, 0.0)
                assert -1.0 <= water.pa <= 2e6 * (1 + 1e-6)
            for _ in range(round(3.0 / dt_s)):
                before = water.water_m3
                let_in = water.flow(dt_s, 6e-8, 2e6, 6e-7, 6e-7)
                assert -1.0 <= water.pa <= 2e6 and let_in > 0.0
                assert water.water_m3 < before + let_in or air_m3 == 0.0
            if air_m3 < 100e-6:  # more air takes longer to come to rest
                assert water.pa == pytest.approx(2e6 * 0.06**2 / (0.06**2 + 0.6**2), rel=0.01)  # in a row
