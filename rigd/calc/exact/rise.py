"""How much pressures rose over a time in which nothing should come: the rise of a rise test.

Of each channel the median of a first window is taken from that of a last one, so that noise is averaged away and a
single sample, even a spike, decides nothing; the largest difference counts. Zeros cancel in it, so nothing can hide
behind one (SAFETY S29). The rule knows nothing of valves and limits.
"""

from rigd.calc.exact.calibration import NAN
from rigd.calc.exact.trend import median

WINDOW_SHARE = 0.2  # of the whole time, each: noise is averaged, and most of a rise is still seen


class RiseMeter:
    """Feed it values at moments from 0 to `duration_ns` after the begin of the test."""

    __slots__ = ("_channels", "_duration_ns", "_firsts", "_lasts", "_window_ns")

    def __init__(self, channels: int, duration_ns: int) -> None:
        self._duration_ns, self._window_ns = duration_ns, int(WINDOW_SHARE * duration_ns)
        self._channels = channels
        self._firsts: list[tuple[float, ...]] = []
        self._lasts: list[tuple[float, ...]] = []

    def add(self, elapsed_ns: int, values: tuple[float, ...]) -> None:
        """Take the channels' newest values [Pa] at a moment [ns since the begin]."""
        if elapsed_ns <= self._window_ns:
            self._firsts.append(values)
        elif elapsed_ns >= self._duration_ns - self._window_ns:
            self._lasts.append(values)

    def rises_pa(self) -> tuple[float, ...]:
        """Rise of each channel [Pa]; NaN where a window has no sample or a value was none."""
        return tuple([_usual(self._lasts, at) - _usual(self._firsts, at) for at in range(self._channels)])

    def rise_pa(self) -> float:
        """The largest of them [Pa], NaN when one is not known."""
        worst = -1.0e300
        for rise in self.rises_pa():
            if rise != rise:
                return NAN
            worst = rise if rise > worst else worst
        return worst


def _usual(window: list[tuple[float, ...]], at: int) -> float:
    """Median of a channel in a window [Pa], NaN where it has no sample or a value was none."""
    values = tuple([sample[at] for sample in window])
    return NAN if any(value != value for value in values) else median(values)
