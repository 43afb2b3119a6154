"""The computer's own troubles as causes: a journal that is behind, a disk that is full, scans that came late."""

from rigd.model.messages import HostReport, Scalar
from rigd.model.profile import Hold, Profile, Ramp, Surge
from rigd.model.rig import Rig

JOURNAL_BEHIND_US = 250_000  # what a killed process may lose at most (DESIGN section 5)
CLOCK_STEP_NS = 50_000_000  # between two reports a tenth of a second apart no honest clock drifts this far
ANCHOR_NS = 60_000_000_000
RESERVE_BYTES = 4_000_000  # below this a run under pressure ends while its last events can still be written
BYTES_PER_VALUE = 16  # journal and trace together, measured generously
OVERHEAD_NS = 600_000_000_000  # preparation, questions and closing around the live steps
CHARGE_AND_FALL_NS = 1_000_000_000  # what the charge and the blow-down of one surge take
ROOM_FACTOR = 2  # a run may arm only with twice what it is expected to need

Said = tuple[str, str, dict[str, Scalar]]


def cycle_ns(step: Surge) -> int:
    """About how long one surge takes, charge and blow-down at their likely quickest [ns]."""
    clock_ns = step.water_ns + step.release_ns + step.rise_ns + step.hold_ns + step.drain_ns + step.rest_ns
    return clock_ns + CHARGE_AND_FALL_NS


def expected_bytes(rig: Rig, profile: Profile | None) -> int:
    """Disk a run of this profile is expected to need [bytes]."""
    live_ns = 0
    for step in profile.steps if profile else ():
        if type(step) is Ramp:
            live_ns += int(step.ceiling_pa / step.rate_pa_per_s) * 1_000_000_000
        elif type(step) is Hold:
            live_ns += step.duration_ns
        elif type(step) is Surge:
            for owed in step.blocks:
                live_ns += owed * cycle_ns(step) + step.between_ns
    values_per_s = 0.0
    for channel in rig.channels:
        values_per_s += 1e9 / rig.devices[channel.device].scan_ns
    return int(values_per_s * BYTES_PER_VALUE) * ((live_ns + OVERHEAD_NS) // 1_000_000_000)


class Host:
    __slots__ = ("_anchored_ns", "_needed_bytes", "_offset_ns", "causes", "free_bytes")

    def __init__(self, rig: Rig, profile: Profile | None) -> None:
        self._needed_bytes = ROOM_FACTOR * expected_bytes(rig, profile)
        self._offset_ns = self._anchored_ns = 0
        self.causes: list[str] = []
        self.free_bytes = -1

    @property
    def has_room(self) -> bool:
        return self.free_bytes >= self._needed_bytes

    @property
    def room_words(self) -> str:
        return f"{self.free_bytes} bytes are free, {self._needed_bytes} are needed before arming"

    def anchor(self, t_ns: int, utc_ns: int) -> None:
        self._offset_ns, self._anchored_ns = utc_ns - t_ns, t_ns

    def utc_ns(self, t_ns: int) -> int:
        """The wall clock at engine time t_ns, by the newest anchor."""
        return t_ns + self._offset_ns

    def take(self, report: HostReport) -> list[Said]:
        """Take a report in; the events it causes as (kind, text, data)."""
        said: list[Said] = []
        was = self.causes
        self.causes = []
        if report.write_error:
            self.causes.append("record cannot be written")
        if report.journal_lag_us > JOURNAL_BEHIND_US:
            self.causes.append("journal behind")
        if report.inbox_full:
            self.causes.append("inbox full")
        if report.free_bytes < RESERVE_BYTES:
            self.causes.append("disk full")
        self.free_bytes = report.free_bytes
        said += [
            ("host", f"{cause}: {report.write_error or report.journal_lag_us}", {"what": cause})
            for cause in self.causes
            if cause not in was
        ]
        if report.missed_ticks:
            said.append(
                ("missed", f"{report.missed_ticks} scans were not made on time", {"count": report.missed_ticks})
            )
        step_ns = report.utc_ns - report.t_ns - self._offset_ns
        if not -CLOCK_STEP_NS <= step_ns <= CLOCK_STEP_NS:
            said.append(("clock_step", f"the wall clock was set by {step_ns / 1e9:.3f} s", {"step_ns": step_ns}))
            self.anchor(report.t_ns, report.utc_ns)
        elif report.t_ns - self._anchored_ns >= ANCHOR_NS:
            said.append(("anchor", "wall clock anchor", {"utc_ns": report.utc_ns}))
            self.anchor(report.t_ns, report.utc_ns)
        return said
