"""A cap, its thread and its seal: how much leaks at which turn, and what an eye sees of it. Everything is invented.

Below the turn at which the seal lifts nothing leaks. Above it the gap opens with the thread, and a slit passes as the
cube of its gap (flow between plates, from memory). The onset that a test looks for is a little above the lift: where
the leak at the test pressure is just large enough to be seen. A seal that was loosened and tightened again has taken a
set and lifts a little earlier each time.
"""

import math
from dataclasses import dataclass
from random import Random

ML_PER_MIN = 1e-6 / 60.0  # [m3/s]
LEAST_VISIBLE_M3_PER_S = 0.05 * ML_PER_MIN  # a drop beneath the cap in half a minute: what a careful eye finds
WEEPS_BELOW, DRIPS_BELOW = 0.3 * ML_PER_MIN, 15.0 * ML_PER_MIN  # five drops of 0.05 mL a second are a stream
ONSET_TURNS = {"K": (0.30, 0.07), "L": (0.24, 0.07), "M": (0.36, 0.09), "N": (0.17, 0.06)}
"""Invented: mean and standard deviation of the onset of a make's new seals [turn]."""
LEAST_TURNS, MOST_TURNS = 0.02, 0.70
VISIBLE_AFTER_TURNS = (0.008, 0.02)  # from the lift of the seal to the first leak that is seen
SET_SHARE = 0.03  # of the onset that each re-tightening takes off
WIDEST_M3_PER_S = 2e-3 / 60.0  # the thread itself holds back more than this


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """A new seal under its cap."""

    onset_turns: float  # first leak that can be seen at `test_pa`, at the first loosening
    lift_turns: float  # where it begins to leak at all
    test_pa: float


def draw_seal(seed: int, make: str, test_pa: float) -> Seal:
    rng = Random(f"{seed}/seal")
    mean, sd = ONSET_TURNS[make]
    onset = min(max(rng.gauss(mean, sd), LEAST_TURNS), MOST_TURNS)
    return Seal(onset_turns=onset, lift_turns=onset - rng.uniform(*VISIBLE_AFTER_TURNS), test_pa=test_pa)


class Cap:
    """The cap on its thread. `turns` is where it really stands, counted from fully tight."""

    def __init__(self, seal: Seal) -> None:
        self.seal = seal
        self.turns = 0.0
        self.reseated = 0  # times it was tightened again after a loosening
        self.retained = False

    def tighten(self) -> None:
        if self.turns > 0.0:
            self.reseated += 1
        self.turns = 0.0

    def loosen_to(self, turns: float) -> None:
        self.turns = max(turns, self.turns)  # nobody turns back

    @property
    def onset_turns(self) -> float:
        """Of the loosening under way: earlier than a new seal's when it has been tightened again."""
        return self.seal.onset_turns * max(0.0, 1.0 - SET_SHARE * self.reseated)

    def leak_m3_per_s(self, pressure_pa: float) -> float:
        """Flow at this gauge pressure; with its root, as from an opening that does not give."""
        if pressure_pa <= 0.0:
            return 0.0
        visible_after = self.seal.onset_turns - self.seal.lift_turns
        open_turns = self.turns - (self.onset_turns - visible_after)
        if open_turns <= 0.0:
            return 0.0
        at_test = min(LEAST_VISIBLE_M3_PER_S * (open_turns / visible_after) ** 3, WIDEST_M3_PER_S)
        return at_test * math.sqrt(pressure_pa / self.seal.test_pa)


def seen_of(leak_m3_per_s: float) -> str:
    """What a careful eye says of this leak: a word of model.leak.SEEN."""
    if leak_m3_per_s < LEAST_VISIBLE_M3_PER_S:
        return "tight"
    return "weep" if leak_m3_per_s < WEEPS_BELOW else "drops" if leak_m3_per_s < DRIPS_BELOW else "stream"
