"""The commissioning walk: each check of a rig as a live step, on a blanked-off specimen port.

A walk is a run like any other, so what it finds stands in a sealed record that replays. A check that guards people
(outputs, watchdog, inputs, vent, isolation) ends the walk when it fails: nothing is pressurised behind a layer that was
just seen not to work. Every check ends with all outputs safe. What is found is a Judgement of kind "check"; checks
that charge the rig and measure are in `engine.walk_pressure`.
"""

from typing import Any

from rigd.calc.exact.calibration import NAN
from rigd.calc.exact.days import DAY_NS, age_days
from rigd.calc.exact.trend import ratio_to_median
from rigd.engine.outputs import SAFE, Wanted
from rigd.engine.questions import Question
from rigd.engine.standing import DONE, ENDS, PAUSE, Sight, Standing
from rigd.model.messages import Data, Judgement, Scalar
from rigd.model.rig import Output, Rig
from rigd.model.verdicts import BY_CRITERION, OUTCOMES
from rigd.model.walk import CHECKS, CheckInputs, CheckOutputs, CheckPockets, CheckRelief, CheckWatchdog, Hands, Trend

PASSED, FAILED, UNDECIDED, MEASURED = "passed", "failed", "undecided", "measured"
ANSWER_NS = 600_000_000_000  # a question to somebody who stands at the rig
REARM_NS = 1_000_000_000  # after kicks come again, before a valve is asked to move
EMPTY_NS = 60_000_000_000  # a tank that takes longer to empty is not emptied
WISHES = {
    "vent": Wanted(vent_shut=True),
    "inlet": Wanted(vent_shut=True, inlet=True),
    "air": Wanted(vent_shut=True, air=True),
    "supply": Wanted(supply=True),
    "fill": Wanted(fill=True),
}
"""What energises an output by its role; the set-point stays at its safe end."""


class WalkTally:
    """What a walk has found so far, through all its steps."""

    def __init__(self) -> None:
        self.found: dict[str, str] = {}  # check -> the worst verdict of it
        self.at = 0  # judgements

    def judge(self, sight: Sight, check: str, verdict: str, text: str, data: dict[str, Scalar]) -> Judgement:
        self.at += 1
        order = (PASSED, MEASURED, UNDECIDED, FAILED)
        before = self.found.get(check, PASSED if verdict == PASSED else MEASURED)
        self.found[check] = verdict if order.index(verdict) >= order.index(before) else before
        return Judgement(
            seq=sight.seq, t_ns=sight.t_ns, step=sight.at, number=self.at, kind="check", verdict=verdict,
            text=f"{CHECKS[check]}: {text}", data=(("check", check), *data.items()),
        )  # fmt: skip

    @property
    def trace_class(self) -> str:
        return "not_commissioned" if FAILED in self.found.values() else "commissioned"

    def mark(self) -> None:
        """Nothing here fails by a person's mark; the run ends all the same."""

    def told(self) -> Data:
        return tuple([(f"check_{check}", verdict) for check, verdict in self.found.items()])

    def verdict_of(self, outcome: str) -> str:
        fixed = OUTCOMES[outcome].verdict
        return "undecided" if fixed == BY_CRITERION else fixed


class Check:
    """What all checks share: findings wait here until the step can hand them on, one in a step of the engine."""

    check = ""
    guards = True  # the walk ends here when it fails

    def __init__(self, step: Any, rig: Rig, sight: Sight) -> None:
        self.step, self.rig = step, rig
        self.tally = sight.tally if type(sight.tally) is WalkTally else WalkTally()
        self._found: list[Judgement] = []
        self._failed = self._over = False
        self.phase, self.since_ns = "", sight.t_ns

    def judge(self, sight: Sight, verdict: str, text: str, **data: Scalar) -> None:
        self._failed = self._failed or verdict == FAILED
        self._found.append(self.tally.judge(sight, self.check, verdict, text, data))

    def against_trend(
        self, sight: Sight, trend: Trend, value: float, *, both_ways: bool
    ) -> tuple[str, str, dict[str, Scalar]]:
        """`value` against the rig's own earlier walks: verdict, words, data; MEASURED while there are too few.
        `both_ways`: too small is as bad as too large."""
        earlier = sight.earlier.of(self.check)
        many = f"{len(earlier)} earlier walk{'' if len(earlier) == 1 else 's'}"
        told: dict[str, Scalar] = {
            "walks": len(earlier), "runs": " ".join([f"R{each.run:04d}" for each in earlier]),
            "apart": trend.apart, "since": trend.since,
        }  # fmt: skip
        ratio = ratio_to_median(value, tuple([each.figure for each in earlier]))
        if len(earlier) < trend.walks or ratio != ratio:
            return MEASURED, f"no trend yet: {many} to compare with, {trend.walks} needed", told
        usual = ratio <= 1.0 + trend.apart and (ratio >= 1.0 - trend.apart or not both_ways)
        text = (
            f"{ratio:.2f} times the median of {many}, {100.0 * trend.apart:.0f} %{'' if both_ways else ' more'} allowed"
        )
        return PASSED if usual else FAILED, text, told | {"ratio": ratio}

    def enter(self, phase: str, sight: Sight) -> None:
        self.phase, self.since_ns = phase, sight.t_ns

    def end(self) -> Standing:
        """All is judged: make safe and hand on what was found."""
        self._over = True
        found = self._found.pop(0) if self._found else None
        if self._found:
            return Standing(wanted=SAFE, judgement=found)
        stops = self._failed and self.guards
        said = f"{CHECKS[self.check]}: {'failed' if self._failed else 'done'}"
        return Standing(
            wanted=SAFE, word=ENDS if stops else DONE, judgement=found, said=said, trace_class=self.tally.trace_class
        )

    def advance(self, sight: Sight) -> Standing:
        if self._over:
            return self.end()
        return self.go_on(sight, sight.t_ns - self.since_ns)

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        raise NotImplementedError


def kpa(pressure_pa: float) -> str:
    return f"{pressure_pa / 1000.0:.1f} kPa"


def ms(time_ns: int) -> str:
    return f"{time_ns // 1_000_000} ms"


class ReliefCheck(Check):
    check, guards = "relief", False
    step: CheckRelief

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        relief = self.rig.relief
        age, allowed = age_days(relief.tested, sight.utc_ns), relief.test_every_ns // DAY_NS
        if not allowed:
            self.judge(sight, FAILED, "the rig file does not say how often: write relief: test_every: 365 day")
        elif age < 0:
            self.judge(sight, FAILED, f"tested on {relief.tested}, which is yet to come", age_days=age)
        else:
            verdict = PASSED if age <= allowed else FAILED
            text = f"tested on {relief.tested}, {age} days ago, {allowed} allowed"
            self.judge(sight, verdict, text, age_days=age, allowed_days=allowed)
        return self.end()


class OutputsCheck(Check):
    """One output after another, on and off. It is judged before the interlock for read-backs would trip on it. Between
    two of them the rig rests: a read-back says that a valve has left its end, not that it has come to the other, and
    the mains must not fill a line whose vent is still on its way."""

    check = "outputs"
    step: CheckOutputs

    def __init__(self, step: CheckOutputs, rig: Rig, sight: Sight) -> None:
        super().__init__(step, rig, sight)
        seen = [output for output in rig.outputs if output.role in WISHES and output.read_back >= 0]
        self._vent = next((output for output in seen if output.role == "vent"), None)
        self._rest_ns = 0
        for output in seen:
            self._rest_ns = output.read_back_ns if output.read_back_ns > self._rest_ns else self._rest_ns
        self._waiting = sorted(seen, key=lambda output: output.role != "vent")  # the others are opened behind it
        self._output: Output | None = None
        self._rose_ns = 0

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        if sight.pressure_pa > self.rig.approach_pa or sight.feed_pa > self.rig.approach_pa:
            self.judge(sight, FAILED, "pressure came: supply or mains are not shut by hand")
            return self.end()
        output = self._output
        if output is None or self.phase == "rest":
            return self._next(sight) if output is None or elapsed_ns >= self._rest_ns else Standing(wanted=SAFE)
        shows = sight.channels.good(output.read_back)
        late = elapsed_ns >= output.read_back_ns
        if self.phase == "vent" and self._vent is not None:  # an inlet waits for it, and is timed from then on
            if sight.channels.good(self._vent.read_back) == 1.0:
                self.enter("on", sight)
                return Standing(wanted=WISHES[output.role])
            if elapsed_ns >= self._vent.read_back_ns:
                self.judge(sight, FAILED, f"{self._vent.name} does not follow", output=self._vent.name)
                return self._next(sight)
            return Standing(wanted=WISHES["vent"])
        if self.phase == "on":
            if shows == 1.0:
                self._rose_ns = elapsed_ns
                self.enter("off", sight)
                return Standing(wanted=SAFE)
            if late:
                self.judge(sight, FAILED, f"{output.name} does not follow", output=output.name)
                return self._next(sight)
            return Standing(wanted=WISHES[output.role])
        if shows == 0.0:
            text = f"{output.name} follows in {ms(self._rose_ns)}, falls back in {ms(elapsed_ns)}"
            self.judge(sight, PASSED, text, output=output.name, rose_ns=self._rose_ns, fell_ns=elapsed_ns)
            self.enter("rest", sight)
            return Standing(wanted=SAFE, judgement=self._found.pop(0))
        if late:
            self.judge(sight, FAILED, f"{output.name} does not fall back", output=output.name)
            return self._next(sight)
        return Standing(wanted=SAFE)

    def _next(self, sight: Sight) -> Standing:
        """Begin with the next output, all others safe; hand on what was found of the last."""
        if not self._waiting or self._failed:
            return self.end()
        self._output = self._waiting.pop(0)
        waits = self._vent is not None and self._output.role in ("inlet", "air")
        self.enter("vent" if waits else "on", sight)
        found = self._found.pop(0) if self._found else None
        return Standing(wanted=WISHES["vent" if waits else self._output.role], judgement=found)


class WatchdogCheck(Check):
    """Silence until the relay lets go. The valves are held energised meanwhile, at zero pressure, so that it shows."""

    check = "watchdog"
    step: CheckWatchdog

    def __init__(self, step: CheckWatchdog, rig: Rig, sight: Sight) -> None:
        super().__init__(step, rig, sight)
        held = ("vent", "inlet", "supply")
        self._held = [output for output in rig.outputs if output.role in held and output.read_back >= 0]
        self._travel_ns = 0
        for output in self._held:
            self._travel_ns = output.read_back_ns if output.read_back_ns > self._travel_ns else self._travel_ns
        self._answered = False
        self.enter("energise", sight)

    def answer(self, question: Question, value: str, person: str) -> None:
        self._answered = True

    def _all_show(self, sight: Sight, shows: float) -> bool:
        return all(sight.channels.good(output.read_back) == shows for output in self._held)

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        wanted = Wanted(supply=True, inlet=True, vent_shut=True)
        if self.phase == "energise":
            if self._all_show(sight, 1.0):
                self.enter("silence", sight)
                return Standing(wanted=wanted, withhold_kick=True)
            if elapsed_ns >= self._travel_ns:
                self.judge(sight, FAILED, "the valves do not follow, so nothing can be seen of the relay")
                return self.end()
            return Standing(wanted=wanted)
        if self.phase == "silence":
            return self._listen(sight, wanted)
        return self._come_back(sight, elapsed_ns)

    def _listen(self, sight: Sight, wanted: Wanted) -> Standing:
        silent_ns, limit_ns = sight.t_ns - sight.kicked_ns, self.rig.watchdog_ns + self.step.margin_ns
        if not self._all_show(sight, 0.0):
            if silent_ns <= limit_ns:
                return Standing(wanted=wanted, withhold_kick=True)
            self.judge(sight, FAILED, f"still holding {ms(silent_ns)} after the last kick, {ms(limit_ns)} allowed",
                       allowed_ns=limit_ns)  # fmt: skip
            return self.end()
        text = f"let go {ms(silent_ns)} after the last kick, {ms(limit_ns)} allowed"
        self.judge(sight, PASSED, text, drop_out_ns=silent_ns, allowed_ns=limit_ns)
        self.enter("re-arm", sight)
        text = "The watchdog relay has let go. Re-arm it if it does not re-arm by itself"
        question = Question("confirm", text, "watchdog", timeout_ns=ANSWER_NS, to_step=True)
        return Standing(wanted=SAFE, judgement=self._found.pop(0), questions=(question,))

    def _come_back(self, sight: Sight, elapsed_ns: int) -> Standing:
        """Kicks come again and the relay is re-armed: the vent must follow once more."""
        if self.phase == "re-arm":
            if not self._answered or elapsed_ns < REARM_NS:
                return Standing(wanted=SAFE)
            self.enter("again", sight)
            return Standing(wanted=WISHES["vent"])
        vent = next((output for output in self._held if output.role == "vent"), None)
        if vent is None or sight.channels.good(vent.read_back) == 1.0:
            self.judge(sight, PASSED, "re-armed: the vent follows again")
            return self.end()
        if elapsed_ns >= vent.read_back_ns:
            self.judge(sight, FAILED, "the vent does not follow any more: the relay is not re-armed")
            return self.end()
        return Standing(wanted=WISHES["vent"])


INPUTS = {
    "emergency_stop": "Press the emergency stop, release it, then answer; reset the trip that follows",
    "door": "Open the chamber door, shut it again, then answer",
}


class InputsCheck(Check):
    """Asked in VENTED; what the inputs show meanwhile is looked at in every step, and judged when the run goes on."""

    check = "inputs"
    step: CheckInputs

    def __init__(self, step: CheckInputs, rig: Rig, sight: Sight) -> None:
        super().__init__(step, rig, sight)
        self._at = {role: at for role in INPUTS for at, channel in enumerate(rig.channels) if channel.role == role}
        self._was = dict.fromkeys(self._at, NAN)
        self._edges = dict.fromkeys(self._at, 0)  # 1: seen pressed or open; 2: and back
        self.enter("ask", sight)

    def resume(self, sight: Sight) -> None:
        self.enter("judge", sight)

    def answer(self, question: Question, value: str, person: str) -> None:
        """The person says that it is done; what was seen of it decides."""

    def look(self, sight: Sight) -> None:
        for role, at in self._at.items():
            shows, was = sight.channels.good(at), self._was[role]
            if shows != shows:
                continue
            if shows == 0.0 and was == 1.0:
                self._edges[role] = 1
            elif shows == 1.0 and was == 0.0 and self._edges[role] == 1:
                self._edges[role] = 2
            self._was[role] = shows

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        if self.phase == "ask":
            asks = tuple([Question("confirm", INPUTS[role], role, to_step=True, hands=True) for role in self._at])
            return Standing(wanted=SAFE, word=PAUSE, said="inputs are tried by hand", questions=asks)
        for role in self._at:
            name = self.rig.channels[self._at[role]].name
            edges = self._edges[role]
            text = (f"{name} never changed", f"{name} went and did not come back", f"{name} seen both ways")[edges]
            self.judge(sight, PASSED if edges == 2 else FAILED, text, input=name)
        return self.end()


class HandsStep(Check):
    """Instructions amid the walk, at a line proven vented."""

    step: Hands

    def resume(self, sight: Sight) -> None:
        self.enter("done", sight)

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        if self.phase == "done":
            return Standing(wanted=SAFE, word=DONE, said="done by hand", trace_class=self.tally.trace_class)
        asks = tuple([Question("confirm", text, hands=True) for text in self.step.prompts])
        return Standing(wanted=SAFE, word=PAUSE, said=self.step.name, questions=asks)


class PocketsCheck(Check):
    """Each pocket of the rig file, at rest with everything safe; those for a hand are asked for in VENTED."""

    check, guards = "pockets", False
    step: CheckPockets

    def __init__(self, step: CheckPockets, rig: Rig, sight: Sight) -> None:
        super().__init__(step, rig, sight)
        self._by_hand = {pocket.name: "" for pocket in rig.pockets if pocket.hand_checked}
        self.enter("ask" if self._by_hand else "wait", sight)

    def resume(self, sight: Sight) -> None:
        self.enter("wait", sight)

    def answer(self, question: Question, value: str, person: str) -> None:
        self._by_hand[question.field] = person

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        if not self.rig.pockets:
            text = "the rig file declares none, so nobody is ever told that it is safe to open"
            self.judge(sight, UNDECIDED, text)
            return self.end()
        if self.phase == "ask":
            text = "Check by hand that this pocket holds no pressure: "
            asks = tuple([Question("confirm", text + name, name, to_step=True, hands=True) for name in self._by_hand])
            return Standing(wanted=SAFE, word=PAUSE, said="pockets are checked by hand", questions=asks)
        states = [self._state_of(at, sight) for at in range(len(self.rig.pockets))]
        if "" in states and elapsed_ns < EMPTY_NS:
            return Standing(wanted=SAFE)
        for pocket, state in zip(self.rig.pockets, states, strict=True):
            text = f"{pocket.name}: {state or 'neither low nor let out'}"
            self.judge(sight, PASSED if state else FAILED, text, pocket=pocket.name)
        return self.end()

    def _state_of(self, at: int, sight: Sight) -> str:
        pocket, channels = self.rig.pockets[at], sight.channels
        if pocket.hand_checked:
            person = self._by_hand[pocket.name]
            return f"checked by hand by {person}" if person else ""
        if pocket.channel >= 0:
            low = channels.is_low(pocket.channel, self.rig.vent.limit_pa, sight.t_ns)
            return f"low by {channels.names[pocket.channel]}" if low else ""
        output = self.rig.outputs[pocket.vent]
        let_out = output.read_back >= 0 and channels.good(output.read_back) == 0.0
        return f"let out by {output.name}" if let_out else ""
