"""Simulated nights of flush-direction tests: one engine, one drain that is aimed, and people who do it well or badly.

A seed draws scan rate, aims, time of the stream, the drain, the technician's care, faults and somebody who may press
any key. The judge sees the true pressure, when hands are at the drain and where it truly points; of the engine it takes
what was said. A night is a pure function of its seed.
"""

from dataclasses import replace
from random import Random

from rigd.files.load import find, load_profile, load_rig
from rigd.model.flush import Flush
from rigd.model.specimen import Specimen
from simulator.bench_night import BENCH_PROMISES, BenchNight
from simulator.drain_bench import CARE, Aimer, DrainBench
from simulator.night import Report

FLUSH_PROMISES = BENCH_PROMISES | {
    "ERROR_HOLDS_THE_TRUTH": "with somebody obedient and no faults the mean error is the drain's own, nearly",
    "AIMS_TOLD_ONCE": "every stream that was made is judged once, in order, and measured and undecided make up all",
    "AIM_ONLY_VENTED": "the drain is aimed only while the line is truly at zero and its vent truly open",
    "PRESSURE_AS_ASKED": "once a drain was aimed the true pressure is never above what stream and control allow",
}
S = 1_000_000_000
OVER = 0.25  # of the pressure of the stream: what the loop may overshoot on a lively rig
NEARLY_DEG = 2.5  # reading and setting of a dozen aims, several standard deviations of their mean


class WatchedDrain(DrainBench):
    """The bench, with the judge looking on whenever time passes and whenever the drain is aimed."""

    night: "FlushNight"

    def advance(self, dt_s: float) -> None:
        super().advance(dt_s)
        self.night.look()

    def aim(self, sector_deg: float, *, points_deg: float, empty: bool) -> None:
        self.night.hands(sector_deg)
        super().aim(sector_deg, points_deg=points_deg, empty=empty)


class FlushNight(BenchNight):
    judges, asks, promises = "aim", "Aim ", FLUSH_PROMISES

    def __init__(self, seed: int) -> None:
        super().__init__(seed, Random(f"{seed}/flush night"))
        chance = self.chance
        rig, profile = load_rig(find("demo-flush", "rig")), load_profile(find("flush-direction", "profile"))
        scan_ns = chance.choice((S // 10, S // 20))
        rig = replace(rig, devices=tuple(replace(device, scan_ns=scan_ns) for device in rig.devices))
        step = next(step for step in profile.steps if type(step) is Flush)
        self.step = replace(step, repeats=chance.choice((1, 2)), duration_ns=chance.choice((3 * S, 8 * S)))
        steps = tuple(self.step if type(each) is Flush else each for each in profile.steps)
        self.care = chance.choice(("obedient", "careless"))
        self.draw_wrongs()
        bench = WatchedDrain(rig, seed=seed, half_width_deg=step.half_width_deg, faults=self.faults)
        self.aimed = False  # before that there are fill and proof, with pressures of their own
        specimen, aimer = Specimen(id="x", facts=(), volume_m3=0.0), Aimer("P. Person", seed, bench, CARE[self.care])
        self.place(rig, replace(profile, steps=steps), specimen, bench, aimer)

    def look(self) -> None:
        super().look()
        pressure_pa, most_pa = self.bench.plant.specimen_pa, (1.0 + OVER) * self.step.pressure_pa
        fine = self.is_struck or not self.aimed or pressure_pa <= most_pa
        self.require(fine, "PRESSURE_AS_ASKED", f"{pressure_pa:.0f} Pa")

    def hands(self, sector_deg: float) -> None:
        """Somebody turns the drain now."""
        self.aimed = True
        if not self.is_struck:
            is_open = self.bench.plant.vent_open > 0.9
            self.require(self.low and is_open and not self.live, "AIM_ONLY_VENTED", f"to {sector_deg:g} deg")

    def judge(self) -> None:
        result, told = self.result, dict(self.result.data)
        numbers = [judgement.number for judgement in self.judged]
        self.require(numbers == sorted(set(numbers)), "AIMS_TOLD_ONCE", f"{numbers}")
        made, measured = told.get("aims_made") or 0, told.get("aims_measured") or 0
        counted = measured + (told.get("aims_undecided") or 0)
        self.require(counted == len(numbers) and made - 1 <= counted <= made, "AIMS_TOLD_ONCE", f"{numbers}, {told}")
        sound = result.outcome == "aimed" and not self.faults and not self.meddles and self.care == "obedient"
        if sound:
            self.require(measured == self.step.aims, "AIMS_TOLD_ONCE", f"{measured} of {self.step.aims} measured")
            errors = [float(dict(judgement.data)["error_deg"]) for judgement in self.judged]
            off = sum(errors) / len(errors) - self.bench.drain.bias_deg  # small angles: no circle is needed
            self.require(-NEARLY_DEG <= off <= NEARLY_DEG, "ERROR_HOLDS_THE_TRUTH", f"{off:+.2f} deg off")


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    return FlushNight(seed).play()
