"""Simulated nights of flush-direction tests: one engine, one drain that is aimed, and people who do it well or badly.

A seed draws scan rate, aims, time of the stream, the drain, the technician's care, faults and somebody who may press
any key. The judge sees the true pressure, when hands are at the drain and where it truly points; of the engine it takes
what was said. A night is a pure function of its seed.
"""

import hashlib
from dataclasses import replace
from random import Random

from rigd.files.load import find, load_profile, load_rig
from rigd.model.flush import Flush
from rigd.model.messages import Event, Judgement, OperatorAction, Output, Result
from rigd.model.specimen import Specimen
from rigd.model.states import RUNNING
from rigd.store.journal import BlockBuilder, identity
from simulator.bodies import PSI
from simulator.drain_bench import CARE, Aimer, DrainBench
from simulator.leak_nights import FAULTS, TRACE_S, WatchedWorld
from simulator.night import Report
from simulator.promises import Violation
from simulator.world import Names

FLUSH_PROMISES = {
    "ERROR_HOLDS_THE_TRUTH": "with somebody obedient and no faults the mean error is the drain's own, nearly",
    "AIMS_TOLD_ONCE": "every stream that was made is judged once, in order, and measured and undecided make up all",
    "HANDS_ONLY_AT_ZERO": "a question that has hands in is open only while the line is truly at zero",
    "AIM_ONLY_VENTED": "the drain is aimed only while the line is truly at zero and its vent truly open",
    "TIME_OUT_VENTS": "a question of the test that nobody answers in time ends the run, vented",
    "PRESSURE_AS_ASKED": "once a drain was aimed the true pressure is never above what stream and control allow",
    "NO_SELF_START": "pressure only after a named arm and a named start since boot, pause, trip or vent",
    "LIVENESS": "every run comes to a result within the hour, and then the line is truly at zero",
}
S = 1_000_000_000
NOISE_PA = 2.0 * PSI
OVER = 0.25  # of the pressure of the stream: what the loop may overshoot on a lively rig
NEARLY_DEG = 2.5  # reading and setting of a dozen aims, several standard deviations of their mean


def require(holds: object, name: str, words: str = "") -> None:
    if not holds:
        raise Violation(name, words, FLUSH_PROMISES)


class WatchedDrain(DrainBench):
    """The bench, with the judge looking on whenever time passes and whenever the drain is aimed."""

    night: "FlushNight"

    def advance(self, dt_s: float) -> None:
        super().advance(dt_s)
        self.night.look()

    def aim(self, sector_deg: float, *, points_deg: float, empty: bool) -> None:
        self.night.hands(sector_deg)
        super().aim(sector_deg, points_deg=points_deg, empty=empty)


class FlushNight:
    def __init__(self, seed: int) -> None:
        self.seed, self.chance = seed, Random(f"{seed}/flush night")
        chance = self.chance
        rig, profile = load_rig(find("demo-flush", "rig")), load_profile(find("flush-direction", "profile"))
        scan_ns = chance.choice((S // 10, S // 20))
        self.rig = replace(rig, devices=tuple(replace(device, scan_ns=scan_ns) for device in rig.devices))
        step = next(step for step in profile.steps if type(step) is Flush)
        self.step = replace(step, repeats=chance.choice((1, 2)), duration_ns=chance.choice((3 * S, 8 * S)))
        steps = tuple(self.step if type(each) is Flush else each for each in profile.steps)
        self.care = chance.choice(("obedient", "careless"))
        self.meddles = chance.choice((0.0, 0.0, 0.01))
        struck = range(chance.choice((0, 0, 1, 2)))
        self.faults = tuple(f"{chance.choice(FAULTS)}@{chance.uniform(5.0, 150.0):.2f}" for _ in struck)
        self.bench = WatchedDrain(self.rig, seed=seed, half_width_deg=step.half_width_deg, faults=self.faults)
        self.bench.night = self
        self.digest = hashlib.sha256()
        self.armed = self.live = self.timed_out = False
        self.aimed = False  # before that there are fill and proof, with pressures of their own
        self.judged: list[Judgement] = []
        self.result: Result | None = None
        self.world = WatchedWorld(
            self, self.rig, replace(profile, steps=steps), Specimen(id="x", facts=(), volume_m3=0.0), self.bench,
            Aimer("P. Person", seed, self.bench, CARE[self.care]),
            BlockBuilder(identity(run=1, version="night", files=())), self.digest.update,
            Names(run=1, utc_ns=10**18, version="night"),
        )  # fmt: skip

    @property
    def now_ns(self) -> int:
        return self.world.t_ns

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

    def hear(self, message: object, output: Output) -> None:
        kind = type(output)
        if kind is Judgement and output.kind == "aim":
            self.judged.append(output)
        elif kind is Result:
            self.result = output
        elif kind is Event:
            self._hear_event(message.act if type(message) is OperatorAction else "", output)

    def _hear_event(self, act: str, event: Event) -> None:
        if event.kind == "prompt_done" and "timed out" in event.text and event.text.startswith("Aim "):
            self.timed_out = self.live is False and self.result is None
        elif event.kind == "trip":
            self.armed = self.live = False
        elif event.kind == "state":
            new = dict(event.data)["to"]
            require(new != "ARMED" or act == "arm", "NO_SELF_START", event.text)
            require(new != RUNNING or (act == "start" and self.armed), "NO_SELF_START", event.text)
            require(new != RUNNING or not self.timed_out, "TIME_OUT_VENTS", event.text)
            self.armed, self.live = new == "ARMED", new == RUNNING

    @property
    def _low(self) -> bool:
        return self.bench.plant.specimen_pa < self.rig.vent.limit_pa + NOISE_PA

    @property
    def _is_struck(self) -> bool:
        now_s = self.bench.plant.t_s
        return any(-0.1 <= now_s - float(text.partition("@")[2]) <= TRACE_S for text in self.faults)

    def look(self) -> None:
        if self._is_struck:
            return
        plant, question = self.bench.plant, self.world.engine.questions
        if question.has_hands_in:
            require(self._low and not self.live, "HANDS_ONLY_AT_ZERO", f"{plant.specimen_pa:.0f} Pa")
        most_pa = (1.0 + OVER) * self.step.pressure_pa
        require(plant.specimen_pa <= most_pa or not self.aimed, "PRESSURE_AS_ASKED", f"{plant.specimen_pa:.0f} Pa")
        require(self.live or plant.inlet_open < 1.0, "NO_SELF_START", "the inlet is open and nobody started")

    def hands(self, sector_deg: float) -> None:
        """Somebody turns the drain now."""
        self.aimed = True
        if not self._is_struck:
            is_open = self.bench.plant.vent_open > 0.9
            require(self._low and is_open and not self.live, "AIM_ONLY_VENTED", f"to {sector_deg:g} deg")

    def _judge(self) -> None:
        result = self.result
        require(result is not None and self._low, "LIVENESS", "the run is over and the line is not at zero")
        told = dict(result.data)
        numbers = [judgement.number for judgement in self.judged]
        require(numbers == sorted(set(numbers)), "AIMS_TOLD_ONCE", f"{numbers}")
        made, measured = told.get("aims_made") or 0, told.get("aims_measured") or 0
        counted = measured + (told.get("aims_undecided") or 0)
        require(counted == len(numbers) and made - 1 <= counted <= made, "AIMS_TOLD_ONCE", f"{numbers}, {told}")
        sound = result.outcome == "aimed" and not self.faults and not self.meddles and self.care == "obedient"
        if sound:
            require(measured == self.step.aims, "AIMS_TOLD_ONCE", f"{measured} of {self.step.aims} measured")
            errors = [float(dict(judgement.data)["error_deg"]) for judgement in self.judged]
            off = sum(errors) / len(errors) - self.bench.drain.bias_deg  # small angles: no circle is needed
            require(-NEARLY_DEG <= off <= NEARLY_DEG, "ERROR_HOLDS_THE_TRUTH", f"{off:+.2f} deg off")


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    return FlushNight(seed).play()
