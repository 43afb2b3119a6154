"""A surge after a surge on the bench: what is counted, when a cycle is over, what a stuck part and a lost cap do.

What a cycle, an applied and a valid one are is the definition in rigd.model.messages.Cycle; that a count goes by what
was measured and not by time is common practice in fatigue testing. The simulated specimen's own count is the truth in
tests/simulator.
"""

from dataclasses import replace

import pytest

from rigd.engine.endings import carry
from rigd.model.carried import Carried
from rigd.model.messages import Cycle, Neighbours, Result, Tick
from rigd.model.profile import Ask, MovingPart, Surge, Vent

PSI = 6894.757293168362
SURGE = Surge(
    name="Surge", shape="square", points=(), shot="charge", pressure_pa=85 * PSI, peak_tolerance=0.1,
    charge_pa=86 * PSI, charge_tolerance=0.05, sag=0.2, rise_ns=50_000_000, hold_ns=200_000_000, release_ns=0,
    blow_down_pa=4 * PSI, blow_down_ns=2_000_000_000, drain_ns=100_000_000, rest_ns=200_000_000,
    threshold_pa=40 * PSI, blocks=(3, 2), between="rest", between_ns=500_000_000, between_prompt="", medium="water",
    outlet="capped", slug_m3=0.0, water_ns=0, give_up=5, minimum_cycles=0, baseline=2, departure=0.5, part=None,
)  # fmt: skip
PART = MovingPart(
    sign="switch", below_pa=10 * PSI, within_ns=300_000_000, home_m=0.0, slow=0.0, when_stuck="record", extra_most=2
)


@pytest.fixture
def surging(bench_of, demo_rig, demo_profile):
    """A bench running a surge step and nothing before it; with a part, the relief's switch stands in for its switch."""

    def make(carried=None, **changes):
        rig = demo_rig
        if changes.get("part"):
            channels = tuple(replace(c, role="returned") if c.name == "relief" else c for c in rig.channels)
            rows = tuple(row for row in rig.rows if rig.channels[row.channel].name != "relief")
            rig = replace(rig, channels=channels, rows=rows)
        steps = (replace(SURGE, **changes), Vent(name="Vent"), Ask(name="What", timeout_ns=60_000_000_000))
        profile = replace(demo_profile, steps=steps, required=())
        return bench_of(profile, rig, **({"carried": carried} if carried else {}))

    return make


def cycles(bench) -> list[Cycle]:
    return [said for said in bench.said if type(said) is Cycle]


def until(bench, holds, seconds=60.0):
    for _ in range(round(seconds * 100)):
        if holds():
            return
        bench.scan()
    raise AssertionError(bench.engine.view())


def test_every_owed_cycle_is_given_once_and_the_run_ends_by_running_out(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: bench.engine.state == "VENTED")
    result = bench.finish("nothing")
    assert (result.outcome, result.trace_class, result.verdict) == ("run_out", "run_out", "none")
    told = dict(result.data)
    assert (told["cycles_owed"], told["cycles_applied"], told["cycles_valid"]) == (5, 5, 5)
    assert [(c.cycle, c.block, c.applied, c.valid, c.partial) for c in cycles(bench)] == [
        (n, 0 if n < 4 else 1, True, True, False) for n in range(1, 6)
    ]


def test_a_cycle_is_over_when_the_pressure_is_measured_to_be_down(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: bench.a > 80)
    bench.follow = False  # the vent is open and the pressure stays
    until(bench, lambda: bench.outputs["vent_valve"] == 0)
    bench.seconds(1.0)
    assert not cycles(bench)
    bench.a = bench.b = 1.0
    bench.seconds(0.3)
    (cycle,) = cycles(bench)
    assert 0.9e9 < cycle.blow_down_ns < 1.2e9


def test_a_pressure_that_stays_up_ends_the_run_and_counts_as_partial(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: bench.a > 80)
    bench.follow = False
    until(bench, lambda: bench.engine.state == "VENTING", 5.0)
    bench.follow = True
    result = bench.finish("nothing")
    assert result.outcome == "no_blow_down"
    assert [(c.partial, c.applied, c.valid, c.why) for c in cycles(bench)] == [(True, True, False, ("partial",))]
    assert dict(result.data)["cycles_applied"] == 1 and dict(result.data)["cycles_partial"] == 1


@pytest.mark.parametrize("act", ["vent", "door"])
def test_a_cycle_cut_short_is_partial_and_told_once(surging, act):
    bench = surging()
    bench.to_running()
    until(bench, lambda: len(cycles(bench)) == 2 and bench.a > 80)
    if act == "vent":
        bench.act("vent")
    else:
        bench.switches["door"] = 0
        bench.scan()
        bench.switches["door"] = 1
        bench.scan()
    assert bench.is_safe
    told = dict(bench.finish().data)
    assert (told["cycles_applied"], told["cycles_valid"], told["cycles_partial"]) == (3, 2, 1)
    assert len(cycles(bench)) == 3


@pytest.mark.parametrize(("stands", "applied"), [(70.0, True), (10.0, False)])
def test_what_stands_at_the_body_after_a_cut_still_counts(surging, stands, applied):
    """A valve needs its time to shut: the run has ended, and the body feels the surge all the same."""
    bench = surging()
    bench.to_running()
    until(bench, lambda: bench.outputs["inlet_valve"] == 1)
    bench.follow = False
    bench.a = bench.b = 0.0
    bench.act("vent")
    assert not cycles(bench)
    bench.a = bench.b = stands
    bench.seconds(0.05)
    bench.follow = True
    told = dict(bench.finish().data)
    assert (told["cycles_applied"], told["cycles_partial"]) == (applied, 1)
    assert [(c.partial, c.applied) for c in cycles(bench)] == [(True, applied)]


def test_a_stop_is_had_between_two_surges(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: len(cycles(bench)) == 1 and bench.a > 80)
    bench.act("stop")
    until(bench, lambda: bench.engine.state != "RUNNING")
    assert [c.partial for c in cycles(bench)] == [False, False]
    assert bench.finish().outcome == "stopped"


def test_a_hold_finishes_the_surge_and_waits_vented(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: bench.a > 80)
    bench.act("hold")
    bench.seconds(5.0)
    assert len(cycles(bench)) == 1 and bench.a < 1.0 and bench.engine.state == "RUNNING"
    bench.act("resume")
    until(bench, lambda: len(cycles(bench)) == 2)


def test_no_back_pressure_ends_the_run_at_once_and_names_the_cycle(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: len(cycles(bench)) == 3 and bench.a > 80)
    bench.follow = False
    bench.a = bench.b = 5.0  # the cap has gone, the tank keeps pushing
    bench.seconds(0.15)
    assert bench.engine.state == "VENTING" and bench.is_safe
    bench.follow = True
    result = bench.finish("parted")
    assert (result.outcome, result.signs) == ("parted", ("back_pressure",))
    assert dict(result.data)["failed_at_cycle"] == 4
    assert len(cycles(bench)) == 4 and cycles(bench)[-1].partial


def lose_cap_between_samples(bench):
    until(bench, lambda: len(cycles(bench)) == 3 and bench.outputs["inlet_valve"] == 1)
    bench.follow = False
    bench.a = bench.b = 5.0  # it rose and was gone before anybody looked
    until(bench, lambda: bench.engine.state == "VENTING")


def test_the_surge_that_took_the_cap_was_felt_though_no_sample_shows_it(surging):
    bench = surging()
    bench.to_running()
    lose_cap_between_samples(bench)
    bench.follow = True
    told = dict(bench.finish("parted").data)
    assert (told["cycles_applied"], told["failed_at_cycle"]) == (4, 4)


def test_a_peak_register_says_whether_a_surge_was_felt(bench_of, demo_rig, demo_profile):
    """The register of the second transducer's card stands in for it: it shows what no sample of the first did."""
    channels = tuple(replace(c, role="held_peak") if c.name == "specimen_b" else c for c in demo_rig.channels)
    steps = (SURGE, Vent(name="Vent"), Ask(name="What", timeout_ns=60_000_000_000))
    profile = replace(demo_profile, steps=steps, required=())
    for held, applied in ((60.0, 4), (20.0, 3)):
        bench = bench_of(profile, replace(demo_rig, channels=channels))
        bench.to_running()
        until(bench, lambda bench=bench: len(cycles(bench)) == 3 and bench.outputs["inlet_valve"] == 1)
        bench.follow = False
        bench.a, bench.b = 5.0, held
        until(bench, lambda bench=bench: bench.engine.state == "VENTING")
        bench.follow = True
        assert dict(bench.finish("parted").data)["cycles_applied"] == applied


def test_a_peak_register_has_seen_what_too_few_samples_have_not(bench_of, demo_rig, demo_profile):
    channels = tuple(replace(c, role="held_peak") if c.name == "specimen_b" else c for c in demo_rig.channels)
    steps = (replace(SURGE, rise_ns=0), Vent(name="Vent"), Ask(name="What", timeout_ns=60_000_000_000))
    bench = bench_of(replace(demo_profile, steps=steps, required=()), replace(demo_rig, channels=channels))
    bench.to_running()
    until(bench, lambda: bench.outputs["inlet_valve"] == 1)
    bench.follow = False
    bench.a = bench.b = 0.0
    bench.scan()
    bench.act("vent")
    bench.scan()
    bench.send(Tick)
    bench.t_ns += 3_000_000_000  # and nothing is heard of it any more
    bench.follow = True
    assert dict(bench.finish().data)["cycles_applied"] == 0


def test_one_low_transducer_alone_is_no_lost_cap(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: len(cycles(bench)) == 3 and bench.a > 80)
    bench.follow = False
    bench.a = 66.0  # within the agreement of the two, below the departure from nothing
    bench.seconds(0.1)
    assert bench.engine.state == "RUNNING"


def test_a_sag_leaves_the_cycle_applied_but_not_valid(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: len(cycles(bench)) == 2 and bench.a > 80)
    bench.tank = 60.0
    bench.follow = False
    bench.a = bench.b = 60.0
    bench.scan()
    bench.follow = True
    until(bench, lambda: len(cycles(bench)) == 3)
    assert (cycles(bench)[2].applied, cycles(bench)[2].valid) == (True, False)
    assert "sagged" in cycles(bench)[2].why
    until(bench, lambda: bench.engine.state == "VENTED")
    told = dict(bench.finish().data)
    assert (told["cycles_applied"], told["cycles_valid"]) == (6, 5)  # one more was given for it


def stick(bench):
    until(bench, lambda: len(cycles(bench)) == 1)
    bench.switches["relief"] = 0
    until(bench, lambda: len(cycles(bench)) == 2)


def test_a_stuck_part_is_counted_and_named(surging):
    bench = surging(part=PART)
    bench.to_running()
    stick(bench)
    bench.switches["relief"] = 1
    until(bench, lambda: bench.engine.state == "VENTED")
    told = dict(bench.finish().data)
    assert (told["stuck_cycles"], told["first_stuck_cycle"], told["cycles_valid"]) == (1, 2, 5)
    assert [c.returned for c in cycles(bench)] == [True, False, True, True, True]
    assert cycles(bench)[0].return_ns is not None and cycles(bench)[1].return_ns is None


def test_a_stuck_part_may_end_the_run(surging):
    bench = surging(part=replace(PART, when_stuck="stop"), minimum_cycles=5)
    bench.to_running()
    stick(bench)
    result = bench.finish("nothing")
    assert (result.outcome, result.verdict, dict(result.data)["failed_at_cycle"]) == ("stuck", "reject", 2)


def test_an_extra_cycle_frees_a_part_and_is_not_owed(surging):
    bench = surging(part=replace(PART, when_stuck="extra_cycle"))
    bench.to_running()
    stick(bench)
    bench.switches["relief"] = 1
    until(bench, lambda: bench.engine.state == "VENTED")
    told = dict(bench.finish().data)
    assert (told["cycles_applied"], told["cycles_valid"], told["cycles_extra"]) == (6, 5, 1)
    assert [c.extra for c in cycles(bench)] == [False, False, True, False, False, False]


def test_a_hand_frees_a_part_only_at_a_line_proven_vented_and_arm_and_start_go_on(surging):
    bench = surging(part=replace(PART, when_stuck="ask"))
    bench.to_running()
    stick(bench)
    assert bench.engine.questions.prompt is None and bench.is_safe
    until(bench, lambda: bench.engine.state == "VENTED", 5.0)
    bench.scan()
    assert "stuck" in bench.engine.questions.prompt.text and bench.engine.view().paused
    bench.switches["door"] = 0  # hands go in
    bench.seconds(1.0)
    bench.answer_all()
    bench.switches["relief"] = 1
    bench.seconds(0.5)
    assert "door" in bench.act("arm").text
    bench.switches["door"] = 1
    bench.seconds(0.5)
    assert bench.engine.state == "READY" and len(cycles(bench)) == 2
    bench.act("arm")
    bench.act("start")
    until(bench, lambda: bench.engine.state == "VENTED")
    told = dict(bench.finish().data)
    assert (told["cycles_applied"], told["cycles_assisted"]) == (5, 1)
    assert [c.assisted for c in cycles(bench)] == [False, False, True, False, False]
    assert dict(bench.events("fact")[-1].data)["fact"] == "moving_part"


def test_a_paused_run_can_be_vented_and_ends_as_stopped(surging):
    bench = surging(part=replace(PART, when_stuck="ask"))
    bench.to_running()
    stick(bench)
    bench.seconds(3.0)
    bench.act("vent")
    assert bench.finish().outcome == "stopped"
    assert len([said for said in bench.said if type(said) is Result]) == 1


def test_a_neighbours_hands_are_waited_for_and_our_questions_wait_for_its_pressure(surging, demo_rig):
    bench = surging()
    bench.to_running()
    until(bench, lambda: bench.a > 80)
    bench.send(Neighbours, pressurised=1, hands=True)
    until(bench, lambda: bench.engine.state == "VENTED", 10.0)
    assert [c.partial for c in cycles(bench)] == [False]
    bench.send(Neighbours, pressurised=1, hands=False)
    bench.seconds(0.5)
    bench.act("arm"), bench.act("start")
    until(bench, lambda: len(cycles(bench)) == 5 and bench.engine.state == "VENTED")
    bench.seconds(5.0)
    assert bench.engine.questions.prompt is None and not bench.engine.done
    bench.send(Neighbours, pressurised=0, hands=False)
    assert bench.finish().outcome == "run_out"


def test_a_resumed_run_goes_on_counting_where_the_other_was_broken_off(surging):
    before = Carried(run=7, manifest_sha256="", released=4, applied=4, valid=3, partial=1)
    bench = surging(carried=before)
    bench.to_running()
    until(bench, lambda: bench.engine.state == "VENTED")
    told = dict(bench.finish().data)
    assert (told["cycles_applied"], told["cycles_valid"], told["cycles_partial"]) == (6, 5, 1)
    assert [(c.cycle, c.block) for c in cycles(bench)] == [(5, 1), (6, 1)]


def test_what_is_carried_from_a_record_that_breaks_off_amid_a_shot(surging):
    """The relay lets go half a second after the last kick: nobody saw the end of the shot, and the body felt it."""
    bench = surging()
    bench.to_running()
    until(bench, lambda: len(cycles(bench)) == 2 and bench.outputs["inlet_valve"] == 1)
    carried = carry(bench.engine, "hash")
    assert (carried.run, carried.manifest_sha256) == (1, "hash")
    assert (carried.released, carried.applied, carried.valid, carried.partial) == (3, 3, 2, 1)
    assert carried.accepted == 2 and 0.9 < carried.normal < 1.1 and carried.normal_blow_down_ns > 0.0


def test_what_is_carried_from_a_run_that_was_ended(surging):
    bench = surging()
    bench.to_running()
    until(bench, lambda: len(cycles(bench)) == 2 and bench.a > 80)
    bench.act("vent")
    bench.finish()
    carried = carry(bench.engine, "")
    assert (carried.released, carried.applied, carried.valid, carried.partial) == (3, 3, 2, 1)


def test_an_inspection_between_blocks_asks_and_goes_on(surging):
    bench = surging(between="inspect", between_prompt="Look at the cap")
    bench.to_running()
    until(bench, lambda: bench.engine.questions.prompt is not None)
    assert len(cycles(bench)) == 3 and "cap" in bench.engine.questions.prompt.text
    bench.answer_all()
    bench.seconds(0.5)
    bench.act("arm"), bench.act("start")
    until(bench, lambda: len(cycles(bench)) == 5)


@pytest.mark.parametrize(
    ("shape", "points"), [("trapezoid", ()), ("sine", ()), ("points", ((0.0, 0.0), (0.5, 1.0), (1.0, 0.2)))]
)
@pytest.mark.parametrize("shot", ["regulator", "valve"])
def test_a_shape_is_followed(surging, shape, points, shot):
    bench = surging(
        shape=shape, points=points, shot=shot, rise_ns=400_000_000, hold_ns=400_000_000, peak_tolerance=0.2,
        charge_pa=(5 if shot == "regulator" else 95) * PSI, charge_tolerance=0.5, sag=0.9, blocks=(2,), departure=0.05,
    )  # fmt: skip
    bench.to_running()
    until(bench, lambda: len(cycles(bench)) == 2)
    for cycle in cycles(bench):
        assert cycle.applied and abs(cycle.peak_sampled_pa / PSI - 85) < 17, cycle


def test_a_trip_in_a_pause_is_reset_and_the_run_goes_on(surging):
    bench = surging(part=replace(PART, when_stuck="ask"))
    bench.to_running()
    stick(bench)
    bench.seconds(6.0)
    bench.switches["emergency_stop"] = 0
    bench.seconds(0.5)
    assert bench.engine.interlocks.state == "TRIPPED" and bench.engine.state == "VENTED"
    bench.switches["emergency_stop"] = bench.switches["relief"] = 1
    bench.answer_all()
    bench.seconds(0.5)
    assert bench.engine.state == "VENTED", "not before the reset"
    bench.act("reset")
    bench.seconds(0.5)
    bench.act("arm"), bench.act("start")
    until(bench, lambda: len(cycles(bench)) == 5)
