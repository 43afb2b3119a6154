"""Safe to open is proven, never assumed: what the words are, and what takes them back (SAFETY S27 to S30).

The judge is simulator.open_invariants, which looks at the delivered counts and the commands and not at the engine.
"""

from dataclasses import replace

import pytest

from rigd.model.messages import DeviceFault, Neighbours
from rigd.model.profile import Ask, Vent
from rigd.model.rig import Pocket
from rigd.model.states import LINE_AT_ZERO, SAFE_TO_OPEN, UNDER_TEST
from simulator.open_invariants import OpeningWatch

PSI = 6894.757293168362
ASK = Ask(name="What", timeout_ns=60_000_000_000)  # keeps the run from being closed while its words are looked at


@pytest.fixture
def run_over(bench_of, demo_rig, demo_profile):
    """A bench whose run is just over, its body sound and its line on the way to be proven low."""

    def make(rig=demo_rig):
        bench = bench_of(replace(demo_profile, steps=(Vent(name="Vent"), ASK)), rig)
        watch = OpeningWatch(rig)
        step = bench.engine.step
        for message in bench.inputs:
            watch.turned(message, [])

        def judged(message):
            said = step(message)
            watch.turned(message, said)
            return said

        bench.engine.step, bench.watch = judged, watch
        bench.to_running()
        bench.scan(2)
        assert bench.engine.state == "VENTING"
        return bench

    return make


def words(bench) -> list[str]:
    return [event.text for event in bench.events("words")]


def test_after_a_run_the_isolation_is_tested_and_then_it_is_safe_to_open(run_over):
    bench = run_over()
    assert words(bench) == [LINE_AT_ZERO], "at the start of a process nobody has proven anything"
    bench.seconds(1.5)
    assert bench.outputs["vent_valve"] == 1 and bench.outputs["supply_valve"] == bench.outputs["inlet_valve"] == 0
    assert bench.engine.view().opening == UNDER_TEST == bench.engine.view().words
    bench.seconds(4.0)
    assert bench.engine.state == "VENTED" and bench.is_safe
    assert words(bench)[-1] == SAFE_TO_OPEN == bench.engine.view().opening
    assert bench.engine.view().opening_lacks == () and bench.watch.safe_said == 1
    assert dict(bench.events("isolation")[-1].data)["passed"] is True
    bench.finish()


def test_a_rise_leaves_the_line_at_zero_with_the_vent_open_and_says_so_in_the_result(run_over):
    bench = run_over()
    bench.follow = False
    for _ in range(600):
        bench.a = bench.b = bench.a + (0.01 if bench.outputs["vent_valve"] else -bench.a)  # 1 psi/s past the inlet
        bench.scan()
    assert bench.engine.state == "VENTED" and bench.is_safe and words(bench)[-1] == LINE_AT_ZERO
    assert dict(bench.events("isolation")[-1].data)["passed"] is False
    assert "isolation" in " ".join(bench.engine.view().opening_lacks)
    assert any("isolation not proven" in flag for flag in bench.finish().flags)


@pytest.mark.parametrize("what", ["trip", "vent", "pressure"])
def test_whatever_disturbs_the_test_opens_the_vent_in_the_same_step(run_over, what):
    bench = run_over()
    bench.seconds(2.5)
    assert bench.outputs["vent_valve"] == 1
    if what == "trip":
        bench.switches["door"] = 0
    elif what == "pressure":
        bench.follow, bench.a, bench.b = False, 6.0, 6.0
    if what == "vent":
        bench.act("vent")
    else:
        bench.scan()
    assert bench.is_safe, bench.outputs
    bench.a = bench.b = 0.0
    bench.seconds(5.0)
    assert SAFE_TO_OPEN not in words(bench) and bench.engine.state == "VENTED"


def test_a_device_that_was_away_amid_the_test_may_have_let_the_vent_fall_back_so_nothing_is_proven(run_over):
    """Found by the nights at seeds 50017, 50152 and 50421: told to shut again, the vent counted as shut all along."""
    bench = run_over()
    bench.seconds(2.5)
    bench.send(DeviceFault, device=0, fault="timeout", detail="")
    bench.send(DeviceFault, device=0, fault="recovered", detail="")
    bench.scan()
    assert bench.is_safe, bench.outputs
    bench.seconds(5.0)
    assert bench.engine.state == "VENTED" and words(bench)[-1] == LINE_AT_ZERO
    assert any("isolation not proven" in flag for flag in bench.finish().flags)


def test_what_comes_while_the_valves_settle_and_then_stands_is_a_rise(run_over):
    """Found by the nights at seed 200944: 3 psi came as the vent shut, below the limit of the vent all the while."""
    bench = run_over()
    for _ in range(900):
        bench.scan()
        if bench.outputs["vent_valve"]:
            bench.follow, bench.a, bench.b = False, 3.0, 3.0
    assert bench.engine.state == "VENTED" and words(bench)[-1] == LINE_AT_ZERO
    rise_pa = dict(bench.events("isolation")[-1].data)["rise_pa"]
    assert rise_pa == pytest.approx(3.0 * PSI, rel=0.01)


@pytest.mark.parametrize("gone", ["pressure", "trip"])
def test_the_words_come_back_only_after_the_line_has_been_low_for_the_hold(run_over, gone):
    """Found by the nights at seeds 52587 and 52727: one sample that was low again was enough."""
    bench = run_over()
    bench.seconds(6.0)
    assert words(bench)[-1] == SAFE_TO_OPEN
    bench.follow, bench.a, bench.b = False, 6.0, 6.0
    if gone == "trip":
        bench.switches["emergency_stop"] = 0
    bench.scan()
    bench.a = bench.b = 0.0
    bench.switches["emergency_stop"] = 1
    bench.seconds(0.1)
    if gone == "trip":
        assert bench.act("reset").kind == "granted"
    bench.seconds(bench.rig.vent.hold_ns / 1e9 - 0.2)
    assert words(bench)[-1] == LINE_AT_ZERO
    bench.seconds(0.2)
    assert words(bench)[-1] == SAFE_TO_OPEN


def test_a_check_by_hand_proves_nothing_that_a_sensor_must(run_over):
    bench = run_over()
    bench.follow, bench.a, bench.b = False, 0.0, 6.0
    bench.scan(2100)
    assert bench.engine.state == "UNPROVEN"
    bench.engine.opening.isolation_proven = True  # as in a run that had paused
    bench.seconds(2.0)
    assert bench.act("hand_check").kind == "granted"
    assert bench.engine.state == "VENTED" and SAFE_TO_OPEN not in words(bench), "not even for one step"
    assert any("specimen channel" in lack for lack in bench.engine.view().opening_lacks)


def test_a_valve_seen_open_or_a_neighbour_takes_the_words_back(run_over):
    bench = run_over()
    bench.seconds(6.0)
    bench.stuck["supply_valve"] = 1
    bench.scan()
    assert bench.engine.view().opening == LINE_AT_ZERO == words(bench)[-1]
    bench.stuck.clear()
    bench.scan(20)
    assert bench.engine.interlocks.state == "CLEAR"
    bench.scan(200)
    assert words(bench)[-1] == LINE_AT_ZERO, "what was open has not been tested since (seed 300701)"
    bench = run_over()
    bench.seconds(6.0)
    bench.send(Neighbours, pressurised=1, hands=False)
    bench.scan()
    assert bench.engine.view().opening == LINE_AT_ZERO
    bench.send(Neighbours, pressurised=0, hands=False)
    bench.scan(200)
    assert words(bench)[-1] == LINE_AT_ZERO, "what fed them has not been tested since"


def test_a_pocket_that_is_full_unseen_or_for_a_hand_keeps_the_line_at_zero(run_over, demo_rig):
    bench = run_over()
    bench.tank = 90.0
    bench.follow = False
    bench.seconds(8.0)
    assert words(bench)[-1] == LINE_AT_ZERO and "tank water side" in " ".join(bench.engine.view().opening_lacks)
    bench.tank = 0.0
    bench.seconds(2.0)
    assert words(bench)[-1] == SAFE_TO_OPEN, "emptied since: said when it is so"
    by_hand = Pocket(name="hose beyond its check valve", channel=-1, vent=-1, hand_checked=True)
    bench = run_over(replace(demo_rig, pockets=(*demo_rig.pockets, by_hand)))
    bench.seconds(8.0)
    assert set(words(bench)) == {LINE_AT_ZERO} and "beyond its check valve" in bench.engine.view().opening_lacks[0]
    bench = run_over(replace(demo_rig, pockets=()))
    bench.seconds(8.0)
    assert set(words(bench)) == {LINE_AT_ZERO} and not bench.events("isolation")


def test_a_body_that_came_apart_proves_nothing(new_bench):
    bench = new_bench()
    bench.to_ramp(100)
    bench.act("mark")
    bench.seconds(8.0)
    assert not bench.events("isolation") and words(bench)[-1] == LINE_AT_ZERO


def test_a_zero_never_helps(run_over):
    """SAFETY S29: a trapped pressure that was taken for a zero hides nothing from the words."""
    bench = run_over()
    bench.engine.channels.set_zero(0, 4.9 * PSI)
    bench.follow, bench.a, bench.b = False, 5.5, 5.5  # 0.6 psi above its zero, above the vent limit as it stands
    bench.seconds(6.0)
    assert SAFE_TO_OPEN not in words(bench)
    bench = run_over()
    bench.engine.channels.set_zero(0, -4.9 * PSI)
    bench.follow, bench.a, bench.b = False, 0.2, 0.2  # 5.1 psi above its zero
    bench.seconds(6.0)
    assert SAFE_TO_OPEN not in words(bench)


def test_a_zero_read_after_the_run_is_compared_and_not_used(run_over):
    """The judge of opening once took it for the zero in use (seed 31 of the first nights of rest)."""
    bench = run_over()
    bench.seconds(4.0)
    bench.follow, bench.a, bench.b = False, -0.4, -0.4
    bench.engine.zero.begin(bench.engine.now_ns)
    bench.seconds(1.0)
    assert dict(bench.events("zero")[-1].data)["accepted"]
    bench.a = 6.0
    bench.seconds(0.2)
    assert words(bench)[-1] == LINE_AT_ZERO
    bench.a = 4.8  # below the vent limit of 5 psi as it stands, and 5.2 psi above the zero just read
    bench.seconds(3.0)
    assert words(bench)[-1] == SAFE_TO_OPEN and bench.watch.safe_said == 2
