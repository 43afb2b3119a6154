"""A rig with a body whose cap can be turned: the plant, a cap, the meter of the water fed and the scale beneath.

The plant is the one of every demo, with a body too strong to fail. This adds what a leak test needs and the plant does
not know: an opening that follows the cap, a body that creeps and warms, and two channels that measure what goes in and
what comes out. It is driven and read as the plant is.
"""

from dataclasses import dataclass
from random import Random

from rigd.model.rig import Rig
from simulator.cap import Cap, draw_seal, seen_of
from simulator.growth import Growth
from simulator.plant import PER_M2, Plant
from simulator.transducers import ATMOSPHERE_PA, Transducer

WATER_KG_PER_M3 = 998.2
FLOW, CATCH = "make_up_flow", "catch"
ROOT_FLOOR_PA = 1.0  # below this gauge pressure an opening is not worked out from the leak


@dataclass(frozen=True, slots=True, kw_only=True)
class CapTruth:
    """What really is: for people at the window, and for judging a result."""

    onset_turns: float  # of a new seal at the test pressure
    turns: float  # where the cap stands
    reseated: int
    retained: bool
    leak_m3_per_s: float
    caught_kg: float
    crept_m3: float  # by which the body has grown with time, and not come back
    warmed_m3: float  # by which the water has gained on the body since the beginning
    pressure_pa: float
    vent_open: bool
    growth: float
    seen: str  # of the body, a key of OBSERVATIONS
    at_the_cap: str  # of the closure, a word of model.leak.SEEN


class CapBench:
    def __init__(self, rig: Rig, *, seed: int, test_pa: float, faults: tuple[str, ...] = ()) -> None:
        self.plant = Plant(rig, seed=seed, body="strong", faults=faults)
        self.cap = Cap(draw_seal(seed, self.plant.body.make, test_pa))
        self.drive, self.set_switches = self.plant.drive, self.plant.set_switches
        body, water = self.plant.body, self.plant.water
        self._room_m3 = water.room_m3  # at rest
        self.growth = Growth(
            seed, stretch_m3_per_pa=water.stretch_m3_per_pa, room_m3=water.room_m3, water_k=body.water_k
        )
        self.fed_m3_per_s = self.caught_kg = 0.0
        self._test_pa = test_pa
        self._paced_s = 0.0
        self._gauss = Random(f"{seed}/meters").gauss
        self._meters = self._place_meters(rig)

    def _place_meters(self, rig: Rig) -> list[tuple[int, str, Transducer]]:
        """(device, role, transducer) of the channels the plant does not know."""
        made, places = [], [0] * len(rig.devices)
        for channel in rig.channels:
            place = places[channel.device]
            places[channel.device] += 1
            if channel.role in (FLOW, CATCH):
                made.append((channel.device, channel.role, Transducer(channel, source=0, place=place)))
        return made

    def advance(self, dt_s: float) -> None:
        plant = self.plant
        water_m3, before = plant.tank_water_m3, self._leak_m3_per_s()
        plant.advance(dt_s)
        self.fed_m3_per_s = (water_m3 - plant.tank_water_m3) / dt_s
        self._grow(dt_s)
        self.caught_kg += (before + self._leak_m3_per_s()) / 2.0 * dt_s * WATER_KG_PER_M3
        if dt_s != self._paced_s:
            self._paced_s = dt_s
            for _, _, meter in self._meters:
                meter.pace(dt_s)
        for _, role, meter in self._meters:
            now = self.fed_m3_per_s if role == FLOW else self.caught_kg
            meter.seen = now + meter.blend * (meter.before - now) + meter.decay * (meter.seen - meter.before)
            meter.before = now

    def _grow(self, dt_s: float) -> None:
        plant = self.plant
        water = plant.water
        water.room_m3 = self._room_m3 + self.growth.advance(dt_s, plant.specimen_pa, plant.water_k)
        if water.settle() < 0.0 and plant.vent_open > 0.0:  # an open line draws in what it lacks
            water.water_m3 = water.room_m3 + water.grown_m3 - water.air_j / ATMOSPHERE_PA
            water.settle()
        plant.specimen_pa = water.pa

    def counts(self, device: int) -> tuple[int, ...]:
        reply = list(self.plant.counts(device))
        for at, _, meter in self._meters:
            if at == device:
                reply[meter.place] = meter.counts_now(self._gauss(0.0, 1.0), self.plant.t_s)
        return tuple(reply)

    # ---- what hands do

    def tighten(self) -> None:
        self.cap.tighten()
        self._renew()

    def loosen_to(self, turns: float) -> None:
        self.cap.loosen_to(turns)
        self._renew()

    def retain(self) -> None:
        """Put the cage on."""
        self.cap.retained = True

    @property
    def at_the_cap(self) -> str:
        """What a careful eye sees there: a word of model.leak.SEEN."""
        return seen_of(self._leak_m3_per_s())

    def _renew(self) -> None:
        """The opening that leaks as the cap does."""
        leak = self.cap.leak_m3_per_s(self._test_pa)
        self.plant.leak_m2 = leak / (PER_M2 * max(self._test_pa, ROOT_FLOOR_PA) ** 0.5)
        self.plant.regroup()

    def _leak_m3_per_s(self) -> float:
        return self.cap.leak_m3_per_s(self.plant.specimen_pa)

    def truth(self) -> CapTruth:
        plant, leak = self.plant, self._leak_m3_per_s()
        return CapTruth(
            onset_turns=self.cap.seal.onset_turns, turns=self.cap.turns, reseated=self.cap.reseated,
            retained=self.cap.retained, leak_m3_per_s=leak, caught_kg=self.caught_kg,
            crept_m3=self.growth.crept_m3, warmed_m3=self.growth.warmed_m3, pressure_pa=plant.specimen_pa,
            vent_open=plant.vent_open > 0.0, growth=plant.growth, seen="nothing", at_the_cap=self.at_the_cap,
        )  # fmt: skip
