"""Water hammer against published examples, and against a method-of-characteristics solution written here on its own.

Status words: *seen* = the number was read in the source named; *memory* = it was not; *computed* = no printed answer.
The row numbers are those of the project's list of check values. A package for S17, tsnet 0.3.1, needs numpy below 2 and
cannot stand beside ours; its printed result is a row, and `solve_characteristics` below is the oracle that runs here.
"""

import doctest
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rigd.calc import column, surge

PSI = 8896443230521 / 1290320000
FOOT, INCH = 0.3048, 0.0254
HALF_INCH = {"inside_m": 0.622 * INCH, "wall_m": 0.109 * INCH}  # schedule 40
ONE_INCH = {"inside_m": 1.049 * INCH, "wall_m": 0.133 * INCH}
PVC_PA = 2.758e9  # assumed in the rows
WATER_ISOTHERMAL_PA = 2.179e9  # used in rows S15, C11; a surge is isentropic and 0.7 % stiffer


# --- an independent solution -----------------------------------------------------------------------------------------


def solve_characteristics(length, a, v0, until, *, source, far, reaches=100, rho=998.2072):
    """Pressure at the far end of a frictionless pipe by the method of characteristics, from its own textbook form.

    Along C+ p + rho a v is constant, along C- p - rho a v. `source(riemann, b)` gives (p, v) at the near end from
    p - b v, `far(riemann, b, t, dt)` at the far end from p + b v, with b = rho a. Starts at p = 0, v = v0.
    """
    b, dt = rho * a, length / a / reaches
    p, v = np.zeros(reaches + 1), np.full(reaches + 1, float(v0))
    seen = []
    for step in range(1, round(until / dt) + 1):
        plus, minus = p[:-1] + b * v[:-1], p[1:] - b * v[1:]
        p, v = np.empty_like(p), np.empty_like(v)
        p[1:-1], v[1:-1] = (plus[:-1] + minus[1:]) / 2, (plus[:-1] - minus[1:]) / (2 * b)
        p[0], v[0] = source(minus[0], b)
        p[-1], v[-1] = far(plus[-1], b, step * dt, dt)
        seen.append((step * dt, p[-1], v[-1]))
    return np.array(seen).T


def tank(pressure):
    return lambda riemann, b: (pressure, (pressure - riemann) / b)


def tank_behind_inlet(pressure, k_over_area):
    """v = k/A sqrt(pressure - p) with p - b v = riemann: a quadratic in v."""

    def source(riemann, b):
        head = pressure - riemann
        if head <= 0.0:
            return riemann, 0.0  # a check valve: nothing flows back
        square = k_over_area**2
        v = (-b * square + math.sqrt((b * square) ** 2 + 4.0 * square * head)) / 2.0
        return riemann + b * v, v

    return source


def shutting(v0, closing):
    def far(riemann, b, t, dt):
        v = v0 * max(0.0, 1.0 - t / closing) if closing > 0.0 else 0.0
        return riemann - b * v, v

    return far


# --- wave speed ------------------------------------------------------------------------------------------------------


def test_wave_speed_of_rigid_and_elastic_pipes():
    # S9: a0 = sqrt(E/rho) with 43.2e6 lb/ft2 and 1.94 slug/ft3: 4719 ft/s (handbook eq. 12.63 inputs; computed).
    rigid = surge.wave_speed_m_per_s(1.0, 1.0, math.inf, c=1.0, bulk_modulus_pa=43.2e6, density_kg_per_m3=1.94)
    assert rigid == pytest.approx(4719, rel=5e-4)  # in ft/s: the form knows no units
    # S15: schedule 40 PVC, water at 20 degC (computed): 629.5 and 549.4 m/s, 91.1 and 79.5 psi per m/s.
    for pipe, speed, per_speed in ((HALF_INCH, 629.5, 91.1), (ONE_INCH, 549.4, 79.5)):
        a = surge.wave_speed_m_per_s(**pipe, wall_modulus_pa=PVC_PA, c=1.0, bulk_modulus_pa=WATER_ISOTHERMAL_PA)
        assert a == pytest.approx(speed, abs=0.06)
        assert surge.joukowsky_pa(a, 1.0) / PSI == pytest.approx(per_speed, abs=0.05)
        stiffer = surge.wave_speed_m_per_s(**pipe, wall_modulus_pa=PVC_PA, c=1.0)
        assert 1.0 < stiffer / a < 1.001, "in plastic the wall governs, not which modulus of water is meant"


def test_speed_in_thin_pvc_by_dimension_ratio():
    """S11: a0/sqrt(1 + 0.75 (DR - 2)), rises of 17.4 and 14.7 psi per ft/s AWWA-type figures from memory; Moser's table
    prints 1311 ft/s for DR 18, which is the convention a0 = 4720, 1.3 % above a0 = 4660."""

    def speed_ft(a0_ft, ratio):
        rho = 1.94  # slug/ft3; feet, pounds, slugs throughout
        modulus = a0_ft**2 * rho
        return surge.wave_speed_m_per_s(
            ratio - 2.0, 1.0, modulus / 0.75, c=1.0, bulk_modulus_pa=modulus, density_kg_per_m3=rho
        )

    for ratio, speed, rise_psi in ((14, 1474, 19.8), (18, 1292, 17.4), (25, 1091, 14.7)):
        assert speed_ft(4660, ratio) == pytest.approx(speed, abs=0.6)
        assert surge.joukowsky_pa(speed, 1.0, density_kg_per_m3=1.94) / 144 == pytest.approx(rise_psi, abs=0.07)
    assert speed_ft(4720, 18) == pytest.approx(1309, abs=0.6)
    assert speed_ft(4720, 18) == pytest.approx(1311, rel=2e-3)
    assert speed_ft(4720, 18) / speed_ft(4660, 18) == pytest.approx(1.013, abs=5e-4)


def test_conventions_of_restraint():
    # S10: c = 1, 1 - nu/2, 1 - nu^2 (seen in doc.comsol.com 6.4 and viadux.com.au citing Wylie & Streeter 1993).
    nu = 0.38
    factors = [
        surge.restraint_factor(word, nu) for word in ("expansion_joints", "anchored_upstream", "anchored_throughout")
    ]
    assert factors == pytest.approx([1.0, 0.81, 0.8556], abs=1e-12)
    slowest, fastest, between = (surge.wave_speed_m_per_s(**HALF_INCH, wall_modulus_pa=PVC_PA, c=c) for c in factors)
    assert slowest < between < fastest, "a pipe held fast is stiffer"
    # S13: 1450/sqrt(1 + K D/(E e)), K = 2.1 GPa, D = .3, e = .02, E = 2.6 GPa (textbook problem; computed).
    kept = {"bulk_modulus_pa": 2.1e9, "density_kg_per_m3": 2.1e9 / 1450.0**2}
    a = surge.wave_speed_m_per_s(0.3, 0.02, 2.6e9, c=1.0, **kept)
    assert a == pytest.approx(400.4, abs=0.05)
    assert surge.joukowsky_pa(a, 2.5, density_kg_per_m3=1.0) / 9.81 == pytest.approx(102.0, abs=0.05)


def test_free_air_softens_water_and_slows_the_wave():
    # C10: C_eff = phi C_a + (1 - phi) C_w, C_w = 4.54e-10/Pa, phi = .001 at 1 atm: 1.0323e-8/Pa (White; computed).
    soft = surge.mixture_modulus_pa(0.001, 101_325.0, water_modulus_pa=1 / 4.54e-10)
    assert 1.0 / soft == pytest.approx(1.0323e-8, rel=5e-5)
    assert (1 / 4.54e-10) / soft == pytest.approx(22, abs=1)  # "22 times softer"; the source rounds 22.7
    # C11: 0.1 % of free air at 1 atm, isothermal, at 1 atm, 40 and 500 psig (computed).
    for gauge_psi, modulus_mpa in ((0, 96.8), (40, 853.8), (500, 2141.5)):
        made = surge.mixture_modulus_pa(0.001, 101_325.0 + gauge_psi * PSI, water_modulus_pa=WATER_ISOTHERMAL_PA)
        assert made / 1e6 == pytest.approx(modulus_mpa, abs=0.06)
    # Wood's low speed of sound in bubbly water: 0.1 % at 1 atm in a rigid pipe is near 310 m/s (from memory).
    assert surge.wave_speed_m_per_s(1.0, 1.0, math.inf, c=1.0, bulk_modulus_pa=soft) == pytest.approx(311, abs=2)
    assert surge.mixture_modulus_pa(0.0, 1e5) == surge.WATER_MODULUS_PA
    quick = surge.mixture_modulus_pa(0.001, 101_325.0, exponent=1.4)
    assert 1.3 < quick / surge.mixture_modulus_pa(0.001, 101_325.0) < 1.4, "a sudden squeeze finds the bubbles stiffer"


# --- stopping a flow -------------------------------------------------------------------------------------------------


def test_joukowsky_and_slow_closure():
    # S6: 1400 m/s, 2 m/s: 285.423 m (g = 9.81; reuven.tools/tools/water-hammer, seen).
    head = surge.joukowsky_pa(1400.0, 2.0, density_kg_per_m3=1000.0) / 9810.0
    assert head == pytest.approx(285.423, rel=1e-5)
    # S7: a = 1191.4, 1000 m, 2 m/s: 2L/a = 1.679 s, 242.9 m (same, seen).
    assert surge.pipe_period_s(1000.0, 1191.4) == pytest.approx(1.679, abs=5e-4)
    assert surge.joukowsky_pa(1191.4, 2.0, density_kg_per_m3=1000.0) / 9810.0 == pytest.approx(242.9, rel=1e-3)
    # S8: slow closure in 5 s: 81.5 m, 8.00 bar (Michaud; same, seen).
    slow = surge.closure_rise_pa(1000.0, 1191.4, 2.0, 5.0, density_kg_per_m3=1000.0)
    assert slow / 9810.0 == pytest.approx(81.5, rel=1e-3) and slow == pytest.approx(8.00e5, rel=1e-3)
    # S12: c = 970, L = 1600, D = 1.2 m, Q = .85 m3/s: 729.0 kPa, 3.299 s, in 4 s 601.3 kPa (problem; computed).
    v = 0.85 / (math.pi / 4 * 1.2**2)
    assert surge.joukowsky_pa(970.0, v, density_kg_per_m3=1000.0) == pytest.approx(729.0e3, rel=1e-4)
    assert surge.pipe_period_s(1600.0, 970.0) == pytest.approx(3.299, abs=5e-4)
    assert surge.closure_rise_pa(1600.0, 970.0, v, 4.0, density_kg_per_m3=1000.0) == pytest.approx(601.3e3, rel=1e-4)


def test_sudden_is_strictly_within_the_period_and_the_forms_meet_there():
    period = surge.pipe_period_s(2.0, 629.5)
    # S14: sudden if tc < 2L/a, strictly (curioustab.com 67458, seen).
    assert surge.is_sudden(math.nextafter(period, 0.0), period) and not surge.is_sudden(period, period)
    assert surge.is_sudden(0.0, period)
    at, within, after = (surge.closure_rise_pa(2.0, 629.5, 1.0, period * part) for part in (1.0, 0.999, 1.001))
    assert at == pytest.approx(within) == pytest.approx(surge.joukowsky_pa(629.5, 1.0)) and after < at


def test_sampling_a_surge():
    # S16: a = 629.5, L = 1/2/5/10 m: 3.18/6.35/15.9/31.8 ms; 3148/1574/630/315 Hz for 10 samples (computed).
    for length, period_ms, rate in ((1, 3.18, 3148), (2, 6.35, 1574), (5, 15.9, 630), (10, 31.8, 315)):
        period = surge.pipe_period_s(length, 629.5)
        assert period * 1e3 == pytest.approx(period_ms, rel=2e-3)
        assert surge.needed_rate_hz(period) == pytest.approx(rate, abs=0.6)
        assert surge.is_resolved(rate + 1, period) and not surge.is_resolved(rate - 1, period)


def test_characteristics_agree_with_joukowsky_at_once_and_with_michaud_slowly():
    # S17: 1000 m, a = 1200, V0 = .98179, end valve shut at once: aV0/9.8 = 120.219 m; tsnet 0.3.1 gave 120.230 and the
    # reflection at 1.672 s against 2L/a = 1.6667 (seen). Here the reflection comes with the solver's own step.
    length, a, v0 = 1000.0, 1200.0, 0.98179
    t, p, _ = solve_characteristics(length, a, v0, 3.0, source=tank(0.0), far=shutting(v0, 0.0))
    rise = surge.joukowsky_pa(a, v0)
    assert p.max() == pytest.approx(rise, rel=1e-9)
    assert rise / (surge.WATER_KG_PER_M3 * 9.8) == pytest.approx(120.219, rel=1e-5)
    assert rise / (surge.WATER_KG_PER_M3 * 9.8) == pytest.approx(120.230, rel=2e-4)
    back = t[np.argmax(p < 0.0)]
    period = surge.pipe_period_s(length, a)
    assert back == pytest.approx(period, abs=1.01 * (t[1] - t[0])) and back == pytest.approx(1.672, abs=0.02)
    assert p.min() == pytest.approx(-rise, rel=1e-9), "as far down as up"
    for closing in (0.5 * period, period, 1.5 * period, 3.0 * period, 7.3 * period):
        _, p, _ = solve_characteristics(
            length, a, v0, closing + 2 * period, source=tank(0.0), far=shutting(v0, closing)
        )
        bound = surge.closure_rise_pa(length, a, v0, closing)
        assert p.max() <= bound * (1 + 1e-9)
        assert p.max() == pytest.approx(bound, rel=1e-2), "Michaud is reached when the flow falls in a straight line"


@pytest.mark.parametrize("fed", [0.3, 1.0, 4.0, 30.0])
def test_no_line_behind_an_inlet_passes_the_drive_by_more_than_joukowsky_for_its_most_flow(fed):
    """The bound of `rigd check`: driving pressure + rho a V, V what the inlet passes with all of the drive across it.

    Once flowing freely and stopped at once, once opened onto a full, closed end (computed by characteristics).
    """
    drive, length, a, until = 3e6, 2.6, 474.0, 0.4
    source = tank_behind_inlet(drive, fed / math.sqrt(drive))
    bound = drive + surge.joukowsky_pa(a, fed)
    for flowing in (fed, 0.0):
        _, p, _ = solve_characteristics(length, a, flowing, until, source=source, far=shutting(0.0, 0.0), reaches=20)
        assert 0.9 * min(drive, bound) < p.max() <= bound
    assert p.max() <= 2.0 * drive * (1 + 1e-9), "a step onto a closed end doubles, whatever the inlet"


# --- columns with air before them ------------------------------------------------------------------------------------


def test_column_speed_by_integrating_newton():
    for loss in (0.0, 1e-9, 3.0):
        driving, long, way = 85 * PSI, 1.5, 2.0

        def motion(t, state, loss=loss, driving=driving, long=long):
            v = state[1]
            return [v, (driving / surge.WATER_KG_PER_M3 - loss * v * v / 2) / long]

        def arrived(t, state, way=way):
            return state[0] - way

        arrived.terminal = True
        done = solve_ivp(motion, (0, 10), [0.0, 0.0], events=arrived, rtol=1e-10, atol=1e-12)
        assert column.column_speed_m_per_s(driving, long, way, loss=loss) == pytest.approx(done.y[1, -1], rel=1e-6)
    # With much friction: Torricelli's speed over the loss.
    assert column.column_speed_m_per_s(1e5, 0.1, 100.0, loss=4.0) == pytest.approx(math.sqrt(2e5 / 4 / 998.2072))
    assert column.column_speed_m_per_s(0.0, 1.0, 1.0) == 0.0


@pytest.mark.parametrize(
    ("driving", "exponent", "speed"), [(2e5, 1.0, 0.0), (2e5, 1.4, 0.0), (7e5, 1.2, 0.0), (1e5, 1.4, 5.0)]
)
def test_pocket_by_integrating_the_rigid_column(driving, exponent, speed):
    """Energy against motion: the same pocket integrated in time until the column turns (computed, independent form)."""
    start, volume, area, long = 101_325.0, 2e-5, 1.131e-4, 2.0
    mass = surge.WATER_KG_PER_M3 * area * long

    def motion(t, state):
        space, v = state
        return [-area * v, (driving - start * (volume / space) ** exponent) * area / mass]

    def turned(t, state):
        return state[1] + 1e-12 if t > 1e-6 else 1.0

    turned.terminal, turned.direction = True, -1
    done = solve_ivp(motion, (0, 5), [volume, speed], events=turned, rtol=1e-11, atol=1e-15, method="DOP853")
    kept = {"exponent": exponent, "column_kg": mass, "speed_m_per_s": speed}
    peak = column.pocket_peak_pa(driving, start, volume, **kept)
    assert peak == pytest.approx(start * (volume / done.y[0, -1]) ** exponent, rel=1e-5)


def test_pocket_limits():
    # A spring overshoots by as much again: p = 2 p_d - p0 for a small excess (textbook mechanics).
    for exponent in (1.0, 1.2, 1.4):
        assert column.pocket_peak_pa(100_100.0, 100_000.0, 1e-4, exponent=exponent) == pytest.approx(100_200, abs=0.2)
    assert column.pocket_peak_pa(1e5, 1e5, 1e-4, exponent=1.2) == 1e5
    assert column.pocket_peak_pa(0.5e5, 1e5, 1e-4, exponent=1.2) == 1e5, "a column that falls back squeezes nothing"
    at_rest = column.pocket_peak_pa(3e5, 1e5, 1e-4, exponent=1.2)
    assert at_rest == column.pocket_peak_pa(3e5, 1e5, 5.0, exponent=1.2, column_kg=7.0), "no size matters from rest"
    assert column.pocket_peak_pa(3e5, 1e5, 1e-4, exponent=1.2, column_kg=0.2, speed_m_per_s=5.0) > at_rest
    near_one = [column.pocket_peak_pa(2e5, 1e5, 1e-4, exponent=n) for n in (1.0, 1.0 + 2e-9, 1.0 + 1e-6)]
    assert near_one == pytest.approx([near_one[0]] * 3, rel=1e-5)
    assert column.pocket_peak_pa(5e6, 1e5, 1e-4, exponent=1.0) == math.inf


def run_into_pocket(volume, *, excess, until, area=1.131e-4, long=2.0, a=630.0, v0=0.0, exponent=1.2, reaches=40):
    """Highest absolute pressure before an elastic column that a tank pushes onto a pocket at one atmosphere."""
    start, space = 101_325.0, [volume]

    def gas(v, dt):
        return start * (volume / max(space[0] - area * v * dt, 1e-15)) ** exponent - start

    def far(riemann, b, t, dt):
        low, high = -100.0, min(100.0, space[0] / (area * dt))
        for _ in range(60):  # p(v) falls on C+ and rises in the gas: one crossing
            v = (low + high) / 2
            low, high = (v, high) if riemann - b * v > gas(v, dt) else (low, v)
        pressure = gas(v, dt)
        space[0] -= area * v * dt
        return pressure, v

    _, p, _ = solve_characteristics(long, a, v0, until, source=tank(excess), far=far, reaches=reaches)
    return p.max() + start


@pytest.mark.parametrize("volume", [4e-4, 1e-4, 2e-5, 5e-6, 1e-6, 1e-7, 1e-9])
@pytest.mark.parametrize(("excess", "v0"), [(2e5, 0.0), (2e5, 0.5), (0.0, 2.0)])
def test_pocket_by_characteristics_from_large_to_vanishing(volume, excess, v0):
    """An elastic column never passes the lesser of the two bounds, and comes near one of them (computed)."""
    kept = {"area_m2": 1.131e-4, "column_m": 2.0, "wave_speed_m_per_s": 630.0, "speed_m_per_s": v0}
    bound = column.strike_through_pocket_pa(excess + 101_325.0, 101_325.0, volume, exponent=1.2, **kept)
    solved = run_into_pocket(volume, excess=excess, v0=v0, until=0.04 + 30.0 * volume**0.5)
    assert 0.5 * bound < solved <= bound * 1.01
    if volume >= 1e-4:
        assert solved == pytest.approx(bound, rel=0.03), "a large pocket sees a rigid column"
    if volume == 1e-9 and v0 == 0.0:
        assert solved == pytest.approx(101_325.0 + 2.0 * excess, rel=0.01), "a bubble too small for the grid: doubled"


def test_column_on_an_outlet():
    a, v = 600.0, 10.0
    capped = surge.joukowsky_pa(a, v)
    assert column.outlet_strike_pa(a, v, opening=0.0) == pytest.approx(capped)
    rises = [column.outlet_strike_pa(a, v, opening=opening) for opening in (0.0, 0.01, 0.1, 0.3, 0.62, 1.0)]
    assert rises == sorted(rises, reverse=True) and 0.0 < rises[-1] < 0.02 * capped
    for opening, rise in ((0.1, rises[2]), (0.62, rises[4])):
        passes = opening * math.sqrt(2 * rise / surge.WATER_KG_PER_M3)
        assert rise == pytest.approx(surge.WATER_KG_PER_M3 * a * (v - passes)), "both laws hold at once"
    # An outlet that passes the column at the pressure before it: no jump.
    enough = surge.WATER_KG_PER_M3 * v * v / 2
    assert column.outlet_strike_pa(a, v, opening=1.0, before_pa=enough) == pytest.approx(0.0, abs=1e-3)
    assert column.outlet_strike_pa(a, v, opening=1.0, before_pa=4 * enough) == 0.0
    # The same by characteristics: a column at 10 m/s meets the outlet at t = 0 (before any wave is back).
    opening = 0.1

    def far(riemann, b, t, dt):
        k = opening * math.sqrt(2 / surge.WATER_KG_PER_M3)
        root = (-b * k + math.sqrt((b * k) ** 2 + 4 * riemann)) / 2
        return root * root, k * root

    _, p, _ = solve_characteristics(2.0, a, v, 0.004, source=tank(0.0), far=far)
    assert p.max() == pytest.approx(rises[2], rel=1e-9)


# --- limits and words ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "bad",
    [
        lambda: surge.restraint_factor("glued", 0.4),
        lambda: surge.restraint_factor("anchored_upstream", 0.6),
        lambda: surge.mixture_modulus_pa(1.0, 1e5),
        lambda: surge.mixture_modulus_pa(0.2, 1e4),
        lambda: surge.mixture_modulus_pa(0.001, 0.0),
        lambda: surge.wave_speed_m_per_s(0.0, 0.001, 1e9, c=1.0),
        lambda: surge.wave_speed_m_per_s(0.01, 0.001, math.nan, c=1.0),
        lambda: surge.joukowsky_pa(600.0, -1.0),
        lambda: surge.joukowsky_pa(math.inf, 1.0),
        lambda: surge.pipe_period_s(0.0, 600.0),
        lambda: surge.is_sudden(-0.1, 0.01),
        lambda: surge.closure_rise_pa(1.0, 600.0, 1.0, math.nan),
        lambda: surge.needed_rate_hz(0.0),
        lambda: surge.is_resolved(0.0, 0.01),
        lambda: column.column_speed_m_per_s(-1.0, 1.0, 1.0),
        lambda: column.pocket_peak_pa(1e5, 0.0, 1e-4, exponent=1.2),
        lambda: column.strike_through_pocket_pa(
            2e5, 1e5, 1e-5, exponent=1.2, column_m=0.0, area_m2=1e-4, wave_speed_m_per_s=600.0
        ),
        lambda: column.outlet_strike_pa(600.0, 10.0, opening=-0.1),
    ],
)
def test_nonsense_is_refused_with_words(bad):
    with pytest.raises(ValueError, match="allowed"):
        bad()


def test_worked_cases_in_the_docstrings():
    assert doctest.testmod(surge) == (0, 9)
    assert doctest.testmod(column) == (0, 6)
