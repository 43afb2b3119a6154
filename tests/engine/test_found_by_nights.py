"""What simulated nights found wrong with the engine, each by itself, kept for good (`simulator/NIGHTS.md`)."""

from dataclasses import replace

import pytest

from rigd.model.messages import DeviceFault, Result, ValveCommand
from rigd.model.profile import Ramp, Vent

PSI = 6894.757293168362
LATE_NS = 700_000_000  # longer than any value may be old, and than the watchdog relay waits


def test_a_scan_after_a_pause_does_not_hide_that_nobody_was_looking(bench):
    """The process stood still; the relay has let go of everything; the first message afterwards is a good scan."""
    bench.to_ramp(60.0)
    bench.t_ns += LATE_NS
    bench.scan()
    assert bench.engine.interlocks.first_out.endswith(" stale"), bench.engine.view()
    assert bench.engine.state == "VENTING" and bench.is_safe


def test_the_hold_of_a_proven_vent_has_no_hole_in_it(bench):
    bench.seconds(0.3)
    assert bench.engine.state == "VENTING"
    bench.t_ns += 1_500_000_000
    bench.scan()
    assert bench.engine.state == "VENTING", "two samples and a pause prove nothing"


def test_the_hold_of_a_proven_vent_begins_with_its_first_sample(new_bench):
    """The process stood still between its first message and the first scan: nobody knows what the pressure was."""
    bench = new_bench()
    bench.t_ns += 800_000_000
    bench.seconds(0.9)
    assert bench.engine.state == "VENTING"
    bench.seconds(0.3)
    assert bench.engine.state == "VENTED"


def test_the_hold_of_a_proven_vent_begins_with_the_first_low_sample_not_the_last_high_one(bench):
    """Seeds 8204089 and 8201339: the process stood still for a moment in between."""
    bench.follow, bench.a, bench.b = False, 40.0, 40.0
    bench.seconds(0.5)
    bench.a = bench.b = 0.0
    bench.t_ns += 80_000_000
    bench.seconds(0.97)
    assert bench.engine.state == "VENTING"
    bench.seconds(0.1)
    assert bench.engine.state == "VENTED"


def test_a_restart_lets_nothing_be_reset_before_it_was_heard(new_bench):
    bench = new_bench(latched=("emergency_stop_pressed",))
    assert bench.act("reset").kind == "refused"
    bench.seconds(0.1)
    assert bench.act("reset").kind == "granted"


def test_leaving_twice_gives_one_result(bench):
    bench.to_ready()
    for _ in range(3):
        bench.act("stop")
        bench.seconds(3.0)
        if bench.engine.done:
            break
    assert bench.engine.done and sum(type(o) is Result for o in bench.said) == 1


def test_a_set_point_after_a_recovery_is_recorded_before_it_is_driven(bench):
    bench.to_ramp(60.0)
    bench.send(DeviceFault, device=0, fault="timeout", detail="")
    said = bench.send(DeviceFault, device=0, fault="recovered", detail="")
    raising = [o for o in said if type(o) is ValveCommand and o.counts != 0]
    assert len(raising) >= 3 and all(o.raises for o in raising), said  # the inlet waits for the vent


def test_a_doubtful_first_sample_above_a_limit_trips(bench):
    """20.75 mA is no measurement, but whatever it is, it is not below 500 psi (NAMUR NE 43's band may trip)."""
    counts = list(bench.counts())
    counts[0] = 20_750
    bench.scan(counts=tuple(counts))
    assert bench.engine.interlocks.first_out == "overpressure_a"


def test_an_early_loss_is_bounded_down_to_no_pressure_whatever_the_zero(bench):
    bench.follow, bench.a, bench.b = False, -1.0, -1.0
    bench.to_running()
    bench.follow = True
    for _ in range(3000):
        bench.scan()
        if bench.engine.view().step_name.startswith("Proof") and bench.a > 20.0:
            break
    bench.act("mark")
    result = bench.finish("rupture")
    assert result.outcome == "early" and result.failure_pa - result.bound_down_pa <= 0.01 * PSI, result


def test_an_open_body_does_not_pass_the_proof(bench):
    """A hole empties the line before the first sample of the hold is counted; then nothing more is lost."""
    bench.to_running()
    for _ in range(5000):
        bench.scan()
        if bench.engine.view().step_name.startswith("Proof") and bench.outputs["inlet_valve"] == 0 and bench.a > 20.0:
            break
    assert bench.outputs["vent_valve"] == 1, "isolated"
    bench.follow, bench.a, bench.b = False, 0.2, 0.2
    bench.seconds(8.0)
    assert bench.engine.state != "RUNNING", bench.engine.view()
    assert bench.finish("rupture").outcome == "early"


def test_a_mark_before_there_is_a_rate_is_not_called_exact(bench):
    bench.to_ramp(5.0)
    bench.act("mark")
    result = bench.finish("rupture")
    assert result.ramp_pa_per_s is None and result.failure_pa >= 0.0
    assert result.bound_down_pa >= result.failure_pa and result.bound_up_pa > PSI, result


def test_nothing_is_armed_or_started_on_a_channel_in_doubt(bench):
    """NE 43's grey band trips only after a second; until then it is doubt enough not to begin (SAFETY invariant 6)."""
    bench.to_ready()
    for act, state in (("arm", "VENTED"), ("start", "VENTING")):
        bench.scan(counts=(3_700, *bench.counts()[1:]))
        assert bench.engine.state == state and bench.engine.interlocks.state == "CLEAR"
        assert bench.act(act).kind == "refused"
        assert ("channels good", False) in [row[:2] for row in bench.engine.view().permissives]
        bench.seconds(3.0)
        if act == "arm":
            assert bench.engine.state == "READY" and bench.act("arm").kind == "granted"


def test_a_hold_in_the_ramp_makes_no_bound_small(bench):
    """The achieved rate over a long hold is next to nothing; the pressure that rose afterwards rose as called for."""
    bench.to_ramp(30.0)
    bench.act("hold")
    bench.seconds(20.0)
    bench.act("resume")
    bench.seconds(0.5)
    bench.act("mark")
    result = bench.finish("rupture")
    called_pa_per_s = 15.0 * PSI
    assert result.ramp_pa_per_s < 0.9 * called_pa_per_s
    assert result.bound_up_pa >= 1.5 * called_pa_per_s, "half of a mark's three seconds, at the rate called for"


@pytest.mark.parametrize(("mains_psi", "most_psi"), [(50.0, 50.0), (0.0, 450.0)])
def test_a_body_lost_in_the_fill_may_have_stood_at_the_mains(bench_of, demo_rig, demo_profile, mains_psi, most_psi):
    """Seeds 1003372 and 1003876: it stood 81 kPa between two samples that showed 44, and 32 more were allowed for."""
    outputs = tuple(replace(o, pa_high=mains_psi * PSI) if o.role == "fill" else o for o in demo_rig.outputs)
    bench = bench_of(demo_profile, replace(demo_rig, outputs=outputs))
    bench.to_running()
    bench.follow = False
    bench.seconds(1.0)
    bench.a = bench.b = 6.0
    bench.seconds(1.0)
    bench.act("mark")
    bench.follow = True
    result = bench.finish("rupture")
    assert result.outcome == "early" and result.failure_pa == pytest.approx(6.0 * PSI, abs=0.1 * PSI)
    assert result.failure_pa + result.bound_up_pa >= (most_psi - 0.1) * PSI
    assert result.failure_pa - result.bound_down_pa <= 0.1 * PSI
    assert any("what the mains bring" in flag for flag in result.flags) is (mains_psi == 0.0)


def test_the_inlet_waits_until_the_vent_shows_that_it_is_shut(bench):
    """Seed 52975: an emergency stop that bounced for less than a scan had let the vent fall open; the inlet opened."""
    bench.stuck["vent_valve"] = 0
    bench.to_running()
    for _ in range(3000):
        bench.scan()
        assert not bench.outputs["inlet_valve"], "the vent is open"
        if bench.engine.state != "RUNNING":
            break
    assert bench.engine.interlocks.first_out == "vent_valve not confirmed" and bench.is_safe


def test_a_vent_that_shows_shut_and_was_told_to_open_does_not_let_the_inlet_open(bench_of, demo_profile):
    """Seed 300701: a vent step was over in one scan, with the vent still on its way; the ramp told it to shut and the
    inlet to open in one step."""
    at = next(n for n, step in enumerate(demo_profile.steps) if type(step) is Ramp)
    steps = (*demo_profile.steps[:at], Vent(name="Let it out"), *demo_profile.steps[at:])
    bench = bench_of(replace(demo_profile, steps=steps))
    bench.to_running()
    together = []
    for _ in range(3000):
        before = len(bench.said)
        bench.scan()
        told = {bench.rig.outputs[o.output].role for o in bench.said[before:] if type(o) is ValveCommand and o.counts}
        together += [told] if {"inlet", "vent"} <= told else []
        is_open = bench.engine.view().step_name.startswith(("Let", "Ramp")) and not bench.outputs["vent_valve"]
        bench.stuck = {"vent_valve": 1} if is_open else {}
        if bench.engine.view().step_name.startswith("Ramp") and bench.outputs["inlet_valve"]:
            break
    assert bench.outputs["inlet_valve"] and not together


@pytest.mark.parametrize("fell", [("vent_valve",), ("vent_valve", "inlet_valve")])
def test_when_a_device_comes_back_the_inlet_waits_for_the_vent(bench, fell):
    """Read by a person, not found: both were told anew in one step, while the vent may have fallen open unseen."""
    bench.to_ramp(60.0)
    bench.follow = False
    bench.stuck |= dict.fromkeys(fell, 0)  # what the module let go as it restarted, and has not moved yet
    said = bench.send(DeviceFault, device=0, fault="recovered", detail="answers again")
    told = {bench.rig.outputs[o.output].role: o.counts for o in said if type(o) is ValveCommand}
    assert told["vent"] and not told["inlet"], "the vent shut, the inlet not open before that shows"
    bench.scan(3)
    assert not bench.outputs["inlet_valve"] and bench.outputs["vent_valve"] and bench.engine.state == "RUNNING"
    bench.stuck.clear()
    bench.scan(2)
    assert bench.outputs["inlet_valve"], "now it may"


def test_a_body_that_fails_as_the_supply_comes_back_is_not_said_to_have_failed_at_the_highest(bench):
    """Seed 53155: the supply sagged at 275 psi, and as it rose again the body failed at 260."""
    bench.to_ramp(100.0)
    bench.follow = False
    highest, failed = bench.a, bench.a - 15.0
    for _ in range(10):
        bench.a = bench.b = bench.tank = bench.a - 2.0
        bench.scan()
    bench.a = bench.b = bench.tank = failed
    bench.scan()
    bench.a = bench.b = failed - 60.0
    bench.scan(5)
    bench.follow = True
    result = bench.finish("rupture")
    assert result.signs == ("pressure_fall",) and result.failure_pa == pytest.approx(highest * PSI, rel=0.02)
    assert result.failure_pa - result.bound_down_pa <= failed * PSI
    assert any("the supply fell too" in flag for flag in result.flags)


@pytest.mark.parametrize("psi", [12.0, 100.0], ids=["proof", "ramp"])
def test_what_a_lost_supply_left_behind_is_not_caught_up_with_a_jump(bench_of, demo_profile, psi):
    """Seed 8000453: the loop wound up while nothing came, and the body was loaded three times as fast as called for."""
    steps = [replace(s, rate_pa_per_s=4.0 * PSI) if type(s) is Ramp else s for s in demo_profile.steps]
    bench = bench_of(profile=replace(demo_profile, steps=tuple(steps)))
    bench.to_running()
    while bench.a < psi:
        bench.scan()
    before_pa = bench.engine.target_pa
    bench.seconds(0.1)
    rate = (bench.engine.target_pa - before_pa) / PSI / 0.1
    bench.follow, bench.supply, stood = False, 100.0, bench.a
    bench.seconds(12.0)
    assert bench.engine.view().held_by == "supply_low"
    bench.follow, bench.supply = True, 2500.0
    for scans in range(1, 100):
        bench.scan()
        assert bench.a < stood + 1.5 * rate * scans * 0.01 + 1.0, f"{scans} scans after the supply came back"
    assert bench.a > stood + 0.5 * rate, "and it does go on"


def test_a_mark_after_a_loss_reaches_up_to_where_no_sample_showed_it(bench):
    """Seed 9000221: the body let go between two samples, lost part of its pressure, and was marked a second later."""
    bench.to_ramp(100.0)
    bench.follow = False
    highest = bench.a
    bench.t_ns += 40_000_000
    bench.a = bench.b = highest - 6.0
    bench.scan(20)
    bench.act("mark")
    bench.follow = True
    result = bench.finish("rupture")
    assert result.signs == ("operator_mark",)
    assert result.failure_pa + result.bound_up_pa >= (highest + 15.0 * (0.05 + 0.02)) * PSI, "gap and lag"


def test_a_channel_in_doubt_may_not_be_silent_either(bench):
    """Seed 9001416: its device fell silent while it was uncertain, and the relay went on being kicked."""
    bench.to_ready()
    grey = [3700 if c.role == "specimen" else n for c, n in zip(bench.rig.channels, bench.counts(), strict=True)]
    bench.scan(counts=tuple(grey))  # 3.7 mA: the grey band of NAMUR NE 43
    bench.silent = True
    for _ in range(30):
        bench.scan()
        bench.report()
    assert bench.engine.interlocks.first_out == "specimen_a stale"
