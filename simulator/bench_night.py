"""What nights of one bench have in common: one engine, one plant, somebody at it, and what every run there must keep.

A night of a kind of test draws its profile and its people, and adds what that test promises.
"""

import hashlib
from random import Random

from rigd.model.messages import Event, Judgement, OperatorAction, Output, Result
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from rigd.model.states import RUNNING
from rigd.store.journal import BlockBuilder, identity
from simulator.bodies import PSI
from simulator.leak_nights import FAULTS, TRACE_S, WatchedWorld
from simulator.night import Report
from simulator.promises import Violation
from simulator.world import Names

BENCH_PROMISES = {
    "HANDS_ONLY_AT_ZERO": "a question that has hands in is open only while the line is truly at zero",
    "TIME_OUT_VENTS": "a question of the test that nobody answers in time ends the run, vented",
    "NO_SELF_START": "pressure only after a named arm and a named start since boot, pause, trip or vent",
    "LIVENESS": "every run comes to a result within the hour, and then the line is truly at zero",
}
S = 1_000_000_000
NOISE_PA = 2.0 * PSI


class BenchNight:
    judges = ""  # kind of Judgement of this test
    asks = ""  # how the questions of this test begin
    world_of = WatchedWorld
    promises = BENCH_PROMISES

    def __init__(self, seed: int, chance: Random) -> None:
        self.seed, self.chance = seed, chance
        self.digest = hashlib.sha256()
        self.armed = self.live = self.timed_out = False
        self.judged: list[Judgement] = []
        self.result: Result | None = None

    def draw_wrongs(self) -> None:
        """Somebody who presses any key, and faults."""
        chance = self.chance
        self.meddles = chance.choice((0.0, 0.0, 0.01))
        struck = range(chance.choice((0, 0, 1, 2)))
        self.faults = tuple(f"{chance.choice(FAULTS)}@{chance.uniform(5.0, 150.0):.2f}" for _ in struck)

    def place(self, rig: Rig, profile: Profile, specimen: Specimen, bench: object, person: object) -> None:
        bench.night = self
        self.rig, self.bench = rig, bench
        self.world = self.world_of(
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

    def _hear_event(self, act: str, event: Event) -> None:
        if event.kind == "prompt_done" and "timed out" in event.text and event.text.startswith(self.asks):
            self.timed_out = self.live is False and self.result is None
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
