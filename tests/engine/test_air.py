"""The air check by strokes of a hand pump on the bench: what is asked, what is found, and when nobody answers.

The pressures follow V = const + C p - Va0 p0/p (checks/physics.md C12) with a volume of air put in by hand.
"""

from dataclasses import replace
from math import sqrt

import pytest

from rigd.model.air import AirCheck
from rigd.model.messages import Judgement, Neighbours
from rigd.model.profile import CloseDown, Ramp, Vent

PSI = 6894.757293168362
ATM = 101_325.0
S = 1_000_000_000
STROKE_M3 = 0.5e-6
FOOT = 2.5e-12  # of body and water [m3/Pa]
FIRST_PA = 11 * PSI
STEP = AirCheck(
    name="Air", added_by="strokes", pressures_pa=(), ramp_pa_per_s=0.0, strokes=5, stroke_m3=STROKE_M3, volume_u=0.01,
    body_least_m3_per_pa=0.0, body_most_m3_per_pa=0.0, settle_ns=S, most_m3=4e-6, tries=2,
    bleed_prompts=("Bleed it",), bleed_ns=2 * S, answer_ns=30 * S, hands_ns=60 * S,
)  # fmt: skip


@pytest.fixture
def pumped(bench_of, demo_rig, demo_profile):
    def make(after=(), rig=demo_rig, **changes):
        steps = (replace(STEP, **changes), *after, Vent(name="Vent"), CloseDown(name="Tidy", prompts=("Tidy",)))
        bench = bench_of(replace(demo_profile, steps=steps, required=()), rig)
        bench.follow = False
        return bench

    return make


def pressure_after(strokes, air_m3):
    """Gauge pressure [psi] after so many strokes: the law solved for p, a quadratic."""
    start = FIRST_PA + ATM
    b = FOOT * start - air_m3 * ATM / start + strokes * STROKE_M3
    return ((b + sqrt(b * b + 4.0 * FOOT * air_m3 * ATM)) / (2.0 * FOOT) - ATM) / PSI


def play(bench, air_m3, seconds=200.0, until=lambda bench: bench.engine.done):
    """Pump as asked, bleed as asked; air_m3 gives the air of each try."""
    tries, strokes, started = iter(air_m3), 0, False
    air = next(tries)
    bench.a = bench.b = 0.0
    for _ in range(round(seconds * 20)):
        bench.scan(5)
        engine = bench.engine
        if until(bench):
            return
        running = engine.state == "RUNNING"
        if running and not started:
            started, strokes = True, 0
        shut = bench.outputs["vent_valve"] and running and engine.step_at == 0
        bench.a = bench.b = pressure_after(strokes, air) if shut else 0.0
        prompt = engine.questions.prompt
        if prompt is not None and "stroke" in prompt.text:
            assert bench.act("confirm", prompt=prompt.prompt, answer="").kind == "granted"
            strokes += 1
        elif prompt is not None:
            if prompt.text == "Bleed it":
                air, started = next(tries), False
            bench.act("confirm", prompt=prompt.prompt, answer="")
        elif engine.state in ("READY", "ARMED"):
            bench.act("arm" if engine.state == "READY" else "start")
    raise AssertionError(bench.engine.view())


def judged(bench):
    return [said for said in bench.said if type(said) is Judgement]


def test_strokes_find_the_air_that_was_put_in_and_the_result_tells_it(pumped):
    bench = pumped()
    play(bench, [2e-6])
    (only,) = judged(bench)
    assert (only.kind, only.verdict, only.number) == ("air", "passed", 1)
    data = dict(only.data)
    assert abs(data["free_air_m3"] - 2e-6) < 2.0 * data["free_air_u_m3"] < 2e-6
    assert data["foot_m3_per_pa"] == pytest.approx(FOOT, rel=0.3) and data["points"] == 6
    result = bench.finish()
    told = dict(result.data)
    assert (result.outcome, result.verdict) == ("air_checked", "none")
    assert told["free_air_m3"] == data["free_air_m3"] and told["air_checks"] == 1
    assert told["free_air_most_m3"] == 4e-6


def test_too_much_air_is_bled_and_checked_again(pumped):
    bench = pumped()
    play(bench, [9e-6, 1e-6])
    first, second = judged(bench)
    assert (first.verdict, second.verdict, second.number) == ("failed", "passed", 2)
    assert len(bench.events("pause")) == 1
    assert dict(bench.finish().data)["air_checks"] == 2


def test_air_that_stays_ends_the_run_untested(pumped):
    bench = pumped()
    play(bench, [9e-6, 9e-6])
    result = bench.finish()
    assert (result.outcome, result.verdict, result.failure_pa) == ("air_left", "undecided", None)
    assert [row.verdict for row in judged(bench)] == ["failed", "failed"] and bench.is_safe


def test_a_stop_is_had_before_anybody_is_sent_to_bleed(pumped):
    bench = pumped()
    bench.to_running()
    bench.act("stop")
    play(bench, [9e-6])
    assert bench.finish().outcome == "stopped" and not bench.events("pause")
    assert [row.verdict for row in judged(bench)] == ["failed"]


def test_a_stroke_that_nobody_confirms_vents_the_line(pumped):
    """SAFETY S26 and the issue: a prompt times out safely, and under pressure that is a vent."""
    bench = pumped()
    bench.to_running()
    bench.a = bench.b = 5.0
    bench.seconds(8)
    assert "stroke" in bench.engine.questions.prompt.text and bench.engine.state == "RUNNING"
    bench.seconds(31)
    assert bench.engine.state == "VENTING" and bench.is_safe
    done = bench.events("prompt_done")[-1]
    assert dict(done.data)["person"] == "" and dict(done.data)["after_ns"] >= 30 * S
    bench.a = bench.b = 0.0
    assert bench.finish().outcome == "stopped"


def test_one_stroke_is_enough_where_the_body_is_known(pumped, demo_profile):
    bench = pumped(strokes=1, body_least_m3_per_pa=1.0e-12, body_most_m3_per_pa=3.5e-12, most_m3=0.0, tries=1)
    bench.engine.specimen = replace(bench.engine.specimen, volume_m3=1e-3)
    play(bench, [2e-6])
    (only,) = judged(bench)
    data = dict(only.data)
    assert only.verdict == "measured" and abs(data["free_air_m3"] - 2e-6) < 2.0 * data["free_air_u_m3"]
    bounds = data["free_air_u_m3"]
    bench = pumped(strokes=1, body_least_m3_per_pa=1.0e-12, body_most_m3_per_pa=3.5e-12, most_m3=0.0, tries=1)
    water_m3 = 1e-3 + 0.3e-3  # the line's beside the body's
    bench.engine.specimen = replace(
        bench.engine.specimen, volume_m3=1e-3, stretch_m3_per_pa=FOOT - water_m3 * 4.59e-10, stretch_u_m3_per_pa=5e-14
    )
    play(bench, [2e-6])
    (only,) = judged(bench)
    data = dict(only.data)  # a body that was measured leaves less doubt than bounds do
    assert abs(data["free_air_m3"] - 2e-6) < 2.0 * data["free_air_u_m3"] and data["free_air_u_m3"] < 0.7 * bounds
    unknown = pumped(strokes=1, body_least_m3_per_pa=1.0e-12, body_most_m3_per_pa=3.5e-12, tries=1)
    play(unknown, [2e-6])
    (only,) = judged(unknown)
    assert only.verdict == "undecided" and "volume of the specimen" in dict(only.data)["why"]
    assert unknown.finish().outcome == "air_left"


def test_what_comes_after_the_check_keeps_its_own_outcome(pumped, demo_profile):
    """The air is in the result of the burst, and the burst's outcome and verdict are its own."""
    ramp = next(step for step in demo_profile.steps if type(step) is Ramp)
    bench = pumped(after=(ramp,))
    bench.to_running()
    strokes = 0
    for _ in range(4000):
        bench.scan(5)
        if bench.engine.step_at == 1:
            break
        bench.a = bench.b = pressure_after(strokes, 2e-6)
        prompt = bench.engine.questions.prompt
        if prompt is not None:
            bench.act("confirm", prompt=prompt.prompt, answer="")
            strokes += 1
    bench.follow = True
    bench.seconds(6)
    assert bench.a > 30.0
    bench.act("vent")
    result = bench.finish()
    assert result.outcome == "stopped" and dict(result.data)["free_air_m3"] == pytest.approx(2e-6, rel=0.5)


def test_a_neighbour_that_wants_hands_gets_the_chamber_at_once_and_the_check_is_no_try(pumped):
    bench = pumped(tries=1)
    play(bench, [2e-6], until=lambda b: b.engine.questions.prompt and "stroke 3" in b.engine.questions.prompt.text)
    bench.send(Neighbours, pressurised=0, hands=True)
    bench.a = bench.b = 0.0
    bench.seconds(3.0)
    assert bench.engine.paused and bench.is_safe and bench.engine.questions.prompt is None
    bench.send(Neighbours, pressurised=0, hands=False)
    play(bench, [2e-6])
    (only,) = judged(bench)
    assert (only.verdict, only.number, dict(only.data)["points"]) == ("passed", 1, 6)


def test_the_pressure_is_as_well_known_as_the_transducer_says_and_the_air_it_counts_from(pumped, demo_rig):
    """Free air goes with the square of the absolute pressure (C12), so a zero that is off makes more or less of it."""

    def air_u(**changes):
        first, *others = (replace(c, **changes) if c.role == "specimen" else c for c in demo_rig.channels)
        bench = pumped(rig=replace(demo_rig, channels=(first, *others), ambient_u_pa=ambient_u_pa))
        play(bench, [2e-6])
        return dict(judged(bench)[0].data)["free_air_u_m3"]

    ambient_u_pa = 0.0
    coarse, fine = air_u(accuracy=1.5 * PSI), air_u(accuracy=0.1 * PSI)
    assert coarse > 1.5 * fine
    ambient_u_pa = 1.5 * PSI / sqrt(3.0)
    assert air_u(accuracy=0.1 * PSI) == pytest.approx(coarse, rel=0.02)
    absolute = {"reference": "absolute", "head_pa": demo_rig.ambient_pa}  # its counts are those of a gauge one here
    assert air_u(accuracy=0.1 * PSI, **absolute) == pytest.approx(fine, rel=0.02), "no weather in it"


def test_after_the_bleeding_the_mains_are_shut_before_the_vent(pumped):
    """Found by PRESSURE_AS_ASKED: the vent shut first, and mains on a full body took it to their pressure at once."""
    bench = pumped()
    play(bench, [9e-6, 1e-6], until=lambda b: b.events("went_on"))
    seen = []
    for _ in range(500):
        bench.a = bench.b = 2.0 if bench.outputs["fill_valve"] else 0.0
        bench.scan()
        fill, vent = bool(bench.outputs["fill_valve"]), bool(bench.outputs["vent_valve"])
        seen += [(fill, vent)] if seen[-1:] != [(fill, vent)] else []
    assert seen == [(True, False), (False, False), (False, True)]
