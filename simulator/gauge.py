"""A second, independent reading of what transmitters said: counts to good, doubtful or bad, and to pascals.

The judge of a night must not use the engine's own arithmetic. Here a channel is thresholds in counts, worked out once
from the rig file's signal line; all curved calibrations of the swarm are the same straight line.
"""

import math
import struct

from rigd.model.rig import Channel, Rig
from simulator.swarm import shipped

GOOD, DOUBTFUL, BAD = 0, 1, 2
NE43_MA = (3.6, 3.8, 20.5, 21.0)  # failed at or below, good from, good to, failed at or above (NAMUR NE 43)
ROUNDING = 1e-6  # of a count


class Gauge:
    """One channel. `look(counts)` answers (quality, value): Pa, K or 0/1."""

    __slots__ = ("at_zero", "bad_high", "bad_low", "good_high", "good_low", "is_bit", "is_float", "per_count")

    def __init__(self, channel: Channel, straight: Channel) -> None:
        self.is_bit, self.is_float = channel.type == "bit", channel.type == "float32"
        self.at_zero = self.per_count = 0.0
        self.bad_low = self.good_low = -math.inf
        self.bad_high = self.good_high = math.inf
        if self.is_bit:
            self.per_count = 1.0  # 0 or 1 is what it says
            return
        if self.is_float:
            straight = channel
        signal, line = straight.signal, straight.calibration
        assert signal is not None and line is not None and line.kind == "two_point"
        (x0, y0), (x1, y1) = line.points
        per_signal = (y1 - y0) / (x1 - x0)
        per_count = (signal.signal_high - signal.signal_low) / (signal.counts_high - signal.counts_low)
        self.per_count = per_signal * per_count
        self.at_zero = y0 + (signal.signal_low - signal.counts_low * per_count - x0) * per_signal + channel.head_pa
        if signal.kind == "mA":
            edges = [(ma - signal.signal_low) / per_count + signal.counts_low for ma in NE43_MA]
            self.bad_low, self.good_low, self.good_high, self.bad_high = edges
        low = (channel.range_low - self.at_zero) / self.per_count
        high = (channel.range_high - self.at_zero) / self.per_count
        if signal.kind != "mA":
            self.bad_low, self.good_low, self.good_high, self.bad_high = low, low, high, high
        self.bad_low, self.good_low = self.bad_low + ROUNDING, self.good_low - ROUNDING
        self.good_high, self.bad_high = self.good_high + ROUNDING, self.bad_high - ROUNDING

    def look(self, counts: int) -> tuple[int, float]:
        raw = float(counts)
        if self.is_float:
            raw = struct.unpack(">f", struct.pack(">I", counts))[0]
            if not math.isfinite(raw):
                return BAD, math.nan
        value = self.at_zero + raw * self.per_count
        if self.good_low <= raw <= self.good_high:
            return GOOD, value
        if raw <= self.bad_low or raw >= self.bad_high:
            return BAD, value
        return DOUBTFUL, value


def gauges_of(rig: Rig) -> tuple[tuple[tuple[int, Gauge], ...], ...]:
    """By device: (index of the channel, its gauge), in the order of the device's counts."""
    straight = {channel.name: channel for channel in shipped()[0].channels}
    return tuple(
        tuple((at, Gauge(c, straight.get(c.name, c))) for at, c in enumerate(rig.channels) if c.device == device)
        for device in range(len(rig.devices))
    )
