"""A cap loosened by listed turns: hands at the vented line, a look under pressure, vented again, until it leaks.

Each mark is reached by loosening from fully tight. The fully tightened cap is proved tight first, and again before
every mark where marks do not only grow. Between looks the engine vents, proves the line vented and asks; pressure comes
back by a person's arm and start. In a look the pressure is built, stands for the settling time, the stiffness is
measured where a method needs it, then comes the dwell with the inlet feeding, then the decay with the line shut, then
what only a person can tell. A pressure that cannot be built or that goes by itself is a leak and needs no method.

Hands are near a cap that is about to let go (SAFETY S31): nothing here believes a cage that nobody says is on.
"""

from rigd.calc.exact.leak import LEAKING, TIGHT, Mark, count_in, next_mark, reproved_before
from rigd.engine.outputs import Wanted
from rigd.engine.pressure import PressureLoop
from rigd.engine.questions import Question
from rigd.engine.standing import ENDS, NEAR, PAUSE, Sight, Standing
from rigd.engine.turn_count import TurnCount
from rigd.engine.turn_look import NO_FALL, Gauges, Look
from rigd.engine.turn_prompts import OFF, RETAINED, after_the_dwell, at_the_cap, retained, under_pressure
from rigd.model.leak import CapTurns
from rigd.model.messages import Judgement
from rigd.model.rig import Rig

BUILD_NS = 30_000_000_000  # beyond what the ramp itself takes: then the pressure is there or the closure lets it out
STAND_NS = 3_000_000_000  # for which flow and pressure are averaged on either side of the small step
RISE_NS = 6_000_000_000  # in which the small step is taken and the loop comes to rest
LOST_SHARE = 0.5  # of the pressure: gone by itself
CLASS_OF = {
    "interval": "onset", "left": "onset", "right": "tight", "not monotone": "not_monotone", "none": "undecided",
}  # fmt: skip
SAID_OF = {
    "interval": "the onset is bracketed",
    "left": "it leaked at the first mark that was judged",
    "right": "tight at every mark",
    "not monotone": "leaking, then tight at a larger turn: no onset is named",
    "none": "no mark could be decided",
}

HANDS, BUILD, SETTLE, REST, RISE, STAND, DWELL, CLOSED, ASK, TURN = (
    "hands", "build", "settle", "rest", "rise", "stand", "dwell", "shut", "ask", "turn",
)  # fmt: skip


class TurnsStep:
    def __init__(self, step: CapTurns, rig: Rig, sight: Sight) -> None:
        self._step, self._rig = step, rig
        self._gauges = Gauges(rig, sight.channels)
        self.tally = TurnCount(step, count_in(sight.facts.get("loosenings", "")))
        self._turns = tuple(turn.turns for turn in step.turns)
        kinds = tuple(method.kind for method in step.methods)
        self._feeds = any(kind != "decay" for kind in kinds)
        self._decays = "decay" in kinds
        self._own_fall = NO_FALL
        self._look = Look(step, self._gauges, None)
        self._tightened = self._asked = False
        self._retention_refused = False
        self._unanswered = 0
        self._enter(HANDS, sight)

    def resume(self, sight: Sight) -> None:
        """After a pause: hands are out."""
        if self._retention_refused:
            self._enter(HANDS, sight)
        else:
            self._begin_look(sight)

    def answer(self, question: Question, value: str, person: str) -> None:
        del person
        if question.field == RETAINED:
            self._retention_refused = value == OFF
        self._unanswered -= 1
        self._look.answers[question.field] = value

    def mark(self, sight: Sight) -> None:
        """The one key: it leaks now. Between looks there is nothing to mark."""
        del sight
        if self._phase not in (HANDS, TURN):
            self._look.marked = True

    def advance(self, sight: Sight) -> Standing:
        if self._phase == HANDS:
            return self._hands()
        look = self._look
        if sight.sampled:
            look.add(sight, self._phase)
            if self._phase not in (BUILD, TURN) and sight.pressure_pa < LOST_SHARE * self._step.pressure_pa:
                look.gross = "the pressure went by itself"
        if (look.gross or look.marked) and self._phase != TURN:
            return self._judge(sight)
        match self._phase:
            case "build":
                return self._build(sight)
            case "shut":
                return self._closed(sight)
            case "ask":
                return self._ask(sight)
            case "turn":
                return self._turn_under_pressure(sight)
        return self._stand_for(sight)

    # ---- phases

    def _enter(self, phase: str, sight: Sight) -> None:
        self._phase, self._since_ns = phase, sight.clock_ns

    def _hands(self) -> Standing:
        """Off to a pause, in which people do what the next look needs."""
        step = self._step
        if self._retention_refused:
            self._unanswered = 1
            said = f"the {step.retention} is not on: no pressure without it"
            return Standing(wanted=Wanted(), word=PAUSE, said=said, questions=(retained(step),))
        turn = self._look.turn
        questions = at_the_cap(step, turn)
        self._unanswered = len(questions)
        said = "hands tighten the cap" if turn is None else f"hands loosen the cap to {turn.text} turn"
        return Standing(wanted=Wanted(), word=PAUSE, said=said, questions=questions)

    def _begin_look(self, sight: Sight) -> None:
        self.tally.at += 1
        if self._look.turn is not None and self._tightened:
            self.tally.loosenings += 1
        self._tightened = self._look.turn is None
        here_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
        self._from_pa = here_pa
        self._loop = PressureLoop(self._rig.control, sight.t_ns, here_pa)
        self._asked = False
        self._enter(BUILD, sight)

    def _fed(self, sight: Sight, target_pa: float) -> Standing:
        set_point_pa = self._loop.follow(sight, target_pa)
        wanted = Wanted(supply=True, inlet=True, vent_shut=True, set_point_pa=set_point_pa)
        return Standing(wanted=wanted, target_pa=target_pa)

    @property
    def _measures_stiffness(self) -> bool:
        return self._step.stiffness_step_pa > 0.0

    @property
    def _first_pa(self) -> float:
        """Where the pressure stands first: below the test pressure, where the stiffness is measured up to it."""
        step = self._step
        return step.pressure_pa - step.stiffness_step_pa

    def _build(self, sight: Sight) -> Standing:
        step, elapsed_ns, aim_pa = self._step, sight.clock_ns - self._since_ns, self._first_pa
        target_pa = self._from_pa + step.ramp_pa_per_s * (elapsed_ns / 1e9)
        if target_pa >= aim_pa:
            target_pa = aim_pa
        if sight.pressure_pa >= NEAR * aim_pa:
            self._enter(SETTLE, sight)
        elif elapsed_ns / 1e9 > aim_pa / step.ramp_pa_per_s + BUILD_NS / 1e9:
            self._look.gross = "the pressure could not be built"
        return self._fed(sight, target_pa)

    def _stand_for(self, sight: Sight) -> Standing:
        """The phases that keep a pressure for a time."""
        step, elapsed_ns = self._step, sight.clock_ns - self._since_ns
        target_pa = self._first_pa
        if self._phase == SETTLE:
            if elapsed_ns >= step.settle_ns:
                self._enter(REST if self._measures_stiffness else self._after_stiffness, sight)
        elif self._phase == REST:
            if elapsed_ns >= STAND_NS:
                self._enter(RISE, sight)
        else:
            target_pa = step.pressure_pa
            lasts_ns, follows = {
                RISE: (RISE_NS, STAND),
                STAND: (STAND_NS, self._after_stiffness),
                DWELL: (step.dwell_ns, CLOSED if self._decays else ASK),
            }[self._phase]
            if elapsed_ns >= lasts_ns:
                self._enter(follows, sight)
        return self._fed(sight, target_pa)

    @property
    def _after_stiffness(self) -> str:
        return DWELL if self._feeds else CLOSED

    def _closed(self, sight: Sight) -> Standing:
        """Isolated: the pressure falls by what leaks, creeps and cools."""
        if sight.clock_ns - self._since_ns >= self._step.dwell_ns:
            self._loop = PressureLoop(self._rig.control, sight.t_ns, self._step.pressure_pa)
            self._enter(ASK, sight)
        charged = Wanted(supply=True, vent_shut=True, set_point_pa=self._step.pressure_pa)  # the feed stays up behind
        return Standing(wanted=charged, target_pa=self._step.pressure_pa)

    def _ask(self, sight: Sight) -> Standing:
        """What only a person can tell, while the pressure stands."""
        if not self._asked:
            questions = after_the_dwell(self._step)
            self._asked, self._unanswered = True, len(questions)
            if questions:
                return self._fed(sight, self._step.pressure_pa)._replace(questions=questions)
        if self._unanswered > 0:
            return self._fed(sight, self._step.pressure_pa)
        return self._judge(sight)

    def _turn_under_pressure(self, sight: Sight) -> Standing:
        """The cap is turned as it stands, where rig and profile allow it."""
        standing = self._fed(sight, self._step.pressure_pa)
        if not self._asked:
            self._asked, self._unanswered = True, 1
            assert self._look.turn is not None
            return standing._replace(questions=(under_pressure(self._step, self._look.turn),))
        if self._unanswered > 0:
            return standing
        self._begin_look(sight)
        return standing

    # ---- judging

    def _judge(self, sight: Sight) -> Standing:
        look, step, tally = self._look, self._step, self.tally
        verdict, words, data = look.judge(self._own_fall)
        tally.holds = verdict == TIGHT
        turns = 0.0 if look.turn is None else look.turn.turns
        text = f"{'fully tight' if look.turn is None else look.turn.text + ' turn'}: {verdict} ({words})"
        if look.turn is None:
            self._own_fall = look.own_fall()
            tally.proofs += verdict == TIGHT
        else:
            tally.marks = (*tally.marks, Mark(turns, verdict))
        judgement = Judgement(
            seq=sight.seq, t_ns=sight.t_ns, step=sight.at, number=tally.at, kind="turn", verdict=verdict, text=text,
            data=(
                ("turns", turns), ("turn_text", "0" if look.turn is None else look.turn.text),
                ("loosening", tally.loosening), ("dwell_s", step.dwell_ns / 1e9), *data,
            ),
        )  # fmt: skip
        return self._after(sight, verdict, judgement)

    def _after(self, sight: Sight, verdict: str, judgement: Judgement) -> Standing:
        step, tally = self._step, self.tally
        was_proof = self._look.turn is None
        if was_proof and verdict != TIGHT:
            words = "leaks" if verdict == LEAKING else "could not be proved tight"
            said = f"fully tightened it {words}: no turn begins it. Look at the seal, the thread and the torque"
            return Standing(wanted=Wanted(), word=ENDS, trace_class="undecided", said=said, judgement=judgement)
        at = next_mark(self._turns, tally.marks, step.order, step.beyond)
        if at is None:
            found = tally.onset.censoring
            return Standing(
                wanted=Wanted(), word=ENDS, trace_class=CLASS_OF[found], said=SAID_OF[found], judgement=judgement
            )
        proves = not was_proof and reproved_before(step.order, tally.marks)
        self._look = Look(step, self._gauges, None if proves else step.turns[at])
        self._asked = False
        if step.vent_before_turn or verdict == LEAKING or sight.hands:
            standing = self._hands()
            self._enter(HANDS, sight)
            return standing._replace(judgement=judgement, is_safe_point=True)
        self._enter(TURN, sight)
        return self._fed(sight, step.pressure_pa)._replace(judgement=judgement, is_safe_point=True)
