"""The count of a flush-direction test: each aim as it streamed, and what people said of it once the line was vented.

An aim waits here from the end of its stream until its last question is answered, whether in the pause before the next
aim or, for the last one, after the run. Only aims with sound numbers enter a share; the others are told as undecided,
with why, and not repeated silently.
"""

from typing import NamedTuple

from rigd.calc.exact.aim import TURN_DEG, shares_of, wrapped_deg
from rigd.calc.exact.calibration import NAN
from rigd.engine.questions import Question
from rigd.model.flush import CUPS, IN_SECTOR, LANDINGS, NOT_SEEN, Flush
from rigd.model.messages import NUMBER, Data, Judgement, Scalar
from rigd.model.verdicts import BY_CRITERION, OUTCOMES

INSIDE, OUTSIDE, NOT_CAUGHT, LANDED, HIT = "aim_inside", "aim_outside", "aim_not_caught", "aim_landed", "aim_hit"
NOT_METERED = NAN
LARGEST_CATCH_KG = 100.0  # more than any cup of this trade
WATER_KG_PER_M3 = 998.2  # 20 degC (IAPWS-95, checks/physics.md C6)


class Stream(NamedTuple):
    """What the rig measured of one aim."""

    number: int  # from 1
    azimuth_deg: float
    mean_pa: float
    lowest_pa: float
    highest_pa: float
    flow_m3_per_s: float  # mean while it streamed, NaN without a meter
    fed_m3: float  # from the opening of the inlet to its end, NaN without a meter


def asked_of(step: Flush, number: int) -> tuple[Question, ...]:
    """What people are asked of an aim that has streamed."""

    def ask(kind: str, text: str, field: str, **more: object) -> Question:
        told = f"Aim {number}: {text}"
        return Question(kind, told, field, timeout_ns=step.hands_ns, to_step=True, hands=True, **more)  # type: ignore[arg-type]

    landed = ask(
        "enter", "where did the centre of the stream land, in degrees from the index mark, clockwise from above?",
        LANDED, si=NUMBER, least=-TURN_DEG, most=TURN_DEG,
    )  # fmt: skip
    if step.judged_by != CUPS:
        text = f"did it hit the marked sector, {step.half_width_deg:g} degrees to either side?"
        return (ask("choose", text, HIT, choices=LANDINGS), landed)
    weighed = tuple(
        ask("enter", text, field, si="kg", least=0.0, most=LARGEST_CATCH_KG)
        for field, text in (
            (INSIDE, "mass of water in the cups of the sector?"),
            (OUTSIDE, "mass of water in the cups outside the sector?"),
            (NOT_CAUGHT, "mass of water that no cup caught (tray, mop)?"),
        )
    )
    return (*weighed, landed)


class AimCount:
    __slots__ = ("_answers", "_people", "_step", "errors_deg", "hits", "made", "pending", "shares", "undecided")

    def __init__(self, step: Flush) -> None:
        self._step = step
        self.made = self.undecided = self.hits = 0
        self.pending: Stream | None = None
        self._answers: dict[str, str] = {}
        self._people: list[str] = []
        self.shares: tuple[tuple[float, float, float], ...] = ()
        self.errors_deg: tuple[float, ...] = ()

    @property
    def at(self) -> int:
        return self.made

    def mark(self) -> None:
        """The one key says that the body fails; of an aim it says nothing."""

    def streamed(self, stream: Stream) -> None:
        self.made += 1
        self.pending, self._answers, self._people = stream, {}, []

    @property
    def last_questions(self) -> tuple[Question, ...]:
        """What is still to be asked when the run is over."""
        return asked_of(self._step, self.pending.number) if self.pending is not None else ()

    def answer(self, question: Question, value: str, person: str) -> None:
        """`value` "" when nobody answered in time."""
        if self.pending is None or not question.field:
            return
        self._answers[question.field] = value
        if person and person not in self._people:
            self._people.append(person)

    def judge(self, seq: int, t_ns: int, at: int) -> Judgement | None:
        """The aim that waits, judged, once everything is said of it or something will never be."""
        stream, answers = self.pending, self._answers
        if stream is None:
            return None
        unsaid = "" in answers.values()
        if not unsaid and any(question.field not in answers for question in asked_of(self._step, stream.number)):
            return None
        self.pending = None
        why = self._why_unsound(stream) or ("nobody said what was caught" if unsaid else "")
        data: list[tuple[str, Scalar]] = [
            ("azimuth_deg", stream.azimuth_deg), ("pressure_pa", stream.mean_pa), ("lowest_pa", stream.lowest_pa),
            ("highest_pa", stream.highest_pa), ("flow_m3_per_s", _or_none(stream.flow_m3_per_s)),
            ("fed_m3", _or_none(stream.fed_m3)), ("half_width_deg", self._step.half_width_deg),
            ("entered_by", ", ".join(self._people)),
        ]  # fmt: skip
        words = ""
        if not unsaid:
            caught_why, words, caught = self._caught(stream)
            why = why or caught_why
            data += caught
        if why:
            self.undecided += 1
        else:
            self._enter(stream, data)
        text = f"aim {stream.number} at {stream.azimuth_deg:g} deg: {words or 'not told'}"
        return Judgement(
            seq=seq, t_ns=t_ns, step=at, number=stream.number, kind="aim", verdict="undecided" if why else "measured",
            text=f"{text}; undecided: {why}" if why else text, data=(*data, ("why", why)),
        )  # fmt: skip

    def _why_unsound(self, stream: Stream) -> str:
        step = self._step
        off = step.pressure_tolerance * step.pressure_pa
        if not (stream.lowest_pa >= step.pressure_pa - off and stream.highest_pa <= step.pressure_pa + off):
            return "the pressure did not stand within its tolerance"
        off = step.flow_tolerance * step.flow_m3_per_s
        if stream.flow_m3_per_s == stream.flow_m3_per_s and not (
            -off <= stream.flow_m3_per_s - step.flow_m3_per_s <= off
        ):
            return "the flow was not the one that is stated"
        return ""

    def _caught(self, stream: Stream) -> tuple[str, str, list[tuple[str, Scalar]]]:
        """(why it is not sound, words, data) of what people said."""
        step, answers = self._step, self._answers
        landed_deg = float(answers[LANDED])
        error_deg = wrapped_deg(landed_deg - stream.azimuth_deg)
        data: list[tuple[str, Scalar]] = [("landed_deg", landed_deg), ("error_deg", error_deg)]
        aimed = f"centre {error_deg:+.1f} deg from its azimuth"
        if step.judged_by != CUPS:
            hit = answers[HIT]
            data.append(("hit", None if hit == NOT_SEEN else hit == IN_SECTOR))
            return "nobody saw whether it hit" if hit == NOT_SEEN else "", f"{hit}, {aimed}", data
        inside, outside, not_caught = (float(answers[field]) for field in (INSIDE, OUTSIDE, NOT_CAUGHT))
        data += [("inside_kg", inside), ("outside_kg", outside), ("not_caught_kg", not_caught)]
        shares = shares_of(inside, outside, not_caught, step.mass_u_kg)
        if shares is None:
            return "nothing came out", aimed, data
        data += [
            ("share_in", shares.inside), ("share_outside", shares.outside), ("share_not_caught", shares.not_caught),
            ("share_in_u", shares.inside_u),
        ]  # fmt: skip
        words = f"{100.0 * shares.inside:.1f} % in the sector, {aimed}"
        fed_kg = stream.fed_m3 * WATER_KG_PER_M3
        if step.balance and fed_kg == fed_kg:
            off = inside + outside + not_caught - fed_kg
            data.append(("balance_kg", off))
            if not -step.balance * fed_kg <= off <= step.balance * fed_kg:
                return "what was caught and not caught is not what was fed: dry cups, or another unit?", words, data
        return "", words, data

    def _enter(self, stream: Stream, data: list[tuple[str, Scalar]]) -> None:
        told = dict(data)
        self.errors_deg = (*self.errors_deg, float(told["error_deg"]))  # type: ignore[arg-type]
        if self._step.judged_by != CUPS:
            self.hits += bool(told["hit"])
            return
        row = (told["share_in"], told["share_outside"], told["share_not_caught"])
        self.shares = (*self.shares, row)  # type: ignore[assignment]

    def verdict_of(self, outcome: str) -> str:
        fixed = OUTCOMES[outcome].verdict
        return "none" if fixed == BY_CRITERION else fixed

    def told(self) -> Data:
        """What a Result says of it (model.verdicts.AIM_RESULTS)."""
        by_cups = self._step.judged_by == CUPS
        return (
            ("aims_owed", self._step.aims),
            ("aims_made", self.made),
            ("aims_measured", len(self.errors_deg)),
            ("aims_undecided", self.undecided),
            ("aims_judged_by", self._step.judged_by),
            ("half_width_deg", self._step.half_width_deg),
            ("share_in_mean", self._mean(0)),
            ("share_outside_mean", self._mean(1)),
            ("share_not_caught_mean", self._mean(2)),
            ("hits", None if by_cups else self.hits),
        )

    def _mean(self, at: int) -> float | None:
        if not self.shares:
            return None
        total = 0.0
        for row in self.shares:
            total += row[at]
        return total / len(self.shares)


def _or_none(value: float) -> float | None:
    return None if value != value else value
