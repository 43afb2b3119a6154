"""What the delivered scans and reports of one process prove, in the judge's own arithmetic: which trips are due.

Times are those of the messages. Every rule is the rig file's or SAFETY's; none asks the engine.
"""

from rigd.model.messages import Scan
from rigd.model.profile import Profile
from rigd.model.rig import Rig, Row
from simulator.gauge import BAD, DOUBTFUL, GOOD, gauges_of

DOUBT_NS = 1_000_000_000  # a required channel may be doubtful for so long
COUNT_PA = 450.0  # one count of the coarsest specimen channel, rounded up
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
        self._rows = [row for row in rig.rows if row.kind == "trip"]
        self._since: dict[str, int] = {}
        specimens = [at for at, c in enumerate(rig.channels) if c.role == "specimen"]
        self.primary, self.second = specimens[0], specimens[1]
        self.primary_device = rig.channels[self.primary].device
        self.low_since = dict.fromkeys(specimens, -1)
        self.trip_pa = min(row.limit for row in self._rows if row.channel in specimens)
        self._read_backs = [(n, o) for n, o in enumerate(rig.outputs) if o.read_back >= 0]
        self.highest = 0.0
        self.good_primary = 0.0
        self.unwell = False
        self.latched: list[str] = []
        self.was_late = False  # the scan taken last ended a silence too long to have gone unnoticed

    def take(self, scan: Scan) -> list[int]:
        """One delivered scan. Returns the qualities in the order of its counts."""
        t_ns, value, quality = scan.t_ns, self.value, self.quality
        found = []
        heard_ns, self.heard_ns[scan.device] = self.heard_ns[scan.device], t_ns
        was_silent = heard_ns < 0 or t_ns - heard_ns > self._stale_ns[scan.device]
        self.was_late = heard_ns >= 0 and t_ns - heard_ns > self._stale_ns[scan.device] + GRACE_NS
        for (at, gauge), counts in zip(self._gauges[scan.device], scan.counts, strict=True):
            now, seen = (GOOD, 1.0 if counts else 0.0) if gauge.is_bit else gauge.look(counts)
            found.append(now)
            value[at] = seen
            if now != quality[at]:
                quality[at] = now
                self.doubtful_ns.pop(at, None)
                self._bad.discard(at)
                if self._required[at] and now == DOUBTFUL:
                    self.doubtful_ns[at] = t_ns
                elif self._required[at] and now == BAD:
                    self._bad.add(at)
            if at in self.low_since:
                if now == GOOD and seen < self.rig.vent.limit_pa + COUNT_PA:
                    if self.low_since[at] < 0 or was_silent:
                        self.low_since[at] = t_ns
                else:
                    self.low_since[at] = -1
        if scan.device == self.primary_device and quality[self.primary] == GOOD:
            self.good_primary = value[self.primary]
            self.highest = max(self.highest, self.good_primary)
        return found

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
        for device, heard_ns in enumerate(self.heard_ns):
            if heard_ns >= 0 and t_ns - heard_ns > self._stale_ns[device] and not self.doubtful_ns:
                found.append(("STALE_IS_UNSAFE", f"device {device} silent since {heard_ns}"))
        if self._bad:
            found.append(("STALE_IS_UNSAFE", f"{self.rig.channels[min(self._bad)].name} failed"))
        for at, since_ns in self.doubtful_ns.items():
            if t_ns - since_ns > DOUBT_NS:
                found.append(("STALE_IS_UNSAFE", f"{self.rig.channels[at].name} doubtful since {since_ns}"))
        for row in self._rows:
            if self._row_is_due(row, t_ns) and state in row.when:
                role = self.rig.channels[row.channel].role
                found.append((ROW_NAMES.get(role, "OVERPRESSURE_TRIPS"), row.name))
        if self._apart_is_due(t_ns):
            found.append(("DISAGREEMENT_TRIPS", f"{self.value[self.primary]} and {self.value[self.second]}"))
        self._check_read_backs(t_ns, sent, found)
        return found

    def _lasts(self, key: str, met: bool, t_ns: int) -> int:
        """How long a condition has been met [ns], -1 when it is not."""
        if not met:
            self._since.pop(key, None)
            return -1
        return t_ns - self._since.setdefault(key, t_ns)

    def _row_is_due(self, row: Row, t_ns: int) -> bool:
        at = row.channel
        if self.quality[at] == BAD or self.heard_ns[self.rig.channels[at].device] < 0:
            return self._lasts(row.name, False, t_ns) >= 0
        value = self.value[at]
        if row.test == "above":
            met = value > row.limit + COUNT_PA
        elif row.test == "below":
            met = value < row.limit - COUNT_PA
        else:
            met = value == row.limit
        return self._lasts(row.name, met, t_ns) >= row.persistence_ns

    def _apart_is_due(self, t_ns: int) -> bool:
        both = self.quality[self.primary] == GOOD and self.quality[self.second] == GOOD
        apart = abs(self.value[self.primary] - self.value[self.second])
        heard = all(heard_ns >= 0 for heard_ns in self.heard_ns)
        met = both and heard and apart > self.rig.agreement.limit_pa + COUNT_PA
        return self._lasts("apart", met, t_ns) > self.rig.agreement.persistence_ns

    def _check_read_backs(self, t_ns: int, sent: list[int | None], found: list[tuple[str, str]]) -> None:
        for at, output in self._read_backs:
            told = sent[at] is not None and sent[at] == output.counts_energised
            heard = self.heard_ns[self.rig.channels[output.read_back].device] >= 0
            met = heard and (self.value[output.read_back] == 1.0) != told
            # two scans of grace: the engine judges before it commands, this after
            if self._lasts(output.name, met, t_ns) > output.read_back_ns + 2 * self.rig.devices[0].scan_ns + 21_000_000:
                found.append(("READBACK_AGREES", output.name))

    def wrong_permissives(self) -> str:
        """Which permissive row is not met by the newest samples, or ""."""
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
