"""What several aims of a flush stream say together: the mean share with its interval, and where the stream points.

Directions are circular: the mean of 350 and 10 degrees is 0 and not 180, so they are added as arrows. The length of the
mean arrow, 0 to 1, says how well they agree. A share of water is a number between 0 and 1 and no count, so its interval
is Student's t; exact binomial limits are for marked hits only. The few aims of one test are all this knows: how makes
differ is `calc.stats`.
"""

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin, sqrt

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rigd.calc.exact.aim import wrapped_deg
from rigd.calc.stats.intervals import hits_interval, share_interval

LEVEL = 0.95
NO_DIRECTION = 1e-9
"""A mean arrow shorter than this points nowhere: its angle is only rounding."""
MOST_SPREAD_DEG = 90.0
"""Errors that reach further than this from their mean wrap round, and the t interval of a line means nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """Mean of several directions. `low_deg` and `high_deg` are None where no interval can be told."""

    aims: int
    mean_deg: float  # above -180, up to 180
    resultant: float  # length of the mean arrow [-], 1 = all alike
    low_deg: float | None  # of the mean; may pass 180 so that low < mean < high
    high_deg: float | None
    level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanShare:
    """Mean share over `aims` aims [-] and the interval of that mean; None with one aim only."""

    aims: int
    mean: float
    low: float | None
    high: float | None
    level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HitShare:
    """Marked hits: their share [-] and its exact binomial interval."""

    hits: int
    aims: int
    low: float
    high: float
    level: float


def mean_direction(angles_deg: ArrayLike, level: float = LEVEL) -> Direction:
    """Return the circular mean of directions, or of signed errors of aim.

    Parameters
    ----------
    angles_deg : array_like
        Directions, clockwise, shape (k,), k of at least 1 [deg].
    level : float
        Chance that the interval holds the mean direction of all such aims [-].

    Returns
    -------
    Direction

    Raises
    ------
    ValueError
        If there are none, one is not finite, the level is not allowed, or they cancel out and point nowhere.

    Assumes
    -------
    Interval: aims independent, their deviations from the mean about normal and within a quarter turn of it, so that
    the circle is a line there: Student's t on k - 1 degrees of freedom. No interval is told otherwise.

    Source
    ------
    K. V. Mardia, P. E. Jupp, Directional Statistics (2000) 2.2.1: direction and length of the mean arrow.

    Examples
    --------
    The stops of a roulette wheel (Mardia and Jupp, example 2.1; from memory): 51 degrees, 0.711.

    >>> wheel = mean_direction([43, 45, 52, 61, 75, 88, 88, 279, 357])
    >>> "%.0f deg, %.3f" % (wheel.mean_deg, wheel.resultant)
    '51 deg, 0.711'
    """
    if not 0.5 <= level < 1.0:
        raise ValueError(f"level is {level}; allowed: 0.5 to below 1, such as 0.95")
    angles = np.asarray(angles_deg, dtype=float)
    if angles.ndim != 1 or angles.size < 1 or not np.all(np.isfinite(angles)):
        raise ValueError(f"directions {angles_deg}; allowed: one row of at least one, all finite [deg]")
    east = float(np.mean([cos(radians(angle)) for angle in angles]))
    north = float(np.mean([sin(radians(angle)) for angle in angles]))
    resultant = hypot(east, north)
    if resultant < NO_DIRECTION:
        raise ValueError(f"directions {angles.tolist()} cancel out; allowed: some that agree; aim again")
    mean_deg = wrapped_deg(degrees(atan2(north, east)))
    off = np.array([wrapped_deg(float(angle) - mean_deg) for angle in angles])
    low = high = None
    if angles.size > 1 and np.max(np.abs(off)) <= MOST_SPREAD_DEG:
        reach = float(scipy.stats.t.ppf((1.0 + level) / 2.0, angles.size - 1) * np.std(off, ddof=1)) / sqrt(angles.size)
        low, high = mean_deg - reach, mean_deg + reach
    return Direction(
        aims=int(angles.size), mean_deg=mean_deg, resultant=resultant, low_deg=low, high_deg=high, level=level
    )


def mean_share(shares: ArrayLike, level: float = LEVEL) -> MeanShare:
    """Return the mean share caught and, from two aims on, its interval.

    Parameters
    ----------
    shares : array_like
        Share of the water of each aim, shape (k,), from 0 to 1 [-].
    level : float
        As `stats.intervals.share_interval`.

    Returns
    -------
    MeanShare

    Raises
    ------
    ValueError
        As `stats.intervals.share_interval`.

    Assumes
    -------
    As `stats.intervals.share_interval`. An error that all aims share, such as of the scale, is not in the interval.

    Source
    ------
    As `stats.intervals.share_interval`.

    Examples
    --------
    >>> found = mean_share([0.80, 0.82, 0.84], level=0.9545)
    >>> "%d aims: %.3f (%.3f to %.3f)" % (found.aims, found.mean, found.low, found.high)
    '3 aims: 0.820 (0.768 to 0.872)'
    """
    caught = np.asarray(shares, dtype=float)
    if caught.shape == (1,) and 0.0 <= caught[0] <= 1.0:
        return MeanShare(aims=1, mean=float(caught[0]), low=None, high=None, level=level)
    mean, low, high = share_interval(caught, level)
    return MeanShare(aims=int(caught.size), mean=mean, low=low, high=high, level=level)


def hit_share(hits: int, aims: int, level: float = LEVEL) -> HitShare:
    """Return the share of marked hits with its exact interval.

    Parameters
    ----------
    hits, aims : int
        How many of how many [-].
    level : float
        As `stats.intervals.hits_interval`.

    Returns
    -------
    HitShare

    Raises
    ------
    ValueError
        As `stats.intervals.hits_interval`.

    Assumes
    -------
    As `stats.intervals.hits_interval`: each aim a hit or none, independently.

    Source
    ------
    As `stats.intervals.hits_interval` (Clopper and Pearson 1934).

    Examples
    --------
    Four of twenty at 90 % (NIST/SEMATECH e-Handbook 7.2.4.2):

    >>> found = hit_share(4, 20, level=0.90)
    >>> "%.4f to %.4f" % (found.low, found.high)
    '0.0714 to 0.4010'
    """
    low, high = hits_interval(hits, aims, level)
    return HitShare(hits=hits, aims=aims, low=low, high=high, level=level)
