"""A rig with a body whose drain can be aimed, and a ring of cups around it: the plant, the stream, a meter, two people.

The plant is the one of every demo, with a body too strong to fail. This adds an opening that hands open and aim, and
what its water does. `Aimer` reads the question as a person does and works at the bench: obedient, or careless in the
ways people are. All of it is invented.
"""

import re
from dataclasses import dataclass
from random import Random
from typing import Protocol

from rigd.engine.aim_count import HIT, INSIDE, LANDED, NOT_CAUGHT, OUTSIDE
from rigd.files import units
from rigd.model.flush import IN_SECTOR
from rigd.model.flush import OUTSIDE as BESIDE
from rigd.model.rig import Rig
from simulator.drain import Landed, draw_drain, land
from simulator.person import DONE, Person, Question
from simulator.plant import PER_M2, Plant, Truth
from simulator.transducers import Transducer

WATER_KG_PER_M3 = 998.2
METER = "make_up_flow"
AIMED = re.compile(r"Aim \d+ of \d+: turn the drain to (-?\d+(?:\.\d+)?) degrees")
NS = 1_000_000_000


class DrainBench:
    """Driven and read as the plant is."""

    def __init__(self, rig: Rig, *, seed: int, half_width_deg: float, faults: tuple[str, ...] = ()) -> None:
        self.plant = Plant(rig, seed=seed, body="strong", faults=faults)
        self.drain = draw_drain(seed)
        self.drive, self.set_switches = self.plant.drive, self.plant.set_switches
        self._half_width_deg = half_width_deg
        self._chance = Random(f"{seed}/stream")
        self._gauss = Random(f"{seed}/meter").gauss
        self._points_deg = self._sector_deg = 0.0
        self._streamed_kg = self._paced_s = 0.0
        self._landed: Landed | None = None
        self._kept = (0.0, 0.0, 0.0)  # left in cups that nobody emptied
        self._meters = self._place_meters(rig)

    def _place_meters(self, rig: Rig) -> list[tuple[int, Transducer]]:
        made, places = [], [0] * len(rig.devices)
        for channel in rig.channels:
            place = places[channel.device]
            places[channel.device] += 1
            if channel.role == METER:
                made.append((channel.device, Transducer(channel, source=0, place=place)))
        return made

    def advance(self, dt_s: float) -> None:
        plant = self.plant
        water_m3, before = plant.tank_water_m3, self._flow_m3_per_s()
        plant.advance(dt_s)
        fed_m3_per_s = (water_m3 - plant.tank_water_m3) / dt_s
        self._streamed_kg += (before + self._flow_m3_per_s()) / 2.0 * dt_s * WATER_KG_PER_M3
        for _, meter in self._meters:
            if dt_s != self._paced_s:
                meter.pace(dt_s)
            meter.seen = fed_m3_per_s + meter.blend * (meter.before - fed_m3_per_s) + meter.decay * (
                meter.seen - meter.before
            )
            meter.before = fed_m3_per_s
        self._paced_s = dt_s

    def counts(self, device: int) -> tuple[int, ...]:
        reply = list(self.plant.counts(device))
        for at, meter in self._meters:
            if at == device:
                reply[meter.place] = meter.counts_now(self._gauss(0.0, 1.0), self.plant.t_s)
        return tuple(reply)

    def _flow_m3_per_s(self) -> float:
        return self.plant.leak_m2 * PER_M2 * max(self.plant.specimen_pa, 0.0) ** 0.5

    # ---- what hands do

    def aim(self, sector_deg: float, *, points_deg: float, empty: bool) -> None:
        """Point the open cock somewhere, with the ring of cups about a sector; emptied, or as the last aim left it."""
        if not empty and self._landed is not None:
            self._kept = self.caught
        elif empty:
            self._kept = (0.0, 0.0, 0.0)
        self._sector_deg, self._points_deg = sector_deg, points_deg
        self._streamed_kg, self._landed = 0.0, None
        self.plant.leak_m2 = self.drain.opening_m2
        self.plant.regroup()

    @property
    def landed(self) -> Landed:
        """Of the stream since the cock was last aimed."""
        if self._landed is None:
            self._landed = land(
                self.drain, self._chance, points_deg=self._points_deg, sector_deg=self._sector_deg,
                half_width_deg=self._half_width_deg, kg=self._streamed_kg,
            )  # fmt: skip
        return self._landed

    @property
    def caught(self) -> tuple[float, float, float]:
        """In the cups of the sector, beside them, in neither [kg]."""
        landed = self.landed
        inside, outside, lost = self._kept
        return inside + landed.inside_kg, outside + landed.outside_kg, lost + landed.not_caught_kg

    def truth(self) -> Truth:
        return self.plant.truth()


class CockAndCups(Protocol):
    """What hands and eyes have before them: a DrainBench, or one behind a window."""

    def aim(self, sector_deg: float, *, points_deg: float, empty: bool) -> None: ...

    @property
    def landed(self) -> Landed: ...

    @property
    def caught(self) -> tuple[float, float, float]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """How somebody works."""

    points_deg: float  # standard deviation of setting the cock
    reads_deg: float  # of reading where the stream landed
    weighs_kg: float
    forgets: float  # chance of leaving the cups as they are
    in_grams: float  # chance of typing grams as kilograms
    slowest_ns: int


CARE = {
    "obedient": Care(
        points_deg=0.3, reads_deg=0.7, weighs_kg=0.3e-3, forgets=0.0, in_grams=0.0, slowest_ns=2 * NS
    ),
    "careless": Care(
        points_deg=4.0, reads_deg=5.0, weighs_kg=2e-3, forgets=0.25, in_grams=0.05, slowest_ns=60 * NS
    ),
}


class Aimer:
    """A simulated technician at the drain. The same name, seed and care do and answer the same."""

    def __init__(self, name: str, seed: int, bench: CockAndCups, care: Care) -> None:
        self.name, self._bench, self._care = name, bench, care
        self._person = Person(name, seed)
        self._chance = Random(f"{seed}/{name}/aims")

    @property
    def hesitates_ns(self) -> int:
        """Time until the next answer."""
        return int(self._chance.uniform(0.2, 1.0) * self._care.slowest_ns)

    def sees(self, truth: Truth, t_s: float) -> str | None:
        """A stream is what is meant to be: nothing is marked."""
        del truth, t_s
        return None

    def says(self, prompt: Question, seen: str) -> str:
        """As an engine takes it."""
        return units.answer_in(prompt.si, self.answer(prompt, seen))

    def answer(self, prompt: Question, seen: str) -> str:
        bench, care, gauss = self._bench, self._care, self._chance.gauss
        aimed = AIMED.match(prompt.text)
        if aimed:
            sector = float(aimed[1])
            points, empty = sector + gauss(0.0, care.points_deg), self._chance.random() >= care.forgets
            bench.aim(sector, points_deg=points, empty=empty)
            return DONE
        if prompt.field in (INSIDE, OUTSIDE, NOT_CAUGHT):
            kg = max(0.0, bench.caught[(INSIDE, OUTSIDE, NOT_CAUGHT).index(prompt.field)] + gauss(0.0, care.weighs_kg))
            return f"{1e3 * kg:.1f} {'kg' if self._chance.random() < care.in_grams and kg < 0.09 else 'g'}"
        if prompt.field == LANDED:
            return f"{bench.landed.centre_deg + gauss(0.0, care.reads_deg):.0f}"
        if prompt.field == HIT:
            return IN_SECTOR if bench.landed.hit else BESIDE
        return self._person.answer(prompt, seen)
