"""Failure of a body, measured from a sealed trace: the rules of calc.exact.burst, for whole arrays at once.

The engine acts on one sample at a time and must be quick; this reads the record afterwards, and whoever doubts the
engine's numbers runs it. It uses the same thresholds in the same order of arithmetic and sums in the order of arrival,
so times agree exactly and pressures to the last bit; tests hold it to that.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rigd.calc.exact.burst import (
    CLEAN_FRACTION,
    CONFIRM_FRACTION,
    DEEP_FRACTION,
    DEEP_TIMES,
    FALL_SAMPLES,
    FOLLOWS_FROM_PA,
    NOISE_TIMES,
    NOISE_WINDOW,
    NOT_FOLLOWING,
    PRESSURE_FALL,
    STANDING_FRACTION,
    SUPPLY_LAG,
    SUPPLY_LAG_NS,
    SUPPLY_LAG_TIMES,
    UNFOLLOWED_NS,
    Bounds,
)
from rigd.calc.exact.noise import NoiseMeter
from rigd.calc.exact.ramp import SETTLED_NS, RampFit
from rigd.calc.trace import newest_values
from rigd.model.profile import FailureSigns
from rigd.model.rig import Rig

LOWEST_PA = -1e30  # where running maxima begin, as in the engine


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """The good samples of the primary channel while signs were looked for, in order; all arrays have shape (n,)."""

    t_ns: np.ndarray  # int64, when each was sampled
    pressure_pa: np.ndarray
    second_pa: np.ndarray  # NaN where the second transducer gave no good value
    feed_pa: np.ndarray  # NaN likewise
    target_pa: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """What the trace says. Indices are into Watched; -1 when there is none."""

    sign: str  # "" when no sign fired
    fired_at: int
    onset_at: int
    onset_pa: float
    onset_ns: int
    gap_ns: int
    latency_ns: int
    fall_pa: float
    highest_pa: float
    noise_pa: float
    rate_pa_per_s: float | None


def find_failure(watched: Watched, signs: FailureSigns, settle_ns: int = SETTLED_NS) -> Failure:
    """Find the first sign of failure, its onset, the ramp's rate and its noise.

    Parameters
    ----------
    watched : Watched
        Samples (n,) of one ramp or hold [ns, Pa].
    signs : FailureSigns
        The profile's thresholds [Pa, ns].
    settle_ns : int
        Samples this long after the first one count as the straight ramp [ns].

    Returns
    -------
    Failure
        Pressures [Pa] as sampled, not zeroed.

    Assumes
    -------
    `t_ns` rises strictly.

    Source
    ------
    The rule is rigd's own (calc.exact.burst); the definition of failure it serves is any continuous loss of pressure
    or bursting (ASTM D1598 and D1599, checks/physics.md B4, B17).
    """
    t_ns, pressure = watched.t_ns, watched.pressure_pa
    if not len(t_ns):
        return Failure(
            sign="", fired_at=-1, onset_at=-1, onset_pa=0.0, onset_ns=-1, gap_ns=0, latency_ns=0, fall_pa=0.0,
            highest_pa=LOWEST_PA, noise_pa=0.0, rate_pa_per_s=None,
        )  # fmt: skip
    highest = _running_maximum(pressure)
    threshold = _fall_threshold(pressure, highest, signs)
    fall = highest - pressure
    ahead = np.where(np.isnan(watched.feed_pa), watched.target_pa, watched.feed_pa)
    behind = ahead - pressure
    seen_behind = ~(ahead - watched.second_pa <= CONFIRM_FRACTION * signs.lag_pa)  # True for NaN: no vote
    stands = (fall < STANDING_FRACTION * threshold) & (behind < CLEAN_FRACTION * signs.lag_pa)
    followed = np.logical_or.accumulate(np.append(False, (stands & (pressure > FOLLOWS_FROM_PA))[:-1]))
    wait_ns = np.where(followed, signs.lag_ns, UNFOLLOWED_NS)
    fires = {
        PRESSURE_FALL: _falls(watched, fall, threshold, highest),
        NOT_FOLLOWING: _lasts((behind > signs.lag_pa) & seen_behind, t_ns, wait_ns),
        SUPPLY_LAG: _lasts(watched.target_pa - watched.feed_pa > SUPPLY_LAG_TIMES * signs.lag_pa, t_ns, SUPPLY_LAG_NS),
    }
    first = {sign: int(np.argmax(fired)) for sign, fired in fires.items() if fired.any()}
    sign = min(first, key=lambda name: first[name]) if first else ""  # dicts keep order: a fall goes before a lag
    fired_at = first[sign] if sign else len(t_ns)
    stands[fired_at:] = False
    standing = np.flatnonzero(stands)
    onset_at = int(standing[-1]) if len(standing) else -1
    until = min(fired_at, len(t_ns) - 1)
    noise_pa, rate = _ramp(t_ns, pressure, stands, int(t_ns[0]) + settle_ns)
    return Failure(
        sign=sign,
        fired_at=fired_at if sign else -1,
        onset_at=onset_at,
        onset_pa=float(pressure[onset_at]) if onset_at >= 0 else 0.0,
        onset_ns=int(t_ns[onset_at]) if onset_at >= 0 else -1,
        gap_ns=_gap_ns(t_ns, onset_at, until),
        latency_ns=int(t_ns[until] - t_ns[onset_at]) if sign and onset_at >= 0 else 0,
        fall_pa=float(fall[fired_at]) if sign else 0.0,
        highest_pa=float(highest[until]),
        noise_pa=noise_pa,
        rate_pa_per_s=rate,
    )


def watched_in(trace: Mapping[str, np.ndarray], rig: Rig, step: int) -> Watched:
    """The watched samples of one step of a sealed trace.

    Parameters
    ----------
    trace : mapping of arrays, each (rows,)
        `t_ns`, `age_us`, `device` (-1 for a tick), `step`, `target_pa` and `<channel>_counts`, as in the record.
    rig : Rig
    step : int
        Index into the profile's steps.

    Returns
    -------
    Watched
        Values come from the counts, not from the rounded columns; the second transducer and the feed are their newest
        good values at each sample, as the engine sees them.
    """
    roles = {channel.role: channel for channel in reversed(rig.channels)}
    specimens = [channel for channel in rig.channels if channel.role == "specimen"]
    rows = len(trace["t_ns"])
    primary = newest_values(trace, rig, specimens[0])
    own = (trace["device"] == specimens[0].device) & (trace["step"] == step) & np.isfinite(trace["target_pa"])
    used = np.flatnonzero(own & ~np.isnan(primary))
    nothing = np.full(rows, np.nan)
    second = newest_values(trace, rig, specimens[1]) if len(specimens) > 1 else nothing
    feed = newest_values(trace, rig, roles["feed"]) if "feed" in roles else nothing
    return Watched(
        t_ns=(trace["t_ns"] - trace["age_us"] * 1000)[used],
        pressure_pa=primary[used], second_pa=second[used], feed_pa=feed[used],
        target_pa=trace["target_pa"][used].astype(np.float64),
    )  # fmt: skip


def bounds_of(failure: Failure, *, tau_ns: int, resolution_pa: float, bias_pa: float, in_ramp: bool) -> Bounds:
    """The bounds of a failure found by a sign of the trace, by the engine's own arithmetic (calc.exact.burst.Bounds).

    tau_ns is the channel's time constant [ns], resolution_pa one count [Pa], bias_pa what noise adds to a maximum on
    average [Pa]; outside a ramp the rate is taken as zero.
    """
    rate = failure.rate_pa_per_s if in_ramp and failure.rate_pa_per_s and failure.rate_pa_per_s > 0.0 else 0.0
    sagged_pa = failure.highest_pa - failure.onset_pa
    return Bounds(
        rate_pa_per_s=rate, gap_ns=failure.gap_ns, tau_ns=tau_ns, latency_ns=failure.latency_ns,
        resolution_pa=resolution_pa, noise_pa=failure.noise_pa, bias_pa=bias_pa,
        sagged_pa=sagged_pa if sagged_pa > 0.0 else 0.0,
    )  # fmt: skip


def _running_maximum(values: np.ndarray) -> np.ndarray:
    """Maximum so far, from LOWEST_PA, NaN counting as nothing."""
    return np.maximum.accumulate(np.fmax(values, LOWEST_PA))


def _fall_threshold(pressure: np.ndarray, highest: np.ndarray, signs: FailureSigns) -> np.ndarray:
    """How far below the highest counts as a fall at each sample (n,) [Pa], noise of the samples before it included."""
    threshold = np.maximum(signs.drop_fraction * highest, signs.drop_pa)
    squares = np.zeros(len(pressure))
    bends = pressure[:-2] - 2.0 * pressure[1:-1] + pressure[2:]
    squares[2:] = bends * bends
    totals = np.concatenate((np.zeros(NOISE_WINDOW + 1), np.add.accumulate(squares)))[: len(pressure) + NOISE_WINDOW]
    window = totals[NOISE_WINDOW:] - totals[:-NOISE_WINDOW]
    share = 6.0 * NOISE_WINDOW
    noisy = NOISE_TIMES * NOISE_TIMES * window > threshold * threshold * share
    return np.where(noisy, NOISE_TIMES * np.sqrt(window / share), threshold)


def _falls(watched: Watched, fall: np.ndarray, threshold: np.ndarray, highest: np.ndarray) -> np.ndarray:
    """Where a fall is the body's: the feed has not fallen by as much, a second transducer has seen it, and it is deep
    or has lasted."""
    falls = fall > threshold
    if not falls.any():
        return falls
    feed_fall = np.nan_to_num(_running_maximum(watched.feed_pa) - watched.feed_pa, nan=0.0)
    shared = fall - feed_fall <= threshold
    second_fall = _running_maximum(watched.second_pa) - watched.second_pa
    unseen = second_fall <= CONFIRM_FRACTION * threshold  # False for NaN: a lost second transducer has no vote
    own = falls & ~shared & ~unseen
    at = np.arange(len(own))
    in_a_row = at - np.maximum.accumulate(np.where(own, -1, at))
    deep = (fall > DEEP_FRACTION * highest) & (fall > DEEP_TIMES * threshold)
    return own & (deep | (in_a_row >= FALL_SAMPLES))


def _lasts(condition: np.ndarray, t_ns: np.ndarray, for_ns: int | np.ndarray) -> np.ndarray:
    """Where a condition has held without a break for `for_ns`, not counting the sample it began with."""
    if not condition.any():
        return condition
    at = np.arange(len(condition))
    broken = np.maximum.accumulate(np.where(condition, -1, at))
    began = np.minimum(broken + 1, len(condition) - 1)
    return condition & (at > began) & (t_ns - t_ns[began] >= for_ns)


def _gap_ns(t_ns: np.ndarray, onset_at: int, until: int) -> int:
    """The longer of the sampling gaps beside the onset [ns]."""
    if onset_at < 0:
        return 0
    before = int(t_ns[onset_at] - t_ns[onset_at - 1]) if onset_at > 0 else 0
    after = int(t_ns[onset_at + 1] - t_ns[onset_at]) if onset_at + 1 <= until else 0
    return max(before, after)


def _ramp(t_ns: np.ndarray, pressure: np.ndarray, stands: np.ndarray, settled_ns: int) -> tuple[float, float | None]:
    """Noise [Pa] and rate [Pa/s] of the settled, standing samples, by the engine's own meters' sums."""
    used = stands & (t_ns >= settled_ns)
    at = np.flatnonzero(used)
    meter, fit = NoiseMeter(), RampFit()
    if len(at):
        times_s = (t_ns[at] - t_ns[at[0]]) / 1e9
        values = pressure[at]
        fit.add_sums(len(at), _total(times_s), _total(values), _total(times_s * times_s), _total(times_s * values))
        triples = np.flatnonzero(used[2:] & used[1:-1] & used[:-2])
        if len(triples):
            bends = pressure[triples] - 2.0 * pressure[triples + 1] + pressure[triples + 2]
            meter.add_squares(len(triples), _total(bends * bends))
    return meter.deviation(), fit.rate()


def _total(values: np.ndarray) -> float:
    """Sum in order of arrival, as the engine sums; numpy's own sum adds in another order."""
    return float(np.add.accumulate(values)[-1])
