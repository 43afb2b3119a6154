"""Rules of one aim that run while the test does: angles that come round again, and shares of what was caught.

An error of aim is signed: positive is clockwise of the azimuth that was stated. What many aims say together, with an
interval, is `calc.flush`.
"""

from math import floor, sqrt
from typing import NamedTuple

TURN_DEG = 360.0
TRIAL_KG = 0.001  # less than this in all is no stream: a few drops


class Shares(NamedTuple):
    """Parts of one stream [-], adding up to 1, and the standard uncertainty of the part in the sector [-]."""

    inside: float
    outside: float
    not_caught: float
    inside_u: float


def wrapped_deg(angle_deg: float) -> float:
    """The same direction, above -180 and up to 180 [deg].

    Example
    -------
    >>> [wrapped_deg(a) for a in (350.0, -190.0, 180.0, -180.0, 725.0)]
    [-10.0, 170.0, 180.0, 180.0, 5.0]
    """
    wrapped = angle_deg - TURN_DEG * floor(angle_deg / TURN_DEG)
    return wrapped if wrapped <= TURN_DEG / 2.0 else wrapped - TURN_DEG


def shares_of(inside_kg: float, outside_kg: float, not_caught_kg: float, mass_u_kg: float) -> Shares | None:
    """What part went where; None when nothing to speak of came out.

    Three weighings with one standard uncertainty each [kg], independent: JCGM 100:2008 5.1.2 for a/(a + b + c).

    Example
    -------
    >>> shares_of(0.8, 0.15, 0.05, 0.001)._replace(inside_u=0.0)
    Shares(inside=0.8, outside=0.15, not_caught=0.05, inside_u=0.0)
    """
    total = inside_kg + outside_kg + not_caught_kg
    if total < TRIAL_KG:
        return None
    inside = inside_kg / total
    inside_u = mass_u_kg / total * sqrt((1.0 - inside) * (1.0 - inside) + 2.0 * inside * inside)
    return Shares(inside, outside_kg / total, not_caught_kg / total, inside_u)
