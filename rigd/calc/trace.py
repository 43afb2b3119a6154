"""A channel's whole trace at once: from the integers in a record to SI values and qualities, as numpy arrays.

The engine evaluates one sample at a time (calc.exact.calibration); whoever measures a sealed record has millions. This
file says the same thing for arrays and nothing else: the same formulas in the same order of operations, so that both
give the same bits, which the tests hold it to. It knows nothing of time, zeroes, or what a trace means.
"""

from collections.abc import Callable, Mapping

import numpy as np

from rigd.calc.exact.calibration import datum_pa, line, polynomial, signal_slope, slope
from rigd.calc.exact.quality import (
    FAILED_HIGH,
    FAILED_LOW,
    FAILS_HIGH_MA,
    FAILS_LOW_MA,
    GOOD,
    IMPLAUSIBLE,
    MEASURES_HIGH_MA,
    MEASURES_LOW_MA,
    NOT_FINITE,
    UNCERTAIN,
)
from rigd.calc.exact.reference import STANDARD_ATMOSPHERE_PA
from rigd.model.rig import Calibration, Channel, Rig

Curve = Callable[[np.ndarray], np.ndarray]

BLOCK_SAMPLES = 8_192
"""Samples worked on at once: 64 KB an array, so that every intermediate stays in the processor's cache."""


def _numbers(counts: np.ndarray, channel: Channel) -> np.ndarray:
    """Return the counts as float64; of a float32's pattern, the number it stands for.

    An infinity stays one here where the engine has NaN: no arithmetic leads back from either, both end as NOT_FINITE.
    """
    if channel.type == "float32":
        return counts.astype(np.uint32).view(np.float32).astype(np.float64)
    return counts.astype(np.float64)


def _table(points: tuple[tuple[float, float], ...]) -> Curve:
    """Return calc.exact.calibration.table for arrays."""
    at_x, at_y = np.array(points, dtype=np.float64)[:-1].T
    rises = np.array([slope(points[at : at + 2]) for at in range(len(points) - 1)])

    def evaluate(x: np.ndarray) -> np.ndarray:
        at = np.searchsorted(at_x[1:], x, side="right")
        return line(x, at_x[at], at_y[at], rises[at])

    return evaluate


def _curve(calibration: Calibration) -> Curve:
    if calibration.kind == "two_point":
        (x0, y0), rise = calibration.points[0], slope(calibration.points)
        return lambda x: line(x, x0, y0, rise)
    if calibration.kind == "polynomial":
        return lambda x: polynomial(x, calibration.coefficients)
    assert calibration.kind == "table", calibration.kind
    return _table(calibration.points)


def _mark(signal: np.ndarray, value: np.ndarray, quality: np.ndarray, good: np.ndarray, is_current: bool) -> None:
    """Give every sample that is not good its quality, and NaN where there is no number: in place.

    Later lines overrule earlier ones, which is the order of calc.exact read backwards.
    """
    at = np.flatnonzero(~good)
    verdict = np.full(len(at), IMPLAUSIBLE, dtype=np.uint8)
    if is_current:
        bad = signal[at]
        verdict[(bad < MEASURES_LOW_MA) | (bad > MEASURES_HIGH_MA)] = UNCERTAIN
        verdict[bad >= FAILS_HIGH_MA] = FAILED_HIGH
        verdict[bad <= FAILS_LOW_MA] = FAILED_LOW
    lost = ~np.isfinite(value[at])
    verdict[lost] = NOT_FINITE
    quality[at] = verdict
    value[at[lost]] = np.nan


def values_from_counts(
    counts: np.ndarray, channel: Channel, ambient_pa: float = STANDARD_ATMOSPHERE_PA
) -> tuple[np.ndarray, np.ndarray]:
    """Return the SI values and qualities of a channel's recorded integers.

    Parameters
    ----------
    counts : ndarray
        Integers as recorded [-], shape (n,), any integer dtype; for a float32 channel its 32-bit patterns. Rows in
        which the device had no sample must be left out before: there is no integer for them.
    channel : Channel
        As it stands in the record's own rig file.

    Returns
    -------
    values : ndarray
        SI values [Pa, K, m3/s or 0/1, by the channel's quantity], shape (n,), float64: the bits of the Readings. NaN
        where there is no finite number.
    quality : ndarray
        Codes of calc.exact.quality [-], shape (n,), uint8.

    Raises
    ------
    TypeError
        If `counts` is not a one-dimensional array of integers: floats mean that nulls were turned into NaN on the way.

    Assumes
    -------
    The channel passed loading: a rising table, two distinct points, at least one coefficient.

    Source
    ------
    calc.exact.calibration.compile_channel, of which this is the twin for arrays.

    Examples
    --------
    12 mA on 4-20 mA for 0..1000 Pa, then a wire that came off:

    >>> from rigd.model.rig import Address, Calibration, Channel, Signal
    >>> signal = Signal(kind="mA", counts_low=4000.0, counts_high=20000.0, signal_low=4.0, signal_high=20.0)
    >>> channel = Channel(
    ...     name="p", device=0, role="specimen", quantity="pressure", address=Address(table="holding", offset=0),
    ...     type="int16", order="ABCD", bit=0, signal=signal, reference="gauge", head_pa=0.0,
    ...     calibration=Calibration(kind="two_point", points=((4.0, 0.0), (20.0, 1000.0))),
    ...     range_low=-100.0, range_high=1100.0, tau_ns=0, resolution=0.0625, accuracy=1.0, proof_pa=1500.0,
    ...     zero_limit=1.0, required=True, stale_ns=100_000_000, tapping="a", module="a", power="a", display="psi",
    ...     certificate="", due="",
    ... )
    >>> values, quality = values_from_counts(np.array([12000, 0], dtype=np.int16), channel)
    >>> values.tolist(), quality.tolist()
    ([500.0, -250.0], [0, 2])
    """
    if counts.ndim != 1 or not np.issubdtype(counts.dtype, np.integer):
        raise TypeError(f"counts are {counts.dtype} of shape {counts.shape}; allowed: integers of shape (n,)")
    if channel.signal is None or channel.calibration is None:
        return (counts != 0).astype(np.float64), np.full(len(counts), GOOD, dtype=np.uint8)
    signal_0, counts_0, rise = channel.signal.signal_low, channel.signal.counts_low, signal_slope(channel.signal)
    curve, is_current = _curve(channel.calibration), channel.signal.kind == "mA"
    offset = datum_pa(channel, ambient_pa)
    values = np.empty(len(counts), dtype=np.float64)
    quality = np.full(len(counts), GOOD, dtype=np.uint8)
    with np.errstate(over="ignore", invalid="ignore"):  # what is not a number gets its quality below
        for start in range(0, len(counts), BLOCK_SAMPLES):
            part = slice(start, start + BLOCK_SAMPLES)
            signal = line(_numbers(counts[part], channel), counts_0, signal_0, rise)
            value = np.add(curve(signal), offset, out=values[part])
            good = (value >= channel.range_low) & (value <= channel.range_high)
            if is_current:
                good &= (signal >= MEASURES_LOW_MA) & (signal <= MEASURES_HIGH_MA)
            if not good.all():
                _mark(signal, value, quality[part], good, is_current)
    return values, quality


def newest_values(trace: Mapping[str, np.ndarray], rig: Rig, channel: Channel) -> np.ndarray:
    """Return what the engine knew of a channel at each row: its newest value, if that was good.

    Parameters
    ----------
    trace : mapping of arrays, each (n,)
        `device` (-1 for a tick) and `<channel>_counts` of a sealed trace.
    rig : Rig
    channel : Channel
        One of the rig's.

    Returns
    -------
    ndarray
        SI values, shape (n,), NaN where the newest is not good or none was heard yet.

    Raises
    ------
    TypeError
        As `values_from_counts`.

    Source
    ------
    rigd.engine.channels.Channels.good, of which this is the twin for arrays.
    """
    rows = len(trace["device"])
    own = np.flatnonzero(trace["device"] == channel.device)
    values, quality = values_from_counts(trace[f"{channel.name}_counts"][own], channel, rig.ambient_pa)
    values = np.where(quality == GOOD, values, np.nan)
    if len(own) == rows:
        return values  # one device and no tick: every row is a sample of it
    at = np.searchsorted(own, np.arange(rows), side="right") - 1
    return np.where(at >= 0, values[np.maximum(at, 0)], np.nan) if len(own) else np.full(rows, np.nan)
