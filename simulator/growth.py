"""A plastic body that goes on growing under pressure, comes back when it is let go, and warms with its water.

Growth is a row of springs, each with a dashpot of its own, so every load is answered as if it were the only one and is
remembered for hours (a generalised Kelvin-Voigt body; from memory). Their times are spread over three decades, with
weights that rise as a power of time, roughly: no law that a fit could know. Warming is what the water grows with a
kelvin less what the body does, with either sign. All is drawn from a seed; every number is invented.
"""

import math
from random import Random

TIMES_S = tuple(10.0 ** (1.0 + step / 2.0) for step in range(7))
A_DECADE = (0.01, 0.05)  # growth in a decade of time, as a part of the elastic one
POWERS = (0.0, 0.3)
SPREAD = (0.7, 1.3)
EXPANSION_PER_K, EXPANSION_U_PER_K = 7e-5, 2e-5  # linear, of a plastic: mean and standard deviation over bodies
WATER_20_PER_K, WATER_MORE_PER_K2 = 2.07e-4, 1.0e-5  # of water's volume at 20 degC (IAPWS-95), and how fast that rises
TWENTY_K = 293.15


class Growth:
    """Volumes beyond those at rest [m3]: `crept` by time, `warmed` by which the water gained on the body."""

    __slots__ = ("_decay", "_dt_s", "_grown", "_parts", "_per_k", "_start_k", "crept_m3", "warmed_m3")

    def __init__(self, seed: int, *, stretch_m3_per_pa: float, room_m3: float, water_k: float) -> None:
        rng = Random(f"{seed}/growth")
        a_decade, power = rng.uniform(*A_DECADE), rng.uniform(*POWERS)
        weights = [rng.uniform(*SPREAD) * (time_s / TIMES_S[2]) ** power for time_s in TIMES_S]
        self._parts = [stretch_m3_per_pa * a_decade / 2.0 * weight for weight in weights]  # two times a decade
        self._grown = [0.0] * len(TIMES_S)
        water_per_k = WATER_20_PER_K + WATER_MORE_PER_K2 * (water_k - TWENTY_K)
        self._per_k = room_m3 * (water_per_k - 3.0 * rng.gauss(EXPANSION_PER_K, EXPANSION_U_PER_K))
        self._start_k = water_k
        self._dt_s, self._decay = 0.0, [1.0] * len(TIMES_S)
        self.crept_m3 = self.warmed_m3 = 0.0

    def advance(self, dt_s: float, gauge_pa: float, water_k: float) -> float:
        """Let time pass at this pressure. Returns by how much the room for water is now larger than at rest."""
        if dt_s != self._dt_s:
            self._dt_s, self._decay = dt_s, [math.exp(-dt_s / time_s) for time_s in TIMES_S]
        grown = self._grown
        for at, (part, decay) in enumerate(zip(self._parts, self._decay, strict=True)):
            ends = part * gauge_pa
            grown[at] = ends + (grown[at] - ends) * decay
        self.crept_m3 = sum(grown)
        self.warmed_m3 = self._per_k * (water_k - self._start_k)
        return self.crept_m3 - self.warmed_m3
