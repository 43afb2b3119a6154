"""The commissioning walk on the simulated rig: a sound one passes every check, each fault fails exactly its own.

The plant is the truth: what is planted in it is what must be found. That outputs fall back, that a watchdog lets go and
that isolation is shown by a rise test is RELIABILITY T22 and SAFETY S7, S9, S13 and S27; the figures are invented.
"""

import math
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import pytest

from rigd.calc.exact.days import DAY_NS, age_days, day_number
from rigd.calc.exact.rise import RiseMeter
from rigd.calc.expect_walk import CLIMB_S
from rigd.engine import walk_pressure
from rigd.files.load import find, load_profile, load_rig
from rigd.files.walk_shape import ASKED_ABOVE
from rigd.model.earlier import NO_WALKS, Earlier, Figure
from rigd.model.messages import Event, Judgement, Prompt
from rigd.model.profile import Fill, Vent
from rigd.model.rig import Pocket
from rigd.model.specimen import Specimen
from rigd.model.states import SAFE_TO_OPEN
from rigd.model.walk import CHECKS, CheckBladder
from rigd.store.journal import BlockBuilder, identity
from simulator.drain_bench import DrainBench
from simulator.open_invariants import OpeningWatch
from simulator.person import Person
from simulator.plant import Plant
from simulator.world import Names, World

PSI = 6894.757293168362
RIG, PROFILE = load_rig(find("demo", "rig")), load_profile(find("commissioning", "profile"))
BLANK = Specimen(id="blank", facts=(("mounting", "plug"),), volume_m3=0.0)
UTC_NS = (day_number(RIG.relief.tested) + 100) * DAY_NS


class Walk:
    """One walk, played: the judgements by check, the result, all that was said."""

    def __init__(self, *faults: str, rig=RIG, utc_ns: int = UTC_NS, earlier: Earlier = NO_WALKS) -> None:
        plant, person = Plant(rig, seed=5, body="strong", faults=faults), Person("A. Novak", 5)
        builder = BlockBuilder(identity(run=1, version="0", files=()))
        world = World(rig, PROFILE, BLANK, plant, person, builder, lambda block: None,
                      Names(run=1, utc_ns=utc_ns, version="0"), earlier)  # fmt: skip
        self.said, watch, turn = [], OpeningWatch(rig), world.loop.turn

        def judged(message):
            said = turn(message)
            watch.turned(message, said, plant)
            self.said.extend(said)
            return said

        world.loop = type("Heard", (), {"turn": staticmethod(judged), "flush": world.loop.flush})()
        self.result = world.run()
        self.judgements = [said for said in self.said if type(said) is Judgement]
        self.failed = {dict(j.data)["check"] for j in self.judgements if j.verdict == "failed"}
        self.passed = {dict(j.data)["check"] for j in self.judgements if j.verdict == "passed"} - self.failed
        self.words = [said.text for said in self.said if type(said) is Event and said.kind == "words"]

    def of(self, check: str) -> list[Judgement]:
        return [j for j in self.judgements if dict(j.data)["check"] == check]


@pytest.fixture(scope="module")
def sound() -> Walk:
    return Walk()


def test_a_sound_rig_passes_every_check_and_says_what_it_cannot_do(sound):
    assert (sound.result.outcome, sound.result.verdict) == ("commissioned", "accept"), sound.result
    assert sound.passed == set(CHECKS) - {"bladder"} and not sound.failed
    assert [j.number for j in sound.judgements] == list(range(1, len(sound.judgements) + 1))
    (bladder,) = sound.of("bladder")
    assert bladder.verdict == "undecided" and "make_up_flow" in bladder.text
    told = dict(sound.result.data)
    assert {key.removeprefix("check_") for key in told} == set(CHECKS) and told["check_vent"] == "passed"


def test_what_is_measured_is_what_the_iron_does(sound):
    outputs = {dict(j.data)["output"]: dict(j.data) for j in sound.of("outputs")}
    assert set(outputs) == {"supply_valve", "inlet_valve", "vent_valve", "fill_valve"}
    for told in outputs.values():  # a valve travels 30 to 60 ms, its switch closes at 95 % of it
        assert 20e6 <= told["rose_ns"] <= 80e6 and told["fell_ns"] <= 40e6
    drop_ns = dict(sound.of("watchdog")[0].data)["drop_out_ns"]
    assert RIG.watchdog_ns <= drop_ns <= RIG.watchdog_ns + 50_000_000
    for j in sound.of("agreement"):
        assert abs(dict(j.data)["apart_pa"]) < PSI
    assert [round(dict(j.data)["at_pa"] / PSI / 10) * 10 for j in sound.of("agreement")] == [30, 100, 200]
    assert {dict(j.data)["side"] for j in sound.of("isolation")} == {"specimen", "tank"}
    assert [j.text.split(": ")[1] for j in sound.of("pockets")] == [pocket.name for pocket in RIG.pockets]


def test_after_the_walk_it_is_safe_to_open_and_the_judge_agrees(sound):
    assert sound.words[-1] == SAFE_TO_OPEN


FAULTS = {
    "supply_valve_leaks": "isolation",
    "inlet_leaks": "isolation",
    "relay_welded": "watchdog",
    "transducers_apart": "agreement",
    "emergency_stop_unseen": "inputs",
    "plugged_vent@0": "vent",
    "vent_sticks_shut": "outputs",
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_fails_exactly_its_own_check(fault, sound):
    walk = Walk(fault)
    assert walk.failed == {FAULTS[fault]}, [(j.verdict, j.text) for j in walk.judgements]
    assert (walk.result.outcome, walk.result.verdict) == ("not_commissioned", "reject")
    order = list(sound.result.data)
    before = [key for key, _ in order[: [key for key, _ in order].index(f"check_{FAULTS[fault]}")]]
    assert {key.removeprefix("check_") for key in before} - {"bladder"} <= walk.passed, "and what came before passed"
    if FAULTS[fault] in ("outputs", "watchdog", "inputs"):
        assert not walk.of("vent"), "nothing is pressurised behind a layer that does not work"


def test_which_side_leaks_is_told():
    for fault, side in (("supply_valve_leaks", "tank"), ("inlet_leaks", "specimen")):
        (failed,) = [j for j in Walk(fault).of("isolation") if j.verdict == "failed"]
        assert dict(failed.data)["side"] == side


@pytest.mark.parametrize(("usual", "verdict"), [(1.0, "passed"), (3.0, "passed"), (0.5, "failed")])
def test_a_vent_that_has_grown_slow_fails_though_still_in_time(usual, verdict, sound):
    """SAFETY S13: record the decay and trend it. `usual`: the other days' time to 1/e, in times of today's."""
    (today,) = sound.of("vent")
    assert "no trend yet: 0 earlier walks to compare with, 3 needed" in today.text
    fall_ns = usual * dict(today.data)["fall_ns"]
    figures = [Figure(check="vent", figure=fall_ns, run=run, manifest_sha256="") for run in (7, 5, 4)]
    (found,) = (walk := Walk(earlier=Earlier(figures=tuple(figures)))).of("vent")
    assert found.verdict == verdict and dict(found.data)["runs"] == "R0007 R0005 R0004"
    assert f"{1.0 / usual:.2f} times the median of 3 earlier walks, 50 % more allowed" in found.text
    assert bool(walk.of("isolation")) == (verdict == "passed"), "nothing is charged behind a vent that failed"


def test_a_relief_valve_is_judged_by_the_dates_of_the_rig_file():
    late = Walk(utc_ns=UTC_NS + 300 * DAY_NS)
    assert late.failed == {"relief"} and late.result.outcome == "not_commissioned"
    assert late.passed >= {"outputs", "isolation"}, "the walk goes on: nothing here comes near the relief"
    unsaid = Walk(rig=replace(RIG, relief=replace(RIG.relief, test_every_ns=0)))
    assert unsaid.failed == {"relief"} and "test_every" in unsaid.of("relief")[0].text


def test_a_pocket_for_the_hand_is_asked_for_by_name_at_zero_and_keeps_the_words_back():
    pocket = Pocket(name="hose beyond its check valve", channel=-1, vent=-1, hand_checked=True)
    walk = Walk(rig=replace(RIG, pockets=(*RIG.pockets, pocket)))
    asked = [said for said in walk.said if type(said) is Prompt and said.field == pocket.name]
    assert len(asked) == 1 and walk.result.outcome == "commissioned"
    assert walk.of("pockets")[-1].text.endswith("checked by hand by A. Novak")
    assert SAFE_TO_OPEN not in walk.words
    none = Walk(rig=replace(RIG, pockets=()))
    assert none.of("pockets")[0].verdict == "undecided" and SAFE_TO_OPEN not in none.words


class Metered(DrainBench):
    """A rig that measures the water fed, with a cock that hands have opened."""

    def __getattr__(self, name: str):
        return getattr(self.plant, name)


@pytest.mark.parametrize("opened", [True, False])
def test_the_stiffness_of_the_tank_is_that_of_its_gas(opened):
    """Boyle's law: dp/dV = p/V with p absolute. With nothing to take the water, nothing is said."""
    rig = load_rig(find("demo-flush", "rig"))
    check = next(step for step in PROFILE.steps if type(step) is CheckBladder)
    fill = next(step for step in PROFILE.steps if type(step) is Fill)  # a full line that is shut takes next to nothing
    before = () if opened else (fill, Vent(name="Vent"))
    profile = replace(PROFILE, steps=(*before, replace(check, charge_pa=20 * PSI), Vent(name="Vent")))
    bench, builder = Metered(rig, seed=5, half_width_deg=20.0), BlockBuilder(identity(run=1, version="0", files=()))
    gas_m3 = bench.plant.tank_gas_m3
    if opened:
        bench.aim(0.0, points_deg=0.0, empty=True)
    judged = []
    world = World(rig, profile, BLANK, bench, Person("A. Novak", 5), builder, lambda block: None,
                  Names(run=1, utc_ns=UTC_NS, version="0"))  # fmt: skip
    turn = world.loop.turn
    world.loop = SimpleNamespace(turn=lambda m: judged.extend(turn(m)), flush=world.loop.flush)
    world.run()
    (found,) = [said for said in judged if type(said) is Judgement]
    if not opened:
        assert found.verdict == "undecided" and "too little" in found.text
        return
    assert found.verdict == "measured", found
    stiffness = dict(found.data)["stiffness_pa_per_m3"]
    assert stiffness == pytest.approx((20 * PSI + 101_325.0) / gas_m3, rel=0.15)


def test_days_are_those_of_the_calendar():
    """Against the standard library's proleptic Gregorian calendar."""
    for number in range(-60_000, 60_000, 7):
        assert day_number((date(1970, 1, 1) + timedelta(number)).isoformat()) == number
    assert age_days("2026-06-12", day_number("2026-06-13") * DAY_NS - 1) == 0
    assert age_days("2026-06-12", 0) < 0


def test_a_rise_is_the_difference_of_two_medians():
    meter = RiseMeter(2, 1_000)
    for t in range(0, 1_001, 10):
        meter.add(t, (5.0, 0.01 * t))  # medians of 0..200 and 800..1000 lie 800 apart
    assert meter.rises_pa() == pytest.approx((0.0, 8.0)) and meter.rise_pa() == pytest.approx(8.0)
    assert RiseMeter(1, 1_000).rise_pa() != RiseMeter(1, 1_000).rise_pa(), "nothing was seen: no number"


@pytest.mark.parametrize("spike", [-1e6, 1e6])
@pytest.mark.parametrize("when", [50, 950])
def test_a_spike_neither_makes_nor_hides_a_rise(spike: float, when: int):
    meter = RiseMeter(1, 1_000)
    for t in range(0, 1_001, 50):
        meter.add(t, (spike if t == when else 0.01 * t,))
    assert meter.rise_pa() == pytest.approx(8.0, abs=0.5)  # half a sample's rise


def test_a_value_that_was_none_makes_no_number():
    meter = RiseMeter(1, 1_000)
    for t in range(0, 1_001, 50):
        meter.add(t, (math.nan if t == 50 else 0.0,))
    assert math.isnan(meter.rise_pa())


def test_figures_said_in_two_places_are_the_same():
    assert CLIMB_S == walk_pressure.CLIMB_S and ASKED_ABOVE == walk_pressure.ABOVE
