"""Simulated nights of air checks: one engine, one body with air in it, and people who bleed it well, badly or late.

A seed draws scan rate, by meter or by strokes, what is allowed, how much air there is, the hands, faults, a neighbour
that wants the chamber, and somebody who may press any key. The judge sees how much air there truly is; of the engine it
takes what was said. A night is a pure function of its seed.
"""

from dataclasses import dataclass, replace
from random import Random

from rigd.files.load import find, load_profile, load_rig
from rigd.model.air import METER, STROKES, AirCheck
from rigd.model.messages import Judgement
from rigd.model.specimen import Specimen
from simulator.bench_night import BENCH_PROMISES, BenchNight
from simulator.cap_bench import CapBench
from simulator.night import Report
from simulator.person import DONE, Person, Question
from simulator.transducers import ATMOSPHERE_PA

AIR_PROMISES = BENCH_PROMISES | {
    "AIR_HOLDS_THE_TRUTH": "what is told of the air holds what there is, with somebody careful, whatever else struck",
    "VERDICT_IS_EARNED": "what passed has no more air than is allowed, what failed has more, but for the uncertainty",
    "TRIES_TOLD_ONCE": "tries are judged once and in order, no more than are allowed, and bled between",
    "ENDS_AS_JUDGED": "nothing comes after a check that did not pass, and the result tells the last check",
    "PRESSURE_AS_ASKED": "the true pressure of a check by meter is never above what it and its control allow",
}
S = 1_000_000_000
SURE = 4.0  # standard uncertainties
OVER = 0.25  # of the highest pressure: what the loop may overshoot on a lively rig
STROKE_M3, STROKE_U = 0.2e-6, 0.01
STROKE_TEXT, BLEED_TEXT = "Air check: give stroke", "Open the bleed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """How somebody works."""

    leaves: tuple[float, float]  # part of the air that a bleeding leaves
    forgets: float  # chance of confirming a stroke that was not given
    slowest_s: float


CARE = {
    "careful": Care(leaves=(0.1, 0.4), forgets=0.0, slowest_s=2.0),
    "hasty": Care(leaves=(0.6, 1.0), forgets=0.1, slowest_s=1.0),
    "late": Care(leaves=(0.1, 0.4), forgets=0.0, slowest_s=80.0),
}


class WatchedBody(CapBench):
    """The bench, with the judge looking on whenever time passes, and hands that pump and bleed."""

    night: "AirNight"

    def advance(self, dt_s: float) -> None:
        super().advance(dt_s)
        self.night.look()

    @property
    def air_m3(self) -> float:
        return self.plant.water.air_j / ATMOSPHERE_PA

    def stroke(self, volume_m3: float) -> None:
        water = self.plant.water
        water.water_m3 += volume_m3
        self.plant.specimen_pa = water.settle()

    def bleed(self, leaves: float) -> None:
        self.plant.water.trapped_j *= leaves


class Bleeder:
    """A simulated person at the pump and the bleed. The same name, seed and care do the same."""

    def __init__(self, name: str, seed: int, bench: WatchedBody, care: Care) -> None:
        self.name, self.bled = name, 0
        self._bench, self._care, self._person = bench, care, Person(name, seed)
        self._chance = Random(f"{seed}/{name}/air")

    @property
    def hesitates_ns(self) -> int:
        return int(self._chance.uniform(0.2, 1.0) * self._care.slowest_s * 1e9)

    def sees(self, truth: object, t_s: float) -> str | None:
        del truth, t_s
        return None

    def says(self, prompt: Question, seen: str) -> str:
        if prompt.text.startswith(STROKE_TEXT):
            if self._chance.random() >= self._care.forgets:
                self._bench.stroke(STROKE_M3 * self._chance.gauss(1.0, STROKE_U / 10.0))
            return DONE
        if prompt.text.startswith(BLEED_TEXT):
            self.bled += 1
            self._bench.bleed(self._chance.uniform(*self._care.leaves))
            return DONE
        return self._person.says(prompt, seen)


class AirNight(BenchNight):
    judges, asks, promises = "air", ("Open the bleed", "Shut the bleed", "Air check"), AIR_PROMISES

    def __init__(self, seed: int) -> None:
        super().__init__(seed, Random(f"{seed}/air night"))
        chance = self.chance
        rig, profile = load_rig(find("demo-leak", "rig")), load_profile(find("air-check", "profile"))
        scan_ns = chance.choice((S // 10, S // 20))
        devices = tuple(replace(device, scan_ns=scan_ns) for device in rig.devices)
        (self.at,) = (at for at, step in enumerate(profile.steps) if type(step) is AirCheck)
        self.step = self._draw_step(profile.steps[self.at])
        steps = tuple(self.step if at == self.at else each for at, each in enumerate(profile.steps))
        self.care = chance.choice(tuple(CARE))
        self.calls = chance.choice((0.0, 0.0, 0.002))  # a beat: that a neighbour asks
        self.began_s = 0.0
        self.draw_wrongs()
        self.came_down = False  # the fill before it leaves the pressure of the mains
        bench = WatchedBody(rig, seed=seed, test_pa=2e5, faults=self.faults)
        bench.plant.water.trapped_j *= chance.uniform(0.2, 3.0)
        self.person = Bleeder("P. Person", seed, bench, CARE[self.care])
        self.place(
            replace(rig, devices=devices, stations=2, station=1), replace(profile, steps=steps),
            Specimen(id="x", facts=(), volume_m3=0.0), bench, self.person,
        )  # fmt: skip

    def _draw_step(self, step: AirCheck) -> AirCheck:
        chance = self.chance
        most_m3 = chance.choice((0.0, 1.5e-6, 2.5e-6))
        tries = chance.choice((1, 2, 3)) if most_m3 else 1
        step = replace(step, settle_ns=chance.choice((1, 3)) * S, most_m3=most_m3, tries=tries, hands_ns=60 * S)
        if chance.random() < 0.6:
            return step
        return replace(
            step, added_by=STROKES, pressures_pa=(), ramp_pa_per_s=0.0, strokes=chance.choice((5, 6)),
            stroke_m3=STROKE_M3, volume_u=STROKE_U, answer_ns=30 * S,
        )  # fmt: skip

    def hear_judgement(self, judgement: Judgement) -> None:
        true_m3, data = self.bench.air_m3, dict(judgement.data)
        if data["why"] or self.care == "hasty":
            return
        told_m3, u_m3 = data["free_air_m3"], data["free_air_u_m3"]
        words = f"{1e6 * told_m3:.2f} mL, u {1e6 * u_m3:.2f}, in truth {1e6 * true_m3:.2f}"
        self.require(abs(told_m3 - true_m3) <= SURE * u_m3, "AIR_HOLDS_THE_TRUTH", words)
        most_m3, doubt_m3 = self.step.most_m3, 2.0 * u_m3
        self.require(judgement.verdict != "passed" or true_m3 <= most_m3 + doubt_m3, "VERDICT_IS_EARNED", words)
        self.require(judgement.verdict != "failed" or true_m3 >= most_m3 - doubt_m3, "VERDICT_IS_EARNED", words)

    def look(self) -> None:
        super().look()
        engine, plant = self.world.engine, self.bench.plant
        if engine.step_at != self.at:
            self.began_s = plant.t_s
        if self.is_struck or engine.step_at != self.at:
            return
        if self.step.added_by == METER:
            is_over = plant.specimen_pa > (1.0 + OVER) * self.step.pressures_pa[-1]
            self.require(not (is_over and self.came_down), "PRESSURE_AS_ASKED", f"{plant.specimen_pa:.0f} Pa")
            self.came_down = self.came_down or not is_over
        self.must_give_way(self.began_s)

    def judge(self) -> None:
        result, told = self.result, [judgement.number for judgement in self.judged]
        self.require(told == list(range(1, len(told) + 1)), "TRIES_TOLD_ONCE", f"{told}")
        self.require(len(told) <= self.step.tries, "TRIES_TOLD_ONCE", f"{told} of {self.step.tries}")
        self.require(self.person.bled >= len(told) - 1, "TRIES_TOLD_ONCE", f"{told}, bled {self.person.bled} times")
        verdicts = [judgement.verdict for judgement in self.judged]
        done = bool(verdicts) and (verdicts[-1] in ("passed", "measured") or not self.step.most_m3)
        self.require(not any(verdict == "passed" for verdict in verdicts[:-1]), "ENDS_AS_JUDGED", f"{verdicts}")
        self.require(result.outcome != "air_checked" or done, "ENDS_AS_JUDGED", f"{verdicts}")
        left = bool(verdicts) and not done and len(verdicts) == self.step.tries
        self.require(result.outcome != "air_left" or left, "ENDS_AS_JUDGED", f"{verdicts} of {self.step.tries}")
        last = dict(self.judged[-1].data).get("free_air_m3") if self.judged else None
        self.require(dict(result.data).get("free_air_m3") == last, "ENDS_AS_JUDGED", f"{last}, {dict(result.data)}")


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    return AirNight(seed).play()
