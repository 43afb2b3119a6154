"""The surge bench against conservation, closed formulas and what a technician expects of iron; bodies and their memory.

Sources stand beside each check; the bench's formulas are those of `simulator.plant`, judged in test_plant.
"""

import contextlib
import json
import math
import subprocess
import sys
from dataclasses import replace
from random import Random

import pytest

from rigd.model.errors import UsageRefused
from simulator.bodies import PSI
from simulator.surge_bench import SurgeBench
from simulator.surge_bodies import FELT_SHARE, KINDS, SURGE_PA, Specimen, draw_surge_body
from simulator.surge_night import surge_rig
from simulator.transducers import ATMOSPHERE_PA
from simulator.water import WATER_K_PA

STRONG = tuple(draw_surge_body("strong", 1, number) for number in (1, 2, 3, 4))
OFF, ON = 0, 1


class Hands:
    """Drives a bench by the roles and stations of its outputs."""

    def __init__(self, **known: object) -> None:
        self.rig = known.pop("rig", None) or surge_rig(10_000_000)
        self.bench = SurgeBench(self.rig, seed=3, **({"bodies": STRONG} | known))
        self._at = {(output.role, output.station): at for at, output in enumerate(self.rig.outputs)}
        self._kicks, self.dt_s = 0, 0.01

    def put(self, role: str, station: int, energised: int) -> None:
        output = self.rig.outputs[self._at[role, station]]
        self.bench.drive(self._at[role, station], output.counts_energised if energised else output.counts_safe)

    def wait(self, seconds: float, kick: bool = True) -> "Hands":
        for _ in range(round(seconds / self.dt_s)):
            if kick:
                self._kicks += 1
                self.bench.drive(self._at["watchdog", 0], self._kicks & 0xFFFF)
            self.bench.advance(self.dt_s)
        return self

    def charge(self, psi: float = 86.0) -> "Hands":
        self.wait(0.02)
        self.put("supply", 0, ON)
        self.bench.drive(self._at["set_point", 0], round(psi * 100))
        return self.wait(4.0)

    def shoot(self, *stations: int, hold_s: float = 0.4, rest_s: float = 0.8, fast: bool = True) -> None:
        for station in stations:
            self.put("vent", station, ON)
        self.wait(0.15)
        for station in stations:
            self.put("inlet", station, ON)
        self.wait(hold_s)
        for station in stations:
            self.put("inlet", station, OFF)
            self.put("vent", station, OFF)
        self.wait(rest_s)

    def psi(self, station: int) -> float:
        return self.bench.stations[station - 1].water.pa / PSI


def test_a_surge_takes_from_the_vessel_what_the_body_takes_up_and_the_pump_brings_it_back() -> None:
    """dV = V0*c*p + V/K*p + air (C6, C12, C13 of checks/physics.md), closed form."""
    hands = Hands().charge()
    bench, iron, body = hands.bench, hands.bench.stations[0], STRONG[0]
    full_m3, water_m3 = bench.water_m3, iron.water.water_m3
    hands.put("vent", 1, ON)
    hands.wait(0.2)
    hands.put("inlet", 1, ON)
    hands.wait(0.08)
    assert bench.water_m3 < full_m3
    hands.wait(2.0)
    pa = iron.water.pa
    boyle = iron.water.air_j * (1.0 / ATMOSPHERE_PA - 1.0 / (pa + ATMOSPHERE_PA))
    soft = (body.volume_m3 * body.compliance_per_pa + iron.water.room_m3 / WATER_K_PA) * pa
    assert iron.water.water_m3 - water_m3 == pytest.approx(soft + boyle, rel=0.01)
    assert pa / PSI == pytest.approx(86.0, abs=0.1) and bench.water_m3 == pytest.approx(full_m3, rel=1e-4)


def test_only_the_station_that_is_driven_feels_anything() -> None:
    hands = Hands().charge()
    hands.shoot(2)
    hands.shoot(2, 3)
    assert [hands.bench.truth(number).cycles for number in (1, 2, 3, 4)] == [0, 2, 1, 0]
    assert all(hands.psi(number) < 0.1 for number in (1, 2, 3, 4))


def test_a_throttled_outlet_stands_where_both_flows_are_equal() -> None:
    """Q = k*sqrt(dp) on both sides: p = feed*k_in^2/(k_in^2 + k_out^2), here k_out a quarter of k_in."""
    hands = Hands(outlet="throttled").charge()
    hands.put("vent", 1, ON)
    hands.wait(0.15)
    hands.put("inlet", 1, ON)
    hands.wait(0.5)
    assert hands.psi(1) * PSI == pytest.approx(hands.bench.feed_pa / (1.0 + 0.25**2), rel=2e-3)


def test_an_open_body_pulls_the_feed_down_for_its_neighbour() -> None:
    weak = replace(draw_surge_body("cap", 1, 1), life=1.0, opening_m2=1.5e-3)
    rig = replace(surge_rig(10_000_000), regulator_m3_per_s=surge_rig().regulator_m3_per_s / 20.0)
    hands = Hands(rig=rig, bodies=(weak, *STRONG[1:])).charge().wait(60.0)
    hands.put("vent", 1, ON), hands.put("vent", 2, ON)
    hands.wait(0.15)
    hands.put("inlet", 1, ON), hands.put("inlet", 2, ON)
    hands.wait(1.0)
    assert hands.bench.truth(1).failed_at_cycle == 1 and hands.bench.truth(1).seen == "parted"
    assert hands.psi(1) < 1.0 and hands.psi(2) < 84.0
    assert not hands.bench.stations[0].specimen.is_dry and hands.bench.stations[1].specimen.is_dry


def test_air_goes_in_up_to_the_feed_and_out_again() -> None:
    hands = Hands().charge()
    hands.put("vent", 4, ON)
    hands.wait(0.15)
    hands.put("air", 4, ON)
    hands.wait(0.6)
    assert hands.psi(4) == pytest.approx(86.0, abs=0.5)
    air_j = hands.bench.stations[3].water.air_j
    hands.put("air", 4, OFF), hands.put("vent", 4, OFF)
    hands.wait(0.6)
    assert hands.psi(4) < 0.1 and hands.bench.stations[3].water.air_j < 0.5 * air_j
    assert hands.bench.truth(4).cycles == 1


def test_without_kicks_every_station_is_vented_and_a_command_does_nothing() -> None:
    hands = Hands().charge()
    for number in (1, 2):
        hands.put("vent", number, ON)
        hands.put("inlet", number, ON)
    hands.wait(0.3)
    assert hands.psi(1) > 80 and hands.psi(2) > 80
    hands.wait(1.0, kick=False)
    assert hands.bench.watchdog.dropped and not hands.bench.energised
    assert hands.psi(1) < 0.1 and hands.psi(2) < 0.1
    hands.put("inlet", 1, ON)
    assert not hands.bench.energised


def test_a_long_quiet_time_is_one_step_and_ends_as_many_small_ones() -> None:
    quick, slow = Hands().charge(), Hands().charge()
    quick.shoot(1), slow.shoot(1)
    quick.bench.advance(0.4), slow.wait(0.4, kick=False)
    quick.bench.advance(3.0), slow.wait(3.0, kick=False)
    assert quick.bench.feed_pa == pytest.approx(slow.bench.feed_pa, rel=1e-3)
    assert quick.bench.watchdog.dropped and slow.bench.watchdog.dropped
    assert quick.bench.counts(0) is not None


def felt(body, peaks, *, seconds: float = 0.0) -> Specimen:
    """A specimen after surges of these peaks [share of the surge's pressure]."""
    specimen, t_s = Specimen(body, Random(1)), 0.0
    for peak in peaks:
        for share in (0.3, 1.0):
            t_s += 0.02
            specimen.look(peak * share * SURGE_PA, t_s)
        for _ in range(20):
            t_s += 0.05
            specimen.look(0.0, t_s)
    return specimen


def test_a_surge_is_felt_once_and_only_after_the_pressure_was_down() -> None:
    specimen = Specimen(STRONG[0], Random(1))
    for share in (0.2, 0.49, 0.51, 1.0, 0.3, 0.6, 0.14, 0.7, 0.1, 0.7):
        specimen.look(share * SURGE_PA, 0.0)
    assert FELT_SHARE == 0.5 and specimen.cycles == 2  # 0.14 is not yet a quarter of a half


@pytest.mark.parametrize(("peak", "surges"), [(1.0, 12), (0.9, 28), (1.1, 6)])
def test_damage_adds_up_by_the_peak_to_a_power(peak: float, surges: int) -> None:
    """Miner: fails when the sum of (peak/ref)^8/life is one; 12/0.9^8 = 27.9, 12/1.1^8 = 5.6."""
    body = replace(draw_surge_body("cap", 1, 1), life=12.0, exponent=8.0, gives_at=0.8)
    specimen = felt(body, [peak] * 40)
    assert specimen.failed_at == pytest.approx(surges, abs=1)


def test_a_plunger_returns_later_and_later_sticks_and_is_freed_by_hand() -> None:
    body = replace(
        draw_surge_body("sticking", 1, 1), friction=0.2, wear=0.02, friction_scatter=0.0, jams=1.0, home_s=0.05
    )
    specimen = felt(body, [1.0] * 60)
    first = math.ceil((1.0 - 0.2) / 0.02)  # the surge whose wear takes friction to the spring's force
    assert specimen.jammed and specimen.stuck_at[0] == pytest.approx(first, abs=1)
    assert specimen.stuck_at == list(range(specimen.stuck_at[0], 61)), "jammed: no further surge frees it"
    specimen.free()
    assert not specimen.lifted and specimen.away_m(0.0) == 0.0


def test_every_kind_can_be_drawn_and_four_stations_have_one_each() -> None:
    bench = SurgeBench(surge_rig(), seed=9)
    assert {bench.truth(number).kind for number in (1, 2, 3, 4)} == set(KINDS)
    with pytest.raises(UsageRefused, match="cap"):
        draw_surge_body("gremlin", 1, 1)


@pytest.mark.parametrize(
    "fault", ["gremlin@3", "inlet_slow@3", "inlet_slow:5@3", "door_opened:1@3", "door_opened", "door_opened@5-3"]
)
def test_faults_that_cannot_be_are_refused_in_words(fault: str) -> None:
    with pytest.raises(UsageRefused, match="allowed"):
        SurgeBench(surge_rig(), seed=1, faults=(fault,))


def test_the_bench_as_a_program_tells_what_is_seen_a_station_a_line() -> None:
    """JSON lines, orders on standard input, and an end when that closes."""
    command = [sys.executable, "-m", "simulator", "--rig", "demo-surge", "--body", "strong,cap"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as program:
        assert json.loads(program.stdout.readline())["listening"] > 0
        lines = [json.loads(program.stdout.readline()) for _ in range(4)]
        assert [line["station"] for line in lines] == [1, 2, 3, 4]
        assert all(line["seen"] == "nothing" and line["truth"]["cycles"] == 0 for line in lines)
        program.stdin.write(b"free 2\ndoor open\nfree 9\n")
        program.stdin.flush()
        with contextlib.suppress(BrokenPipeError):
            program.stdin.close()
        assert program.wait(20) == 0
        assert b"free 1 to 4" in program.stderr.read()
