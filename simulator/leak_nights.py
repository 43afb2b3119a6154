"""Simulated nights of cap-turn leak tests: one engine, one cap, and people who do it right, nearly right or badly.

A seed draws scan rate, marks, order, method, times, the seal, the technician's care, faults and somebody who may press
any key. The judge sees where the cap truly stands, what truly leaks, the true pressure and when hands are at the cap;
of the engine it takes what was said. A night is a pure function of its seed.
"""

import hashlib
from dataclasses import replace
from random import Random

from rigd.engine.turn_prompts import LOOSENED, RETAINED, SHUT, TIGHTENED, WIPED
from rigd.files.load import find, load_profile, load_rig
from rigd.model.leak import CapTurns
from rigd.model.messages import Event, Judgement, OperatorAction, Output, Prompt, Result
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from rigd.model.states import RUNNING
from rigd.store.journal import BlockBuilder, identity
from simulator.bodies import PSI
from simulator.cap_bench import CapBench
from simulator.night import Report
from simulator.open_invariants import OpeningWatch
from simulator.plant import MAINS_PA
from simulator.promises import Violation
from simulator.technician import BLIND, HUMAN, OBEDIENT, Technician
from simulator.world import Names, World

LEAK_PROMISES = {
    "ONSET_HOLDS_THE_TRUTH": "with somebody careful and no faults the widened interval holds the true onset",
    "NO_ONSET_WITHOUT_ORDER": "what leaked and was tight at a larger turn is given no onset, and nothing else is",
    "HANDS_ONLY_AT_ZERO": "a question that has hands at the cap is asked and open only while the line is truly at zero",
    "TURN_ONLY_VENTED": "a cap is turned only while the line is truly at zero and its vent truly open",
    "CAGE_IS_ON": "no pressure once hands were at the cap, before somebody has said that the cage is on",
    "TIME_OUT_VENTS": "a question of the test that nobody answers in time ends the run, vented",
    "PRESSURE_AS_ASKED": "the true pressure is never above what the profile asks for by more than its control allows",
    "NO_SELF_START": "pressure only after a named arm and a named start since boot, pause, trip or vent",
    "LIVENESS": "every run comes to a result within the hour, and then the line is truly at zero",
    "NEVER_RAISES": "no message makes the engine raise",
}
S = 1_000_000_000
AT_THE_CAP = (TIGHTENED, LOOSENED, RETAINED, WIPED)
NOISE_PA = 2.0 * PSI
TRACE_S = 13.0  # a fault of these is seen, and over, within this time
OVER = 0.25  # of the test pressure: what the loop may overshoot on a lively rig
FAULTS = ("door_opened", "emergency_stop", "sensor_spike", "regulator_hiccup")


def require(holds: object, name: str, words: str = "") -> None:
    if not holds:
        raise Violation(name, words, LEAK_PROMISES)


def draw(chance: Random) -> tuple[Rig, Profile, CapTurns]:
    rig, profile = load_rig(find("demo-leak", "rig")), load_profile(find("cap-turn-leak", "profile"))
    scan_ns = chance.choice((S // 10, S // 10, S // 20))
    rig = replace(rig, devices=tuple(replace(device, scan_ns=scan_ns) for device in rig.devices))
    step = next(step for step in profile.steps if type(step) is CapTurns)
    step = replace(
        step, methods=step.methods[:1], stiffness_step_pa=0.0, settle_ns=S // 5, dwell_ns=chance.choice((S, 4 * S)),
        order=chance.choice(("ascending", "ascending", "bisecting", "descending")), beyond=chance.choice((0, 1, 2)),
        ramp_pa_per_s=chance.choice((1.0, 6.0)) * step.ramp_pa_per_s, turns=step.turns[:: chance.choice((1, 2))],
    )  # fmt: skip
    steps = tuple(step if type(each) is CapTurns else each for each in profile.steps)
    return rig, replace(profile, steps=steps), step


class WatchedCap(CapBench):
    """The bench, with the judge looking on whenever time passes and whenever the cap is turned."""

    night: "LeakNight"

    def advance(self, dt_s: float) -> None:
        super().advance(dt_s)
        self.night.look()

    def tighten(self) -> None:
        self.night.hands("tightened")
        super().tighten()

    def loosen_to(self, turns: float) -> None:
        self.night.hands(f"loosened to {turns:.3f}")
        super().loosen_to(turns)


class LeakNight:
    empty = True  # as a builder: everything gathered is in `record`

    def __init__(self, seed: int) -> None:
        self.seed, self.chance = seed, Random(f"{seed}/leak night")
        chance = self.chance
        self.rig, profile, self.step = draw(chance)
        self.care = chance.choice((OBEDIENT, HUMAN, BLIND, replace(HUMAN, slowest_ns=S // 2)))
        self.meddles = chance.choice((0.0, 0.0, 0.01))
        texts = []
        for _ in range(chance.choice((0, 0, 1, 2))):
            texts.append(f"{chance.choice(FAULTS)}@{chance.uniform(5.0, 150.0):.2f}")
        self.faults = tuple(texts)
        self.bench = bench = WatchedCap(self.rig, seed=seed, test_pa=self.step.pressure_pa, faults=self.faults)
        bench.night = self
        self.person = Technician("P. Person", seed, bench, self.care)
        self.record: list[bytes] = []
        self.digest, self.builder = hashlib.sha256(), self
        self.prompt: Prompt | None = None
        self.armed = self.live = self.timed_out = self.turned = False
        self.caged = True  # before anybody is sent to the cap there is fill and proof, and no cage is asked for
        self.marks: list[tuple[float, str]] = []
        self.result: Result | None = None
        inner = BlockBuilder(identity(run=1, version="night", files=()))
        names = Names(run=1, utc_ns=10**18, version="night")
        self.world = WatchedWorld(
            self, self.rig, profile, Specimen(id="x", facts=(), volume_m3=0.0), bench, self.person, inner, self.keep,
            names,
        )  # fmt: skip

    @property
    def now_ns(self) -> int:
        return self.world.t_ns

    @property
    def plain(self) -> bool:
        """Nothing went wrong that would keep a careful person from the truth."""
        return not (self.faults or self.meddles or self.care is BLIND)

    def keep(self, block: bytes) -> None:
        self.record.append(block)
        self.digest.update(block)

    def play(self) -> Report:
        try:
            self.world.run()
            self._judge()
        except Violation as violation:
            violation.night = self
            raise
        assert self.result is not None
        return Report(
            seed=self.seed, simulated_s=self.now_ns / 1e9, runs=1, strikes=len(self.faults), together=len(self.faults),
            head=self.digest.hexdigest(), outcomes=(self.result.outcome,),
        )  # fmt: skip

    # ---- what is said

    def hear(self, message: object, output: Output) -> None:
        act = message.act if type(message) is OperatorAction else ""
        kind = type(output)
        if kind is Prompt:
            self.prompt = output
            if output.field == TIGHTENED or output.field == LOOSENED:
                self.caged = False
        elif kind is Judgement:
            turns = float(dict(output.data)["turns"])
            self.marks += [(turns, output.verdict)] if turns > 0.0 else []
        elif kind is Result:
            self.result = output
        elif kind is Event:
            self._hear_event(act, output)

    def _hear_event(self, act: str, event: Event) -> None:
        data = dict(event.data)
        if event.kind == "prompt_done":
            if data["field"] == RETAINED:
                self.caged = data["answer"] == "on"
            if "timed out" in event.text and data["field"] in (*AT_THE_CAP, SHUT, "leak_seen"):
                self.timed_out = True
            self.prompt = None
        elif event.kind == "trip":
            self.armed = self.live = False
        elif event.kind == "state":
            new = data["to"]
            require(new != "ARMED" or act == "arm", "NO_SELF_START", event.text)
            require(new != RUNNING or (act == "start" and self.armed), "NO_SELF_START", event.text)
            require(new != RUNNING or not self.timed_out, "TIME_OUT_VENTS", event.text)
            self.armed, self.live = new == "ARMED", new == RUNNING

    # ---- what is true

    @property
    def _low(self) -> bool:
        return self.bench.plant.specimen_pa < self.rig.vent.limit_pa + NOISE_PA

    def look(self) -> None:
        plant, fault = self.bench.plant, any(map(self._is_near, self.faults))
        open_prompt = self.world.engine.questions.prompt
        if open_prompt is not None and open_prompt.field in (*AT_THE_CAP, SHUT) and not fault:
            words = f"{open_prompt.text}: {plant.specimen_pa:.0f} Pa"
            require(self._low and not self.live, "HANDS_ONLY_AT_ZERO", words)
        if not fault:
            limit_pa = (1.0 + OVER) * self.step.pressure_pa
            limit_pa = limit_pa if self.turned else max(limit_pa, MAINS_PA)  # a fill may bring all the mains have
            require(plant.specimen_pa <= limit_pa, "PRESSURE_AS_ASKED", f"{plant.specimen_pa:.0f} Pa")
            require(plant.inlet_open < 0.5 or self.caged, "CAGE_IS_ON", "the inlet opens")
            require(self.live or plant.inlet_open < 1.0, "NO_SELF_START", "the inlet is open and nobody started")

    def _is_near(self, text: str) -> bool:
        begins_s = float(text.partition("@")[2])
        return begins_s - 0.1 <= self.bench.plant.t_s <= begins_s + TRACE_S

    def hands(self, what: str) -> None:
        """Somebody turns the cap now."""
        self.turned = True
        if any(map(self._is_near, self.faults)):
            return
        plant = self.bench.plant
        require(self._low and plant.vent_open > 0.9, "TURN_ONLY_VENTED", f"{what} at {plant.specimen_pa:.0f} Pa")

    def _judge(self) -> None:
        result = self.result
        require(result is not None and self._low, "LIVENESS", "the run is over and the line is not at zero")
        told = dict(result.data)
        tight = [turns for turns, verdict in self.marks if verdict == "tight"]
        leaking = [turns for turns, verdict in self.marks if verdict == "leaking"]
        crossed = bool(tight and leaking and max(tight) >= min(leaking))
        require(crossed == (told.get("onset_censoring") == "not monotone"), "NO_ONSET_WITHOUT_ORDER", f"{self.marks}")
        has_onset = told.get("onset_low_turns") is not None
        require(not (crossed and (has_onset or result.outcome == "leak_onset")), "NO_ONSET_WITHOUT_ORDER", f"{told}")
        ended = result.outcome in ("stopped", "tripped", "sensor")
        require(not self.timed_out or ended, "TIME_OUT_VENTS", result.outcome)
        if self.plain and has_onset:
            self._hold_onset(told)

    def _hold_onset(self, told: dict[str, object]) -> None:
        """The seal sets a little with each loosening, so of several loosenings the onset is one of a stretch."""
        first = self.bench.cap.seal.onset_turns
        last = self.bench.cap.onset_turns
        low, high = told["onset_low_turns"], told["onset_high_turns"]
        holds = low <= first and (high is None or last <= high)
        require(holds, "ONSET_HOLDS_THE_TRUTH", f"{low} to {high}, in truth {last:.4f} to {first:.4f}")


class WatchedWorld(World):
    """Also with somebody who presses any key now and then."""

    def __init__(self, night: LeakNight, *parts: object) -> None:
        self._night = night
        super().__init__(*parts)
        self._opening = OpeningWatch(night.rig) if not night.faults else None
        turn = self.loop.turn

        def watched(message: object) -> tuple[Output, ...]:
            said = turn(message)
            for output in said:
                night.hear(message, output)
            if self._opening is not None:
                self._opening.turned(message, said)
            return said

        self.loop = _Turns(watched, self.loop.flush)

    def _person_acts(self) -> None:
        night = self._night
        if night.chance.random() < night.meddles and not self.engine.done:
            act = night.chance.choice(("arm", "start", "hold", "resume", "vent", "stop", "mark", "reset", "hand_check"))
            self._act(act)
        super()._person_acts()


class _Turns:
    """The loop, seen from the world."""

    def __init__(self, turn: object, flush: object) -> None:
        self.turn, self.flush = turn, flush


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    return LeakNight(seed).play()
