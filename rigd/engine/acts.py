"""What a person may do, and when: the refusals, in words that say what to do instead."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rigd.engine.showing import permissives_of
from rigd.engine.states import ACT_REFUSED, ARM, HAND_CHECK, RUN_TABLE, START
from rigd.model.messages import OperatorAction
from rigd.model.states import READY, RESETTABLE, RUNNING, VENTED

if TYPE_CHECKING:
    from rigd.engine.engine import Engine


PEDAL = "pedal"
BY_PEDAL = ("mark", "hold", "vent")
"""What a foot or a wet glove may do: nothing that raises pressure or goes on with it (SAFETY S26)."""


def refusal_of(engine: Engine, action: OperatorAction) -> str:
    """Why a person's act is refused, or "" when it is granted."""
    act, state = action.act, engine.state
    if act in ("arm", "start", "reset", "hand_check", "zero") and not action.named:
        return f"{act} needs a person's name: give --operator NAME"
    if action.source == PEDAL and act not in BY_PEDAL:
        return f"a pedal may {', '.join(BY_PEDAL)} and nothing else"
    match act:
        case "arm":
            if (state, ARM) not in RUN_TABLE:
                missing = [row for row in permissives_of(engine) if not row[1]]
                first = f": {missing[0][0]}: {missing[0][2]}" if missing and state == VENTED else ""
                return f"{ACT_REFUSED['arm']}; the state is {state}{first}"
        case "start":
            if (state, START) not in RUN_TABLE:
                return f"{ACT_REFUSED['start']}; the state is {state}"
        case "hand_check":
            if (state, HAND_CHECK) not in RUN_TABLE:
                return f"{ACT_REFUSED['hand_check']}; the state is {state}"
        case "hold" | "resume" | "mark":
            if state != RUNNING:
                return f"{act} is possible only in RUNNING; the state is {state}"
        case "reset":
            if engine.interlocks.state != RESETTABLE:
                active = f": {engine.interlocks.active[0]}" if engine.interlocks.active else ""
                return f"{ACT_REFUSED['reset']}; the interlock is {engine.interlocks.state}{active}"
        case "zero":
            if state not in (VENTED, READY) or engine.was_pressurised:
                return f"a zero is read only in VENTED, before pressure; the state is {state}"
        case "confirm":
            return engine.questions.refusal(action)
    return ""
