"""Noise of a sampled ramp, from what is left when straightness is taken out.

For three samples in a row, p0 - 2*p1 + p2 is zero on any straight line and has six times the variance of one sample's
noise. It needs no fit, is not fooled by a ramp that bends slowly, and can be summed as the samples come.
"""

from math import sqrt

EXPECTED_MAXIMUM = (0.0, 0.0, 0.5642, 0.8463, 1.0294, 1.1630, 1.2672, 1.3522, 1.4236, 1.4850, 1.5388)
"""Mean of the largest of n standard normal values, n = 0..10 (Harter 1961, Biometrika 48, table 1; from memory)."""
EXPECTED_MAXIMUM_BEYOND = ((20, 1.8675), (50, 2.2491), (100, 2.5076))


class NoiseMeter:
    """Standard deviation of the noise of a stream of nearly evenly spaced samples."""

    __slots__ = ("_before", "_count", "_last", "_seen", "_squares")

    def __init__(self) -> None:
        self._before = self._last = self._squares = 0.0
        self._count = self._seen = 0

    def add(self, value: float) -> None:
        if self._seen >= 2:
            bend = self._before - 2.0 * self._last + value
            self._squares += bend * bend
            self._count += 1
        self._before = self._last
        self._last = value
        self._seen += 1

    def add_squares(self, bends: int, squares: float) -> None:
        """Add what a vectorised twin has summed: `bends` squared second differences [unit squared]."""
        self._count += bends
        self._squares += squares

    def pause(self) -> None:
        """Samples were left out here: the next one has no neighbours before it."""
        self._seen = 0

    def deviation(self) -> float:
        """Standard deviation of one sample's noise, in the samples' unit; 0 before three samples."""
        return sqrt(self._squares / (6.0 * self._count)) if self._count else 0.0


def expected_maximum(competing: int) -> float:
    """How far above its mean the largest of `competing` samples lies on average, in standard deviations [-]."""
    if competing < len(EXPECTED_MAXIMUM):
        return EXPECTED_MAXIMUM[competing]
    for most, value in EXPECTED_MAXIMUM_BEYOND:
        if competing <= most:
            return value
    return 4.0  # more than a hundred compete: the whole band of 4 sd is allowed for
