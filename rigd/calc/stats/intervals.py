"""Values known only as intervals: where a cap begins to leak, how many of several do, and shares of a few repeats.

A cap-turn test turns in steps, so it never sees the turn at which a leak begins: only the last step that was tight and
the first that leaked. That interval is the result. It is half-open, (last tight, first leaking]: neighbours share an
end without overlapping, and treating them as closed gives another answer (libraries do). Many specimens give the
nonparametric distribution of largest likelihood, a mass on each interval that the data can tell apart and nothing about
where inside.

This refuses to know a point. It invents no onset where the marks contradict each other, none beyond the last step, and
no shape of the distribution between the steps. It does not judge leaks either: the marks come in as tight or leaking.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

MOST_ROUNDS = 100_000
"""Rounds of expectation and maximisation: a few to some thousands are enough for tens of specimens."""
GAIN = 1e-9
"""A mass is final when no interval would raise the log-likelihood by more than this a specimen."""
NO_MASS = 1e-7
"""Below this a mass counts as none: it is on its way to zero, slowly, as these rounds are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """Where it begins to leak: inside (low, high], and no more is known. Turns from the fully tightened mark."""

    censoring: str  # "interval", "left" (the first step leaked) or "right" (none leaked)
    last_tight_turns: float | None  # as marked; None when no step was tight
    first_leaking_turns: float | None  # as marked; None when no step leaked
    low_turns: float  # the last tight step less the angle's uncertainty, never below 0
    high_turns: float  # the first leaking step plus the angle's uncertainty; infinite when none leaked


@dataclass(frozen=True, slots=True, kw_only=True)
class NoOnset:
    """The marks name no onset, and none is made up. `why` is for a person, `reason` for a program."""

    reason: str  # "not monotone" or "leaks fully tightened"
    tight_turns: float | None  # the largest turn marked tight
    leaking_turns: float  # the smallest turn marked leaking
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """Mass on k disjoint intervals (low, high]; where inside an interval is not known. Unit of the data."""

    low: np.ndarray  # shape (k,), rising
    high: np.ndarray  # shape (k,); the last may be infinite
    mass: np.ndarray  # shape (k,), each above 0, adding up to 1 [-]
    specimens: int
    log_likelihood: float


def find_onset(marks: Sequence[tuple[float, bool]], angle_u_turns: float) -> Onset | NoOnset:
    """Return the interval that holds the onset of one loosening, or why there is none.

    Parameters
    ----------
    marks : sequence of (float, bool)
        Each step that was judged: turns loosened from the fully tightened mark [turn], and whether it leaked. Any
        order: rising, falling or bisecting.
    angle_u_turns : float
        How far a marked turn may be from the turn taken, as a half-width that always holds [turn].

    Returns
    -------
    Onset or NoOnset
        `NoOnset` when a smaller or the same turn leaked where a larger was tight, or when 0 turns leaked.

    Raises
    ------
    ValueError
        If there are no marks, a turn is negative or not finite, or the uncertainty is.

    Assumes
    -------
    Each step was reached by loosening from fully tight, and tightness was proved again before it.

    Source
    ------
    Interval, left and right censoring: NIST/SEMATECH e-Handbook 8.1.3 (from memory). The widening is by definition.

    Examples
    --------
    Tight at an eighth, leaking at three sixteenths, each within a hundredth of a turn:

    >>> found = find_onset([(0.125, False), (0.1875, True)], angle_u_turns=0.01)
    >>> found.censoring, found.low_turns, found.high_turns
    ('interval', 0.115, 0.1975)
    >>> print(find_onset([(0.125, True), (0.25, False)], angle_u_turns=0.01).reason)
    not monotone
    """
    turns = [angle_u_turns, *(turn for turn, _ in marks)]
    if not marks or not all(math.isfinite(turn) and turn >= 0.0 for turn in turns):
        raise ValueError(
            f"{len(marks)} marks {list(marks)} with an angle uncertainty of {angle_u_turns} turns; "
            "allowed: at least one mark, every turn finite and at least 0, counted from the fully tightened mark"
        )
    last_tight = max((turn for turn, leaks in marks if not leaks), default=None)
    first_leaking = min((turn for turn, leaks in marks if leaks), default=None)
    if first_leaking is None:
        low = max(0.0, last_tight - angle_u_turns)
        return Onset(
            censoring="right",
            last_tight_turns=last_tight,
            first_leaking_turns=None,
            low_turns=low,
            high_turns=math.inf,
        )
    contradiction = _why_no_onset(last_tight, first_leaking)
    if contradiction is not None:
        return contradiction
    return Onset(
        censoring="left" if last_tight is None else "interval",
        last_tight_turns=last_tight,
        first_leaking_turns=first_leaking,
        low_turns=0.0 if last_tight is None else max(0.0, last_tight - angle_u_turns),
        high_turns=first_leaking + angle_u_turns,
    )


def _why_no_onset(last_tight: float | None, first_leaking: float) -> NoOnset | None:
    if last_tight is not None and last_tight >= first_leaking:
        reason = "not monotone"
        why = (
            f"not monotone: leaking at {first_leaking:g} turns, tight at {last_tight:g}; no onset is named. "
            "A seal that reseats, a mark read wrongly and drips from elsewhere look like this"
        )
    elif first_leaking == 0.0:
        reason = "leaks fully tightened"
        why = (
            "leaking at 0 turns: it leaks when fully tightened, so no turn begins it; "
            "look at the seal, the thread and the closing torque"
        )
    else:
        return None
    return NoOnset(reason=reason, tight_turns=last_tight, leaking_turns=first_leaking, why=why)


def distribution(low: ArrayLike, high: ArrayLike) -> Distribution:
    """Return the distribution of largest likelihood of values known only to lie in half-open intervals.

    Parameters
    ----------
    low : array_like
        Shape (n,): last tight of each specimen, 0 when its first step leaked [turn, or any unit].
    high : array_like
        Shape (n,): first leaking, above `low`; infinite when it never leaked [same unit].

    Returns
    -------
    Distribution

    Raises
    ------
    ValueError
        If the rows differ in length or are empty, or an interval is empty, NaN or negative.

    Assumes
    -------
    Specimens are independent, and the steps were not chosen by knowing where it would leak. No confidence interval is
    given: at n of 3 to 10 none is trustworthy, so the number of specimens belongs beside every share.

    Source
    ------
    B. W. Turnbull, J. Roy. Stat. Soc. B 38 (1976) 290, by expectation and maximisation; the intervals are those where a
    `low` is directly followed by a `high` (from memory). Some specimen begins at each of them, so no two sets of masses
    are equally likely. Checked with the tables printed by M. P. Fay, P. A. Shaw, J. Stat. Softw. 36(2) (2010).

    Examples
    --------
    The first example of Fay and Shaw: masses of 2/7, 2/7, 3/14, 3/14.

    >>> found = distribution([2, 5, 1, 1, 9, 8, 10], [3, 6, 7, 7, 12, 10, 13])
    >>> [(float(a), float(b)) for a, b in zip(found.low, found.high)]
    [(2.0, 3.0), (5.0, 6.0), (9.0, 10.0), (10.0, 12.0)]
    >>> (found.mass * 14).round(9).tolist()
    [4.0, 4.0, 3.0, 3.0]
    """
    left, right = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    sound = left.ndim == 1 and left.shape == right.shape and left.size > 0
    if not sound or not np.all((left >= 0.0) & (left < right)):
        raise ValueError(
            f"intervals from {low} to {high}; allowed: two rows of one length, at least one specimen, 0 <= low < high; "
            "a step is never an exact onset, and the high of one that never leaked is infinite"
        )
    starts, ends = _innermost(left, right)
    covers = (starts >= left[:, None]) & (ends <= right[:, None])  # shape (n, k)
    mass, chance = _most_likely(covers)
    kept = mass > NO_MASS
    return Distribution(
        low=starts[kept],
        high=ends[kept],
        mass=mass[kept] / np.sum(mass[kept]),
        specimens=left.size,
        log_likelihood=float(np.sum(np.log(chance))),
    )


def _innermost(left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the intervals that can hold mass: a left end directly followed by a right end.

    Half-open matters here and only here: at one value the right ends sort before the left ends, because (a, x] and
    (x, b] do not meet.
    """
    ends = sorted({(value, 0) for value in right.tolist()} | {(value, 1) for value in left.tolist()})
    pairs = [(one[0], two[0]) for one, two in zip(ends, ends[1:], strict=False) if one[1] == 1 and two[1] == 0]
    starts, stops = np.array(pairs).T
    return starts, stops


def _most_likely(covers: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the masses, shape (k,), and the likelihood of each specimen, shape (n,)."""
    specimens, places = covers.shape
    mass = np.full(places, 1.0 / places)
    for _ in range(MOST_ROUNDS):
        chance = covers @ mass
        gain = (1.0 / chance) @ covers / specimens  # 1 where mass stands, at most 1 elsewhere: the optimum
        if np.max(gain) <= 1.0 + GAIN:
            break
        mass = mass * gain
    else:
        raise ValueError(
            f"masses of {specimens} specimens on {places} intervals are not settled after {MOST_ROUNDS} rounds; "
            "allowed: some tens of specimens on shared steps; compare fewer at a time"
        )
    return mass, covers @ mass


def survival(found: Distribution, at: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Return between which shares the specimens still tight at a turn lie.

    Parameters
    ----------
    found : Distribution
        From `distribution`.
    at : array_like
        Turns, any shape [unit of the distribution].

    Returns
    -------
    least, most : ndarray
        Share still tight, same shape [-]. The two are equal outside the intervals, and nothing between them is known
        inside one.

    Source
    ------
    As `distribution`: its mass may lie anywhere inside an interval.

    Examples
    --------
    Four specimens, (1/4, 1/2], twice (1/2, 2], (2, 3]: three in four are tight at half a turn.

    >>> found = distribution([0.25, 0.5, 0.5, 2.0], [0.5, 2.0, 2.0, 3.0])
    >>> [float(bound) for bound in survival(found, 0.5)], [float(bound) for bound in survival(found, 1.0)]
    ([0.75, 0.75], [0.25, 0.75])
    """
    turns = np.asarray(at, dtype=float)[..., None]
    least = np.sum(found.mass * (found.low >= turns), axis=-1)
    most = np.sum(found.mass * (found.high > turns), axis=-1)
    return least, most


def _check_level(level: float) -> None:
    if not 0.5 <= level < 1.0:
        raise ValueError(f"level is {level}; allowed: 0.5 to below 1, such as 0.95")


def hits_interval(hits: int, aims: int, level: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided interval of a chance, from how often it came true.

    Parameters
    ----------
    hits : int
        Marked hits, or failures [-].
    aims : int
        How often it was tried; to be printed beside the interval [-].
    level : float
        Chance that such an interval holds the truth, at least [-]. For a one-sided bound of 0.95 take 0.90.

    Returns
    -------
    low, high : float
        Chance of a hit [-].

    Raises
    ------
    ValueError
        If there are no aims, hits are not between 0 and them, or the level is not.

    Assumes
    -------
    Every aim is a hit or none, independently and with one chance. Shares of water in a cup are not hits: for those see
    `share_interval`.

    Source
    ------
    C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404; NIST/SEMATECH e-Handbook 7.2.4.2 (4 defective of 20).

    Examples
    --------
    >>> "%.5f, %.5f" % hits_interval(4, 20, level=0.90)
    '0.07135, 0.40103'
    """
    _check_level(level)
    if not 0 <= hits <= aims or aims < 1 or hits != int(hits) or aims != int(aims):
        raise ValueError(f"{hits} hits of {aims} aims; allowed: at least one aim, and whole hits from 0 to all of them")
    tail = (1.0 - level) / 2.0
    low = 0.0 if hits == 0 else float(scipy.stats.beta.ppf(tail, hits, aims - hits + 1))
    high = 1.0 if hits == aims else float(scipy.stats.beta.ppf(1.0 - tail, hits + 1, aims - hits))
    return low, high


def share_interval(shares: ArrayLike, level: float = 0.95) -> tuple[float, float, float]:
    """Return the mean share over a few aims, and the interval of that mean.

    Parameters
    ----------
    shares : array_like
        Share caught at each aim, shape (k,), from 0 to 1 [-]; k belongs beside the interval in print.
    level : float
        Chance that such an interval holds the mean of all such aims, for shares that are about normal [-].

    Returns
    -------
    mean, low, high : float
        [-]; the interval is cut at 0 and 1.

    Raises
    ------
    ValueError
        If there are fewer than two aims, a share is not between 0 and 1, or the level is not allowed.

    Assumes
    -------
    Aims repeated independently. Shares that never differ give an interval of no width, which says that the cups do not
    resolve the difference, not that there is none.

    Source
    ------
    Student's t on k - 1 degrees of freedom; its factors: NIST TN 1297 table B.1 (4.53 for two degrees, 95.45 %).

    Examples
    --------
    >>> "%.3f (%.3f to %.3f)" % share_interval([0.80, 0.82, 0.84], level=0.9545)
    '0.820 (0.768 to 0.872)'
    """
    _check_level(level)
    caught = np.asarray(shares, dtype=float)
    if caught.ndim != 1 or caught.size < 2 or not np.all((caught >= 0.0) & (caught <= 1.0)):
        raise ValueError(f"shares {shares}; allowed: one row of at least two aims, each from 0 to 1; repeat the aim")
    mean = float(np.mean(caught))
    factor = scipy.stats.t.ppf((1.0 + level) / 2.0, caught.size - 1)
    reach = float(factor * np.std(caught, ddof=1)) / math.sqrt(caught.size)
    return mean, max(0.0, mean - reach), min(1.0, mean + reach)
