"""A cap turned mark by mark on the bench: no pressure before hands are out, and what is made of what people say.

That hands come near only a line proven vented, and that a cage must be on, is SAFETY S31; that an unanswered question
vents is the rule of prompts. Measured leaks are tried on the simulated leak rig (tests/simulator/test_cap.py).
"""

from dataclasses import replace

import pytest

from rigd.engine.turn_look import Stiffness
from rigd.model.leak import CapTurns, LeakMethod, Thread, Turn
from rigd.model.messages import Judgement, Neighbours, Prompt
from rigd.model.profile import Ask, Vent
from rigd.model.verdicts import outcome_of

PSI = 6894.757293168362
S = 1_000_000_000
EYE = LeakMethod(kind="eye", limit_m3_per_s=1e-9, leaks_from="weep")
DROPS = LeakMethod(kind="drops", limit_m3_per_s=1e-8, drop_m3=5e-8, drop_u_m3=1e-9)
TURNS = CapTurns(
    name="Turns", pressure_pa=30 * PSI, ramp_pa_per_s=30 * PSI, medium="water", outlet="blocked",
    turns=tuple(Turn(text=f"{n}/8", turns=n / 8) for n in range(1, 5)), order="ascending", beyond=0,
    angle_u_turns=1 / 64, torque_text="8 N m", torque_source="lab rule 3", turned_by="hand", retention="cage",
    observer="window", threads=(Thread(make="K", size="short", engaged_turns=3.0),), least_engaged_turns=1.5,
    vent_before_turn=True, permissive="", settle_ns=S // 5, dwell_ns=S, answer_ns=20 * S, hands_ns=60 * S,
    stiffness_step_pa=0.0, stiffness_most_m3_per_pa=0.0, methods=(EYE,), minimum_turns=0.0,
)  # fmt: skip


class Cap:
    """The bench with a cap on it, and somebody who answers what `says` has for each field, look by look."""

    def __init__(self, bench, seen):
        self.bench, self.seen = bench, iter(seen)
        self.asked: list[Prompt] = []

    def until(self, holds, seconds=120.0):
        """Answer, arm and start as asked, until it holds."""
        bench = self.bench
        for _ in range(round(seconds * 100)):
            if holds():
                return
            prompt = bench.engine.questions.prompt
            if prompt is not None:
                self.answer(prompt)
            elif bench.engine.state == "READY" and not bench.engine.done:
                bench.act("arm")
            elif bench.engine.state == "ARMED":
                bench.act("start")
            bench.scan()
        raise AssertionError(bench.engine.view())

    def answer(self, prompt):
        self.asked.append(prompt)
        answer = "done"
        if prompt.field in ("leak_seen", "drops_counted"):
            answer = next(self.seen)
        elif prompt.choices:
            answer = prompt.choices[0]
        assert self.bench.act("confirm", prompt=prompt.prompt, answer=answer).kind == "granted"

    def finish(self):
        self.until(lambda: self.bench.engine.done)
        return next(said for said in self.bench.said if type(said).__name__ == "Result")

    @property
    def isolated(self) -> bool:
        """Nothing feeds and the line is at zero; the vent may be shut again, to prove that it stays so."""
        fed = [o.name for o in self.bench.rig.outputs if o.role in ("supply", "inlet", "fill", "set_point")]
        return self.bench.a < 5.0 and not any(self.bench.outputs[name] for name in fed)

    @property
    def judged(self) -> list[tuple[str, str]]:
        return [(dict(j.data)["turn_text"], j.verdict) for j in self.bench.said if type(j) is Judgement]

    @property
    def fields(self) -> list[str]:
        return [prompt.field for prompt in self.asked]


@pytest.fixture
def cap(bench_of, demo_rig, demo_profile):
    def make(seen, facts=(("make", "K"), ("size", "short"), ("loosenings", "0")), rig=demo_rig, after=(), **changes):
        steps = (replace(TURNS, **changes), Vent(name="Vent"), *after)
        profile = replace(demo_profile, steps=steps, required=(), arm_prompts=("ready?",))
        return Cap(bench_of(profile, rig, facts=facts), seen)

    return make


def told(result):
    return dict(result.data)


def test_onset_between_two_marks_and_hands_only_at_a_line_proven_vented(cap):
    run = cap(["tight", "tight", "tight", "weep"])
    bench, with_hands = run.bench, []
    take = bench.scan

    def watched(*args, **fields):
        take(*args, **fields)
        prompt = bench.engine.questions.prompt
        if prompt is not None and prompt.field.startswith("cap_"):
            with_hands.append((bench.engine.state, bench.a, bench.is_safe))

    bench.scan = watched
    result = run.finish()
    assert (result.outcome, result.trace_class, result.verdict) == ("leak_onset", "onset", "none")
    assert run.judged == [("0", "tight"), ("1/8", "tight"), ("2/8", "tight"), ("3/8", "leaking")]
    found = told(result)
    assert (found["last_tight_turns"], found["first_leaking_turns"]) == (0.25, 0.375)
    assert found["onset_censoring"] == "interval"
    assert (found["onset_low_turns"], found["onset_high_turns"]) == (0.25 - 1 / 64, 0.375 + 1 / 64)
    assert (found["loosenings_here"], found["prior_loosenings"], found["primary"]) == (1, 0, True)
    assert with_hands and all(state == "VENTED" and psi < 5.0 and safe for state, psi, safe in with_hands)
    text = next(p.text for p in run.asked if p.field == "cap_loosened")
    assert "to 1/8 turn from the fully tightened mark" in text
    assert "8 N m (lab rule 3)" in run.asked[1].text
    assert len(bench.events("pause")) == 4 == len(bench.events("went_on"))
    assert result.failure_pa is None, "an onset of turns is no failure pressure"


def test_no_mark_leaks_and_the_first_mark_leaks(cap):
    result = cap(["tight"] * 5).finish()
    assert (result.outcome, told(result)["onset_censoring"]) == ("tight_throughout", "right")
    assert told(result)["first_leaking_turns"] is None and told(result)["onset_high_turns"] is None
    result = cap(["tight", "stream"]).finish()
    assert (result.outcome, told(result)["onset_censoring"]) == ("leak_onset", "left")
    assert told(result)["last_tight_turns"] is None and told(result)["onset_low_turns"] == 0.0


def test_leaking_then_tight_is_not_monotone_and_names_no_onset(cap):
    run = cap(["tight", "tight", "weep", "tight"], beyond=1)
    result = run.finish()
    assert (result.outcome, result.verdict) == ("not_monotone", "undecided")
    assert told(result)["onset_low_turns"] is None and told(result)["onset_high_turns"] is None
    assert run.judged[-1] == ("3/8", "tight")


def test_leaking_fully_tightened_begins_no_turn(cap):
    run = cap(["weep"])
    result = run.finish()
    assert (result.outcome, result.verdict) == ("not_decided", "undecided")
    assert run.judged == [("0", "leaking")] and told(result)["turns_judged"] == 0
    assert "no turn begins it" in run.bench.events("step_done")[-1].text


@pytest.mark.parametrize(("order", "first"), [("bisecting", "3/8"), ("descending", "4/8")])
def test_tightness_is_proved_again_before_each_mark(cap, order, first):
    leaks = {"1/8": "tight", "2/8": "tight", "3/8": "weep", "4/8": "weep", "0": "tight"}
    run = cap([], order=order)

    class Truth:
        def __next__(self):
            return leaks[run.bench.engine.live._look.turn.text if run.bench.engine.live._look.turn else "0"]

    run.seen = Truth()
    result = run.finish()
    marks = [mark for mark, _ in run.judged]
    assert marks[1] == first and all(mark == "0" for mark in marks[::2]) and "0" not in marks[1::2]
    found = told(result)
    assert (found["last_tight_turns"], found["first_leaking_turns"]) == (0.25, 0.375)
    assert found["loosenings_here"] == len(marks) // 2 == found["tightness_proofs"] and not found["primary"]


def test_the_second_loosening_of_a_seal_is_not_the_primary_result(cap):
    facts = (("make", "K"), ("size", "short"), ("loosenings", "2"))
    run = cap(["tight", "weep"], facts=facts)
    found = told(run.finish())
    assert (found["prior_loosenings"], found["primary"]) == (2, False)
    assert dict([j for j in run.bench.said if type(j) is Judgement][-1].data)["loosening"] == 3
    unknown = told(cap(["tight", "weep"], facts=(*facts[:2], ("loosenings", "some"))).finish())
    assert unknown["prior_loosenings"] is None and not unknown["primary"]


def test_a_model_whose_thread_nobody_counted_is_not_turned(cap):
    run = cap([], facts=(("make", "N"), ("size", "short")))
    run.until(lambda: len(run.asked) == 1)  # the checklist
    run.bench.seconds(3.0)
    refused = run.bench.act("arm")
    assert refused.kind == "refused" and "make N, size short" in refused.text and "list it under" in refused.text
    assert run.bench.engine.state == "VENTED"
    run.bench.act("vent")
    run.bench.seconds(5.0)
    assert run.bench.engine.outcome == "stopped"


@pytest.mark.parametrize("seen", ["rupture", "weep", "own_joint_leak", "end_closure_leak"])
@pytest.mark.parametrize(("looks", "outcome"), [(["tight", "weep"], "leak_onset"), (["tight"] * 5, "tight_throughout")])
def test_what_is_seen_on_the_specimen_stands_beside_the_onset_and_never_instead_of_it(cap, looks, outcome, seen):
    run = cap(looks, after=(Ask(name="Ask", timeout_ns=60 * S),))
    answer = run.answer

    def said(prompt):
        if prompt.field != "observation":
            return answer(prompt)
        return run.bench.act("confirm", prompt=prompt.prompt, answer=seen)

    run.answer = said
    result = run.finish()
    assert (result.outcome, result.observation, result.verdict) == (outcome, seen, "none")


def test_a_part_of_the_rig_that_failed_still_makes_the_test_invalid():
    said = {"ending": "", "early": False, "relief_reached": False, "observation": "rig_part"}
    assert outcome_of(trace_class="onset", **said) == "rig_part"


def test_a_question_under_pressure_that_nobody_answers_vents(cap):
    run = cap(["tight"])
    run.until(lambda: run.bench.engine.questions.prompt is not None and run.asked and run.bench.a > 20
              and run.bench.engine.questions.prompt.field == "leak_seen")  # fmt: skip
    run.bench.seconds(19.0)
    assert run.bench.a > 20
    run.bench.seconds(3.0)
    assert run.isolated
    result = run.bench.finish()
    assert result.outcome == "stopped" and told(result)["turns_judged"] == 0


def test_work_at_the_cap_that_nobody_confirms_ends_the_run_vented(cap):
    run = cap([])
    run.until(lambda: "cap_tightened" in run.fields)
    run.bench.seconds(62.0)
    assert run.isolated and run.bench.finish().outcome == "stopped"


def test_no_pressure_while_the_cage_is_not_on(cap):
    run = cap(["tight", "weep"])
    run.until(lambda: run.bench.engine.questions.prompt is not None
              and run.bench.engine.questions.prompt.field == "cap_retained")  # fmt: skip
    prompt = run.bench.engine.questions.prompt
    run.bench.act("confirm", prompt=prompt.prompt, answer="off")
    run.bench.scan()
    highest = run.bench.engine.findings.highest_pa
    run.until(lambda: run.fields.count("cap_retained") == 1)
    assert run.bench.engine.findings.highest_pa == highest, "armed and started, and still no pressure"
    assert "cage is not on" in run.bench.events("pause")[-1].text
    assert run.finish().outcome == "leak_onset"


def test_a_trip_in_a_look_ends_the_run_and_keeps_what_was_judged(cap):
    run = cap(["tight", "tight", "tight"])
    run.until(lambda: len(run.judged) == 2 and run.bench.a > 25)
    run.bench.switches["door"] = 0
    run.bench.scan()
    assert run.bench.is_safe and run.bench.engine.interlocks.state == "TRIPPED"
    run.bench.switches["door"] = 1
    run.bench.scan()
    result = run.bench.finish()
    assert result.outcome == "tripped" and result.first_out == "door_opened"
    assert told(result)["last_tight_turns"] == 0.125 and told(result)["turns_judged"] == 1


def test_a_trip_while_hands_are_in_is_reset_and_the_test_goes_on(cap):
    run = cap(["tight", "weep"])
    run.until(lambda: "cap_tightened" in run.fields)
    run.bench.switches["emergency_stop"] = 0
    run.bench.seconds(0.5)
    assert run.bench.engine.interlocks.state == "TRIPPED" and run.bench.is_safe
    run.bench.switches["emergency_stop"] = 1
    run.bench.seconds(0.5)
    assert run.bench.act("reset").kind == "granted"
    assert run.finish().outcome == "leak_onset"


def test_the_mark_key_says_that_it_leaks_now(cap):
    run = cap(["tight", "tight"])
    run.until(lambda: len(run.judged) == 2 and run.bench.a > 29)
    run.bench.seconds(0.1)
    assert run.bench.act("mark").kind == "granted"
    run.bench.scan()
    assert run.judged[-1] == ("2/8", "leaking") and run.bench.is_safe
    result = run.finish()
    assert (result.outcome, told(result)["first_leaking_turns"]) == ("leak_onset", 0.25)


def test_a_mark_while_a_question_is_open_takes_the_question_back(cap):
    run = cap(["tight", "tight"])
    run.until(lambda: len(run.judged) == 2 and run.bench.engine.questions.prompt is not None and run.bench.a > 20)
    run.bench.act("mark")
    run.bench.scan()
    assert run.bench.engine.questions.prompt is None and run.judged[-1][1] == "leaking"
    assert run.finish().outcome == "leak_onset"


@pytest.mark.parametrize("psi", [2.0, 12.0])
def test_pressure_that_goes_by_itself_is_a_leak_without_a_method(cap, psi):
    run = cap(["tight", "tight"])
    run.until(lambda: len(run.judged) == 2 and run.bench.a > 29.5)
    run.bench.seconds(0.3)
    run.bench.follow = False
    run.bench.a = run.bench.b = psi
    run.bench.scan(2)
    assert run.judged[-1] == ("2/8", "leaking") and run.bench.is_safe
    run.bench.follow = True
    assert run.finish().outcome == "leak_onset"


def test_pressure_that_cannot_be_built_is_a_leak(cap):
    run = cap(["tight", "tight"])
    run.until(lambda: len(run.judged) == 2 and run.bench.engine.state == "RUNNING")
    run.bench.follow = False
    run.bench.a = run.bench.b = 8.0
    run.bench.seconds(33.0)
    run.bench.follow = True
    assert run.judged[-1] == ("2/8", "leaking")
    assert run.finish().outcome == "leak_onset"


def test_a_count_nobody_can_read_is_undecided_and_widens_the_onset(cap):
    run = cap(["0", "0", "many", "9", "9"], methods=(DROPS,), dwell_ns=10 * S)
    found = told(run.finish())
    assert run.judged[2][1] == "undecided" and found["turns_undecided"] == 1
    assert (found["last_tight_turns"], found["first_leaking_turns"]) == (0.125, 0.375)


def test_the_criterion_counts_the_angle_s_uncertainty(cap):
    for seen, minimum, verdict in (
        (["tight", "tight", "tight", "weep"], 0.2, "accept"),
        (["tight", "tight", "tight", "weep"], 0.25, "undecided"),
        (["tight", "weep"], 0.2, "reject"),
    ):
        result = cap(seen, minimum_turns=minimum).finish()
        assert result.verdict == verdict, (seen, minimum)


def test_turned_under_pressure_only_where_the_profile_says_so(cap):
    run = cap(["tight", "tight", "weep"], vent_before_turn=False, permissive="door_shut")
    result = run.finish()
    assert told(result)["first_leaking_turns"] == 0.25
    assert len(run.bench.events("pause")) == 1, "only to tighten the cap in the beginning"
    loosened = [p for p in run.asked if p.field == "cap_loosened"]
    assert len(loosened) == 2 and all(p.text.startswith("CAUTION") for p in loosened)


def test_isolation_is_tested_before_hands_go_in_unless_the_closure_leaks(cap, demo_rig):
    assert demo_rig.pockets and demo_rig.vent.isolation_ns
    run = cap(["tight", "tight", "weep"])
    run.finish()
    tests = [event for event in run.bench.events("isolation") if "passed" in dict(event.data)]
    passed = [dict(event.data)["passed"] for event in tests]
    assert passed == [True] * 3, "before the first look and after two tight ones, not after the leak"


def test_hands_wait_for_a_neighbour_under_pressure(cap, demo_rig):
    run = cap(["tight", "weep"], rig=replace(demo_rig, stations=2))
    run.until(lambda: len(run.judged) == 1)
    run.bench.send(Neighbours, pressurised=1, hands=False)
    run.bench.seconds(5.0)
    assert run.bench.engine.paused and run.bench.engine.questions.prompt is None and run.bench.engine.wants_hands
    run.bench.send(Neighbours, pressurised=0, hands=False)
    run.bench.scan(2)
    assert run.bench.engine.questions.prompt.field == "cap_loosened"


def test_a_neighbour_that_wants_hands_gets_the_chamber_also_where_caps_are_turned_under_pressure(cap):
    run = cap(["tight", "tight", "weep"], vent_before_turn=False, permissive="door_shut")
    run.until(lambda: len(run.judged) == 1 and run.bench.a > 29)
    run.bench.send(Neighbours, pressurised=0, hands=True)
    run.until(lambda: len(run.judged) == 2)
    run.bench.seconds(3.0)
    assert run.bench.engine.paused and run.isolated
    run.bench.send(Neighbours, pressurised=0, hands=False)
    result = run.finish()
    assert told(result)["first_leaking_turns"] == 0.25 and run.judged[-1] == ("2/8", "leaking")


def test_a_hold_stops_the_dwell_and_a_stop_waits_for_the_look(cap):
    run = cap(["tight", "tight", "tight"])
    run.until(lambda: len(run.judged) == 1 and run.bench.a > 29)
    run.bench.act("hold")
    run.bench.seconds(10.0)
    assert run.bench.engine.questions.prompt is None and run.bench.a > 29, "still in the dwell"
    run.bench.act("resume")
    run.bench.act("stop")
    run.until(lambda: run.bench.engine.state != "RUNNING")
    assert len(run.judged) == 2
    result = run.bench.finish()
    assert result.outcome == "stopped" and told(result)["last_tight_turns"] == 0.125


def test_stiffness_is_what_was_fed_beyond_the_leak_over_the_rise():
    # Continuity: 4 mm3/kPa, a leak of 2 mm3/s throughout; 20 kPa in 5 s.
    found = Stiffness()
    for n in range(41):
        found.rest.add(n * S // 10, 180e3)
        found.rest_flow.add(n * S // 10, 2e-9)
    found.begin_rise(4 * S, 2e-9)
    for n in range(1, 51):
        found.add_rise(4 * S + n * S // 10, 2e-9 + 4e-12 * 20e3 / 5.0 * (n < 50))
    for n in range(41):
        found.stand.add(9 * S + n * S // 10, 200e3)
        found.stand_flow.add(9 * S + n * S // 10, 2e-9)
    told = found.told(20e3, 1.0, 1e-12)
    assert told.flow == pytest.approx(4e-12, rel=0.03) and told.u < 0.01 * told.flow
    assert Stiffness().told(20e3, 1.0, 1e-12) is None
