"""A line with a valve that shuts, node by node, against the textbook forms of `calc.surge` and published numbers.

Two independent ways to one number: the method of characteristics knows no Joukowsky, and the forms know no nodes.
Packaged solvers were looked at first (checks/physics.md, API notes of section 2): tsnet 0.3.1 needs an older numpy than
rigd has, rthym-moc does not let the wave speed be given, ptsnet 0.1.10 is made for whole networks and stands on a
compiled toolkit (its files were read, it was not run). What tsnet gave in an environment of its own is S17 below.
"""

import pytest

from rigd.calc.surge import closure_rise_pa, joukowsky_pa, pipe_period_s
from simulator.hammer import Pipe, shut_valve

RIG_LINE = Pipe(length_m=2.0, wave_speed_m_per_s=629.5)
PSI = 6894.757293168362


@pytest.mark.parametrize(
    ("pipe", "velocity", "g", "head_m", "within"),
    [
        # S7: 1000 m, a = 1191.4 m/s, 2 m/s: 242.9 m (reuven.tools/tools/water-hammer)
        (Pipe(length_m=1000.0, wave_speed_m_per_s=1191.4, density_kg_per_m3=1000.0), 2.0, 9.81, 242.9, 1e-3),
        # S6: 1400 m/s, 2 m/s: 285.423 m (same)
        (Pipe(length_m=1000.0, wave_speed_m_per_s=1400.0, density_kg_per_m3=1000.0), 2.0, 9.81, 285.423, 1e-5),
        # S17: what tsnet 0.3.1 computed with g = 9.8: 120.230 m, itself 9e-5 above a V/g
        (Pipe(length_m=1000.0, wave_speed_m_per_s=1200.0, density_kg_per_m3=1000.0), 0.98179, 9.8, 120.230, 1e-4),
    ],
)
def test_a_sudden_stop_gives_the_published_head(pipe, velocity, g, head_m, within) -> None:
    found = shut_valve(pipe, vessel_pa=5e6, velocity_m_per_s=velocity, closing_s=0.0, lasts_s=1.0)
    assert found.rise_pa / (pipe.density_kg_per_m3 * g) == pytest.approx(head_m, rel=within)


def test_the_wave_is_back_after_2l_over_a() -> None:
    """S7: 2L/a = 1.679 s; then the pressure swings as far below the vessel's as it stood above."""
    pipe = Pipe(length_m=1000.0, wave_speed_m_per_s=1191.4)
    found = shut_valve(pipe, vessel_pa=5e6, velocity_m_per_s=1.0, closing_s=0.0, lasts_s=4.0)
    drop = next(t for t, pa in zip(found.t_s[1:], found.valve_pa[1:], strict=True) if pa < 5e6)
    assert drop == pytest.approx(1.679, abs=2 * 1000.0 / 1191.4 / 100)
    assert pipe_period_s(1000.0, 1191.4) == pytest.approx(1.679, abs=5e-4)
    assert 5e6 - min(found.valve_pa) == pytest.approx(found.rise_pa, rel=1e-9)


@pytest.mark.parametrize("periods", [0.0, 0.3, 0.99, 1.0, 2.0, 5.0, 12.0])
def test_closing_slower_than_a_period_gives_what_the_closed_form_says(periods: float) -> None:
    """Joukowsky up to one period, Michaud's 2 rho L V/t beyond it (S8), both from `calc.surge`."""
    pipe = RIG_LINE
    period_s = pipe_period_s(pipe.length_m, pipe.wave_speed_m_per_s)
    found = shut_valve(
        pipe, vessel_pa=6e6, velocity_m_per_s=1.5, closing_s=periods * period_s, lasts_s=(periods + 2) * period_s
    )
    expected_pa = closure_rise_pa(2.0, 629.5, 1.5, periods * period_s, density_kg_per_m3=pipe.density_kg_per_m3)
    assert found.rise_pa == pytest.approx(expected_pa, rel=0.012)  # a step of 1 % of the period
    assert found.rise_pa <= joukowsky_pa(629.5, 1.5, density_kg_per_m3=pipe.density_kg_per_m3) * (1 + 1e-9)


def test_a_small_rig_line_can_pass_its_trip_for_a_time_no_poll_sees() -> None:
    """S15 and S16: 91.1 psi per m/s in half-inch PVC; in a line of 2 m it is over after 6.35 ms."""
    found = shut_valve(RIG_LINE, vessel_pa=86 * PSI, velocity_m_per_s=1.0, closing_s=0.0, lasts_s=0.0063)
    assert found.rise_pa / PSI == pytest.approx(91.1, abs=0.1)
    longer = shut_valve(RIG_LINE, vessel_pa=86 * PSI, velocity_m_per_s=1.0, closing_s=0.0, lasts_s=0.0125)
    above = [t for t, pa in zip(longer.t_s, longer.valve_pa, strict=True) if pa > 120 * PSI]
    assert max(above) - min(above) < 0.0065


def test_friction_takes_from_the_wave_and_packs_the_line() -> None:
    smooth = Pipe(length_m=1000.0, wave_speed_m_per_s=1200.0)
    rough = Pipe(length_m=1000.0, wave_speed_m_per_s=1200.0, inside_m=0.5, friction=0.02)
    runs = [
        shut_valve(pipe, vessel_pa=5e6, velocity_m_per_s=1.0, closing_s=0.0, lasts_s=40.0) for pipe in (smooth, rough)
    ]
    late = [max(run.valve_pa[-300:]) - 5e6 for run in runs]
    assert late[1] < 0.9 * late[0]
    assert runs[1].valve_pa[100] > runs[1].valve_pa[1]  # it goes on rising behind the front: line packing


def test_a_line_that_would_boil_says_so() -> None:
    found = shut_valve(RIG_LINE, vessel_pa=30 * PSI, velocity_m_per_s=1.0, closing_s=0.0, lasts_s=0.05)
    assert found.boils and len(found.t_s) < 0.05 / (0.02 / 629.5)
