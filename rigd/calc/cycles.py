"""What an uneven loading has done to a body: turning points, rainflow cycles, Miner's sum, damage-equivalent cycles.

A surge test never repeats itself exactly. Rainflow counting (ASTM E1049) turns what the body felt into closed cycles of
a range each, and Miner's rule makes one number of them. Gauge noise would count as thousands of tiny cycles, so nothing
is counted before a turning-point filter with a dead band has gone over the trace; the dead band is the caller's and
belongs beside the result, as does the exponent.

This refuses to know whether a cycle was applied or valid: the engine counts those, once each, by the measured
blow-down. A damage-equivalent count never replaces that count. It also knows nothing of mean stress, order of loading,
rate or rest, all of which matter in plastics: two loadings of equal sum need not be equally bad.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import rainflow
from numpy.typing import ArrayLike

MOST_TURNING_POINTS = 50_000_000
"""Some 10 GB of Python objects; beyond it a trace is counted in pieces, or the dead band is too small."""
EDGE = 1e-9
"""A range this part of a bin above an edge lies on it: 3 * 0.1 / 0.1 is more than 3 in floats."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurningPoints:
    """Where a trace turned by more than the dead band; its first sample included, and its last turn or end."""

    indices: np.ndarray  # into the trace, int64, shape (k,)
    values: np.ndarray  # in the trace's own unit, float64, shape (k,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One closed cycle (count 1) or one half (count 0.5), in the unit of the trace."""

    range: float
    mean: float
    count: float
    first: int  # index into the trace where it began to open
    last: int  # index where it turned


def turning_points(trace: ArrayLike, dead_band: float) -> TurningPoints:
    """Return where a trace turns back by more than a dead band.

    Parameters
    ----------
    trace : array_like
        Values in one unit, shape (n,), n >= 1 [Pa, or any].
    dead_band : float
        A turn counts when the trace comes back by more than this [same unit]; 0 keeps every turn. Some four standard
        deviations of the noise keep it out (common practice).

    Returns
    -------
    TurningPoints
        Alternating peaks and valleys. A last piece no longer than the dead band is noise and is left out.

    Raises
    ------
    ValueError
        If the trace is empty or not one-dimensional, holds what is not finite, or the dead band is negative.

    Source
    ------
    Hysteresis filter of fatigue practice (common practice; ASTM E1049 leaves the editing of the history to its user).

    Examples
    --------
    >>> turning_points([0.0, 10.0, 9.5, 10.2, 0.1, 0.0], dead_band=1.0).values.tolist()
    [0.0, 10.2, 0.0]
    """
    values = np.asarray(trace, dtype=float)
    if values.ndim != 1 or values.size == 0 or not np.all(np.isfinite(values)):
        raise ValueError(
            f"trace of shape {values.shape} with {int(np.sum(~np.isfinite(values)))} values that are not finite; "
            "allowed: one row of finite values; leave out bad samples and tell of the gap"
        )
    if not (math.isfinite(dead_band) and dead_band >= 0.0):
        raise ValueError(f"dead band is {dead_band}; allowed: 0 or more, in the unit of the trace")
    candidates = _extremes(values)
    if candidates.size > MOST_TURNING_POINTS:
        raise ValueError(f"the trace turns {candidates.size} times; allowed: {MOST_TURNING_POINTS}; count it in pieces")
    kept = _keep_wide(candidates.tolist(), values[candidates].tolist(), dead_band)
    indices = np.array(kept, dtype=np.int64)
    return TurningPoints(indices=indices, values=values[indices])


def _extremes(values: np.ndarray) -> np.ndarray:
    """Indices of first and last sample and of every turn, however small; of a flat top its first sample."""
    moved = np.flatnonzero(np.diff(values)) + 1  # samples that differ from the one before
    steps = np.sign(np.diff(values, prepend=values[0])[moved])
    turns = np.flatnonzero(steps[1:] != steps[:-1])  # a move, and the next goes the other way
    return np.unique(np.concatenate(([0], moved[turns], moved[-1:])))


def _keep_wide(indices: list[int], values: list[float], dead_band: float) -> list[int]:
    """The hysteresis: `best` is the extreme since the last turn that counted."""
    kept, best, rising = [indices[0]], 0, 0
    for at in range(1, len(indices)):
        move = values[at] - values[best]
        if rising == 0:  # nothing has moved far enough yet to say which way
            if abs(move) > dead_band:
                best, rising = at, 1 if move > 0.0 else -1
        elif move * rising > 0.0:
            best = at
        elif abs(move) > dead_band:
            kept.append(indices[best])
            best, rising = at, -rising
    if rising:
        kept.append(indices[best])
    return kept


def from_highest(trace: ArrayLike) -> np.ndarray:
    """Return a repeating trace as it is from one of its highest samples to the same one again.

    Parameters
    ----------
    trace : array_like
        One repeat of the loading, shape (n,) [any unit].

    Returns
    -------
    ndarray
        Shape (n + 1,). Counted so, a repeating loading closes all its cycles.

    Raises
    ------
    ValueError
        If the trace is empty.

    Source
    ------
    ASTM E1049, 5.4.5 (simplified rainflow for repeating histories; from memory).

    Examples
    --------
    >>> from_highest([0.0, 5.0, -1.0]).tolist()
    [5.0, -1.0, 0.0, 5.0]
    """
    values = np.asarray(trace, dtype=float)
    if values.size == 0:
        raise ValueError("the trace is empty; allowed: at least one sample")
    at = int(np.argmax(values))
    return np.concatenate((values[at:], values[: at + 1]))


def find_cycles(trace: ArrayLike, dead_band: float) -> tuple[Cycle, ...]:
    """Return the rainflow cycles of a trace, in the order in which they close.

    Parameters
    ----------
    trace : array_like
        As `turning_points`.
    dead_band : float
        As `turning_points` [unit of the trace].

    Returns
    -------
    tuple of Cycle
        Full cycles and, for what never closed, halves. Empty when nothing moved by more than the dead band.

    Raises
    ------
    ValueError
        As `turning_points`.

    Source
    ------
    ASTM E1049-85, 5.4.4, by the package ``rainflow``; a trace with one single swing, which the package leaves out, is
    one half here.

    Examples
    --------
    The history of the standard's figure 6:

    >>> found = find_cycles([-2, 1, -3, 5, -1, 3, -4, 4, -2], dead_band=0.0)
    >>> [(cycle.range, cycle.mean, cycle.count, cycle.first, cycle.last) for cycle in found][:3]
    [(3.0, -0.5, 0.5, 0, 1), (4.0, -1.0, 0.5, 1, 2), (4.0, 1.0, 1.0, 4, 5)]
    """
    return tuple(each_cycle(trace, dead_band))


def each_cycle(trace: ArrayLike, dead_band: float) -> Iterator[Cycle]:
    """Yield what `find_cycles` returns, one by one: a million cycles need not be held at once to be summed.

    Raises
    ------
    ValueError
        As `turning_points`.

    Examples
    --------
    >>> sum_by_range(each_cycle([0.0] + [100.0, 0.0] * 20, dead_band=0.0))
    ((100.0, 20.0),)
    """
    points = turning_points(trace, dead_band)
    at = points.indices.tolist()
    if len(at) == 2:
        low, high = sorted(points.values.tolist())
        yield Cycle(range=high - low, mean=0.5 * (high + low), count=0.5, first=at[0], last=at[1])
        return
    for span, mean, count, first, last in rainflow.extract_cycles(points.values.tolist()):
        yield Cycle(range=span, mean=mean, count=count, first=at[first], last=at[last])


def sum_by_range(cycles: Iterable[Cycle], bin_size: float | None = None) -> tuple[tuple[float, float], ...]:
    """Return (range, count) pairs, ranges rising.

    Parameters
    ----------
    cycles : iterable of Cycle
        From `find_cycles`.
    bin_size : float, optional
        Ranges are gathered in bins of this width [unit of the range], each named by its upper edge, which belongs to
        it: a range of exactly 10 is in the bin 10, not in 20. Without it equal ranges are gathered.

    Returns
    -------
    tuple of tuple of float
        Only bins that hold something.

    Raises
    ------
    ValueError
        If the bin size is not above 0.

    Assumes
    -------
    Naming a bin by its upper edge makes the damage of a bin no less than that of what is in it.

    Source
    ------
    Right-closed bins as the package ``rainflow`` has them, but with floats' last digit forgiven.

    Examples
    --------
    >>> sum_by_range(find_cycles([0, 85, 0, 84, 0], dead_band=0.0), bin_size=5.0)
    ((85.0, 2.0),)
    """
    if bin_size is not None and not (math.isfinite(bin_size) and bin_size > 0.0):
        raise ValueError(f"bin size is {bin_size}; allowed: above 0, in the unit of the ranges")
    counts: dict[float, float] = defaultdict(float)
    for cycle in cycles:
        edge = cycle.range if bin_size is None else math.ceil(cycle.range / bin_size - EDGE) * bin_size
        counts[edge] += cycle.count
    return tuple(sorted(counts.items()))


def miner_sum(counted: Sequence[tuple[float, float]], *, constant: float, exponent: float) -> float:
    """Return the part of a life that a loading has used up.

    Parameters
    ----------
    counted : sequence of (range, count)
        From `sum_by_range`.
    constant, exponent : float
        Of the life curve N = constant * range^-exponent [cycles, for ranges in the unit of `counted`], [-].

    Returns
    -------
    float
        Sum of n/N [-]; 1 is one life by this rule.

    Raises
    ------
    ValueError
        If constant or exponent is not above 0.

    Assumes
    -------
    Each cycle does its damage alone, whatever went before, with no range too small to hurt.

    Source
    ------
    Palmgren-Miner rule, any textbook of fatigue. Real lives end at sums from 0.3 to 3 (common practice).

    Examples
    --------
    >>> round(miner_sum([(100.0, 20.0)], constant=1e9, exponent=3.0), 6)
    0.02
    """
    if not (math.isfinite(constant) and constant > 0.0):
        raise ValueError(f"constant of the life curve is {constant}; allowed: above 0")
    _check_exponent(exponent)
    return math.fsum(count * span**exponent for span, count in counted) / constant


def equivalent_cycles(counted: Sequence[tuple[float, float]], *, reference_range: float, exponent: float) -> float:
    """Return how many even cycles of one range would do the damage of an uneven loading.

    Parameters
    ----------
    counted : sequence of (range, count)
        From `sum_by_range`.
    reference_range : float
        Range of the even cycles [unit of `counted`], such as the one the profile asks for.
    exponent : float
        Of the life curve [-]. It must come from tests of this material; the result leans on it: at 10, a cycle 10 %
        too high counts 2.6 times.

    Returns
    -------
    float
        Damage-equivalent cycles [-]. Not a count of anything that happened.

    Raises
    ------
    ValueError
        If reference or exponent is not above 0.

    Assumes
    -------
    As `miner_sum`; the constant of the life curve falls out.

    Source
    ------
    Palmgren-Miner rule: sum of n (S/S_ref)^m.

    Examples
    --------
    >>> equivalent_cycles([(85.0, 10.0), (42.5, 8.0)], reference_range=85.0, exponent=3.0)
    11.0
    """
    if not (math.isfinite(reference_range) and reference_range > 0.0):
        raise ValueError(f"reference range is {reference_range}; allowed: above 0, in the unit of the ranges")
    _check_exponent(exponent)
    return math.fsum(count * (span / reference_range) ** exponent for span, count in counted)


def _check_exponent(exponent: float) -> None:
    if not (math.isfinite(exponent) and exponent > 0.0):
        raise ValueError(f"exponent of the life curve is {exponent}; allowed: above 0, from tests of this material")
