"""The zero of the specimen channels, read at zero pressure before the run and again after it.

A zero beyond its limit is refused: trapped pressure looks like one, and taking it would hide it (SAFETY S29).
"""

from rigd.engine.channels import Channels
from rigd.model.rig import Rig

READ_NS = 500_000_000  # long enough to average a reading's noise away, short enough to be no burden
FEWEST = 10  # samples


class ZeroReading:
    __slots__ = ("_channels", "_limits", "_since_ns", "_sums", "_taken", "accepted", "after_pa", "before_pa", "taking")

    def __init__(self, rig: Rig, channels: Channels) -> None:
        self._channels = channels
        self._limits = {at: rig.channels[at].zero_limit for at in channels.specimens}
        self._sums = dict.fromkeys(channels.specimens, 0.0)
        self._taken = dict.fromkeys(channels.specimens, 0)
        self._since_ns = 0
        self.taking = self.accepted = False
        self.before_pa: float | None = None
        self.after_pa: float | None = None

    @property
    def shift_pa(self) -> float | None:
        """How far the primary channel's zero moved during the run [Pa], None until both are read."""
        if self.after_pa is None or self.before_pa is None:
            return None
        return self.after_pa - self.before_pa

    def begin(self, t_ns: int) -> None:
        self.taking, self._since_ns = True, t_ns
        for at in self._sums:
            self._sums[at], self._taken[at] = 0.0, 0

    def add(self, channels: Channels) -> None:
        for at in self._sums:
            value = channels.good(at)
            if value == value:
                self._sums[at] += value
                self._taken[at] += 1

    def is_complete(self, t_ns: int) -> bool:
        """Enough samples of the primary channel for long enough; a dead one is not waited for longer than ten times."""
        elapsed_ns = t_ns - self._since_ns
        enough = self._taken[self._channels.primary] >= FEWEST
        return elapsed_ns >= READ_NS and (enough or elapsed_ns >= 10 * READ_NS)

    def finish(self, keep: bool) -> list[tuple[str, float, bool]]:
        """(channel, zero [Pa], accepted) of each channel read. `keep`: they become the zeros of this run."""
        self.taking = False
        found = []
        all_accepted = True
        for at, total in self._sums.items():
            if not self._taken[at]:
                all_accepted = False
                continue
            zero, limit = total / self._taken[at], self._limits[at]
            accepted = -limit <= zero <= limit
            all_accepted = all_accepted and accepted
            found.append((self._channels.names[at], zero, accepted))
            if at == self._channels.primary and accepted and keep:
                self.before_pa = zero
            if at == self._channels.primary and not keep:
                self.after_pa = zero
            if keep:
                self._channels.set_zero(at, zero if accepted else 0.0)
        if keep:
            self.accepted = all_accepted
        return found
