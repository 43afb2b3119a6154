"""What stands between the simulated world and the register: lag, noise, the signal chain backwards, the rounding.

A transducer here is true within its lag, its noise and one count; certificate errors are not simulated. It knows
nothing of what causes a pressure: it is given the true value and answers with the integer a driver would read. A switch
needs none of this and is not here.

A good 4-20 mA transmitter saturates at 3.8 and 20.5 mA and says *I am broken* with a current outside 3.6..21 mA (NAMUR
NE 43 as quoted in checks/physics.md C3). Here a broken one sends 3.5 mA (an alarm current a little under 3.6 mA is
common practice).
"""

import math
import struct
from collections.abc import Callable

from drivers.registers import limits_of
from rigd.model.rig import Calibration, Channel

SATURATES_LOW_MA, SATURATES_HIGH_MA = 3.8, 20.5
BROKEN_MA = 3.5
NOISE_OF_SPAN = 8e-5
"""Standard deviation of the noise as a part of the span: 0.08 psi of 1,000 psi. Invented, of a usual size."""

ATMOSPHERE_PA = 101325.0
LARGEST_FLOAT32 = 3.4e38
NOT_A_NUMBER = 0x7FC00000
"""Bit pattern of a quiet float32 NaN (IEEE 754)."""

LARGEST_BISECTIONS = 80  # halves any range of doubles to below its last digit that matters


def pattern_of(value: float) -> int:
    """The 32 bits of `value` as float32: what a float32 channel's integer is."""
    return struct.unpack(">I", struct.pack(">f", value))[0]


class Transducer:
    """One analogue channel. `seen` follows the truth with first-order lag; `read` turns it into counts."""

    __slots__ = (
        "before", "blend", "broken", "curve", "decay", "gain", "high", "low", "noise", "place", "seen", "shift",
        "source", "tau_s", "type", "wrong", "zero",
    )  # fmt: skip

    def __init__(self, channel: Channel, *, source: int, place: int) -> None:
        self.source = source  # which of the plant's true values it sees
        self.place = place  # index among its device's channels
        self.tau_s = channel.tau_ns * 1e-9
        self.type = channel.type
        self.seen = self.before = 0.0
        self.decay = self.blend = 0.0
        self.shift = -channel.head_pa + (ATMOSPHERE_PA if channel.reference == "absolute" else 0.0)
        self.wrong: Callable[[float, float], float] | None = None
        """A fault: (counts before rounding, time [s]) -> counts. NaN stands for a pattern that is no number."""
        self._learn(channel)

    def _learn(self, channel: Channel) -> None:
        """Work the chain out backwards, once: SI -> signal -> counts."""
        signal, calibration = channel.signal, channel.calibration
        finite = (-LARGEST_FLOAT32, LARGEST_FLOAT32)
        floor, ceiling = finite if channel.type == "float32" else limits_of(channel.type)
        if signal is None:
            per_signal, at_zero, ends = 1.0, 0.0, (channel.range_low, channel.range_high)
        else:
            per_signal = (signal.counts_high - signal.counts_low) / (signal.signal_high - signal.signal_low)
            at_zero = signal.counts_low - per_signal * signal.signal_low
            ends = (signal.signal_low, signal.signal_high)
        milliamps = signal is not None and signal.kind == "mA"
        bounds = (SATURATES_LOW_MA, SATURATES_HIGH_MA) if milliamps else (-math.inf, math.inf)
        limits = sorted(at_zero + per_signal * bound for bound in bounds)
        self.low, self.high = max(floor, limits[0]), min(ceiling, limits[1])
        self.broken = min(max(at_zero + per_signal * (BROKEN_MA if milliamps else 0.0), floor), ceiling)
        self.curve: Callable[[float], float] | None = None
        if calibration is None or calibration.kind == "two_point":
            (x0, y0), (x1, y1) = calibration.points if calibration else ((0.0, 0.0), (1.0, 1.0))
            slope = (x1 - x0) / (y1 - y0)
            self.gain = per_signal * slope
            self.zero = at_zero + per_signal * (x0 + (self.shift - y0) * slope)
            self.noise = NOISE_OF_SPAN * abs((ends[1] - ends[0]) * per_signal)
            return
        inverse = inverted(calibration, *ends)
        self.curve = lambda value: at_zero + per_signal * inverse(value + self.shift)
        self.gain, self.zero, self.noise = 0.0, 0.0, NOISE_OF_SPAN * abs((ends[1] - ends[0]) * per_signal)

    def pace(self, dt_s: float) -> None:
        """Prepare for steps of `dt_s`. Exact for a first-order lag whose input moves in a straight line between steps:
        a steady ramp is then late by exactly rate x tau (checks/physics.md P2), whatever the step."""
        if self.tau_s <= 0.0:
            self.decay = self.blend = 0.0
        else:
            self.decay = math.exp(-dt_s / self.tau_s)
            self.blend = (1.0 - self.decay) * self.tau_s / dt_s

    def counts_of(self, value: float) -> float:
        """Counts of this value, without noise, limits or rounding."""
        return self.zero + self.gain * value if self.curve is None else self.curve(value)

    def counts_now(self, gauss: float, t_s: float) -> int:
        """The integer a driver would read now; `gauss` is one standard normal number."""
        counts = self.zero + self.gain * self.seen if self.curve is None else self.curve(self.seen)
        counts += self.noise * gauss  # written out here: this line runs for every channel of every scan
        if counts < self.low:
            counts = self.low
        elif counts > self.high:
            counts = self.high
        if self.wrong is not None:
            counts = self.wrong(counts, t_s)
        if self.type == "float32":
            return NOT_A_NUMBER if counts != counts else pattern_of(counts)
        return round(counts)


def inverted(calibration: Calibration, low: float, high: float) -> Callable[[float], float]:
    """Signal from SI value for a curved calibration that rises or falls all the way, by halving its range."""

    def forward(x: float) -> float:
        if calibration.kind == "polynomial":
            value = 0.0
            for coefficient in reversed(calibration.coefficients):
                value = value * x + coefficient
            return value
        points = calibration.points
        for (x0, y0), (x1, y1) in zip(points, points[1:], strict=False):
            if x <= x1 or x1 == points[-1][0]:
                return y0 + (x - x0) * (y1 - y0) / (x1 - x0)
        raise AssertionError("a table has at least two points")

    rises = forward(high) > forward(low)
    margin = 0.1 * (high - low)  # a little beyond the ends, as the transmitter goes

    def backward(value: float) -> float:
        left, right = low - margin, high + margin
        for _ in range(LARGEST_BISECTIONS):
            middle = 0.5 * (left + right)
            if (forward(middle) < value) == rises:
                left = middle
            else:
                right = middle
        return 0.5 * (left + right)

    return backward
