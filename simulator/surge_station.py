"""One station of the surge bench: its valves, the water and air in its line and specimen, and what sees them.

`step` moves all of it for one step and says what was taken from the vessel. A station on which nothing moves falls
asleep: no valve on its way, no pressure to even out, no plunger on its way home, no transducer behind the truth.
"""

from random import Random

from simulator.plant import AIR_FASTER, FILL_M3_PER_S_PA, MAINS_PA, PER_M2, VENT_M3_PER_S_PA
from simulator.surge_bodies import Specimen, StationTruth, SurgeBody
from simulator.transducers import ATMOSPHERE_PA, Transducer
from simulator.valves import Valve
from simulator.water import WATER_K_PA, Water

VALVES = ("inlet", "air", "vent", "fill")
EVEN_PA = 2.0  # pressures this close have evened out
SEEN_PA = 20.0  # a transducer this close has caught up; a hundredth of what one count means here
SEEN_M = 1e-6
PRESSURE, AWAY, HELD, NOTHING = 0, 1, 2, 3
SOURCES = {"specimen": PRESSURE, "displacement": AWAY, "held_peak": HELD}


class StationIron:
    __slots__ = (
        "_followers", "_full_in", "_full_out", "_has_mains", "_held_pa", "_k_air", "_k_fill", "_k_gas", "_k_in",
        "_k_out", "_moving", "_outlet", "awake", "specimen", "switched", "valves", "water",
    )  # fmt: skip

    def __init__(
        self,
        body: SurgeBody,
        *,
        line_m3: float,
        inlet_m3_per_s_pa: float,
        outlet_m3_per_s_pa: float,
        iron: Random,
        rng: Random,
    ) -> None:
        self.valves = {role: Valve(iron.uniform(0.030, 0.060)) for role in VALVES}
        self.specimen = Specimen(body, rng)
        self.water = Water(
            room_m3=body.volume_m3 + line_m3,
            water_m3=body.volume_m3 + line_m3 - body.trapped_air_m3,  # mounted full, but for what bleeding leaves
            stretch_m3_per_pa=body.volume_m3 * body.compliance_per_pa,
            trapped_air_m3=body.trapped_air_m3,
        )
        self._full_in, self._outlet = inlet_m3_per_s_pa, outlet_m3_per_s_pa
        self._full_out = max(VENT_M3_PER_S_PA, inlet_m3_per_s_pa)
        self._followers: list[Transducer] = []
        self._held_pa = 0.0
        self._moving = self.switched = False
        self.awake = self._has_mains = True
        self._regroup()

    def wire(self, transducer: Transducer, role: str) -> None:
        transducer.source = SOURCES.get(role, NOTHING)
        self._followers.append(transducer)

    def ask(self, role: str, energised: bool) -> None:
        self.valves[role].ask(energised)
        self._moving = self.awake = True

    def release(self) -> None:
        for valve in self.valves.values():
            valve.ask(False)
        self._moving = self.awake = True

    def turn_mains(self, is_open: bool) -> None:
        self._has_mains = is_open
        self._moving = self.awake = True

    def stick(self, role: str, travel: float | None) -> None:
        self.valves[role].stuck = travel
        self._moving = self.awake = True

    def feels(self, feed_pa: float) -> bool:
        """Whether what the stations share has come to differ from what stands here, with a valve open between."""
        return (self._k_in > 0.0 or self._k_gas > 0.0) and abs(feed_pa - self.water.pa) > EVEN_PA

    def step(
        self, dt_s: float, t_s: float, feed_pa: float, has_water: bool, lags: dict[float, tuple[float, float]]
    ) -> tuple[float, float]:
        """Let dt_s pass. Returns water [m3] and gas [J] taken from the vessel."""
        if self._moving:
            self._move(dt_s)
            self.switched = True
        water, specimen, k_in, k_out = self.water, self.specimen, self._k_in, self._k_out
        taken_m3 = taken_j = 0.0
        before_pa = water.pa
        if k_in > 0.0 and not has_water and feed_pa > before_pa:
            k_in = 0.0  # the vessel's outlet lies dry
        even = before_pa <= EVEN_PA or k_out <= 0.0
        if k_in > 0.0:
            even = k_out <= 0.0 and abs(feed_pa - before_pa) <= EVEN_PA
        if self._k_fill > 0.0 or self._k_gas > 0.0 or not even:
            taken_m3, taken_j = self._flow(dt_s, feed_pa, k_in)
        pa, was_lifted = water.pa, specimen.lifted
        if specimen.look(pa, t_s):
            self._regroup()
            even = False
        if specimen.leak_m2 and pa > 0.0:
            specimen.under_m3 += specimen.leak_m2 * PER_M2 * pa**0.5 * dt_s
            self.switched = True
        if pa > self._held_pa:
            self._held_pa = pa
        if specimen.lifted != was_lifted:
            self.switched = True
        caught_up = self._follow(pa, specimen.away_m(t_s), lags)
        self.awake = self._moving or not (even and caught_up) or self._k_fill > 0.0 or specimen.moves
        return taken_m3, taken_j

    def _flow(self, dt_s: float, feed_pa: float, k_in: float) -> tuple[float, float]:
        water, taken_j = self.water, 0.0
        if self._k_gas > 0.0:
            taken_j = self._let_gas_in(dt_s, feed_pa)
        if self._k_fill > 0.0 and water.pa < MAINS_PA:  # its check valve lets nothing back
            water.flow(dt_s, self._k_fill, MAINS_PA, self._k_out, self._k_air)
            if k_in <= 0.0:
                return 0.0, taken_j
        if k_in > 0.0 or self._k_out > 0.0:
            return water.flow(dt_s, k_in, feed_pa, self._k_out, self._k_air), taken_j
        return 0.0, taken_j

    def _let_gas_in(self, dt_s: float, feed_pa: float) -> float:
        """Gas past the water, never more than evens the pressures out. Returns it as p*V [J]."""
        water = self.water
        if feed_pa - water.pa <= EVEN_PA:
            return 0.0
        feed_pa_abs = feed_pa + ATMOSPHERE_PA
        room_m3 = water.room_m3 + water.grown_m3 + water.stretch_m3_per_pa * feed_pa
        even_j = feed_pa_abs * (room_m3 - water.water_m3 * (1.0 - feed_pa / WATER_K_PA)) - water.air_j
        moved_j = min(self._k_gas * (feed_pa - water.pa) ** 0.5 * dt_s * feed_pa_abs, max(even_j, 0.0))
        water.air_j += moved_j
        water.settle()
        return moved_j

    def _follow(self, pa: float, away_m: float, lags: dict[float, tuple[float, float]]) -> bool:
        """Let the transducers follow. True when all have caught up."""
        true, caught_up = (pa, away_m, self._held_pa, 0.0), True
        for transducer in self._followers:
            source = transducer.source
            now = true[source]
            before = transducer.before
            if source == HELD:
                transducer.seen = now  # a fast converter of its own
                continue
            decay, blend = lags[transducer.tau_s]
            seen = transducer.seen = now + blend * (before - now) + decay * (transducer.seen - before)
            transducer.before = now
            if not -SEEN_PA < seen - now < SEEN_PA if source == PRESSURE else not -SEEN_M < seen - now < SEEN_M:
                caught_up = False
        return caught_up

    def clear_held(self) -> None:
        """A peak register is cleared by being read."""
        self._held_pa = self.water.pa

    def switch(self, role: str, back_of: str) -> int:
        """State of a switch of this station: of a read-back, or by its channel's role."""
        if back_of:
            return self.valves[back_of].read_back
        if role == "returned":
            return int(not self.specimen.lifted)
        return int(role == "wet" and self.specimen.is_dry)

    def _move(self, dt_s: float) -> None:
        moving = False
        for valve in self.valves.values():
            if valve.move(dt_s):
                moving = True
        self._moving = moving
        self._regroup()

    def _regroup(self) -> None:
        """Work out again what is open."""
        valves = self.valves
        self._k_in = self._full_in * valves["inlet"].travel
        self._k_gas = self._full_in * valves["air"].travel * AIR_FASTER
        self._k_fill = FILL_M3_PER_S_PA * valves["fill"].travel if self._has_mains else 0.0
        vent = self._full_out * (1.0 - valves["vent"].travel)
        self._k_out = vent + self._outlet + self.specimen.leak_m2 * PER_M2
        self._k_air = self._k_out * AIR_FASTER

    def truth(self) -> StationTruth:
        specimen = self.specimen
        return StationTruth(
            kind=specimen.body.kind,
            cycles=specimen.cycles,
            stuck_cycles=len(specimen.stuck_at),
            failed_at_cycle=specimen.failed_at or None,
            seen=specimen.seen,
            pressure_pa=self.water.pa,
            leak_m2=specimen.leak_m2,
        )
