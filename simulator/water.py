"""The lump of water, with the air in it, that fills the line and the specimen: what pressure it has, and how it moves.

A volume balance holds at every moment, with P absolute and p gauge:

    room + grown + stretch*p  =  water*(1 - p/K)  +  air/P

room at zero pressure, what a yielding body has grown for good, elastic stretch, compressed water, air by Boyle's law.
Its derivative is the compliance of checks/physics.md C10 to C12 with the specimen's own stretch added (C13). The
balance is a quadratic in P and is solved exactly: amounts of water and air are what is kept, so no pressure drifts.

Flow through orifices is solved backward in time (the flow of a step is the flow at its end), which is stable however
stiff a full line is: exact algebra where one orifice is open, else a bracketed root.
"""

import math
from collections.abc import Callable

from simulator.transducers import ATMOSPHERE_PA

WATER_K_PA = 2.179e9  # isothermal, 20 degC, checks/physics.md C6
LARGEST_SHARE = 0.02  # a step that changes P by more than this sees the air's curvature: it goes the long way
CLOSE_PA = 1e-3  # a root this close is as good as exact
LARGEST_TRIES = 100  # far more than a bracketed root needs
NOTHING_PA = 1e-6  # below this an open line is at zero


class Water:
    """Amounts: water_m3 at zero pressure, air_j = P*V. `pa` is their pressure, kept in step with them."""

    __slots__ = (
        "air_j", "grown_m3", "growth_m3", "growth_m3_per_s_pa", "pa", "room_m3", "stretch_m3_per_pa", "trapped_j",
        "water_m3", "yields_pa",
    )  # fmt: skip

    def __init__(self, *, room_m3: float, water_m3: float, stretch_m3_per_pa: float, trapped_air_m3: float) -> None:
        assert 0.0 <= water_m3 < room_m3
        self.room_m3, self.water_m3, self.stretch_m3_per_pa = room_m3, water_m3, stretch_m3_per_pa
        self.air_j = ATMOSPHERE_PA * (room_m3 - water_m3)
        self.trapped_j = ATMOSPHERE_PA * trapped_air_m3  # what no bleeding takes away
        self.grown_m3 = 0.0
        self.yields_pa, self.growth_m3_per_s_pa, self.growth_m3 = math.inf, 0.0, 0.0
        self.pa = 0.0

    def yields_at(self, pa: float, growth_m3_per_s_pa: float, growth_m3: float) -> None:
        """From now on the room grows, for good, by this much per second and Pa above `pa`, until it grew growth_m3."""
        self.yields_pa, self.growth_m3_per_s_pa, self.growth_m3 = pa, growth_m3_per_s_pa, growth_m3

    def kept(self) -> tuple[float, float, float, float]:
        return self.water_m3, self.air_j, self.grown_m3, self.pa

    def restore(self, kept: tuple[float, float, float, float]) -> None:
        self.water_m3, self.air_j, self.grown_m3, self.pa = kept

    def settle(self) -> float:
        """Pressure of what is there now: the balance as s*P^2 + b*P - air = 0, in the form that loses no digits."""
        s = self.stretch_m3_per_pa + self.water_m3 / WATER_K_PA
        b = self.room_m3 + self.grown_m3 - s * ATMOSPHERE_PA - self.water_m3
        root = math.sqrt(b * b + 4.0 * s * self.air_j)
        absolute_pa = 2.0 * self.air_j / (b + root) if b > 0.0 else (root - b) / (2.0 * s)
        self.pa = absolute_pa - ATMOSPHERE_PA
        return self.pa

    def flow(self, dt_s: float, k_in: float, from_pa: float, k_out: float, k_air: float) -> float:
        """One step with an orifice from a source at from_pa and one to the open air; returns the water let in [m3].

        k_out is for water; while free air is left, air goes out first, by k_air. All k in m3/s/sqrt(Pa).
        """
        pa, air_j = self.pa, self.air_j
        if air_j > self.trapped_j:
            k_out = k_air
        growing = pa > self.yields_pa
        if (k_in > 0.0 and k_out > 0.0) or growing:
            return self._flow_together(dt_s, k_in, from_pa, k_out)
        if k_in > 0.0:
            k, drop_pa = k_in, from_pa - pa
        elif pa > NOTHING_PA:
            k, drop_pa = k_out, -pa
        else:
            return 0.0
        absolute_pa = pa + ATMOSPHERE_PA
        soft = self.stretch_m3_per_pa + self.water_m3 / WATER_K_PA + air_j / (absolute_pa * absolute_pa)
        g = k * dt_s / soft
        size = drop_pa if drop_pa > 0.0 else -drop_pa
        moved_m3 = k * dt_s * 2.0 * size / (g + math.sqrt(g * g + 4.0 * size)) if size > 0.0 else 0.0
        if moved_m3 > LARGEST_SHARE * absolute_pa * soft:
            return self._flow_together(dt_s, k_in, from_pa, k_out)
        if k_in > 0.0:
            if drop_pa < 0.0:
                moved_m3 = -moved_m3
            self.water_m3 += moved_m3
            self.settle()
            return moved_m3
        self._let_out(moved_m3, absolute_pa)
        self.settle()
        return 0.0

    def _let_out(self, moved_m3: float, absolute_pa: float) -> None:
        """Free air leaves first; when it ends within the step, water makes up the rest of the volume."""
        free_m3 = (self.air_j - self.trapped_j) / absolute_pa
        if free_m3 > moved_m3:
            self.air_j -= moved_m3 * absolute_pa
        elif free_m3 > 0.0:
            self.air_j = self.trapped_j
            self.water_m3 -= moved_m3 - free_m3
        else:
            self.water_m3 -= moved_m3

    def _flow_together(self, dt_s: float, k_in: float, from_pa: float, k_out: float) -> float:
        """The same with anything open at once, the room growing, or much air: find the pressure at the step's end."""
        kept_m3, air_j, room_m3 = self.water_m3, self.air_j, self.room_m3

        def grown(pa: float) -> float:
            more = self.growth_m3_per_s_pa * (pa - self.yields_pa) * dt_s if pa > self.yields_pa else 0.0
            return max(min(self.grown_m3 + more, self.growth_m3), self.grown_m3)

        def let_in(pa: float) -> float:
            drop_pa = from_pa - pa
            return k_in * dt_s * (math.sqrt(drop_pa) if drop_pa >= 0.0 else -math.sqrt(-drop_pa))

        def let_out(pa: float) -> float:
            return k_out * dt_s * math.sqrt(pa) if pa > 0.0 else 0.0

        def excess(pa: float) -> float:
            holds_m3 = room_m3 + grown(pa) + self.stretch_m3_per_pa * pa - air_j / (pa + ATMOSPHERE_PA)
            return holds_m3 / (1.0 - pa / WATER_K_PA) - kept_m3 - let_in(pa) + let_out(pa)

        ends = [self.pa]
        if k_in > 0.0:
            ends.append(from_pa)
        if k_out > 0.0:
            ends.append(0.0)
        if self.pa > self.yields_pa:
            ends.append(self.yields_pa)
        pa = bracketed_root(excess, min(ends), max(ends))
        let_in_m3 = let_in(pa) if k_in > 0.0 else 0.0
        self.water_m3 += let_in_m3
        self.grown_m3 = grown(pa)
        self._let_out(let_out(pa), pa + ATMOSPHERE_PA)
        self.settle()
        return let_in_m3


def bracketed_root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function passes zero between low and high: false position, the Illinois way (Dahlquist and
    Bjorck, Numerical Methods, 1974; from memory)."""
    at_low, at_high = rising(low), rising(high)
    if at_low >= 0.0:
        return low
    if at_high <= 0.0:
        return high
    side = 0
    for _ in range(LARGEST_TRIES):
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        if not low < middle < high:
            middle = 0.5 * (low + high)
        at_middle = rising(middle)
        if at_middle > 0.0:
            high, at_high = middle, at_middle
            if side > 0:
                at_low *= 0.5
            side = 1
        else:
            low, at_low = middle, at_middle
            if side < 0:
                at_high *= 0.5
            side = -1
        if high - low < CLOSE_PA or at_middle == 0.0:
            break
    return middle
