"""What nights of one bench have in common: one engine, one plant, somebody at it, and what every run there must keep.

A night of a kind of test draws its profile and its people, and adds what that test promises.
"""

import hashlib
from random import Random

from rigd.model.messages import Event, Judgement, Neighbours, OperatorAction, Output, Result
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from rigd.model.states import RUNNING
from rigd.store.journal import BlockBuilder, identity
from simulator.bodies import PSI
from simulator.night import Report
from simulator.open_invariants import OpeningWatch
from simulator.promises import Violation
from simulator.world import Names, World

BENCH_PROMISES = {
    "HANDS_ONLY_AT_ZERO": "a question that has hands in is open only while the line is truly at zero",
    "TIME_OUT_VENTS": "a question of the test that nobody answers in time ends the run, vented",
    "NO_SELF_START": "pressure only after a named arm and a named start since boot, pause, trip or vent",
    "GIVES_WAY": "a neighbour that wants hands in the chamber soon finds this line truly at zero, until it is done",
    "LIVENESS": "every run comes to a result within the hour, and then the line is truly at zero",
}
S = 1_000_000_000
NOISE_PA = 2.0 * PSI
TRACE_S = 13.0  # a fault of these is seen, and over, within this time
FAULTS = ("door_opened", "emergency_stop", "sensor_spike", "regulator_hiccup")
VENTED_S = 15.0  # after this a neighbour finds the line at zero: the vent and its proof
MOST_CALLS = 3  # in one night: a test that begins anew after each must come to its end
CALLS_S = (5.0, 60.0)  # for so long a neighbour has hands in the chamber


class _Turns:
    """The loop, seen from the world."""

    def __init__(self, turn: object, flush: object) -> None:
        self.turn, self.flush = turn, flush


class WatchedWorld(World):
    """Also with somebody who presses any key now and then, and a neighbour that wants hands in the chamber."""

    def __init__(self, night: "BenchNight", *parts: object) -> None:
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
        if not self.engine.done:
            if night.chance.random() < night.meddles:
                keys = ("arm", "start", "hold", "resume", "vent", "stop", "mark", "reset", "hand_check")
                self._act(night.chance.choice(keys))
            if night.calls and (night.calls_left or night.called_s is not None):
                self._neighbour_calls()
        super()._person_acts()

    def _neighbour_calls(self) -> None:
        night, now_s = self._night, self._night.bench.plant.t_s
        if night.called_s is None and night.chance.random() < night.calls:
            night.called_s, night.done_s = now_s, now_s + night.chance.uniform(*CALLS_S)
            night.calls_left -= 1
        elif night.called_s is not None and now_s >= night.done_s:
            night.called_s = None
        else:
            return
        hands = night.called_s is not None
        self._turn(lambda seq, t_ns: Neighbours(seq=seq, t_ns=t_ns, pressurised=0, hands=hands))


class BenchNight:
    judges = ""  # kind of Judgement of this test
    asks = ""  # how the questions of this test begin
    promises = BENCH_PROMISES

    def __init__(self, seed: int, chance: Random) -> None:
        self.seed, self.chance = seed, chance
        self.digest = hashlib.sha256()
        self.armed = self.live = self.timed_out = False
        self.calls, self.calls_left = 0.0, MOST_CALLS  # chance of a neighbour's call whenever the person looks
        self.called_s: float | None = None
        self.done_s = 0.0
        self.judged: list[Judgement] = []
        self.result: Result | None = None

    def draw_wrongs(self, latest_s: float = 150.0) -> None:
        """Somebody who presses any key, and faults up to this time."""
        chance = self.chance
        self.meddles = chance.choice((0.0, 0.0, 0.01))
        struck = range(chance.choice((0, 0, 1, 2)))
        self.faults = tuple(f"{chance.choice(FAULTS)}@{chance.uniform(5.0, latest_s):.2f}" for _ in struck)

    def place(self, rig: Rig, profile: Profile, specimen: Specimen, bench: object, person: object) -> None:
        bench.night = self
        self.rig, self.bench = rig, bench
        self.world = WatchedWorld(
            self, rig, profile, specimen, bench, person, BlockBuilder(identity(run=1, version="night", files=())),
            self.digest.update, Names(run=1, utc_ns=10**18, version="night"),
        )  # fmt: skip

    def require(self, holds: object, name: str, words: str = "") -> None:
        if not holds:
            raise Violation(name, words, self.promises)

    @property
    def now_ns(self) -> int:
        return self.world.t_ns

    def play(self) -> Report:
        try:
            self.world.run()
            self.require(self.result is not None and self.low, "LIVENESS", "the run is over, the line not at zero")
            self.judge()
        except Violation as violation:
            violation.night = self
            raise
        assert self.result is not None
        return Report(
            seed=self.seed, simulated_s=self.now_ns / 1e9, runs=1, strikes=len(self.faults), together=len(self.faults),
            head=self.digest.hexdigest(), outcomes=(self.result.outcome,),
        )  # fmt: skip

    def judge(self) -> None:
        """The run is over: what this kind of test promises."""

    # ---- what is said

    def hear(self, message: object, output: Output) -> None:
        kind = type(output)
        if kind is Judgement and output.kind == self.judges:
            self.judged.append(output)
            self.hear_judgement(output)
        elif kind is Result:
            self.result = output
        elif kind is Event:
            self._hear_event(message.act if type(message) is OperatorAction else "", output)

    def hear_judgement(self, judgement: Judgement) -> None:
        """A part of the test is judged, at this moment."""

    def hear_answer(self, event: Event) -> None:
        """A question is closed."""
        if "timed out" in event.text and event.text.startswith(self.asks):
            self.timed_out = not self.live and self.result is None

    def _hear_event(self, act: str, event: Event) -> None:
        if event.kind == "prompt_done":
            self.hear_answer(event)
        elif event.kind == "trip":
            self.armed = self.live = False
        elif event.kind == "state":
            new = dict(event.data)["to"]
            self.require(new != "ARMED" or act == "arm", "NO_SELF_START", event.text)
            self.require(new != RUNNING or (act == "start" and self.armed), "NO_SELF_START", event.text)
            self.require(new != RUNNING or not self.timed_out, "TIME_OUT_VENTS", event.text)
            self.armed, self.live = new == "ARMED", new == RUNNING

    # ---- what is true

    @property
    def low(self) -> bool:
        return self.bench.plant.specimen_pa < self.rig.vent.limit_pa + NOISE_PA

    @property
    def is_struck(self) -> bool:
        now_s = self.bench.plant.t_s
        return any(-0.1 <= now_s - float(text.partition("@")[2]) <= TRACE_S for text in self.faults)

    def look(self) -> None:
        """Time has passed."""
        if self.is_struck:
            return
        plant = self.bench.plant
        if self.world.engine.questions.has_hands_in:
            self.require(self.low and not self.live, "HANDS_ONLY_AT_ZERO", f"{plant.specimen_pa:.0f} Pa")
        self.require(self.live or plant.inlet_open < 1.0, "NO_SELF_START", "the inlet is open and nobody started")

    def must_give_way(self, since_s: float) -> None:
        """A neighbour has hands in the chamber, and this test could have given way since then."""
        plant = self.bench.plant
        if self.called_s is not None and plant.t_s - max(self.called_s, since_s) > VENTED_S:
            words = f"{plant.specimen_pa:.0f} Pa, live {self.live}"
            self.require(self.low and not self.live, "GIVES_WAY", words)
