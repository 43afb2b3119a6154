"""Questions to people, one open at a time: before pressure (facts, mounting, the checklist) and after (what was it).

A question is a Prompt message; its answer is an OperatorAction with its id from a person with a name. A question that
times out is answered by the safe answer, which is in the record as nobody's.
"""

from math import inf, isfinite
from typing import NamedTuple

from rigd.model.gas import GasLeak
from rigd.model.messages import NUMBER, OperatorAction, Prompt
from rigd.model.observations import OBSERVATIONS
from rigd.model.profile import Ask, CloseDown, Mount, Profile
from rigd.model.specimen import CHOICES, FACTS, QUANTITY_FACTS, Specimen
from rigd.model.view import OpenPrompt

LONGEST_ANSWER = 200  # characters; a fact is a few words


class Question(NamedTuple):
    kind: str
    text: str
    field: str = ""
    choices: tuple[str, ...] = ()
    timeout_ns: int = 0
    otherwise: str = ""  # the answer when it times out
    si: str = ""  # of a quantity: the unit its answer comes in
    to_step: bool = False  # the answer is the live step's business; unanswered in time, the run is vented and ends
    least: float = -inf  # of a number asked for
    most: float = inf
    hands: bool = False  # it brings hands into the chamber: not while a neighbour is under pressure


def before_pressure(profile: Profile, specimen: Specimen | None, measured: tuple[str, ...]) -> list[Question]:
    """What must be answered before READY: facts not known and not measured, then mounting, then the checklist."""
    known = {name for name, _ in specimen.facts} if specimen else set()
    questions = []
    for name in profile.required:
        if name in known or name in measured:
            continue
        choices = CHOICES.get(name, ())
        kind, si = "choose" if choices else "enter", QUANTITY_FACTS.get(name, "")
        questions.append(Question(kind, f"{FACTS[name]}?", name, choices, si=si))
    for step in profile.steps:
        if type(step) is Mount:
            questions += [Question("confirm", text, hands=True) for text in step.prompts]
        if type(step) is GasLeak:
            questions.append(Question("confirm", gas_caution(step)))
    return questions + [Question("confirm", text) for text in profile.arm_prompts]


def gas_caution(step: GasLeak) -> str:
    """What is asked before gas is let into a body."""
    return (
        f"GAS TEST: {1e3 * step.volume_m3:.3g} L of {step.medium} at {step.pressure_pa / 1e3:.0f} kPa will hold "
        f"{step.stored_j:.0f} J, and whatever lets go is thrown. Closure: {step.closed_by}. Chamber shut, nobody near, "
        "no hand at the closure, oxygen monitor on?"
    )


def after_pressure(profile: Profile, inspect: bool) -> list[Question]:
    """What is asked once the line is vented: the observation, then closing down."""
    questions = []
    for step in profile.steps:
        if type(step) is Ask and inspect:
            questions.append(
                Question(
                    "choose",
                    "What do you see on the specimen?",
                    "observation",
                    tuple(OBSERVATIONS),
                    step.timeout_ns,
                    "not_inspected",
                    hands=True,
                )
            )
        if type(step) is CloseDown:
            questions += [Question("confirm", text, timeout_ns=CLOSE_DOWN_NS, hands=True) for text in step.prompts]
    return questions


CLOSE_DOWN_NS = 600_000_000_000  # the result does not wait longer than ten minutes for the bench to be tidied


def is_number(text: str) -> bool:
    try:
        return isfinite(float(text))
    except ValueError:
        return False


class Questions:
    __slots__ = ("_asked_ns", "_count", "_open", "_waiting", "facts", "prompt")

    def __init__(self, specimen: Specimen | None) -> None:
        self.facts = dict(specimen.facts) if specimen else {}  # with what people have answered since
        self._waiting: list[Question] = []
        self._open: Question | None = None
        self.prompt: OpenPrompt | None = None
        self._asked_ns = 0
        self._count = 0

    @property
    def all_answered(self) -> bool:
        return self._open is None and not self._waiting

    def add(self, questions: list[Question]) -> None:
        self._waiting += questions

    def drop_of_step(self) -> None:
        """One of these will never be answered: the step asks no further."""
        self._waiting = [question for question in self._waiting if not question.to_step]

    def drop_all(self) -> None:
        """The run has moved on: nothing of this needs an answer any more."""
        self._waiting.clear()
        self._open = self.prompt = None

    @property
    def has_hands_in(self) -> bool:
        """Whether the open question has sent hands into the chamber."""
        return self._open is not None and self._open.hands

    @property
    def wants_hands(self) -> bool:
        """Whether hands are, or next have to be, in the chamber."""
        question = self._open or (self._waiting[0] if self._waiting else None)
        return question is not None and question.hands

    def next(self, seq: int, t_ns: int, pressurised: int) -> Prompt | None:
        """Open the next question, if none is open and one waits; one that needs hands waits until nobody is under
        pressure in the same chamber."""
        if self._open is not None or not self._waiting or (pressurised and self._waiting[0].hands):
            return None
        question = self._open = self._waiting.pop(0)
        self._count += 1
        self._asked_ns = t_ns
        self.prompt = OpenPrompt(
            prompt=self._count, kind=question.kind, text=question.text, field=question.field, choices=question.choices,
            si=question.si,
        )  # fmt: skip
        return Prompt(
            seq=seq,
            t_ns=t_ns,
            prompt=self._count,
            kind=question.kind,
            text=question.text,
            field=question.field,
            choices=question.choices,
            timeout_ns=question.timeout_ns,
            si=question.si,
        )

    def refusal(self, action: OperatorAction) -> str:
        """Why this answer cannot be taken, or ""."""
        if self._open is None or self.prompt is None:
            return "there is no open question"
        if action.prompt != self.prompt.prompt:
            return f"question {action.prompt} is not open; the open one is {self.prompt.prompt}: {self.prompt.text}"
        if not action.named:
            return "an answer needs a person's name: give --operator NAME"
        answer = (action.answer or "").strip()
        if self._open.kind == "enter" and not answer:
            return "the question asks for a value"
        if len(answer) > LONGEST_ANSWER:
            return f"an answer has at most {LONGEST_ANSWER} characters"
        if self._open.si and not is_number(answer):
            return f"the question asks for a number{'' if self._open.si == NUMBER else f' in {self._open.si}'}"
        if self._open.si and not self._open.least <= float(answer) <= self._open.most:
            return f"{answer} is out of reach; allowed: {self._open.least:g} to {self._open.most:g} {self._open.si}"
        if self._open.kind == "choose" and answer not in self._open.choices:
            return f"choose one of: {', '.join(self._open.choices)}"
        return ""

    def close(self, t_ns: int) -> tuple[Question, int]:
        """The open question is answered. Returns it and how long it was open [ns]."""
        assert self._open is not None
        question, self._open, self.prompt = self._open, None, None
        return question, t_ns - self._asked_ns

    def expired(self, t_ns: int) -> bool:
        question = self._open
        return question is not None and 0 < question.timeout_ns <= t_ns - self._asked_ns
