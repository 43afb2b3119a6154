"""A drain cock whose stream can be aimed: which way it really points, how it spreads, what the cups of a ring catch.

The nozzle of a body is moulded a little askew, so its stream has a bias; the cock has play, so each aim is a little
different; the stream spreads and splashes. All of it is invented, drawn from a seed.
"""

import math
from dataclasses import dataclass
from random import Random

from rigd.calc.exact.aim import wrapped_deg

MM2 = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Drain:
    """One body's drain. Angles clockwise from above [deg]."""

    bias_deg: float  # the stream's centre beyond where the cock points
    play_deg: float  # standard deviation from aim to aim
    spread_deg: float  # standard deviation of the water about its centre
    splashed: float  # fraction that no cup catches
    opening_m2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Landed:
    """Where the water of one stream went."""

    centre_deg: float
    inside_kg: float
    outside_kg: float
    not_caught_kg: float

    @property
    def hit(self) -> bool:
        """As an eye sees it: more in the sector than beside it."""
        return self.inside_kg > self.outside_kg


def draw_drain(seed: int) -> Drain:
    chance = Random(f"{seed}/drain")
    return Drain(
        bias_deg=chance.uniform(-9.0, 9.0), play_deg=chance.uniform(0.8, 2.5), spread_deg=chance.uniform(5.0, 9.0),
        splashed=chance.uniform(0.02, 0.08), opening_m2=chance.uniform(1.88, 2.02) * MM2,
    )  # fmt: skip


def land(
    drain: Drain, chance: Random, *, points_deg: float, sector_deg: float, half_width_deg: float, kg: float
) -> Landed:
    """One stream of so much water from a cock that points so, over cups whose sector lies about `sector_deg`."""
    centre = points_deg + drain.bias_deg + chance.gauss(0.0, drain.play_deg)
    caught_kg = kg * (1.0 - drain.splashed)
    off = wrapped_deg(centre - sector_deg)
    inside = _below((half_width_deg - off) / drain.spread_deg) - _below((-half_width_deg - off) / drain.spread_deg)
    return Landed(
        centre_deg=centre, inside_kg=caught_kg * inside, outside_kg=caught_kg * (1.0 - inside),
        not_caught_kg=kg - caught_kg,
    )  # fmt: skip


def _below(z: float) -> float:
    """Part of a normal distribution below z."""
    return 0.5 * (1.0 + math.erf(z / math.sqrt(2.0)))
