"""How a run ends and what follows: a failure called, the answers of people, the zero read again, the one Result.

Functions over the engine, apart from it because they are its last chapter: nothing here raises pressure or waits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rigd.engine.cycles import CycleCount
from rigd.engine.questions import Question, after_pressure
from rigd.engine.standing import AT_CEILING, DONE, ENDS, LOST, STALLED, Standing
from rigd.engine.states import ENDED, STOP, VENT
from rigd.model.carried import NOTHING_CARRIED, Carried
from rigd.model.messages import Judgement
from rigd.model.states import UNPROVEN

if TYPE_CHECKING:
    from rigd.engine.engine import Engine

CLASS_OF_WORD = {AT_CEILING: "ceiling", STALLED: "plateau", ENDS: ""}
"""What a step's last word says about the trace; with ENDS the step names it itself."""
NEIGHBOURS_NS = 2_592_000_000_000_000  # a result does not wait longer than thirty days for the neighbours to be done


def finish_step(engine: Engine, standing: Standing) -> None:
    """A live step is over, one way or another."""
    findings = engine.findings
    assert findings is not None
    engine.say("step_done", standing.said, step=engine.step_at, words=standing.word)
    if standing.fall_ns:
        engine.say("proof", standing.said, loss_pa=standing.loss_pa, fall_ns=standing.fall_ns)
    if standing.word == DONE:
        findings.trace_class = standing.trace_class or findings.trace_class
        if engine.stop_asked:
            engine.end_run("stopped", STOP, "stopped at the end of the step")
        else:
            engine.next_step()
        return
    if standing.word == LOST:
        findings.call_early()
        call_failure(engine, standing.said)
        return
    findings.trace_class = CLASS_OF_WORD[standing.word] or standing.trace_class
    if standing.sign:
        findings.signs.append(standing.sign)
        engine.say("sign", standing.sign, sign=standing.sign, pressure_pa=findings.last_pa)
        engine.say("onset", f"{standing.said}: {findings.trace_class}", trace_class=findings.trace_class)
    engine.end_run("", ENDED, standing.said)


def fail_by_sign(engine: Engine, sign: str) -> None:
    findings, channels = engine.findings, engine.channels
    assert findings is not None and engine.profile is not None
    supply_pa, feed_pa = channels.good(channels.supply), channels.good(channels.feed)
    low = supply_pa < feed_pa + engine.profile.signs.lag_pa
    findings.early = not findings.in_ramp
    findings.call_failure(sign, low)
    engine.say("sign", sign, sign=sign, pressure_pa=findings.last_pa, latency_ns=findings.latency_ns)
    call_failure(engine, sign)


def fail_by_mark(engine: Engine) -> None:
    findings = engine.findings
    assert findings is not None
    findings.call_mark()
    engine.say("sign", "operator_mark", sign="operator_mark", pressure_pa=findings.last_pa)
    call_failure(engine, "the operator's mark")


def call_failure(engine: Engine, why: str) -> None:
    """Loss of containment: controller frozen, supply isolated, vent, all in this step."""
    findings = engine.findings
    assert findings is not None
    engine.say("onset", f"{why}: {findings.trace_class}", trace_class=findings.trace_class)
    rate = findings.rate_pa_per_s()
    if rate is not None:
        engine.say("rate", "achieved ramp rate", ramp_pa_per_s=rate)
    engine.end_run("", ENDED, why)


def close(engine: Engine) -> None:
    """The line is vented and the run over: ask what is to be asked, then conclude."""
    assert engine.profile is not None and engine.findings is not None
    if engine.zero.taking:
        return
    if not engine.closing:
        engine.closing, engine.closing_since_ns = True, engine.now_ns
        engine.questions.drop_all()
        engine.last_step_at, engine.step_at = engine.step_at, len(engine.profile.steps) - 1
        engine.questions.add(list(getattr(engine.findings.tally, "last_questions", ())))
        engine.questions.add(after_pressure(engine.profile, not engine.findings.ending))
    if engine.neighbours_pressurised:  # until they are done this station goes on watching that it is shut off from them
        if engine.now_ns - engine.closing_since_ns <= NEIGHBOURS_NS:
            return
        engine.questions.drop_all()
    if engine.questions.all_answered:
        conclude(engine)


def conclude(engine: Engine) -> None:
    assert engine.findings is not None
    if engine.state == UNPROVEN:
        engine.findings.flags.append("UNPROVEN: nobody could say that the line is at zero")
    result = engine.findings.conclude(engine.seq, engine.now_ns)
    engine.put(result)
    engine.outcome = result.outcome
    engine.say("closed", f"{result.outcome}: {result.verdict}")
    engine.done = True


def carry(engine: Engine, manifest_sha256: str) -> Carried:
    """What the specimen brings along when its record breaks off here: for an engine that took the whole record in and
    will take no more. A surge that was under way is partial."""
    tally = engine.findings.tally if engine.findings is not None else None
    if not isinstance(tally, CycleCount):
        return NOTHING_CARRIED
    for step in (engine.live, engine.cut):
        if step is not None and hasattr(step, "cut_short"):
            step.cut_short(engine.seq, engine.now_ns, seen=False)
    return tally.carry(engine.run, manifest_sha256)


def take_answer(engine: Engine, answer: str, person: str, given: bool) -> None:
    question, open_ns = engine.questions.close(engine.now_ns)
    value = answer if given else question.otherwise
    text = f"{question.text}: {value}" if given else f"{question.text}: timed out, taken as {value}"
    engine.say("prompt_done", text, field=question.field, answer=value, person=person, after_ns=open_ns)
    if question.to_step and engine.live is None:
        _take_last_answer(engine, question, value, person)
    elif question.to_step:
        if given:
            engine.live.answer(question, value, person)
        else:
            engine.end_run("stopped", VENT, "nobody answered in time")
    elif question.field == "observation" and engine.findings is not None:
        engine.findings.observation = value
    elif question.field:
        engine.questions.facts[question.field] = value
        engine.say("fact", f"{question.field}: {value}", fact=question.field, value=value, source=person)


def _take_last_answer(engine: Engine, question: Question, value: str, person: str) -> None:
    """Of the last piece of a test whose run is over; "" when nobody answered in time."""
    assert engine.findings is not None
    tally = engine.findings.tally
    tally.answer(question, value, person)  # type: ignore[union-attr]
    judgement = tally.judge(engine.seq, engine.now_ns, engine.last_step_at)  # type: ignore[union-attr]
    if judgement is not None:
        engine.put(judgement)
        engine.questions.drop_of_step()


def take_judgement(engine: Engine, judgement: Judgement) -> None:
    """Of a part of the test. What an air check found belongs to the result of any kind of test."""
    assert engine.findings is not None
    if judgement.kind == "air":
        engine.findings.air = judgement.data
    engine.put(judgement)


def take_zero(engine: Engine) -> None:
    for channel, zero, accepted in engine.zero.finish(keep=not engine.was_pressurised):
        words = "" if accepted else " is beyond its limit: it hides something, find out what"
        engine.say("zero", f"zero of {channel}{words}", channel=channel, zero_pa=zero, accepted=accepted)
    if engine.findings is not None:
        engine.findings.zero_before_pa = engine.zero.before_pa
        engine.findings.zero_shift_pa = engine.zero.shift_pa
