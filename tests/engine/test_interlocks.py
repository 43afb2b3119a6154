"""Every cause vents, latches and is told; what a zero hides nobody; what the computer's troubles do.

The meanings of permissive, interlock and trip are those of ANSI/ISA-84.01 and ISA-77.44 as quoted in SAFETY.md S5; the
4-20 mA bands are NAMUR NE 43 (checks/physics.md C3).
"""

import pytest

from rigd.model.messages import DeviceFault, Kick


def counts_with(bench, **by_name):
    found = list(bench.counts())
    for name, value in by_name.items():
        found[[c.name for c in bench.rig.channels].index(name)] = value
    return tuple(found)


def open_door(bench):
    bench.switches["door"] = 0


def press_emergency_stop(bench):
    bench.switches["emergency_stop"] = 0


def overpressure(bench):
    bench.follow = False
    bench.a = bench.b = bench.tank = 505.0


def disagree(bench):
    bench.follow = False
    bench.b = bench.a - 40.0


def not_confirmed(bench):
    bench.stuck["inlet_valve"] = 0


CAUSES = {
    open_door: "door",
    press_emergency_stop: "emergency_stop",
    overpressure: "overpressure",
    disagree: "transducers disagree",
    not_confirmed: "inlet_valve not confirmed",
}


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.__name__)
def test_a_trip_vents_latches_names_the_first_cause_and_needs_a_reset(bench, cause):
    bench.to_ramp(100)
    cause(bench)
    bench.seconds(1)
    view = bench.engine.view()
    assert view.state in ("VENTING", "VENTED") and bench.is_safe
    assert (CAUSES[cause] in view.first_out and view.trip_state == "TRIPPED") or view.trip_state == "RESETTABLE"
    trip = bench.events("trip")[0]
    assert CAUSES[cause] in trip.text and "reset" in trip.text


def test_a_tripped_run_cannot_be_armed_before_cause_and_reset(new_bench):
    bench = new_bench()
    bench.to_ready()
    press_emergency_stop(bench)
    bench.seconds(2)
    assert bench.engine.state == "VENTED" and bench.engine.interlocks.state == "TRIPPED"
    assert bench.act("reset").kind == "refused"
    bench.switches["emergency_stop"] = 1
    bench.seconds(1)
    assert bench.engine.interlocks.state == "RESETTABLE"
    assert bench.act("arm").kind == "refused"
    assert bench.act("reset", named=False).kind == "refused"
    assert bench.act("reset").kind == "granted"
    bench.seconds(61)
    assert bench.engine.state == "READY" and bench.is_safe, "a reset arms and starts nothing"


def test_what_was_latched_before_is_latched_still(new_bench):
    bench = new_bench(latched=("door_opened",))
    bench.seconds(2)
    bench.answer_all()
    assert bench.engine.interlocks.state == "RESETTABLE" and bench.act("arm").kind == "refused"


BAD_COUNTS = {3500: "specimen_a failed", 21200: "specimen_a failed"}


@pytest.mark.parametrize("bad", BAD_COUNTS)
def test_a_failed_transducer_is_a_trip_at_once_and_never_a_result(bench, bad):
    bench.to_ramp(100)
    highest = bench.engine.findings.highest_pa
    bench.scan(counts=counts_with(bench, specimen_a=bad))
    assert bench.engine.state == "VENTING" and bench.engine.view().first_out == BAD_COUNTS[bad]
    assert bench.engine.findings.highest_pa == highest
    result = bench.finish("rupture")
    assert (result.outcome, result.verdict) == ("sensor", "invalid")


def test_the_uncertain_band_may_trip_but_only_after_a_second(bench):
    bench.to_ramp(100)
    highest = bench.engine.findings.highest_pa
    uncertain = counts_with(bench, specimen_b=3700)
    for _ in range(95):
        bench.scan(counts=uncertain)
    assert bench.engine.state == "RUNNING"
    for _ in range(15):
        bench.scan(counts=uncertain)
    assert bench.engine.state == "VENTING" and bench.engine.view().first_out == "specimen_b uncertain"
    assert highest > 0


def test_silence_is_a_trip(bench):
    bench.to_ramp(100)
    bench.silent = True
    bench.seconds(0.5)
    bench.report()
    assert bench.engine.state == "VENTING" and "stale" in bench.engine.view().first_out


@pytest.mark.parametrize(
    ("fields", "cause"),
    [
        ({"journal_lag_us": 250_001}, "journal behind"),
        ({"write_error": "No space left on device"}, "record cannot be written"),
        ({"inbox_full": True}, "inbox full"),
        ({"free_bytes": 1_000_000}, "disk full"),
    ],
)
def test_trouble_of_the_computer_is_a_trip(bench, fields, cause):
    bench.to_ramp(100)
    bench.report(**fields)
    assert bench.engine.state == "VENTING" and bench.engine.view().first_out == cause
    assert bench.finish().outcome == "tripped"


def test_arming_needs_twice_the_room_a_run_is_expected_to_take(bench):
    bench.seconds(2)
    bench.answer_all()
    bench.report(free_bytes=5_000_000)
    bench.scan()
    assert bench.engine.state == "VENTED" and "bytes are free" in bench.act("arm").text


def test_the_watchdog_is_kicked_only_on_good_scans_with_a_journal_that_follows(bench):
    bench.seconds(1)
    kicks = [o.counts for o in bench.said if type(o) is Kick]
    assert 8 <= len(kicks) <= 11 and kicks == sorted(kicks)
    bench.host = {"journal_lag_us": 300_000}
    bench.report()
    bench.said.clear()
    bench.seconds(1)
    assert not [o for o in bench.said if type(o) is Kick]
    bench.host = {}
    bench.seconds(1)
    assert [o for o in bench.said if type(o) is Kick]
    bench.said.clear()
    for _ in range(50):
        bench.scan(counts=counts_with(bench, specimen_a=3000))
    assert not [o for o in bench.said if type(o) is Kick]


def test_an_interlock_holds_and_lets_go_by_itself(bench):
    bench.to_ramp(100)
    bench.supply = 400.0
    bench.seconds(2)
    assert bench.engine.view().held_by == "supply_low" and bench.engine.state == "RUNNING"
    held_at = bench.a
    bench.supply = 2500.0
    bench.seconds(2)
    assert bench.engine.view().held_by == "" and bench.a > held_at + 10


def test_an_interlock_that_never_lets_go_vents(bench):
    bench.to_ramp(100)
    bench.supply = 400.0
    bench.seconds(63)
    assert bench.finish("nothing").outcome == "supply_exhausted"


def test_a_zero_changes_results_and_never_helps_a_trip(new_bench):
    """A transducer that reads 4 psi low at zero must not trip 4 psi late (SAFETY S29, invariant 30)."""
    bench = new_bench()
    bench.follow = False
    bench.a = bench.b = -3.0
    bench.seconds(2)
    bench.answer_all()
    bench.seconds(1)
    assert bench.engine.zero.accepted
    at = bench.engine.channels.primary
    assert bench.engine.channels.worse_high[at] == pytest.approx(3.0 * 6894.757, rel=1e-3)
    for reads, proven in ((1.5, True), (2.5, False)):  # 2.5 read, 5.5 by the zeroed value, limit 5
        bench.a = bench.b = reads
        bench.scan()
        assert bench.engine.channels.proves_below(bench.rig.vent.limit_pa, bench.t_ns) is proven


def test_a_zero_beyond_its_limit_is_refused(new_bench):
    bench = new_bench()
    bench.follow = False
    bench.a = bench.b = -8.0
    bench.seconds(2)
    bench.answer_all()
    bench.seconds(1)
    assert bench.engine.state == "VENTED" and "zero" in bench.act("arm").text


def test_a_zero_that_moved_voids_the_run(bench):
    bench.to_ramp(200)
    bench.follow = False
    bench.a = bench.b = -7.0
    result = bench.finish("rupture")
    assert result.verdict == "invalid" and any("zero" in flag for flag in result.flags)


def test_a_device_that_comes_back_is_told_everything_again(bench):
    bench.to_ready()
    bench.said.clear()
    bench.send(DeviceFault, device=0, fault="recovered", detail="answers again")
    assert len(bench.said) >= 6


def test_a_clock_step_is_recorded_and_changes_nothing(new_bench):
    plain, stepped = new_bench(), new_bench()
    for bench, hour in ((plain, 0), (stepped, 3_600_000_000_000)):
        bench.to_ramp(100)
        bench.report(utc_ns=10**18 + bench.t_ns + 1_000 + hour)
        bench.scan(20)
    assert stepped.events("clock_step") and not plain.events("clock_step")
    assert stepped.a == plain.a and stepped.engine.state == plain.engine.state == "RUNNING"
