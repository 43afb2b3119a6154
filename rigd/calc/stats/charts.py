"""Drift of an unattended cycle test: individuals chart, EWMA and CUSUM on one number a cycle.

A rig drifts long before it trips: a regulator creeps, a seal sheds, a bottle runs down. These charts say that a cycle
differs from the first accepted ones by more than those differed among themselves. They are **advice**: a person looks.
No chart may ever hold, vent or stop anything; interlocks are rows of a rig file and know nothing of this.

One statistic a cycle (peak, trough, fill time, return time), never the samples of a trace: those follow each other so
closely that every limit here would be wrong. A chart refuses to know what is good or bad for a specimen: a body that
softens and a rig that drifts look alike.
"""

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

ADVICE = "Advice only, never an interlock: this differs from the first accepted cycles; a person should look."
D2 = 1.128
"""Mean range of two normal values over their standard deviation, as printed in tables. Pinned: with the exact 1.128379
published examples come out differently in the fourth digit."""
D4 = 3.267
"""Upper limit of a moving range of two over its mean (tables, from memory)."""
SIGMAS = 3.0
"""Width of the limits of the individuals chart; false alarms about one in 370 for normal values."""
EWMA_WEIGHT, EWMA_WIDTH = 0.1, 2.7
CUSUM_ALLOWANCE, CUSUM_INTERVAL = 0.5, 5.0
"""Usual designs for small drifts (Montgomery, Introduction to Statistical Quality Control; from memory)."""
FALSE_ALARM_EVERY = {"individuals": 370.0, "ewma": 369.0, "cusum": 465.0}
"""Cycles between false alarms of a process that does not drift at all, normal values, known mean and sigma: computed in
the tests. A night of thousands of cycles therefore *will* have some; a baseline of few cycles makes many more."""
BASELINE_CYCLES = 20
"""Cycles a baseline is usually taken from: 20 to 25 (common practice). For a long night take more."""
LEAST_BASELINE = 5
"""With fewer, the limits are little but noise (house rule)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """What the first accepted cycles were like, in the unit of the statistic."""

    cycles: tuple[int, ...]  # which ones, as places in the row of all cycles
    mean: float
    moving_range: float  # mean of |difference| of neighbours among them
    sigma: float  # moving_range/D2, or the least allowed


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart over n cycles, in the unit of the statistic. A limit that does not exist is infinite."""

    name: str
    points: np.ndarray  # what is compared, shape (n,)
    lower: np.ndarray  # shape (n,)
    upper: np.ndarray  # shape (n,)

    @property
    def signals(self) -> tuple[int, ...]:
        """Places, counted from 0, whose point lies outside its limits."""
        return tuple(np.flatnonzero((self.points > self.upper) | (self.points < self.lower)).tolist())


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftWatch:
    """All charts of one statistic over the accepted cycles."""

    baseline: Baseline
    cycles: tuple[int, ...]  # charted: every accepted cycle, as places among all
    charts: tuple[Chart, ...]
    signals: tuple[tuple[str, int], ...]  # (chart, place among all cycles) after the baseline, earliest first
    false_alarms: float  # how many to expect after the baseline if nothing drifts at all, at least
    advice: str  # "" without a signal


def _row(values: ArrayLike) -> np.ndarray:
    made = np.asarray(values, dtype=float)
    if made.ndim != 1 or not np.all(np.isfinite(made)):
        raise ValueError(
            f"values of shape {made.shape}, {int(np.sum(~np.isfinite(made)))} of them not finite; "
            "allowed: one row of finite values, one a cycle; a cycle without a value is not accepted"
        )
    return made


def _need_sigma(sigma: float, target: float) -> None:
    if not (math.isfinite(sigma) and sigma > 0.0 and math.isfinite(target)):
        raise ValueError(
            f"target {target}, standard deviation {sigma}; allowed: finite, and above 0; "
            "values that never differ say that the gauge does not resolve them: give its resolution as `least_sigma`"
        )


def take_baseline(
    values: ArrayLike, accepted: ArrayLike, count: int = BASELINE_CYCLES, least_sigma: float = 0.0
) -> Baseline | None:
    """Return what the first accepted cycles were like, or None while there are too few.

    Parameters
    ----------
    values : array_like
        One statistic of every cycle, shape (n,); what stands at cycles not accepted does not matter [any unit].
    accepted : array_like of bool
        Shape (n,): which cycles were applied whole and valid.
    count : int
        How many of them make the baseline, at least `LEAST_BASELINE` [cycle].
    least_sigma : float
        Smallest standard deviation believed, such as a step of the gauge over the root of 12 [unit of values].

    Returns
    -------
    Baseline or None

    Raises
    ------
    ValueError
        If the rows differ in length, the count is too small, or an accepted value of the baseline is not finite.

    Source
    ------
    sigma = mean moving range/d2: NIST/SEMATECH e-Handbook, 6.3.2.2.

    Examples
    --------
    >>> take_baseline([9.0, 5.0, 5.2, 4.9, 5.1, 5.0], [False] + [True] * 5, count=5).cycles
    (1, 2, 3, 4, 5)
    """
    taken = np.asarray(accepted, dtype=bool)
    rows = np.asarray(values, dtype=float)
    if rows.shape != taken.shape or rows.ndim != 1:
        raise ValueError(f"{rows.shape} values and {taken.shape} marks; allowed: one of each a cycle")
    if count < LEAST_BASELINE:
        raise ValueError(f"baseline of {count} cycles; allowed: at least {LEAST_BASELINE}, better {BASELINE_CYCLES}")
    places = np.flatnonzero(taken)[:count]
    if places.size < count:
        return None
    first = _row(rows[places])
    moving_range = float(np.mean(np.abs(np.diff(first))))
    return Baseline(
        cycles=tuple(places.tolist()),
        mean=float(np.mean(first)),
        moving_range=moving_range,
        sigma=max(moving_range / D2, least_sigma),
    )


def individuals(values: ArrayLike, mean: float, sigma: float) -> Chart:
    """Return the individuals chart: each value against mean +- 3 sigma.

    Parameters
    ----------
    values : array_like
        One a cycle, shape (n,) [any unit].
    mean, sigma : float
        From `take_baseline` [same unit].

    Returns
    -------
    Chart

    Raises
    ------
    ValueError
        If a value is not finite or sigma is not above 0.

    Source
    ------
    NIST/SEMATECH e-Handbook, 6.3.2.2: limits mean +- 3 MRbar/1.128.

    Examples
    --------
    >>> individuals([50.0, 56.0], 50.81, 1.8778 / 1.128).signals
    (1,)
    """
    points = _row(values)
    _need_sigma(sigma, mean)
    half = np.full(points.size, SIGMAS * sigma)
    return Chart(name="individuals", points=points, lower=mean - half, upper=mean + half)


def moving_ranges(values: ArrayLike, moving_range: float) -> Chart:
    """Return the chart of |difference| between neighbours, for jumps: n - 1 points, the first belongs to cycle 1.

    Parameters
    ----------
    values : array_like
        One a cycle, shape (n,) [any unit].
    moving_range : float
        Mean of the baseline [same unit].

    Returns
    -------
    Chart
        Only an upper limit, D4 times the mean.

    Raises
    ------
    ValueError
        If a value is not finite or the mean is not above 0.

    Source
    ------
    NIST/SEMATECH e-Handbook, 6.3.2.2; D4 = 3.267 from memory.

    Examples
    --------
    >>> moving_ranges([1.0, 2.0, 1.0, 9.0], 1.0).signals
    (2,)
    """
    points = np.abs(np.diff(_row(values)))
    _need_sigma(moving_range, 0.0)
    return Chart(
        name="moving range",
        points=points,
        lower=np.full(points.size, -np.inf),
        upper=np.full(points.size, D4 * moving_range),
    )


def ewma(
    values: ArrayLike,
    target: float,
    sigma: float,
    *,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
    steady: bool = False,
) -> Chart:
    """Return the exponentially weighted moving average, which sees a small lasting shift.

    Parameters
    ----------
    values : array_like
        One a cycle, shape (n,) [any unit].
    target, sigma : float
        Mean and standard deviation of the baseline [same unit]. The average starts at the target.
    weight : float
        Of the newest value, above 0 up to 1 [-].
    width : float
        Of the limits, in standard deviations of the average [-].
    steady : bool
        True: limits as after many cycles (the NIST example). False: the narrower exact ones at the start.

    Returns
    -------
    Chart

    Raises
    ------
    ValueError
        If a value is not finite, sigma or width is not above 0, or the weight is outside 0 to 1.

    Source
    ------
    NIST/SEMATECH e-Handbook, 6.3.2.4: target +- width sigma sqrt(weight/(2 - weight)). It prints its limits cut off,
    not rounded. Exact start: times sqrt(1 - (1 - weight)^(2i)) (Montgomery, from memory).

    Examples
    --------
    >>> ewma([52.0, 47.0], 50.0, 2.0539, weight=0.3, width=3.0).points.round(2).tolist()
    [50.6, 49.52]
    """
    points = _row(values)
    _need_sigma(sigma, target)
    if not (0.0 < weight <= 1.0 and math.isfinite(width) and width > 0.0):
        raise ValueError(f"weight {weight}, width {width}; allowed: a weight above 0 up to 1, a width above 0")
    smooth, _ = scipy.signal.lfilter([weight], [1.0, weight - 1.0], points, zi=[(1.0 - weight) * target])
    half = np.full(points.size, width * sigma * math.sqrt(weight / (2.0 - weight)))
    if not steady:
        half = half * np.sqrt(1.0 - (1.0 - weight) ** (2.0 * np.arange(1, points.size + 1)))
    return Chart(name="ewma", points=smooth, lower=target - half, upper=target + half)


def cusum(
    values: ArrayLike,
    target: float,
    sigma: float,
    *,
    allowance: float = CUSUM_ALLOWANCE,
    interval: float = CUSUM_INTERVAL,
) -> tuple[Chart, Chart]:
    """Return the two one-sided cumulative sums, which see a small lasting shift soonest.

    Parameters
    ----------
    values : array_like
        One a cycle, shape (n,) [any unit].
    target, sigma : float
        Mean and standard deviation of the baseline [same unit].
    allowance, interval : float
        What each step forgives (K) and where a sum signals (H), in sigmas [-].

    Returns
    -------
    up, down : Chart
        Sums of rises and of falls, both counted upwards, in the unit of the values.

    Raises
    ------
    ValueError
        If a value is not finite, sigma or the interval is not above 0, or the allowance is negative.

    Source
    ------
    Montgomery, tables 9.1 and 9.2 (from memory): C+ = max(0, x - (target + K) + C+), C- = max(0, target - K - x + C-).

    Examples
    --------
    >>> cusum([12.0] * 4, 10.0, 1.0)[0].points.tolist()
    [1.5, 3.0, 4.5, 6.0]
    """
    points = _row(values)
    _need_sigma(sigma, target)
    if not (math.isfinite(allowance) and allowance >= 0.0 and math.isfinite(interval) and interval > 0.0):
        raise ValueError(f"allowance {allowance}, interval {interval}; allowed: 0 or more, and above 0, in sigmas")
    limit = np.full(points.size, interval * sigma)
    none = np.full(points.size, -np.inf)
    up, down = (_one_sided(sign * (points - target) - allowance * sigma) for sign in (1.0, -1.0))
    return (
        Chart(name="cusum up", points=up, lower=none, upper=limit),
        Chart(name="cusum down", points=down, lower=none, upper=limit),
    )


def _one_sided(steps: np.ndarray) -> np.ndarray:
    """max(0, step + sum before): the sum of all steps less the lowest it has been, start included."""
    total = np.cumsum(steps)
    return total - np.minimum(np.minimum.accumulate(total), 0.0) if total.size else total


def watch(
    values: ArrayLike, accepted: ArrayLike, count: int = BASELINE_CYCLES, least_sigma: float = 0.0
) -> DriftWatch | None:
    """Return the three charts of one statistic of an unattended test, or None while the baseline is not full.

    Parameters
    ----------
    values, accepted, count, least_sigma
        As `take_baseline`. The charts go over accepted cycles only.

    Returns
    -------
    DriftWatch or None
        Advice. Nothing in it may act on a rig.

    Raises
    ------
    ValueError
        As `take_baseline`, and if any accepted value is not finite or the baseline never varies and `least_sigma` is 0.

    Assumes
    -------
    Cycles are independent of each other and near normal. Where a trend is expected (a body that creeps), a signal is
    news only of when.

    Source
    ------
    As `individuals`, `ewma`, `cusum`.

    Examples
    --------
    >>> steady = [5.0, 5.2, 4.9, 5.1, 5.0, 4.8, 5.1]
    >>> seen = watch(steady + [6.5], [True] * 8, count=7)
    >>> seen.signals[0], seen.advice == ADVICE
    (('individuals', 7), True)
    """
    baseline = take_baseline(values, accepted, count, least_sigma)
    if baseline is None:
        return None
    places = np.flatnonzero(np.asarray(accepted, dtype=bool))
    charted = _row(np.asarray(values, dtype=float)[places])
    charts = (
        individuals(charted, baseline.mean, baseline.sigma),
        ewma(charted, baseline.mean, baseline.sigma),
        *cusum(charted, baseline.mean, baseline.sigma),
    )
    signals = [(chart.name, at) for chart in charts for at in chart.signals if at >= count]
    signals.sort(key=lambda signal: signal[1])
    watched = len(places) - count
    return DriftWatch(
        baseline=baseline,
        cycles=tuple(places.tolist()),
        charts=charts,
        signals=tuple((name, int(places[at])) for name, at in signals),
        false_alarms=math.fsum(watched / every for every in FALSE_ALARM_EVERY.values()),
        advice=ADVICE if signals else "",
    )
