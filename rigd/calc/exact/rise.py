"""How much pressures rose over a time in which nothing should come: the rise of a rise test.

Each channel is averaged over a first and a last window, so that noise is averaged away and a single sample decides
nothing; the largest difference counts. Zeros cancel in it, so nothing can hide behind one (SAFETY S29). The rule knows
nothing of valves and limits.
"""

from rigd.calc.exact.calibration import NAN

WINDOW_SHARE = 0.2  # of the whole time, each: noise is averaged, and most of a rise is still seen


class RiseMeter:
    """Feed it values at moments from 0 to `duration_ns` after the begin of the test."""

    __slots__ = ("_counts", "_duration_ns", "_firsts", "_last_counts", "_lasts", "_window_ns")

    def __init__(self, channels: int, duration_ns: int) -> None:
        self._duration_ns, self._window_ns = duration_ns, int(WINDOW_SHARE * duration_ns)
        self._firsts, self._lasts = [0.0] * channels, [0.0] * channels
        self._counts = self._last_counts = 0

    def add(self, elapsed_ns: int, values: tuple[float, ...]) -> None:
        """Take the channels' newest values [Pa] at a moment [ns since the begin]."""
        if elapsed_ns <= self._window_ns:
            self._counts += 1
            sums = self._firsts
        elif elapsed_ns >= self._duration_ns - self._window_ns:
            self._last_counts += 1
            sums = self._lasts
        else:
            return
        for at, value in enumerate(values):
            sums[at] += value

    def rises_pa(self) -> tuple[float, ...]:
        """Rise of each channel [Pa]; NaN where a window has no sample or a value was none."""
        if not self._counts or not self._last_counts:
            return tuple([NAN for _ in self._firsts])
        return tuple(
            [
                last / self._last_counts - first / self._counts
                for first, last in zip(self._firsts, self._lasts, strict=True)
            ]
        )

    def rise_pa(self) -> float:
        """The largest of them [Pa], NaN when one is not known."""
        worst = -1.0e300
        for rise in self.rises_pa():
            if rise != rise:
                return NAN
            worst = rise if rise > worst else worst
        return worst
