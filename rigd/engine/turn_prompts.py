"""What people are asked in a cap-turn test: at the vented specimen, and under pressure from where they stand.

Each question goes to the live step and has a time-out: without an answer the line is vented and the run is over. The
one about turning under pressure says first what may happen.
"""

from rigd.engine.questions import Question
from rigd.model.leak import SEEN, CapTurns, Turn

ON, OFF = "on", "off"
TIGHTENED, LOOSENED, RETAINED, WIPED, SHUT = (
    "cap_tightened", "cap_loosened", "cap_retained", "cap_wiped", "chamber_shut",
)  # fmt: skip
EYE, DROPS, CAUGHT = "leak_seen", "drops_counted", "caught_g"
PLACES = {
    "window": "through the window, chamber shut",
    "camera": "on the camera's picture, chamber shut",
    "specimen": "at the specimen, beside the axis of the cap and never in front of it",
}


def at_the_cap(step: CapTurns, turn: Turn | None) -> tuple[Question, ...]:
    """Work at the vented specimen before a look. `turn` None: tighten fully, to prove that it is tight."""
    if turn is None:
        text = f"Tighten the cap to {step.torque_text} ({step.torque_source}) and mark where it stands: zero turns"
        first = _work(step, text, TIGHTENED)
    else:
        first = _work(step, loosening(turn), LOOSENED)
    return (
        first,
        retained(step),
        _work(step, "Wipe and blot cap and thread until a dry cloth stays dry", WIPED),
        _work(step, f"Shut the chamber, nobody near: the leak is looked for {PLACES[step.observer]}", SHUT),
    )


def loosening(turn: Turn) -> str:
    return f"Loosen the cap to {turn.text} turn from the fully tightened mark, without turning back"


def retained(step: CapTurns) -> Question:
    return Question(
        "choose", f"Is the {step.retention} that holds the cap back on?", RETAINED, (ON, OFF), step.hands_ns,
        to_step=True, hands=True,
    )  # fmt: skip


def under_pressure(step: CapTurns, turn: Turn) -> Question:
    """Turning a cap that stands under pressure."""
    text = (
        f"CAUTION, the cap is under pressure and may come off: {step.retention} on, nobody in the axis of the cap, "
        f"eyes and ears protected. {loosening(turn)}"
    )
    return Question("confirm", text, LOOSENED, timeout_ns=step.answer_ns, to_step=True, hands=True)


def after_the_dwell(step: CapTurns) -> tuple[Question, ...]:
    """What only a person can tell of the dwell that is over; the pressure stays on meanwhile."""
    asked, seconds = [], f"{step.dwell_ns / 1e9:g} s"
    for method in step.methods:
        if method.kind == "eye":
            text = f"What did you see at the cap in these {seconds}, {PLACES[step.observer]}?"
            asked.append(Question("choose", text, EYE, SEEN, step.answer_ns, to_step=True))
        elif method.kind == "drops":
            asked.append(_count(step, f"How many drops fell in these {seconds}?", DROPS))
        elif method.kind == "catch" and method.read_by == "person":
            asked.append(_count(step, f"How many grams has the scale gained in these {seconds}?", CAUGHT))
    return tuple(asked)


def _work(step: CapTurns, text: str, field: str) -> Question:
    return Question("confirm", text, field, timeout_ns=step.hands_ns, to_step=True, hands=True)


def _count(step: CapTurns, text: str, field: str) -> Question:
    return Question("enter", text, field, timeout_ns=step.answer_ns, to_step=True)
