"""One surge, measured sample by sample: peak, trough, rate of rise, time above a threshold, gaps between samples.

Everything is taken from good samples of the primary specimen channel as they were, not zeroed and not corrected for
the transducer's lag: a peak between two samples is not seen, and `gap_ns` is what `calc.surge.is_resolved` judges
that by. `calc.cycle_table` finds the same with arrays; a test holds the two together.
"""

from math import floor

RISE_LOW, RISE_HIGH = 0.1, 0.9  # of the pressure asked for: the usual ends of a rise (common practice)
FEWEST_SAMPLES = 3  # in a shot: with fewer nobody has seen it


class CycleMeter:
    """`begin` at the release, then `add` each good sample in order until the blow-down is over."""

    __slots__ = (
        "_asked_pa",
        "_high_ns",
        "_last_ns",
        "_last_pa",
        "_low_ns",
        "_threshold_pa",
        "above_ns",
        "feed_trough_pa",
        "gap_ns",
        "peak_pa",
        "samples",
        "trough_pa",
    )

    def __init__(self, asked_pa: float, threshold_pa: float) -> None:
        self._asked_pa, self._threshold_pa = asked_pa, threshold_pa
        self._last_ns, self._last_pa = -1, 0.0
        self.begin()

    def begin(self) -> None:
        """A new surge; the newest sample before it stays, for the rise starts from there."""
        self._low_ns = self._high_ns = -1.0
        self.above_ns = self.samples = self.gap_ns = 0
        self.peak_pa = self.trough_pa = self.feed_trough_pa = None

    def rest(self, t_ns: int, pressure_pa: float) -> None:
        """A good sample between surges."""
        self._last_ns, self._last_pa = t_ns, pressure_pa

    def add(self, t_ns: int, pressure_pa: float, feed_pa: float) -> None:
        """A good sample of the surge [ns, Pa]; `feed_pa` is NaN where there is none."""
        before_ns, before_pa = self._last_ns, self._last_pa
        self._last_ns, self._last_pa = t_ns, pressure_pa
        self.samples += 1
        if self.peak_pa is None or pressure_pa > self.peak_pa:
            self.peak_pa = self.trough_pa = pressure_pa
        elif pressure_pa < self.trough_pa:
            self.trough_pa = pressure_pa
        if feed_pa == feed_pa and (self.feed_trough_pa is None or feed_pa < self.feed_trough_pa):
            self.feed_trough_pa = feed_pa
        if before_ns < 0:
            return
        if t_ns - before_ns > self.gap_ns:
            self.gap_ns = t_ns - before_ns
        self.above_ns += time_above_ns(before_ns, before_pa, t_ns, pressure_pa, self._threshold_pa)
        if self._high_ns < 0.0:
            if self._low_ns < 0.0 and pressure_pa >= RISE_LOW * self._asked_pa:
                self._low_ns = crossing_ns(before_ns, before_pa, t_ns, pressure_pa, RISE_LOW * self._asked_pa)
            if pressure_pa >= RISE_HIGH * self._asked_pa:
                self._high_ns = crossing_ns(before_ns, before_pa, t_ns, pressure_pa, RISE_HIGH * self._asked_pa)

    @property
    def rise_pa_per_s(self) -> float | None:
        """Mean rate between the two ends of the rise, None when it never came so far or passed both in no time."""
        if self._high_ns < 0.0 or self._high_ns <= self._low_ns:
            return None
        return (RISE_HIGH - RISE_LOW) * self._asked_pa / ((self._high_ns - self._low_ns) / 1e9)


def crossing_ns(before_ns: int, before_pa: float, t_ns: int, pressure_pa: float, level_pa: float) -> float:
    """When a straight line between two samples passes `level_pa` upwards [ns]; the earlier sample if it was above."""
    if before_pa >= level_pa or pressure_pa <= before_pa:
        return float(before_ns)
    return before_ns + (t_ns - before_ns) * ((level_pa - before_pa) / (pressure_pa - before_pa))


def time_above_ns(before_ns: int, before_pa: float, t_ns: int, pressure_pa: float, level_pa: float) -> int:
    """For how long a straight line between two samples stands above `level_pa` [ns], rounded down."""
    low, high = (before_pa, pressure_pa) if before_pa < pressure_pa else (pressure_pa, before_pa)
    if low >= level_pa:
        return t_ns - before_ns
    if high <= level_pa:
        return 0
    return floor((t_ns - before_ns) * ((high - level_pa) / (high - low)))


def half_sine(share: float) -> float:
    """sin(pi*share) for share in 0..1, within 0.0017: Bhaskara I's rational approximation (from memory). The engine may
    not ask the platform's sine, which differs in its last digit from machine to machine."""
    both = share * (1.0 - share)
    return 16.0 * both / (5.0 - 4.0 * both)


def share_of(shape: str, points: tuple[tuple[float, float], ...], since_ns: int, rise_ns: int, hold_ns: int) -> float:
    """Share of its pressure that a surge asks for `since_ns` after its release, 0 to 1."""
    whole_ns = rise_ns + hold_ns
    if shape == "square":
        return 1.0
    if shape == "trapezoid":
        return 1.0 if since_ns >= rise_ns else since_ns / rise_ns
    at = since_ns / whole_ns
    at = 1.0 if at > 1.0 else at
    if shape == "sine":
        return half_sine(at)
    assert shape == "points", shape
    before_at, before = points[0]
    for point_at, share in points:
        if at <= point_at:
            if point_at <= before_at:
                return share
            return before + (share - before) * (at - before_at) / (point_at - before_at)
        before_at, before = point_at, share
    return before
