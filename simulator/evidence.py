"""What the delivered scans and reports of one process prove, in the judge's own arithmetic: which trips are due.

Times are those of the messages. Every rule is the rig file's or SAFETY's; none asks the engine.
"""

from rigd.model.messages import Scan
from rigd.model.profile import Profile
from rigd.model.rig import Rig, Row
from simulator.gauge import BAD, DOUBTFUL, GOOD, gauges_of

DOUBT_NS = 1_000_000_000  # a required channel may be doubtful for so long
COUNT_PA = 450.0  # one count of the coarsest specimen channel, rounded up
TRUE_PART = 1e-6
GRACE_NS = 30_000_000  # between two looks at the clock a silence may pass its limit by so much
ROW_NAMES = {"door": "GUARD_DOMINATES", "emergency_stop": "ESTOP_DOMINATES"}


class Evidence:
    def __init__(self, rig: Rig, profile: Profile) -> None:
        self.rig = rig
        count = len(rig.channels)
        self._gauges = gauges_of(rig)
        self.value, self.quality = [0.0] * count, [GOOD] * count
        self.heard_ns = [-1] * len(rig.devices)
        self.doubtful_ns: dict[int, int] = {}
        self._bad: set[int] = set()
        self._required = [c.required or c.role == "specimen" for c in rig.channels]
        guarding = {row.channel for row in rig.rows if row.kind != "permissive"}
        self._required = [r or at in guarding for at, r in enumerate(self._required)]
        self._stale_ns = [min(c.stale_ns for c in rig.channels if c.device == d) for d in range(len(rig.devices))]
        self._since: dict[int, int] = {}
        specimens = [at for at, c in enumerate(rig.channels) if c.role == "specimen"]
        self.primary, self.second = specimens[0], specimens[1]
        self.primary_device = rig.channels[self.primary].device
        self.low_since = dict.fromkeys(specimens, -1)
        self._low_pa = rig.vent.limit_pa + COUNT_PA
        trips = [row for row in rig.rows if row.kind == "trip"]
        self.trip_pa = min(row.limit for row in trips if row.channel in specimens)
        self._place_conditions(trips)
        self._place_channels(specimens)
        self.highest = 0.0
        self.good_primary = 0.0
        self.unwell = False
        self.latched: list[str] = []
        self.was_late = False  # the scan taken last ended a silence too long to have gone unnoticed

    def _place_conditions(self, trips: list[Row]) -> None:
        """(invariant, words, persistence, run states) of every trip the rig's file asks for, and how each is met."""
        rig, roles = self.rig, [channel.role for channel in self.rig.channels]
        self._device_of = [channel.device for channel in rig.channels]
        self._conditions: list[tuple[str, str, int, tuple[str, ...] | None]] = []
        self._rows, self._read_backs = [], []
        self._told: list[int | None] = [None] * len(rig.outputs)
        for row in trips:
            sense = {"above": 1, "below": -1, "is": 0}[row.test]
            self._rows.append((len(self._conditions), row.channel, sense, row.limit + sense * COUNT_PA))
            name = ROW_NAMES.get(roles[row.channel], "OVERPRESSURE_TRIPS")
            self._conditions.append((name, row.name, row.persistence_ns, row.when))
        self._apart_key, self._apart_pa = len(self._conditions), rig.agreement.limit_pa + COUNT_PA
        self._conditions.append(("DISAGREEMENT_TRIPS", "apart", rig.agreement.persistence_ns + 1, None))
        for at, output in enumerate(rig.outputs):
            if output.read_back >= 0:
                self._read_backs.append((len(self._conditions), at, output.counts_energised, output.read_back))
                # two scans of grace: the engine judges before it commands, this after
                limit_ns = output.read_back_ns + 2 * rig.devices[0].scan_ns + 21_000_000
                self._conditions.append(("READBACK_AGREES", output.name, limit_ns, None))

    def _place_channels(self, specimens: list[int]) -> None:
        devices = range(len(self.rig.devices))
        self._analog = [
            [(n, at, gauge) for n, (at, gauge) in enumerate(self._gauges[d]) if not gauge.is_bit] for d in devices
        ]
        self._switches = [[(n, at) for n, (at, gauge) in enumerate(self._gauges[d]) if gauge.is_bit] for d in devices]
        self._bits_from = [places[0][0] if places else 1 << 30 for places in self._switches]
        self._bits: list[tuple[int, ...]] = [()] * len(devices)
        self._specimens_of = [[at for at in specimens if self._device_of[at] == d] for d in devices]
        self.all_good = [(GOOD,) * len(self._gauges[d]) for d in devices]
        self.stirred = False  # samples or commands are new since the conditions were last looked at

    def take(self, scan: Scan) -> tuple[int, ...]:
        """One delivered scan. Returns the qualities in the order of its counts."""
        t_ns, device, counts = scan.t_ns, scan.device, scan.counts
        value, quality = self.value, self.quality
        heard_ns, self.heard_ns[device] = self.heard_ns[device], t_ns
        was_silent = heard_ns < 0 or t_ns - heard_ns > self._stale_ns[device]
        self.was_late = heard_ns >= 0 and t_ns - heard_ns > self._stale_ns[device] + GRACE_NS
        all_good = True
        for place, at, gauge in self._analog[device]:
            now, seen = gauge.look(counts[place])
            value[at] = seen
            if now != GOOD:
                all_good = False
            if now != quality[at]:
                self._quality_moved(at, now, t_ns)
        bits = counts[self._bits_from[device] :]
        if bits != self._bits[device]:
            self._bits[device] = bits
            for place, at in self._switches[device]:
                value[at] = 1.0 if counts[place] else 0.0
        low_since, limit_pa = self.low_since, self._low_pa
        for at in self._specimens_of[device]:
            if quality[at] != GOOD or value[at] >= limit_pa:
                low_since[at] = -1
            elif low_since[at] < 0 or was_silent:
                low_since[at] = t_ns
        if device == self.primary_device and quality[self.primary] == GOOD:
            self.good_primary = value[self.primary]
            if self.good_primary > self.highest:
                self.highest = self.good_primary
        self.stirred = True
        if all_good:
            return self.all_good[device]
        return tuple(quality[at] for at, _ in self._gauges[device])

    def wrong_value(self, device: int, values: tuple[float, ...]) -> str:
        """A channel whose value is not the judge's own, or ""."""
        for place, at, _ in self._analog[device]:
            mine, theirs = self.value[at], values[place]
            if (
                self.quality[at] == GOOD
                and not -TRUE_PART * abs(mine) - 1.0 <= theirs - mine <= TRUE_PART * abs(mine) + 1.0
            ):
                return f"{self.rig.channels[at].name}: {theirs} where the counts say {mine}"
        return ""

    def _quality_moved(self, at: int, now: int, t_ns: int) -> None:
        self.quality[at] = now
        self.doubtful_ns.pop(at, None)
        self._bad.discard(at)
        if self._required[at] and now == DOUBTFUL:
            self.doubtful_ns[at] = t_ns
        elif self._required[at] and now == BAD:
            self._bad.add(at)

    def ill(self, t_ns: int) -> str:
        """Why the rig cannot be called healthy now, or ""."""
        if self.unwell:
            return "the computer is unwell"
        for device, heard_ns in enumerate(self.heard_ns):
            if heard_ns < 0 or t_ns - heard_ns > self._stale_ns[device]:
                return f"device {device} was heard at {heard_ns}, now {t_ns}"
        if self._bad:
            return f"{self.rig.channels[min(self._bad)].name} is bad"
        return ""

    def due(self, t_ns: int, state: str, sent: list[int | None]) -> list[tuple[str, str]]:
        """(invariant, words) of each trip that must stand now."""
        found: list[tuple[str, str]] = []
        if self.unwell:
            found.append(("NO_PRESSURE_WITHOUT_RECORD", "the computer is unwell"))
        for heard_ns, stale_ns in zip(self.heard_ns, self._stale_ns, strict=True):
            if heard_ns >= 0 and t_ns - heard_ns > stale_ns:
                found.append(("STALE_IS_UNSAFE", f"a device silent since {heard_ns}"))
        if self._bad:
            found.append(("STALE_IS_UNSAFE", f"{self.rig.channels[min(self._bad)].name} failed"))
        for at, since_ns in self.doubtful_ns.items():
            if t_ns - since_ns > DOUBT_NS:
                found.append(("STALE_IS_UNSAFE", f"{self.rig.channels[at].name} doubtful since {since_ns}"))
        if self.stirred:
            self._look_again(t_ns, sent)
        for key, since_ns in self._since.items():
            name, words, persistence_ns, when = self._conditions[key]
            if t_ns - since_ns >= persistence_ns and (when is None or state in when):
                found.append((name, words))
        return found

    def _look_again(self, t_ns: int, sent: list[int | None]) -> None:
        """Samples or commands are new: which conditions are met, and since when."""
        self.stirred = False
        value, quality, since = self.value, self.quality, self._since
        met: list[int] = []
        for key, at, sense, limit in self._rows:
            now = value[at]
            is_met = now > limit if sense > 0 else now < limit if sense < 0 else now == limit
            if is_met and quality[at] != BAD and self.heard_ns[self._device_of[at]] >= 0:
                met.append(key)
        first, second = self.primary, self.second
        apart = value[first] - value[second]
        if not -self._apart_pa <= apart <= self._apart_pa and quality[first] == GOOD and quality[second] == GOOD:
            if min(self.heard_ns) >= 0:
                met.append(self._apart_key)
        for key, output, energised, at in self._read_backs:
            if sent[output] != self._told[output]:  # another command is another time to obey it in
                self._told[output] = sent[output]
                since.pop(key, None)
            if (value[at] == 1.0) != (sent[output] == energised) and self.heard_ns[self._device_of[at]] >= 0:
                met.append(key)
        if met or since:
            for key in list(since):
                if key not in met:
                    del since[key]
            for key in met:
                since.setdefault(key, t_ns)

    def wrong_permissives(self) -> str:
        """Which permissive row is not met by the newest samples, or which channel that guards is not good, or ""."""
        for at, channel in enumerate(self.rig.channels):
            if self._required[at] and self.quality[at] != GOOD:
                return f"{channel.name} is not good"
        for row in self.rig.rows:
            if row.kind != "permissive":
                continue
            value, at = self.value[row.channel], row.channel
            met = (
                value == row.limit
                if row.test == "is"
                else (value > row.limit - COUNT_PA if row.test == "above" else value < row.limit + COUNT_PA)
            )
            if self.quality[at] != GOOD or not met:
                return f"{row.name}: {value}"
        return ""
