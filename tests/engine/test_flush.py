"""Aim after aim on the bench: hands only at the vented line, shares and errors as the water says, nothing made up.

Shares are worked by hand; the sign of an error is that of rigd.model.flush (clockwise from above is positive). That a
stream keeps its distance from hands and eyes is HSE GS4 section 8 and SAFETY S25.
"""

from dataclasses import replace

import pytest

from rigd.model.flush import Flush
from rigd.model.messages import Judgement, Neighbours, Prompt, Result
from rigd.model.profile import CloseDown, Vent

PSI = 6894.757293168362
S = 1_000_000_000
FLUSH = Flush(
    name="Aim", azimuths_deg=(0.0, 270.0), repeats=1, pressure_pa=20 * PSI, pressure_tolerance=0.1,
    ramp_pa_per_s=10 * PSI, flow_m3_per_s=1e-7, flow_tolerance=0.1, duration_ns=2 * S, half_width_deg=15.0,
    judged_by="cups", mass_u_kg=5e-4, balance=0.0, hands_ns=60 * S,
)  # fmt: skip
SAID = {"aim_inside": "0.150", "aim_outside": "0.040", "aim_not_caught": "0.010", "aim_landed": "-5"}


@pytest.fixture
def aiming(bench_of, demo_profile):
    def make(**changes):
        steps = (replace(FLUSH, **changes), Vent(name="Vent"), CloseDown(name="Tidy", prompts=("Tidy up",)))
        return bench_of(replace(demo_profile, steps=steps, required=()))

    return make


def go_on(bench, said=SAID, seconds=120.0, until=lambda bench: bench.engine.done):
    """Answer what is asked, arm and start whenever it may be, until something holds."""
    states = []
    for _ in range(round(seconds * 20)):
        bench.scan(5)
        if until(bench):
            return states
        prompt = bench.engine.questions.prompt
        if prompt is not None and (prompt.field in said or not prompt.field):
            states.append((prompt.field or prompt.text, bench.engine.state, bench.a))
            answer = said.get(prompt.field, "")
            person = "B. Second" if prompt.field == "aim_landed" else "P. Person"
            assert bench.act("confirm", person, prompt=prompt.prompt, answer=answer).kind == "granted"
        elif prompt is None and bench.engine.state in ("READY", "ARMED"):
            bench.act("arm" if bench.engine.state == "READY" else "start")
    raise AssertionError(bench.engine.view())


def judged(bench):
    return [said for said in bench.said if type(said) is Judgement]


def told(bench, said=SAID):
    go_on(bench, said)
    return next(output for output in bench.said if type(output) is Result)


def test_every_aim_is_made_asked_about_and_told(aiming):
    bench = aiming()
    result = told(bench)
    assert (result.outcome, result.verdict, result.failure_pa) == ("aimed", "none", None)
    first, second = judged(bench)
    assert (first.kind, first.verdict, first.number, second.number) == ("aim", "measured", 1, 2)
    assert (first.step, second.step) == (0, 0)
    data = dict(first.data)
    assert data["share_in"] == pytest.approx(0.75) and data["share_outside"] == pytest.approx(0.20)
    assert data["share_not_caught"] == pytest.approx(0.05) and data["error_deg"] == -5.0
    assert dict(second.data)["error_deg"] == 85.0  # -5 is 355, and that is 85 clockwise of 270
    assert data["entered_by"] == "P. Person, B. Second"
    assert data["pressure_pa"] == pytest.approx(20 * PSI, rel=0.05) and data["flow_m3_per_s"] is None
    counts = dict(result.data)
    assert (counts["aims_owed"], counts["aims_made"], counts["aims_measured"], counts["hits"]) == (2, 2, 2, None)
    assert counts["share_in_mean"] == pytest.approx(0.75)


def test_hands_are_asked_for_only_at_the_vented_line_and_pressure_comes_only_by_arm_and_start(aiming):
    bench = aiming()
    states = go_on(bench)
    asked = [row for row in states if str(row[0]).startswith(("Aim", "aim"))]
    assert len(asked) == 2 * (2 + 4)
    assert all(state == "VENTED" and psi < 5.0 for _, state, psi in asked), asked
    starts = [event for event in bench.events("granted") if event.text.startswith("start")]
    assert len(starts) == 3  # to begin with, and before each stream
    assert bench.is_safe


def test_a_neighbour_that_wants_hands_gets_the_chamber_before_a_stream_and_after_one_that_has_begun(aiming):
    bench = aiming(ramp_pa_per_s=10 * PSI)
    go_on(bench, until=lambda b: 5.0 < b.a < 15.0)
    bench.send(Neighbours, pressurised=0, hands=True)
    bench.seconds(8.0)
    assert bench.engine.paused and bench.a < 1.0
    assert bench.events("pause")[-1].text == "a neighbour needs hands in the chamber"
    asked = bench.engine.questions.prompt.text
    assert asked.startswith("Aim 1 of 2: turn the drain"), "some water has run: the aim is set once more"
    bench.send(Neighbours, pressurised=0, hands=False)
    go_on(bench, until=lambda b: b.engine.live._phase == "stream")
    bench.send(Neighbours, pressurised=0, hands=True)
    bench.seconds(1.5)
    assert bench.a > 19.0, "a stream that has begun is finished first"
    bench.seconds(8.0)
    assert bench.engine.paused and bench.a < 1.0
    bench.send(Neighbours, pressurised=0, hands=False)
    assert told(bench).outcome == "aimed" and [row.number for row in judged(bench)] == [1, 2]


def test_marked_hits_are_counted_and_what_nobody_saw_is_undecided(aiming):
    bench = aiming(judged_by="hits", mass_u_kg=0.0, repeats=2)
    answers = iter(["in the sector", "outside", "not seen", "in the sector"])

    class Said(dict):
        def get(self, field, default=""):
            return next(answers) if field == "aim_hit" else "10" if field == "aim_landed" else default

        def __contains__(self, field):
            return field in ("aim_hit", "aim_landed")

    result = told(bench, Said())
    counts = dict(result.data)
    assert (counts["hits"], counts["aims_measured"], counts["aims_undecided"], counts["aims_made"]) == (2, 3, 1, 4)
    assert counts["share_in_mean"] is None
    assert [row.verdict for row in judged(bench)] == ["measured", "measured", "undecided", "measured"]


@pytest.mark.parametrize(
    ("field", "answer", "words"),
    [("aim_inside", "-0.1", "out of reach"), ("aim_inside", "500", "0 to 100 kg"), ("aim_landed", "400", "-360 to 360"),
     ("aim_landed", "left", "a number")],
)  # fmt: skip
def test_a_slip_is_refused_in_words_and_asked_again(aiming, field, answer, words):
    bench = aiming()
    go_on(bench, until=lambda b: b.engine.questions.prompt is not None and b.engine.questions.prompt.field == field)
    refused = bench.act("confirm", prompt=bench.engine.questions.prompt.prompt, answer=answer)
    assert refused.kind == "refused" and words in refused.text
    assert bench.engine.questions.prompt.field == field


def test_no_water_is_no_share(aiming):
    bench = aiming()
    result = told(bench, dict.fromkeys(("aim_inside", "aim_outside", "aim_not_caught"), "0") | {"aim_landed": "0"})
    assert [dict(row.data)["why"] for row in judged(bench)] == ["nothing came out"] * 2
    assert dict(result.data)["share_in_mean"] is None and dict(result.data)["aims_undecided"] == 2


def test_a_stream_whose_pressure_strays_is_undecided(aiming):
    bench = aiming()
    go_on(bench, until=lambda b: b.a > 19.9)
    bench.follow = False
    bench.a = bench.b = 12.0
    bench.seconds(0.2)
    bench.follow = True
    go_on(bench)
    first, second = judged(bench)
    assert (first.verdict, second.verdict) == ("undecided", "measured")
    assert "did not stand" in dict(first.data)["why"]


def test_a_pressure_that_is_never_reached_ends_the_run(aiming):
    bench = aiming()
    go_on(bench, until=lambda b: b.a > 5.0)
    bench.follow = False
    bench.a = bench.b = 6.0
    bench.seconds(25)
    assert bench.engine.state == "VENTING" and bench.is_safe
    bench.follow = True
    result = told(bench)
    assert (result.outcome, result.verdict) == ("supply_exhausted", "undecided")


def test_a_stop_is_had_after_the_stream_and_its_catch_is_still_asked_for(aiming):
    bench = aiming()
    go_on(bench, until=lambda b: b.a > 19.9)
    bench.act("stop")
    result = told(bench)
    assert result.outcome == "stopped" and dict(result.data)["aims_measured"] == 1
    assert len(judged(bench)) == 1


def test_a_catch_that_nobody_tells_is_undecided_and_holds_nothing_up(aiming):
    """In a pause the run ends; after the last aim only that aim is lost."""
    bench = aiming(azimuths_deg=(0.0,), repeats=1)
    go_on(bench, until=lambda b: b.engine.questions.prompt is not None and b.engine.questions.prompt.field)
    bench.seconds(62)
    result = told(bench)
    assert result.outcome == "aimed" and dict(result.data)["aims_undecided"] == 1
    (only,) = judged(bench)
    assert dict(only.data)["why"] == "nobody said what was caught"
    asked = [said.field for said in bench.said if type(said) is Prompt and said.field]
    assert asked == ["aim_inside"]

    bench = aiming()
    go_on(bench, until=lambda b: b.engine.questions.prompt is not None and b.engine.questions.prompt.field)
    bench.seconds(62)
    result = told(bench)
    assert result.outcome == "stopped" and bench.is_safe
