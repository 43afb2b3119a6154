"""Nights at the benches and of rest: a share of the campaign, and proof that its judges can fail.

What is promised is SAFETY.md section 8, held against the simulated world's valves, pressures, bodies and people.
"""

import pytest

from rigd.engine import air, gas_leak
from rigd.engine.air import AirStep
from rigd.engine.cycles import CycleCount
from rigd.engine.gas_leak import GasLeakStep
from rigd.engine.opening import Opening
from rigd.engine.questions import Questions
from rigd.engine.surge import SurgeStep
from simulator import air_nights, flush_nights, gas_nights, leak_nights, rest_nights, station_nights
from simulator.bench_nights import PLAYS, is_same_again, run
from simulator.open_invariants import OpeningWatch
from simulator.promises import Violation

SEEDS = (1, 6, 11, 16)
NEXT, WHY, LACKS = Questions.next, SurgeStep._why, Opening.lacks


@pytest.mark.parametrize("first", SEEDS)
def test_nights_of_surges_keep_every_promise(first):
    outcomes = set()
    for seed in range(first, first + 5):
        outcomes.update(station_nights.play(seed).outcomes)
    assert len(outcomes) > 1, "a night in which nothing happens proves nothing"


@pytest.mark.parametrize("first", SEEDS)
def test_nights_of_cap_turns_keep_every_promise(first):
    for seed in range(first, first + 5):
        assert leak_nights.play(seed).outcomes


def test_nights_of_flushing_keep_every_promise():
    assert {outcome for seed in range(1, 9) for outcome in flush_nights.play(seed).outcomes} >= {"aimed", "stopped"}


def test_nights_of_air_checks_keep_every_promise():
    outcomes = {outcome for seed in range(1, 17) for outcome in air_nights.play(seed).outcomes}
    assert outcomes >= {"air_checked", "air_left", "stopped"}


def test_nights_of_gas_keep_every_promise():
    outcomes = {outcome for seed in range(1, 13) for outcome in gas_nights.play(seed).outcomes}
    assert outcomes >= {"gas_tight", "gas_leaking", "stopped"}


def test_nights_of_rest_keep_every_promise_and_say_that_it_is_safe_to_open(monkeypatch):
    said, was = [], OpeningWatch.check_said
    monkeypatch.setattr(OpeningWatch, "check_said", lambda *now: (said.append(now), was(*now)))
    assert sum(rest_nights.play(seed).strikes for seed in range(1, 9)) > 20
    assert len(said) > 2, "nights of rest are for the sake of these words"


def test_who_stands_for_a_station_after_its_run_has_said_nothing_of_opening_it():
    """Seed 9013: the judge held the words of the engine before against the one that only guards."""
    assert "stopped" in station_nights.play(9013).outcomes


@pytest.mark.parametrize("seed", [25, 35])
def test_an_unanswered_question_under_pressure_shuts_the_inlet_in_the_same_step(seed):
    """Found by NO_SELF_START: the commands came one step after the run had ended."""
    assert leak_nights.play(seed).outcomes == ("stopped",)


@pytest.mark.parametrize("kind", sorted(PLAYS))
def test_a_night_makes_the_same_record_under_another_hash_seed(kind):
    assert is_same_again(kind, PLAYS[kind](3))


def test_a_campaign_says_what_it_was(capsys):
    assert run("surge", 0.01, 2) == []
    assert "surge: 0.0 simulated hours" in capsys.readouterr().out


def test_a_cycle_counted_twice_is_found(monkeypatch):
    """A planted wrong: every applied cycle counts as two."""
    add = CycleCount.add

    def twice(self, cycle, back_share):
        add(self, cycle, back_share)
        self.applied += cycle.applied

    monkeypatch.setattr(CycleCount, "add", twice)
    with pytest.raises(Violation, match="CYCLES_COUNT_ONCE"):
        for seed in range(1, 8):
            station_nights.play(seed)


PLANTED = {
    "a blown cap is not noticed": (SurgeStep, "_lost", lambda self, *_: "", "PARTED_IS_SHUT_OFF"),
    "a sag is not told": (
        SurgeStep, "_why", lambda *sight: tuple(why for why in WHY(*sight) if why != "sagged"), "SAG_IS_TOLD"
    ),
    "hands are sent in beside pressure": (
        Questions, "next", lambda self, seq, t_ns, _: NEXT(self, seq, t_ns, 0), "HANDS_FIND_NO_PRESSURE"
    ),
    "a tight isolation is enough to open": (
        Opening, "lacks", lambda self, *at: () if self.isolation_proven else LACKS(self, *at), "NO_POCKET_FORGOTTEN"
    ),
}  # fmt: skip


@pytest.mark.parametrize(("place", "name", "wrong", "promise"), PLANTED.values(), ids=PLANTED)
def test_a_planted_wrong_is_found(monkeypatch, place, name, wrong, promise):
    monkeypatch.setattr(place, name, wrong)
    with pytest.raises(Violation, match=promise):
        for seed in range(1, 12):
            station_nights.play(seed)


ADVANCE, FOUND = AirStep.advance, AirStep._found


def half_as_much_again(self, sight):
    found = FOUND(self, sight)
    return found._replace(air_m3=1.5 * found.air_m3)


PLANTED_IN_AIR = {
    "half as much again": ("_found", half_as_much_again, "AIR_HOLDS_THE_TRUTH"),
    "neighbours wait": (
        "advance", lambda self, sight: ADVANCE(self, sight._replace(hands=False)), "GIVES_WAY",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("name", "wrong", "promise"), PLANTED_IN_AIR.values(), ids=PLANTED_IN_AIR)
def test_a_wrong_planted_in_the_air_check_is_found(monkeypatch, name, wrong, promise):
    monkeypatch.setattr(AirStep, name, wrong)
    with pytest.raises(Violation, match=promise):
        for seed in range(6, 30):
            air_nights.play(seed)


def test_a_verdict_that_is_always_kind_is_found(monkeypatch):
    monkeypatch.setattr(air, "judge", lambda found, most_m3: "passed")
    with pytest.raises(Violation, match="VERDICT_IS_EARNED"):
        for seed in range(1, 30):
            air_nights.play(seed)


PLANTED_IN_GAS = {
    "half of the leak is not told": (gas_leak, "leaked", lambda *looks: half(LEAKED(*looks)), "LEAK_HOLDS_THE_TRUTH"),
    "every body is tight": (gas_leak, "decide", lambda leak, limit: "tight", "VERDICT_IS_EARNED"),
    "neighbours wait": (
        GasLeakStep, "advance", lambda self, sight: GAS_ADVANCE(self, sight._replace(hands=False)), "GIVES_WAY",
    ),
}  # fmt: skip
LEAKED, GAS_ADVANCE = gas_leak.leaked, GasLeakStep.advance


def half(flow):
    return flow._replace(flow=0.5 * flow.flow)


@pytest.mark.parametrize(("place", "name", "wrong", "promise"), PLANTED_IN_GAS.values(), ids=PLANTED_IN_GAS)
def test_a_wrong_planted_in_the_gas_test_is_found(monkeypatch, place, name, wrong, promise):
    monkeypatch.setattr(place, name, wrong)
    with pytest.raises(Violation, match=promise):
        for seed in range(1, 40):
            gas_nights.play(seed)
