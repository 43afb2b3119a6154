"""Bodies under surges, and what one of them remembers: how often it was hit, how tired it is, where its part stands.

A body gives way after so many surges, sooner when they are stronger: damage is added up surge by surge, each by its
peak to a power (Miner's rule, Palmgren 1924 and Miner 1945; from memory). A threaded cap blows off at once; a crack
opens a little and grows with every further surge. The indicator is a plunger that pressure lifts and a spring brings
back against the friction of its seal. The seal wears with every surge, so that the return takes longer, and where the
friction of rest is beyond the spring's force the plunger stays up: until the next surge shakes it loose, or, once it
has jammed, until a hand frees it. All numbers are invented.

The specimen keeps its own count. A surge was *felt* when the true pressure passed `felt_pa` after having been below a
quarter of it. That is the truth by which every count is judged; nothing here knows what an engine or a profile is.
"""

import math
from dataclasses import dataclass, field
from random import Random

from rigd.model.errors import UsageRefused
from simulator.bodies import MAKES, MM2, PSI, SIZES

KINDS = {
    "strong": "nothing fails in it",
    "cap": "its threaded cap blows off after some surges",
    "crack": "a crack opens after some surges and grows",
    "sticking": "its indicator stays up now and then, and jams in the end",
}
SURGE_PA = 85.0 * PSI
FELT_SHARE = 0.5  # of the surge's pressure: from here on a body has felt it
ARMED_SHARE = 0.25  # of that: below this it is ready to feel the next one
LIVES = {"K": 28.0, "L": 22.0, "M": 16.0, "N": 10.0}
"""Median number of surges that a cap or wall of each make stands."""
SCATTER = 0.4  # standard deviation of the logarithm of that number
GIVES_AT = (0.7, 0.9)  # share of the surge's pressure at which it gives way in its last surge
CAP_MM2, CRACK_MM2 = (400.0, 1500.0), (0.3, 3.0)
CRACK_GROWS, CRACK_MOST_MM2 = 1.6, 200.0
LIFTS_PA, FALLS_PA = 20.0 * PSI, 8.0 * PSI  # the indicator goes up above the one and comes back below the other
STROKE_M = 6e-3
HANGS_AT = 0.7  # of the stroke: where a stuck plunger stands
KINETIC = 0.7  # friction of a moving seal as a part of that at rest
WET_M3 = 2e-6  # water beneath the specimen that closes its wet switch
ROUNDING = 1e-9  # of a life
HAND_HEALS = 0.5  # part of the wear that is gone when a hand has worked the plunger


@dataclass(frozen=True, slots=True, kw_only=True)
class SurgeBody:
    """One specimen as it was made. Pressures are gauge; infinity means *never*."""

    kind: str
    make: str
    size: str
    volume_m3: float
    compliance_per_pa: float
    trapped_air_m3: float
    surge_pa: float = SURGE_PA  # what its life is stated for
    life: float = math.inf  # surges of that pressure
    exponent: float = 8.0  # damage goes by the peak to this power
    gives_at: float = 0.8  # share of surge_pa
    opening_m2: float = 0.0
    grows: float = 1.0  # of the opening, by this factor a surge
    sight: str = "nothing"  # what a person calls the end: a key of OBSERVATIONS
    home_s: float = 0.05  # return of a new plunger
    friction: float = 0.2  # of its new seal at rest, as a part of the spring's force
    wear: float = 0.0  # of the seal by one surge, added to the friction
    friction_scatter: float = 0.0  # standard deviation from surge to surge
    jams: float = 0.0  # chance that a plunger that stuck has jammed


def draw_surge_body(kind: str, seed: int, station: int) -> SurgeBody:
    """The body of this seed on this station, ending as `kind`, or as the seed will have it when `kind` is ""."""
    if kind and kind not in KINDS:
        raise UsageRefused(f"body: found {kind!r}; allowed: {', '.join(KINDS)}")
    rng = Random(f"{seed}/surge/{station}")
    make, size = rng.choice(sorted(MAKES)), rng.choice(sorted(SIZES))
    compliance, air_m3 = rng.uniform(1.6e-9, 2.8e-9), rng.uniform(0.5e-6, 3e-6)
    life, gives_at, opening = LIVES[make] * math.exp(rng.gauss(0.0, SCATTER)), rng.uniform(*GIVES_AT), rng.random()
    home_s, friction, tired = rng.uniform(0.03, 0.06), rng.uniform(0.1, 0.3), rng.uniform(0.3, 1.0) * life
    kind = kind or _in_turn(seed, station)
    low, high = CRACK_MM2 if kind == "crack" else CAP_MM2
    fails, sticks = kind in ("cap", "crack"), kind == "sticking"
    return SurgeBody(
        kind=kind, make=make, size=size, volume_m3=SIZES[size], compliance_per_pa=compliance, trapped_air_m3=air_m3,
        life=max(life, 2.0) if fails else math.inf, gives_at=gives_at,
        opening_m2=low * (high / low) ** opening * MM2 if fails else 0.0,
        grows=CRACK_GROWS if kind == "crack" else 1.0,
        sight={"cap": "parted", "crack": "rupture"}.get(kind, "nothing"),
        home_s=home_s, friction=friction, wear=(1.0 - friction) / tired if sticks else 0.0,
        friction_scatter=0.1 if sticks else 0.0, jams=0.25 if sticks else 0.0,
    )  # fmt: skip


def _in_turn(seed: int, station: int) -> str:
    """Every kind once on four stations, in an order the seed draws."""
    order = sorted(KINDS)
    Random(f"{seed}/kinds").shuffle(order)
    return order[(station - 1) % len(order)]


@dataclass(frozen=True, slots=True, kw_only=True)
class StationTruth:
    """What really is and was on one station: for judging a result, never for the engine."""

    kind: str
    cycles: int  # surges felt
    stuck_cycles: int  # of these, after how many the plunger was not back
    failed_at_cycle: int | None  # the surge in which containment was lost
    seen: str  # what a person who looks would say now, a key of OBSERVATIONS
    pressure_pa: float
    leak_m2: float


@dataclass(slots=True)
class Specimen:
    """One body and its memory. `look` is called whenever the true pressure may have changed, with time going on."""

    body: SurgeBody
    rng: Random
    cycles: int = 0
    failed_at: int = 0
    leak_m2: float = 0.0
    under_m3: float = 0.0  # water beneath it
    damage: float = 0.0
    worn: float = 0.0
    stuck_at: list[int] = field(default_factory=list)  # own numbers of the surges after which the plunger was not back
    lifted: bool = False  # the plunger is not at its rest
    jammed: bool = False
    up: bool = False  # in a surge that was felt and is not over
    felt_pa: float = 0.0
    armed_pa: float = 0.0
    peak_pa: float = 0.0
    gives_pa: float = math.inf
    _home_at_s: float = math.inf
    _left_at_s: float = 0.0
    _falling: bool = False
    _before: int = 0  # surges felt when it was lifted

    def __post_init__(self) -> None:
        self.felt_pa = FELT_SHARE * self.body.surge_pa
        self.armed_pa = ARMED_SHARE * self.felt_pa
        self._tire(0.0)

    def look(self, pa: float, t_s: float) -> bool:
        """Feel the pressure. True when the opening has changed."""
        if pa >= LIFTS_PA:
            if not self.lifted or self._falling:
                self.lifted, self._falling, self._home_at_s = True, False, math.inf
                self._before = self.cycles
        elif self.lifted:
            self._fall(pa, t_s)
        if self.up:
            if pa > self.peak_pa:
                self.peak_pa = pa
            if pa < self.armed_pa:
                self.up = False
                self._tire((self.peak_pa / self.body.surge_pa) ** self.body.exponent)
                return self._grow()
        elif pa >= self.felt_pa:
            self.up, self.peak_pa = True, pa
            self.cycles += 1
        if pa >= self.gives_pa:
            self.leak_m2, self.gives_pa = self.body.opening_m2, math.inf
            self.failed_at = self.cycles
            return True
        return False

    def _tire(self, damage: float) -> None:
        """One surge's damage; the body gives way in the surge with which its life is used up."""
        self.damage += damage / self.body.life
        if not self.failed_at and self.damage + 1.0 / self.body.life > 1.0 - ROUNDING:
            self.gives_pa = self.body.gives_at * self.body.surge_pa

    def _grow(self) -> bool:
        if not self.leak_m2 or self.body.grows == 1.0:
            return False
        self.leak_m2 = min(self.leak_m2 * self.body.grows, CRACK_MOST_MM2 * MM2)
        return True

    def _fall(self, pa: float, t_s: float) -> None:
        """The plunger on its way back, or not."""
        if self._falling:
            if t_s >= self._home_at_s:
                self.lifted = self._falling = False
            return
        if pa >= FALLS_PA:
            return
        self._falling = True
        if self.jammed:
            self._stick()
            return
        body = self.body
        self.worn += body.wear
        friction = body.friction + self.worn + self.rng.gauss(0.0, body.friction_scatter)
        if friction < 1.0:
            self._left_at_s = t_s
            self._home_at_s = t_s + body.home_s / (1.0 - KINETIC * max(friction, 0.0))
            return
        self.jammed = self.rng.random() < body.jams
        self._stick()

    def _stick(self) -> None:
        if self.cycles > self._before:  # what lifted it may have been too weak for a surge
            self.stuck_at.append(self.cycles)

    def away_m(self, t_s: float) -> float:
        """Where the plunger stands, from its rest."""
        if not self.lifted:
            return 0.0
        if not self._falling:
            return STROKE_M
        if self._home_at_s == math.inf:
            return HANGS_AT * STROKE_M
        return STROKE_M * min(max((self._home_at_s - t_s) / (self._home_at_s - self._left_at_s), 0.0), 1.0)

    @property
    def moves(self) -> bool:
        """Whether the plunger is on its way home."""
        return self._falling and self._home_at_s != math.inf

    def free(self) -> None:
        """A hand brings the plunger back and works it a few times."""
        self.lifted = self._falling = self.jammed = False
        self._home_at_s = math.inf
        self.worn *= 1.0 - HAND_HEALS

    @property
    def seen(self) -> str:
        return self.body.sight if self.leak_m2 else "nothing"

    @property
    def is_dry(self) -> bool:
        return self.under_m3 < WET_M3
