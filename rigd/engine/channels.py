"""The newest value of every channel, how good it is and how old.

A channel that was never heard is not yet stale: the rig is still connecting, and VENTING cannot end without it
anyway. A silence too long counts even when the scan that ends it is good: nobody was looking, whether the wire or this
process stood still, and which message came first afterwards is chance. The pre-run zero lives here. It changes results
only: every decision that guards people takes the worse of the zeroed and the unzeroed value (SAFETY S29).
"""

from rigd.calc.exact.calibration import NAN, compile_channel, is_failed
from rigd.calc.exact.quality import GOOD, UNCERTAIN
from rigd.model.messages import Scan
from rigd.model.rig import Rig

UNCERTAIN_NS = 1_000_000_000  # NE 43's grey band longer than this on a required channel is a trip (DESIGN section 4)
NEVER = -1
NOBODY_MINDS_NS = 1 << 62  # how old the values of a device may be that guards nothing


def held_since(holds: bool, since_ns: int, t_ns: int) -> int:
    """Since when something has been *seen* to hold, NEVER while it does not: what lay between the last look at which it
    did not and the first at which it did does not count."""
    if not holds:
        return NEVER
    return t_ns if since_ns == NEVER else since_ns


class Channels:
    __slots__ = (
        "_all_heard",
        "_counts",
        "_device_of",
        "_devices",
        "_heard_ns",
        "_is_first",
        "_late",
        "_stale",
        "_stale_ns",
        "_ungood",
        "_watched",
        "changes",
        "displacement",
        "feed",
        "good_ns",
        "held_peak",
        "make_up_flow",
        "names",
        "primary",
        "quality",
        "returned",
        "second",
        "specimens",
        "supply",
        "uncertain_ns",
        "value",
        "water",
        "wet",
        "worse_high",
        "worse_low",
        "zero",
    )

    def __init__(self, rig: Rig) -> None:
        count = len(rig.channels)
        self.names = tuple(channel.name for channel in rig.channels)
        self.value = [NAN] * count
        self.quality = [GOOD] * count
        self.good_ns = [NEVER] * count
        self.uncertain_ns = [NEVER] * count
        self.zero = [0.0] * count
        self.changes = [0] * count  # of each channel: how often its counts or its zero have changed
        self.worse_high = [0.0] * count
        self.worse_low = [0.0] * count
        self._devices = tuple(
            tuple(
                (at, compile_channel(channel, rig.ambient_pa))
                for at, channel in enumerate(rig.channels)
                if channel.device == device
            )
            for device in range(len(rig.devices))
        )
        guarding = {row.channel for row in rig.rows if row.kind != "permissive"}
        self._watched = tuple(
            (at, channel.stale_ns)
            for at, channel in enumerate(rig.channels)
            if channel.required or at in guarding or channel.role == "specimen"
        )
        self._stale = tuple(
            min(
                ((stale_ns, self.names[at]) for at, stale_ns in self._watched if rig.channels[at].device == device),
                default=(NOBODY_MINDS_NS, ""),
            )
            for device in range(len(rig.devices))
        )
        self._stale_ns = tuple(channel.stale_ns for channel in rig.channels)
        self._device_of = tuple(channel.device for channel in rig.channels)
        self._heard_ns = [NEVER] * len(rig.devices)
        self._late = ""
        self._is_first = True
        self._counts: list[tuple[int | None, ...]] = [(None,) * len(channels) for channels in self._devices]
        self._ungood = 0  # watched channels whose newest sample is not good
        self._all_heard = False
        self.specimens = tuple(at for at, c in enumerate(rig.channels) if c.role == "specimen")
        self.primary = self.specimens[0]
        self.second = self.specimens[1] if len(self.specimens) > 1 else -1
        self.feed = _first(rig, "feed")
        self.supply = _first(rig, "supply")
        self.water = _first(rig, "water_temperature")
        self.held_peak = _first(rig, "held_peak")
        self.returned, self.displacement = _first(rig, "returned"), _first(rig, "displacement")
        self.wet, self.make_up_flow = _first(rig, "wet"), _first(rig, "make_up_flow")

    def read(self, scan: Scan, changed: list[int]) -> tuple[tuple[float, ...], tuple[int, ...]]:
        """Take one scan in. Returns its values and qualities; channels whose quality changed are added to `changed`."""
        t_ns = scan.t_ns
        heard_ns, (stale_ns, name) = self._heard_ns[scan.device], self._stale[scan.device]
        self._heard_ns[scan.device] = t_ns
        self._is_first = heard_ns == NEVER
        self._late = name + " stale" if heard_ns != NEVER and t_ns - heard_ns > stale_ns else ""
        value, quality, good_ns, changes = self.value, self.quality, self.good_ns, self.changes
        values, qualities = [], []
        before, self._counts[scan.device] = self._counts[scan.device], scan.counts
        for (at, evaluate), counts, was in zip(self._devices[scan.device], scan.counts, before, strict=True):
            if counts == was:  # the same counts mean the same, and most channels are switches
                new, code = value[at], quality[at]
                values.append(new)
                qualities.append(code)
                if code == GOOD:
                    good_ns[at] = t_ns
                continue
            new, code = evaluate(counts)
            values.append(new)
            qualities.append(code)
            value[at] = new
            changes[at] += 1
            if code == GOOD:
                good_ns[at] = t_ns
            if code != quality[at]:
                quality[at] = code
                changed.append(at)
                self.uncertain_ns[at] = t_ns if code == UNCERTAIN else NEVER
                self._ungood = len([at for at, _ in self._watched if quality[at] != GOOD])
        return tuple(values), tuple(qualities)

    def good(self, at: int) -> float:
        """Newest value of a channel if it is good, else NaN. `at` may be -1 for a channel the rig does not have."""
        return self.value[at] if at >= 0 and self.quality[at] == GOOD else NAN

    def is_fresh(self, at: int, t_ns: int) -> bool:
        """Whether a channel has given a good sample lately enough."""
        return self.good_ns[at] != NEVER and t_ns - self.good_ns[at] <= self._stale_ns[at]

    def bad_causes(self, t_ns: int) -> list[str]:
        """Causes of watched channels (required ones, and all that guard people) that cannot be trusted now; empty
        almost always, so it is quick about that."""
        if not self._ungood and not self._late:
            for heard_ns, (stale_ns, _) in zip(self._heard_ns, self._stale, strict=True):
                if t_ns - heard_ns > stale_ns and heard_ns != NEVER:
                    break
            else:
                return []
        causes: list[str] = [self._late] if self._late else []
        for at, stale_ns in self._watched:
            code, heard_ns = self.quality[at], self._heard_ns[self._device_of[at]]
            if is_failed(code):
                causes.append(self.names[at] + " failed")
                continue
            if code == UNCERTAIN and self.uncertain_ns[at] != NEVER and t_ns - self.uncertain_ns[at] > UNCERTAIN_NS:
                causes.append(self.names[at] + " uncertain")
            if heard_ns != NEVER and t_ns - heard_ns > stale_ns:
                causes.append(self.names[at] + " stale")
        return causes

    def unheard(self) -> list[str]:
        """Watched channels that have given no good sample yet."""
        if self._all_heard:
            return []
        missing = [self.names[at] for at, _ in self._watched if self.good_ns[at] == NEVER]
        self._all_heard = not missing
        return missing

    def ungood(self) -> list[str]:
        """Watched channels whose newest sample is not good: doubtful is enough to wait, not yet enough to trip."""
        return [self.names[at] for at, _ in self._watched if self.quality[at] != GOOD] if self._ungood else []

    def proves_below(self, limit_pa: float, t_ns: int) -> bool:
        """Whether *every* specimen channel is good, fresh and below the limit, zeroed or not (2oo2, SAFETY S12)."""
        if self._late or self._is_first:  # a first sample says nothing of the time before it
            return False
        for at, stale_ns in self._watched:
            if at not in self.specimens:
                continue
            if self.quality[at] != GOOD or self.good_ns[at] == NEVER or t_ns - self.good_ns[at] > stale_ns:
                return False
        return all(
            self.quality[at] == GOOD and self.value[at] + self.worse_high[at] < limit_pa for at in self.specimens
        )

    def is_low(self, at: int, limit_pa: float, t_ns: int) -> bool:
        """Whether one channel is good, fresh and below the limit, zeroed or not."""
        worse_pa = self.value[at] + self.worse_high[at]
        return self.quality[at] == GOOD and self.is_fresh(at, t_ns) and worse_pa < limit_pa

    def all_below(self, limit_pa: float) -> bool:
        """Whether every specimen channel is good and below the limit now."""
        for at in self.specimens:
            if self.quality[at] != GOOD or not self.value[at] < limit_pa:
                return False
        return True

    def set_zero(self, at: int, zero: float) -> None:
        self.zero[at] = zero
        self.changes[at] += 1
        self.worse_high[at] = -zero if zero < 0.0 else 0.0
        self.worse_low[at] = zero if zero > 0.0 else 0.0


def _first(rig: Rig, role: str) -> int:
    for at, channel in enumerate(rig.channels):
        if channel.role == role:
            return at
    return -1
