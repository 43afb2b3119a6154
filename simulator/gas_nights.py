"""Simulated nights of leak tests with gas: one engine, one dry body, and whatever moves its pressure besides a leak.

A seed draws scan rate, times, limit, the leak, room, weather, creep and drift within what the profile states, faults,
a neighbour that wants the chamber, and somebody who may press any key. The judge sees what truly leaks and the true
pressure; of the engine it takes what was said. A night is a pure function of its seed.
"""

from dataclasses import replace
from random import Random

from rigd.files.load import find, load_profile, load_rig
from rigd.model.gas import GasLeak
from rigd.model.messages import Judgement
from rigd.model.specimen import Specimen
from rigd.model.states import RUNNING
from simulator.bench_night import BENCH_PROMISES, BenchNight
from simulator.gas_bench import GasPlant
from simulator.night import Report
from simulator.person import Person

GAS_PROMISES = BENCH_PROMISES | {
    "LEAK_HOLDS_THE_TRUTH": "where a leak is told in numbers they hold the true one",
    "VERDICT_IS_EARNED": "what is called tight leaks no more than it may, what is called leaking more, but for doubt",
    "JUDGED_ONCE": "a body of gas is judged at most once, and the result tells that judgement",
    "PRESSURE_AS_ASKED": "the true pressure is never above what the profile asks for by more than its control allows",
    "NOBODY_IS_ASKED": "no question is open while there is gas under pressure in the body",
}
S = 1_000_000_000
SURE = 4.0  # standard uncertainties
DOUBT = 3.0  # standard uncertainties by which the truth may lie beyond the limit of a verdict
OVER = 0.25  # of the test pressure: what the loop may overshoot on a lively rig
LATEST_S = 900.0


class WatchedGas(GasPlant):
    """The plant, with the judge looking on whenever time passes. It is its own bench."""

    night: "GasNight"

    @property
    def plant(self) -> "WatchedGas":
        return self

    def advance(self, dt_s: float) -> None:
        super().advance(dt_s)
        self.night.look()


class GasNight(BenchNight):
    judges, promises = "gas", GAS_PROMISES

    def __init__(self, seed: int) -> None:
        super().__init__(seed, Random(f"{seed}/gas night"))
        chance = self.chance
        rig, profile = load_rig(find("demo-gas", "rig")), load_profile(find("gas-leak", "profile"))
        scan_ns = chance.choice((S // 10, S // 20))
        devices = tuple(replace(device, scan_ns=scan_ns) for device in rig.devices)
        (self.at,) = (at for at, step in enumerate(profile.steps) if type(step) is GasLeak)
        step = profile.steps[self.at]
        self.step = replace(
            step, settle_ns=chance.choice((1, 3)) * 60 * S, dwell_ns=chance.choice((2, 5, 10)) * 60 * S,
            limit_mol_per_s=chance.choice((1.0, 3.0, 10.0)) * step.limit_mol_per_s,
        )  # fmt: skip
        steps = tuple(self.step if at == self.at else each for at, each in enumerate(profile.steps))
        self.calls = chance.choice((0.0, 0.0, 0.0005))
        self.began_s = 0.0
        self.draw_wrongs(LATEST_S)
        rig = replace(rig, devices=devices, stations=2, station=1)
        bench = WatchedGas(rig, self.step, seed=seed, faults=self.faults)
        specimen = Specimen(id="x", facts=(), volume_m3=0.0)
        self.place(rig, replace(profile, steps=steps), specimen, bench, Person("P. Person", seed))

    def hear_judgement(self, judgement: Judgement) -> None:
        data, truth = dict(judgement.data), self.bench.leak_mol_per_s
        u = data.get("gas_leak_u_mol_per_s")
        if u is None:
            self.require(judgement.verdict != "tight", "VERDICT_IS_EARNED", judgement.text)
            return
        told, limit = data["gas_leak_mol_per_s"], self.step.limit_mol_per_s
        words = f"{told:.3g} mol/s, u {u:.2g}, limit {limit:.3g}, in truth {truth:.3g}"
        self.require(abs(told - truth) <= SURE * u, "LEAK_HOLDS_THE_TRUTH", words)
        self.require(judgement.verdict != "tight" or truth <= limit + DOUBT * u, "VERDICT_IS_EARNED", words)
        self.require(judgement.verdict != "leaking" or truth >= limit - DOUBT * u, "VERDICT_IS_EARNED", words)

    def look(self) -> None:
        super().look()
        engine, pressure_pa = self.world.engine, self.bench.specimen_pa
        if engine.step_at != self.at:
            self.began_s = self.bench.t_s
        if self.is_struck:
            return
        most_pa = (1.0 + OVER) * self.step.pressure_pa
        self.require(pressure_pa <= most_pa, "PRESSURE_AS_ASKED", f"{pressure_pa:.0f} Pa")
        if engine.step_at == self.at:
            asks = engine.questions.prompt is not None and engine.state == RUNNING
            self.require(not asks, "NOBODY_IS_ASKED", f"{pressure_pa:.0f} Pa")
            self.must_give_way(self.began_s)

    def judge(self) -> None:
        told = dict(self.result.data).get("gas_leak_verdict")
        verdicts = [judgement.verdict for judgement in self.judged]
        self.require(len(verdicts) <= 1, "JUDGED_ONCE", f"{verdicts}")
        self.require(told == (verdicts[0] if verdicts else None), "JUDGED_ONCE", f"{verdicts}, told {told}")


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    return GasNight(seed).play()
