"""On the way to rest and at rest: pressure proven low, the isolation tested, people asked, and who may go on.

Functions over the engine, apart from it because nothing here ever raises pressure. What may be said about opening up is
the rule in `engine.opening`; here it is asked for, and told when it changes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rigd.engine import endings
from rigd.engine.channels import NEVER, held_since
from rigd.engine.questions import before_pressure
from rigd.engine.showing import permissives_of
from rigd.engine.states import ARMING_EXPIRED, NO_PROOF, PERMISSIVE_LOST, PERMISSIVES_HOLD, PROVEN, VENT
from rigd.model.states import ARMED, CLEAR, READY, VENTED

if TYPE_CHECKING:
    from rigd.engine.engine import Engine

ARMED_NS = 60_000_000_000  # arming lapses: the person who armed may have been called away
PAUSE_NS = 43_200_000_000_000  # whoever was to come for a paused run has been and gone after half a day


def prove(engine: Engine) -> None:
    """VENTING: low on every specimen channel for the hold time; after a run also a rise test, where the rig has one."""
    t_ns, rule, opening = engine.now_ns, engine.rig.vent, engine.opening
    low = engine.channels.proves_below(rule.limit_pa, t_ns)
    if opening.declared:
        opening.look(t_ns)
    engine.low_since_ns = held_since(low, engine.low_since_ns, t_ns)
    if opening.testing:
        _go_on_testing(engine, low)
        return
    if low and t_ns - engine.low_since_ns >= rule.hold_ns:
        if _test_is_due(engine):
            engine.say("isolation", "rise test: the vent shuts, nothing may come", takes_ns=opening.takes_ns)
            engine.wanted = opening.begin(t_ns)
        else:
            engine.move(PROVEN, "pressure proven low on every specimen channel")
        return
    if t_ns - engine.since_ns > rule.timeout_ns:
        engine.move(NO_PROOF, "pressure could not be proven low in time")


def _test_is_due(engine: Engine) -> bool:
    """After a run, and before hands go in amid one, once, when it can prove something: a body that has come apart or a
    closure that leaks holds nothing that leaks in, and a neighbour under pressure keeps the supply live."""
    opening, findings, t_ns = engine.opening, engine.findings, engine.now_ns
    due = engine.closing_due or (engine.paused and any(question.hands for question in engine.pause_asks))
    if not opening.takes_ns or opening.tried or findings is None or not due or engine.step_at < 0:
        return False
    if not getattr(findings.tally, "holds", True):
        return False
    if engine.interlocks.state != CLEAR or engine.neighbours_pressurised or findings.signs or findings.early:
        return False
    rule = engine.rig.vent  # and what a failed test leaves must be enough to prove the line low once more
    return t_ns - engine.since_ns + opening.takes_ns + 2 * rule.hold_ns < rule.timeout_ns


def _go_on_testing(engine: Engine, low: bool) -> None:
    opening, rule, t_ns = engine.opening, engine.rig.vent, engine.now_ns
    calm = engine.interlocks.state == CLEAR and not engine.neighbours_pressurised and not opening.disturbed
    undisturbed = low and calm
    engine.wanted = opening.advance(t_ns, undisturbed)
    if opening.testing:
        return
    engine.low_since_ns = NEVER  # unless it passed, the line is proven low once more, with the vent open
    rise_pa, limit_pa = opening.rise_pa, rule.isolation_rise_pa
    if opening.isolation_proven:
        engine.say("isolation", f"isolation proven: rise {rise_pa:.0f} Pa of {limit_pa:.0f} Pa allowed",
                   passed=True, rise_pa=rise_pa)  # fmt: skip
        engine.move(PROVEN, "pressure proven low on every specimen channel, and nothing came with the vent shut")
        return
    if not undisturbed:
        words = "the rise test was cut short"
    else:
        words = f"the rise test failed: rise {rise_pa:.0f} Pa of {limit_pa:.0f} Pa allowed, or a valve did not follow"
    engine.say("isolation", f"isolation not proven: {words}", passed=False, rise_pa=rise_pa)
    engine.findings.flags.append("supply isolation not proven after the run: crack the bleed and wait")  # type: ignore[union-attr]


def stand(engine: Engine) -> None:
    """At zero: read the zero, ask, and see whether what must hold holds."""
    t_ns = engine.now_ns
    if engine.opening.declared:
        engine.opening.look(t_ns)
        tell_opening(engine)
    if engine.zero.taking and engine.zero.is_complete(t_ns):
        endings.take_zero(engine)
    if engine.closing_due:
        endings.close(engine)
        return
    if engine.profile is None:
        return
    if engine.paused:
        look = getattr(engine.live, "look", None)
        if look is not None:
            look(engine.sight(False))
        if t_ns - engine.paused_ns > PAUSE_NS:
            engine.end_run("stopped", VENT, "nobody went on for half a day")
            return
    if engine.pause_asks:
        engine.questions.add(list(engine.pause_asks))
        engine.pause_asks = ()
    if not engine.prepared:
        engine.prepared = True
        measured = ("water_temperature",) if engine.channels.water >= 0 else ()
        engine.questions.add(before_pressure(engine.profile, engine.specimen, measured))
    _look_at_permissives(engine)


def _look_at_permissives(engine: Engine) -> None:
    rows = permissives_of(engine)
    holds = all(row[1] for row in rows)
    if engine.state == VENTED and holds:
        engine.move(PERMISSIVES_HOLD, "every permissive holds")
    elif engine.state in (READY, ARMED) and not holds:
        missing = next(row for row in permissives_of(engine) if not row[1])
        engine.move(PERMISSIVE_LOST, f"{missing[0]}: {missing[2]}")
    elif engine.state == ARMED and engine.now_ns - engine.since_ns > ARMED_NS:
        engine.move(ARMING_EXPIRED, "nobody started within 60 s")


def tell_opening(engine: Engine) -> None:
    """Say what may be said of opening up, when the words have changed since they were last said."""
    words, lacks = engine.opening.words(engine.now_ns, engine.interlocks.state != CLEAR)
    if words != engine.opening.said:
        engine.opening.said = words
        told = {"lacks": "; ".join(lacks)} if engine.opening.declared else {}
        engine.say("words", words, **told)
