"""From the integer a transmitter said to an SI value and its quality, by arithmetic that no machine does differently.

Only + - * / and comparisons, in a fixed order, so that an auditor's computer gets the same bits as the rig's. The three
functions `line`, `polynomial` and `table` are the whole of it; `compile_channel` binds them to one channel's constants
once, because this runs for every sample of every channel.
"""

from collections.abc import Callable
from math import isfinite

from rigd.calc.exact.quality import (
    FAILED_HIGH,
    FAILED_LOW,
    GOOD,
    IMPLAUSIBLE,
    MEASURES_HIGH_MA,
    MEASURES_LOW_MA,
    NOT_FINITE,
    current_quality,
)
from rigd.calc.exact.reference import STANDARD_ATMOSPHERE_PA, gauge_pa
from rigd.model.rig import Calibration, Channel, Signal

NAN = float("nan")
Evaluate = Callable[[int], tuple[float, int]]

_POWERS_OF_TWO = [1.0]
for _ in range(300):
    _POWERS_OF_TWO.append(_POWERS_OF_TWO[-1] * 2.0)


def float32_of(pattern: int) -> float:
    """Value of an IEEE 754 binary32 bit pattern (0..2**32-1), exactly, by integer arithmetic. Infinities and NaNs: NaN.

    Example
    -------
    >>> float32_of(0x3F800000), float32_of(0xC2F6E979)
    (1.0, -123.45600128173828)
    """
    exponent = (pattern >> 23) & 0xFF
    fraction = pattern & 0x7FFFFF
    if exponent == 0xFF:
        return NAN
    if exponent == 0:
        exponent = 1
    else:
        fraction |= 0x800000
    power = exponent - 150
    size = fraction * _POWERS_OF_TWO[power] if power >= 0 else fraction / _POWERS_OF_TWO[-power]
    return -size if pattern >> 31 else size


def slope(points: tuple[tuple[float, float], ...]) -> float:
    """Rise over run between the first two points."""
    (x0, y0), (x1, y1) = points[0], points[1]
    return (y1 - y0) / (x1 - x0)


def line(x: float, x0: float, y0: float, rise: float) -> float:
    """y0 + (x - x0) * rise, in that order of operations; x may be a numpy array."""
    return y0 + (x - x0) * rise


def polynomial(x: float, coefficients: tuple[float, ...]) -> float:
    """Horner's rule, constant term first in `coefficients`; x may be a numpy array."""
    y = 0.0
    for coefficient in reversed(coefficients):
        y = y * x + coefficient
    return y


def table(x: float, points: tuple[tuple[float, float], ...]) -> float:
    """Straight lines between calibration points with rising x; beyond the ends the end segments go on."""
    last = len(points) - 2
    at = 0
    while at < last and x >= points[at + 1][0]:
        at += 1
    return line(x, points[at][0], points[at][1], slope(points[at : at + 2]))


def signal_slope(signal: Signal) -> float:
    """Signal per count."""
    return (signal.signal_high - signal.signal_low) / (signal.counts_high - signal.counts_low)


def _curve(calibration: Calibration) -> Callable[[float], float]:
    if calibration.kind == "two_point":
        (x0, y0), rise = calibration.points[0], slope(calibration.points)
        return lambda x: y0 + (x - x0) * rise
    if calibration.kind == "polynomial":
        return lambda x: polynomial(x, calibration.coefficients)
    assert calibration.kind == "table", calibration.kind
    return lambda x: table(x, calibration.points)


def _evaluate_switch(counts: int) -> tuple[float, int]:
    return (1.0, GOOD) if counts else (0.0, GOOD)


def datum_pa(channel: Channel, ambient_pa: float) -> float:
    """What, added to a pressure channel's own reading, makes it gauge pressure at the specimen's datum [Pa]."""
    if not channel.reference:
        return channel.head_pa
    return channel.head_pa + gauge_pa(0.0, channel.reference, ambient_pa)


def compile_channel(channel: Channel, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> Evaluate:
    """Bind a channel's constants into one function: counts -> (SI value, quality code). Pressures come out as gauge.

    The value of a sample whose quality is FAILED or NOT_FINITE is still what the arithmetic gives where that is finite,
    and NaN where it is not: the record shows what the transmitter said, and nothing downstream may use it.
    """
    if channel.signal is None or channel.calibration is None:
        return _evaluate_switch
    counts_0, signal_0, rise = channel.signal.counts_low, channel.signal.signal_low, signal_slope(channel.signal)
    curve, offset = _curve(channel.calibration), datum_pa(channel, ambient_pa)
    low, high = channel.range_low, channel.range_high
    is_float, is_current = channel.type == "float32", channel.signal.kind == "mA"

    def evaluate(counts: int) -> tuple[float, int]:
        signal = signal_0 + ((float32_of(counts) if is_float else counts) - counts_0) * rise
        value = curve(signal) + offset
        if not isfinite(value):
            return NAN, NOT_FINITE
        if is_current:
            quality = current_quality(signal)
            if quality != GOOD:
                return value, quality
        return (value, GOOD) if low <= value <= high else (value, IMPLAUSIBLE)

    if is_float or not is_current or channel.calibration.kind != "two_point":
        return evaluate
    (x0, y0), gain = channel.calibration.points[0], slope(channel.calibration.points)

    def evaluate_current_line(counts: int) -> tuple[float, int]:
        """The commonest channel, flattened: the same operations in the same order as `evaluate`."""
        signal = signal_0 + (counts - counts_0) * rise
        value = y0 + (signal - x0) * gain + offset
        if MEASURES_LOW_MA <= signal <= MEASURES_HIGH_MA and low <= value <= high:
            return value, GOOD
        if not isfinite(value):
            return NAN, NOT_FINITE
        quality = current_quality(signal)
        return value, IMPLAUSIBLE if quality == GOOD else quality

    return evaluate_current_line


def is_failed(quality: int) -> bool:
    """Whether a sample may not even be taken as a hint: everything but GOOD and UNCERTAIN."""
    return quality >= FAILED_LOW


assert FAILED_LOW < FAILED_HIGH < NOT_FINITE < IMPLAUSIBLE, "is_failed counts on this order"
