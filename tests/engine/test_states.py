"""The run and the interlock as a person meets them: which act leads where, and what is refused, in words.

What each state must mean is SAFETY.md and ISO 13849-1's idea of a manual reset (from memory): reset and start are two
acts, a start or restart never raises pressure, a trip latches until a person resets it.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rigd.engine.states import RUN_TABLE, TRIP_TABLE, draw
from rigd.model.messages import ACTS, Event, OperatorAction, ValveCommand
from rigd.model.states import RUN_STATES, TRIP_STATES


def test_tables_name_only_known_states():
    assert {s for (s, _), new in RUN_TABLE.items() for s in (s, new)} <= set(RUN_STATES)
    assert {s for (s, _), new in TRIP_TABLE.items() for s in (s, new)} <= set(TRIP_STATES)
    assert "VENTING --> VENTED: pressure proven low" in draw(RUN_TABLE)


def test_only_proof_or_a_hand_check_leads_to_vented():
    assert {(s, e) for (s, e), new in RUN_TABLE.items() if new == "VENTED" and s != "VENTED"} == {
        ("VENTING", "pressure proven low"),
        ("UNPROVEN", "hand check"),
        ("READY", "a permissive is lost"),
    }


def test_only_start_leads_to_running():
    assert [(s, e) for (s, e), new in RUN_TABLE.items() if new == "RUNNING"] == [("ARMED", "start")]


def test_a_record_begins_in_venting_and_all_outputs_are_told_to_be_safe(bench):
    assert bench.engine.state == "VENTING"
    told = {bench.rig.outputs[o.output].role for o in bench.said if type(o) is ValveCommand}
    assert told == {"supply", "inlet", "vent", "fill", "set_point"} and bench.is_safe


def test_pressure_at_the_start_is_not_vented_until_proven_low(bench):
    bench.follow = False
    bench.a = bench.b = 40.0
    bench.seconds(3)
    assert bench.engine.state == "VENTING"
    bench.a = bench.b = 1.0
    bench.seconds(0.9)
    assert bench.engine.state == "VENTING"
    bench.seconds(0.2)
    assert bench.engine.state == "VENTED"


def test_both_transducers_must_agree_low(bench):
    bench.follow = False
    bench.a, bench.b = 0.0, 6.0
    bench.seconds(3)
    assert bench.engine.state == "VENTING"


def test_no_proof_in_time_is_unproven_and_only_a_named_hand_check_leaves_it(bench):
    bench.follow = False
    bench.a = bench.b = 40.0
    bench.seconds(21)
    assert bench.engine.state == "UNPROVEN"
    assert "NOT PROVEN" in bench.engine.view().words
    bench.a = bench.b = 0.0
    bench.seconds(5)
    assert bench.engine.state == "UNPROVEN"
    refused = bench.act("hand_check", person="root", named=False)
    assert refused.kind == "refused" and "name" in refused.text
    assert bench.act("hand_check").kind == "granted"
    assert bench.engine.state == "VENTED"


def test_questions_come_one_by_one_and_facts_missing_are_asked_for(new_bench):
    bench = new_bench(facts=(("make", "K"),))
    bench.seconds(2)
    bench.answer_all()
    asked = [prompt.field for prompt in bench.prompts if prompt.field]
    assert asked == ["size", "lot", "specimen_temperature", "conditioning", "surroundings", "mounting", "end_closure"]
    assert {dict(e.data)["fact"] for e in bench.events("fact")} == set(asked)


def test_an_answer_needs_a_name_the_right_question_and_an_allowed_choice(new_bench):
    bench = new_bench(facts=())
    bench.seconds(2)
    prompt = bench.engine.questions.prompt
    assert "name" in bench.act("confirm", named=False, prompt=prompt.prompt, answer="K").text
    assert "not open" in bench.act("confirm", prompt=99, answer="K").text
    assert "value" in bench.act("confirm", prompt=prompt.prompt, answer="  ").text
    assert "200" in bench.act("confirm", prompt=prompt.prompt, answer="x" * 300).text
    assert bench.act("confirm", prompt=prompt.prompt, answer="K").kind == "granted"


def test_armed_expires_and_arming_needs_a_name(bench):
    bench.to_ready()
    assert bench.act("start").kind == "refused"
    assert bench.act("arm", person="root", named=False).kind == "refused"
    assert bench.act("arm").kind == "granted" and bench.engine.state == "ARMED"
    bench.seconds(61)
    assert bench.engine.state == "READY"


def test_a_lost_permissive_takes_ready_back_and_armed_to_venting(bench):
    bench.to_ready()
    bench.switches["door"] = 0
    bench.seconds(0.5)
    assert bench.engine.state == "VENTED"
    assert "door" in bench.act("arm").text
    bench.switches["door"] = 1
    bench.seconds(0.5)
    assert bench.engine.state == "READY"
    bench.act("arm")
    bench.switches["door"] = 0
    bench.seconds(0.3)
    assert bench.engine.state == "VENTING" and bench.is_safe


def test_vent_is_at_once_and_ends_the_run_as_stopped(bench):
    bench.to_ramp(60)
    bench.act("vent")
    assert bench.engine.state == "VENTING" and bench.is_safe
    result = bench.finish()
    assert (result.outcome, result.verdict) == ("stopped", "undecided")


def test_stop_waits_for_the_end_of_the_step_but_not_in_a_ramp(bench):
    bench.to_running()
    bench.scan(5)
    bench.act("stop")
    assert bench.engine.state == "RUNNING"
    bench.seconds(12)
    assert bench.engine.state in ("VENTING", "VENTED")
    assert bench.finish().outcome == "stopped"


def test_stop_in_a_ramp_is_at_once(bench):
    bench.to_ramp(60)
    bench.act("stop")
    assert bench.engine.state == "VENTING"


def test_hold_keeps_the_pressure_and_stops_the_program_clock(bench):
    bench.to_ramp(100)
    bench.act("hold")
    bench.seconds(1)
    target, pressure = bench.engine.target_pa, bench.a
    bench.seconds(20)
    assert bench.engine.target_pa == target and abs(bench.a - pressure) < 1.0
    bench.act("resume")
    bench.seconds(2)
    assert bench.a > pressure + 20


def test_a_forgotten_hold_vents(bench):
    bench.to_ramp(100)
    bench.act("hold")
    bench.seconds(601)
    assert bench.engine.state in ("VENTING", "VENTED")


def test_ceiling_is_reached_and_said(bench):
    bench.to_ramp(440)
    bench.seconds(5)
    result = bench.finish("nothing")
    assert (result.outcome, result.trace_class, result.failure_pa) == ("ceiling", "ceiling", None)
    assert result.highest_pa > 0.97 * bench.profile.max_pa


def test_inlet_and_vent_are_never_commanded_open_together(bench):
    bench.to_ramp(50)
    roles = {at: o.role for at, o in enumerate(bench.rig.outputs)}
    inlet_open = vent_shut = False
    for output in bench.said:
        if type(output) is ValveCommand:
            if roles[output.output] == "inlet":
                inlet_open = output.counts == 1
            elif roles[output.output] == "vent":
                vent_shut = output.counts == 1
            assert vent_shut or not inlet_open


def test_view_changes_nothing_and_the_same_inputs_give_the_same_outputs(new_bench):
    first, second = new_bench(), new_bench()
    first.to_ramp(80)
    said = []
    for message in first.inputs[2:]:
        second.engine.view()
        said += second.engine.step(message)
    assert said == [o for o in first.said if o.seq >= first.inputs[2].seq]


@pytest.mark.parametrize("state", ["VENTED", "READY", "ARMED", "RUNNING", "VENTING", "UNPROVEN"])
def test_every_act_in_every_state_is_granted_or_refused_in_words(new_bench, state):
    for act in ACTS:
        bench = new_bench()
        bench.to(state)
        event = bench.act(act, prompt=None, answer=None)
        assert event.text and (event.kind == "granted" or len(event.text) > 15)


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_an_adversarial_operator_never_raises_pressure_without_arm_and_start(new_bench, data):
    bench = new_bench()
    acts = st.tuples(st.sampled_from(ACTS), st.booleans(), st.integers(1, 80))
    armed = started = False
    for act, named, scans in data.draw(st.lists(acts, max_size=25)):
        if bench.engine.done:
            break
        prompt = bench.engine.questions.prompt
        before = bench.engine.state
        event = bench.act(act, named=named, prompt=prompt.prompt if prompt else 1, answer="done")
        armed |= act == "arm" and event.kind == "granted"
        started |= act == "start" and event.kind == "granted" and before == "ARMED"
        bench.scan(scans)
        energised = any(type(o) is ValveCommand and o.raises for o in bench.said)
        assert not energised or (armed and started)


def test_a_pedal_may_mark_hold_and_vent_and_nothing_else(bench):
    """SAFETY S26: a pedal or a wet glove may mark, hold or vent, never start or raise pressure."""
    bench.to_ready()
    for act in ACTS:
        said = bench.send(OperatorAction, act=act, person="P. Person", named=True, source="pedal", prompt=1, answer="x")
        refused = next(o for o in said if type(o) is Event and o.kind in ("granted", "refused"))
        pedal_refused = "pedal" in refused.text and refused.kind == "refused"
        assert pedal_refused == (act not in ("mark", "hold", "vent")), act
