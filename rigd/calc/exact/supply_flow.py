"""Does the body take more water than a tight one? A rule over the flow that is fed through the inlet during a ramp.

A tank that keeps feeding hides a small crack from every transducer: the pressure rises on as called for. What runs out
must be fed, though, and a meter behind the inlet sees it. A tight body takes a nearly steady flow while the ramp
rises, less and less of it where air shrinks; so the flow is averaged over blocks, and a block that stands above the
lowest of the ramp by more than the profile's limit is a leak. Blocks in which the pressure called for did not rise are
left out: after a hold a tight body begins to take water again.
"""

from rigd.calc.exact.calibration import NAN

BLOCK_NS = 500_000_000
STANDING_FRACTION = 0.5  # of the limit: a block less far above the lowest still counts as one without a leak


class FlowWatch:
    """Feed it samples of a settled ramp in order. After it has answered True, `onset_pa` and `onset_ns` name the first
    sample of the last block that had no leak: it began after that one."""

    __slots__ = (
        "_began_ns", "_began_pa", "_called_pa", "_count", "_limit", "_lowest", "_sum", "onset_ns", "onset_pa",
    )  # fmt: skip

    def __init__(self, limit_m3_per_s: float) -> None:
        self._limit, self._lowest = limit_m3_per_s, 1e30
        self._began_ns, self._began_pa, self._called_pa = -1, 0.0, NAN
        self._sum, self._count = 0.0, 0
        self.onset_ns, self.onset_pa = -1, 0.0

    def add(self, t_ns: int, pressure_pa: float, flow_m3_per_s: float, called_pa: float) -> bool:
        """One sample [ns, Pa, m3/s, Pa]; the flow is NaN where there is no good value. True: it leaks."""
        rises = called_pa > self._called_pa and flow_m3_per_s == flow_m3_per_s
        self._called_pa = called_pa
        if not rises:
            self._began_ns = -1
            return False
        if self._began_ns < 0:
            self._began_ns, self._began_pa, self._sum, self._count = t_ns, pressure_pa, 0.0, 0
        self._sum += flow_m3_per_s
        self._count += 1
        if t_ns - self._began_ns < BLOCK_NS:
            return False
        mean = self._sum / self._count
        if mean < self._lowest:
            self._lowest = mean
        above = mean - self._lowest
        if above < STANDING_FRACTION * self._limit:
            self.onset_ns, self.onset_pa = self._began_ns, self._began_pa
        self._began_ns = -1
        return above > self._limit
