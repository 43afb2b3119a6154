"""What people see: the permissives in words and the picture of now. Nothing here changes the engine."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rigd.calc.exact.calibration import NAN
from rigd.model.leak import CapTurns
from rigd.model.states import CLEAR, NOT_PROVEN, READY, RUNNING, UNDER_TEST, UNPROVEN, VENTED, VENTING
from rigd.model.view import View

if TYPE_CHECKING:
    from rigd.engine.engine import Engine

Row = tuple[str, bool, str]

TREND_EVERY_NS = 100_000_000
TREND_POINTS = 11  # one second of them


class Trend:
    """Pressure against time over the last second, thinly, for the rate on the screen."""

    __slots__ = ("_next_ns", "_points")

    def __init__(self) -> None:
        self._points: list[tuple[int, float]] = []
        self._next_ns = 0

    def add(self, t_ns: int, pressure_pa: float) -> None:
        if t_ns < self._next_ns:
            return
        self._next_ns = t_ns + TREND_EVERY_NS
        self._points.append((t_ns, pressure_pa))
        if len(self._points) > TREND_POINTS:
            del self._points[0]

    def rate_pa_per_s(self) -> float:
        if len(self._points) < 2:
            return NAN
        (t0_ns, p0), (t1_ns, p1) = self._points[0], self._points[-1]
        return (p1 - p0) / ((t1_ns - t0_ns) / 1e9)


def permissives_of(engine: Engine) -> list[Row]:
    """Everything that must hold before arming: (name, holds, reason). Causes every rig has, then the rig file's
    rows."""
    interlocks, channels = engine.interlocks, engine.channels
    unheard, ungood = channels.unheard(), channels.ungood()
    open_prompt = engine.questions.prompt
    rows = [
        (
            "interlock clear",
            interlocks.state == CLEAR,
            f"{interlocks.first_out or 'a trip'} is latched: find out, reset",
        ),
        ("channels heard", not unheard, f"no good sample yet from {', '.join(unheard[:3])}"),
        ("channels good", not ungood, f"the newest sample of {', '.join(ungood[:3])} is not good"),
        ("no cause present", not interlocks.active, f"{interlocks.active[0] if interlocks.active else ''}"),
        ("zero read", engine.zero.accepted, "the zero of a specimen channel is not read or beyond its limit"),
        ("questions answered", engine.questions.all_answered, open_prompt.text if open_prompt else "a question waits"),
        ("room on disk", engine.host.has_room, engine.host.room_words),
    ]
    if engine.rig.stations > 1:
        rows.append(("chamber free", not engine.neighbours_want_hands, "a neighbour has hands in the chamber"))
    steps = engine.profile.steps if engine.profile is not None else ()  # none at a station that is only guarded
    rows += [_thread_row(engine, step) for step in steps if type(step) is CapTurns]
    return rows + interlocks.permissives(engine.state)


def _thread_row(engine: Engine, step: CapTurns) -> Row:
    """A cap whose thread nobody counted may come off at the first mark."""
    facts = engine.questions.facts
    make, size = facts.get("make", ""), facts.get("size", "")
    why = (
        f"nobody has counted the engaged thread of make {make or '?'}, size {size or '?'}: stop this run, count it "
        "at zero pressure, and list it under `threads` of the profile"
    )
    return "thread counted", step.has_counted(make, size), why


def words_of(engine: Engine) -> str:
    """What to do now, in one line."""
    state = engine.state
    if state == UNPROVEN:
        return NOT_PROVEN
    if engine.interlocks.state != CLEAR:
        return f"{engine.interlocks.state} by {engine.interlocks.first_out}: find the cause, then reset"
    if engine.questions.prompt is not None:
        return engine.questions.prompt.text
    if state == VENTED:
        if engine.questions.wants_hands and engine.neighbours_pressurised:
            return "waits for its neighbours: the chamber is opened when all are vented"
        missing = next((row for row in permissives_of(engine) if not row[1]), None)
        return f"{missing[0]}: {missing[2]}" if missing else opening_of(engine)[0]
    if engine.opening.testing:
        return UNDER_TEST
    return {
        READY: "ready to arm",
        VENTING: "venting: keep away until the pressure is proven low",
        RUNNING: "under pressure: keep away",
    }.get(state, "armed: start within 60 s")


def opening_of(engine: Engine) -> tuple[str, tuple[str, ...]]:
    """What may be said of opening up, and why it is not more; "" while there may be pressure."""
    if engine.state in (VENTED, READY):
        return engine.opening.words(engine.now_ns, engine.interlocks.state != CLEAR)
    if engine.state == UNPROVEN:
        return NOT_PROVEN, ()
    return (UNDER_TEST if engine.opening.testing else ""), ()


def show(engine: Engine, t_ns: int) -> View:
    channels, interlocks = engine.channels, engine.interlocks
    steps = engine.profile.steps if engine.profile else ()
    held_by = interlocks.held_by or ("operator" if engine.operator_holds else "")
    opening, lacks = opening_of(engine)
    missing_first = sorted(permissives_of(engine), key=lambda row: row[1])
    return View(
        t_ns=t_ns,
        run=engine.run,
        state=engine.state,
        trip_state=interlocks.state,
        first_out=interlocks.first_out,
        latched=tuple(interlocks.latched),
        held_by=held_by,
        words=words_of(engine),
        step=engine.step_at,
        step_name=steps[engine.step_at].name if 0 <= engine.step_at < len(steps) else "",
        prompt=engine.questions.prompt,
        permissives=tuple(missing_first),
        pressure_pa=channels.good(channels.primary),
        target_pa=engine.target_pa,
        highest_pa=engine.findings.highest_pa if engine.findings else 0.0,
        rate_pa_per_s=engine.trend.rate_pa_per_s(),
        values=tuple(zip(channels.names, channels.value, channels.quality, strict=True)),
        done=engine.done,
        outcome=engine.outcome,
        paused=engine.paused,
        counted=engine.findings.tally.told() if engine.findings and engine.findings.tally else (),
        opening=opening,
        opening_lacks=lacks,
    )
