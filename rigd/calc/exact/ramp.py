"""The straight line a ramp should be: least squares, summed as the samples come."""

SETTLED_NS = 1_000_000_000  # the regulator's start is no part of the straight ramp


class RampFit:
    """Least-squares line through (time, pressure), origin at the first sample.

    Times in ns, pressures in Pa. Sums are taken in order of arrival, so a vectorised twin that uses cumulative sums
    gets the same bits.
    """

    __slots__ = ("_n", "_origin_ns", "_sp", "_st", "_stp", "_stt")

    def __init__(self) -> None:
        self._n = self._origin_ns = 0
        self._st = self._sp = self._stt = self._stp = 0.0

    def add(self, t_ns: int, pressure_pa: float) -> None:
        if self._n == 0:
            self._origin_ns = t_ns
        t_s = (t_ns - self._origin_ns) / 1e9
        self._n += 1
        self._st += t_s
        self._sp += pressure_pa
        self._stt += t_s * t_s
        self._stp += t_s * pressure_pa

    def add_sums(self, n: int, t: float, p: float, tt: float, tp: float) -> None:
        """Add what a vectorised twin has summed over n samples, times in s from the first."""
        self._n += n
        self._st += t
        self._sp += p
        self._stt += tt
        self._stp += tp

    @property
    def count(self) -> int:
        return self._n

    def rate(self) -> float | None:
        """Slope [Pa/s], None while fewer than two distinct times are known."""
        spread = self._n * self._stt - self._st * self._st
        if self._n < 2 or spread <= 0.0:
            return None
        return (self._n * self._stp - self._st * self._sp) / spread
