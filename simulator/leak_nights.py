"""Simulated nights of cap-turn leak tests: one engine, one cap, and people who do it right, nearly right or badly.

A seed draws scan rate, marks, order, method, times, the seal, the technician's care, faults and somebody who may press
any key. The judge sees where the cap truly stands, what truly leaks, the true pressure and when hands are at the cap;
of the engine it takes what was said. A night is a pure function of its seed.
"""

from dataclasses import replace
from random import Random

from rigd.engine.turn_prompts import LOOSENED, RETAINED, SHUT, TIGHTENED, WIPED
from rigd.files.load import find, load_profile, load_rig
from rigd.model.leak import CapTurns
from rigd.model.messages import Event, Judgement, Output, Prompt
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from simulator.bench_night import BENCH_PROMISES, BenchNight
from simulator.cap_bench import CapBench
from simulator.night import Report
from simulator.plant import MAINS_PA
from simulator.technician import BLIND, HUMAN, OBEDIENT, Technician

LEAK_PROMISES = BENCH_PROMISES | {
    "ONSET_HOLDS_THE_TRUTH": "with somebody careful and no faults the widened interval holds the true onset",
    "NO_ONSET_WITHOUT_ORDER": "what leaked and was tight at a larger turn is given no onset, and nothing else is",
    "TURN_ONLY_VENTED": "a cap is turned only while the line is truly at zero and its vent truly open",
    "CAGE_IS_ON": "no pressure once hands were at the cap, before somebody has said that the cage is on",
    "PRESSURE_AS_ASKED": "the true pressure is never above what the profile asks for by more than its control allows",
}
S = 1_000_000_000
AT_THE_CAP = (TIGHTENED, LOOSENED, RETAINED, WIPED)
OVER = 0.25  # of the test pressure: what the loop may overshoot on a lively rig


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


class LeakNight(BenchNight):
    judges, promises = "turn", LEAK_PROMISES

    def __init__(self, seed: int) -> None:
        super().__init__(seed, Random(f"{seed}/leak night"))
        chance = self.chance
        rig, profile, self.step = draw(chance)
        self.care = chance.choice((OBEDIENT, HUMAN, BLIND, replace(HUMAN, slowest_ns=S // 2)))
        self.draw_wrongs()
        bench = WatchedCap(rig, seed=seed, test_pa=self.step.pressure_pa, faults=self.faults)
        self.turned = False
        self.caged = True  # before anybody is sent to the cap there is fill and proof, and no cage is asked for
        self.marks: list[tuple[float, str]] = []
        person = Technician("P. Person", seed, bench, self.care)
        self.place(rig, profile, Specimen(id="x", facts=(), volume_m3=0.0), bench, person)

    @property
    def plain(self) -> bool:
        """Nothing went wrong that would keep a careful person from the truth."""
        return not (self.faults or self.meddles or self.care is BLIND)

    # ---- what is said

    def hear(self, message: object, output: Output) -> None:
        super().hear(message, output)
        if type(output) is Prompt and output.field in (TIGHTENED, LOOSENED):
            self.caged = False

    def hear_judgement(self, judgement: Judgement) -> None:
        turns = float(dict(judgement.data)["turns"])
        self.marks += [(turns, judgement.verdict)] if turns > 0.0 else []

    def hear_answer(self, event: Event) -> None:
        data = dict(event.data)
        if data["field"] == RETAINED:
            self.caged = data["answer"] == "on"
        if "timed out" in event.text and data["field"] in (*AT_THE_CAP, SHUT, "leak_seen"):
            self.timed_out = True

    # ---- what is true

    def look(self) -> None:
        super().look()
        if self.is_struck:
            return
        plant, limit_pa = self.bench.plant, (1.0 + OVER) * self.step.pressure_pa
        limit_pa = limit_pa if self.turned else max(limit_pa, MAINS_PA)  # a fill may bring all the mains have
        self.require(plant.specimen_pa <= limit_pa, "PRESSURE_AS_ASKED", f"{plant.specimen_pa:.0f} Pa")
        self.require(plant.inlet_open < 0.5 or self.caged, "CAGE_IS_ON", "the inlet opens")

    def hands(self, what: str) -> None:
        """Somebody turns the cap now."""
        self.turned = True
        if self.is_struck:
            return
        plant = self.bench.plant
        self.require(self.low and plant.vent_open > 0.9, "TURN_ONLY_VENTED", f"{what} at {plant.specimen_pa:.0f} Pa")

    def judge(self) -> None:
        result = self.result
        told = dict(result.data)
        tight = [turns for turns, verdict in self.marks if verdict == "tight"]
        leaking = [turns for turns, verdict in self.marks if verdict == "leaking"]
        crossed = bool(tight and leaking and max(tight) >= min(leaking))
        says_so = told.get("onset_censoring") == "not monotone"
        self.require(crossed == says_so, "NO_ONSET_WITHOUT_ORDER", f"{self.marks}")
        has_onset = told.get("onset_low_turns") is not None
        invented = crossed and (has_onset or result.outcome == "leak_onset")
        self.require(not invented, "NO_ONSET_WITHOUT_ORDER", f"{told}")
        ended = result.outcome in ("stopped", "tripped", "sensor")
        self.require(not self.timed_out or ended, "TIME_OUT_VENTS", result.outcome)
        if self.plain and has_onset:
            self._hold_onset(told)

    def _hold_onset(self, told: dict[str, object]) -> None:
        """The seal sets a little with each loosening, so of several loosenings the onset is one of a stretch."""
        first = self.bench.cap.seal.onset_turns
        last = self.bench.cap.onset_turns
        low, high = told["onset_low_turns"], told["onset_high_turns"]
        holds = low <= first and (high is None or last <= high)
        self.require(holds, "ONSET_HOLDS_THE_TRUTH", f"{low} to {high}, in truth {last:.4f} to {first:.4f}")


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    return LeakNight(seed).play()
