"""What may not be: the rows of the rig file, and the causes every rig has.

Three kinds with the trade's meanings. A *permissive* must be true to arm and to start. An *interlock* holds, or
vents, while its condition lasts and clears by itself. A *trip* forces the safe state and stays latched until its
cause is healthy and a person resets it. Beside the rows stand the causes every rig has: a required channel lost,
transducers that disagree, an output that does not do as told, a journal that is behind. The first cause is kept: what
follows a burst or a lost supply is a shower of others, and the first is the one to look for.
"""

from rigd.calc.exact.quality import GOOD
from rigd.engine.channels import Channels
from rigd.engine.states import CAUSE, HEALTHY, RESET, TRIP_TABLE
from rigd.model.rig import Output, Rig, Row
from rigd.model.states import CLEAR, RESETTABLE, TRIPPED

ABOVE, BELOW, IS = 1, -1, 0
IDLE = -1
MOST_CAUSES = 64  # latched at once; a rig has fewer rows and channels than this, so reaching it is a bug
DISAGREE = "transducers disagree"


class Guard:
    """One row, compiled: whether its condition has lasted long enough, as of the last `look`."""

    __slots__ = (
        "_channel", "_limit", "_persistence_ns", "_seen", "_sense", "_since_ns", "holds", "kind", "name", "row", "when",
    )  # fmt: skip

    def __init__(self, row: Row) -> None:
        self.row, self.name, self.kind = row, row.name, row.kind
        self.when = frozenset(row.when)
        self._channel, self._limit = row.channel, row.limit
        self._sense = {"above": ABOVE, "below": BELOW, "is": IS}[row.test]
        self._persistence_ns = row.persistence_ns
        self._since_ns = IDLE
        self._seen = -1  # of the channel's changes, the newest that was looked at
        self.holds = False

    def look(self, t_ns: int, channels: Channels) -> None:
        """`holds` when the row's condition is met and has been for its persistence. A sample that is not good never
        meets a permissive; a failed or lost one beneath an interlock or trip is a cause of its own
        (Channels.bad_causes). As long as the channel stands as it stood, only the persistence is left to count."""
        at = self._channel
        if channels.changes[at] == self._seen:
            if self._since_ns != IDLE and not self.holds:
                self.holds = t_ns - self._since_ns >= self._persistence_ns
            return
        self._seen = channels.changes[at]
        value = channels.value[at]
        if channels.quality[at] >= 2:
            met = False  # and what was never heard is no number, which meets nothing
        elif self._sense == ABOVE:
            met = value + channels.worse_high[at] > self._limit
        elif self._sense == BELOW:
            met = value - channels.worse_low[at] < self._limit
        else:
            met = value == self._limit
        if self.kind == "permissive" and channels.quality[at] != GOOD:
            met = False
        if not met:
            self._since_ns, self.holds = IDLE, False
            return
        if self._since_ns == IDLE:
            self._since_ns = t_ns
        self.holds = t_ns - self._since_ns >= self._persistence_ns


class Agreement:
    """Two transducers further apart than the limit for longer than the persistence (SAFETY S12)."""

    __slots__ = ("_first", "_limit_pa", "_persistence_ns", "_second", "_since_ns")

    def __init__(self, rig: Rig, channels: Channels) -> None:
        self._first, self._second = channels.primary, channels.second
        self._limit_pa, self._persistence_ns = rig.agreement.limit_pa, rig.agreement.persistence_ns
        self._since_ns = IDLE

    def is_broken(self, t_ns: int, channels: Channels) -> bool:
        difference = channels.good(self._first) - channels.good(self._second)
        if not (difference > self._limit_pa or difference < -self._limit_pa):
            self._since_ns = IDLE
            return False
        if self._since_ns == IDLE:
            self._since_ns = t_ns
        return t_ns - self._since_ns > self._persistence_ns


class ReadBack:
    """An output that was told one thing and shows another for too long (SAFETY invariant 15). What stations share may
    be energised because a neighbour asks for it; it may never be safe while this one was told it is not."""

    __slots__ = ("_limit_ns", "_shared", "_since_ns", "cause", "channel", "isolates", "output")

    def __init__(self, output: int, shape: Output, shared: bool) -> None:
        self._shared, self.isolates = shared, shape.role in ("inlet", "air") and not shared
        self.output, self.cause = output, f"{shape.name} not confirmed"
        self.channel, self._limit_ns = shape.read_back, shape.read_back_ns
        self._since_ns = IDLE

    def is_broken(self, t_ns: int, energised: bool, channels: Channels, neighbours_live: bool) -> bool:
        shows = channels.value[self.channel] == 1.0
        if channels.good_ns[self.channel] < 0 or shows == energised or (shows and self._shared and neighbours_live):
            self._since_ns = IDLE
            return False
        if self._since_ns == IDLE:
            self._since_ns = t_ns
        return t_ns - self._since_ns > self._limit_ns


class Interlocks:
    """Rows and causes together with the latch. `check` runs once in every step of the engine."""

    __slots__ = (
        "_agreement",
        "_channels",
        "_guards",
        "_interlocks",
        "_permissives",
        "_read_backs",
        "_roles",
        "_trips",
        "active",
        "first_out",
        "held_by",
        "host_causes",
        "latched",
        "neighbours_live",
        "state",
        "vent_by",
    )

    def __init__(self, rig: Rig, channels: Channels, latched: tuple[str, ...]) -> None:
        self._guards = guards = [Guard(row) for row in rig.rows]
        self._trips = tuple(guard for guard in guards if guard.kind == "trip")
        self._interlocks = tuple(guard for guard in guards if guard.kind == "interlock")
        self._permissives = tuple(guard for guard in guards if guard.kind == "permissive")
        self._roles = {row.name: rig.channels[row.channel].role for row in rig.rows if row.kind != "permissive"}
        self._channels = channels
        self._agreement = Agreement(rig, channels) if channels.second >= 0 else None
        self._read_backs = tuple(
            ReadBack(at, output, rig.stations > 1 and not output.station)
            for at, output in enumerate(rig.outputs)
            if output.read_back >= 0
        )
        self.latched = list(latched)
        self.first_out = latched[0] if latched else ""
        self.state = TRIPPED if latched else CLEAR
        self.active: list[str] = []
        self.host_causes: list[str] = []
        self.neighbours_live = False
        self.held_by = ""
        self.vent_by = ""

    def causes(self, t_ns: int, run_state: str, energised: list[bool]) -> list[str]:
        """Every cause of a trip that is present now, rows first."""
        channels = self._channels
        found = [guard.name for guard in self._trips if guard.holds and run_state in guard.when]
        bad = channels.bad_causes(t_ns)
        if bad:
            found += bad
        if self._agreement is not None and self._agreement.is_broken(t_ns, channels):
            found.append(DISAGREE)
        for read_back in self._read_backs:
            if read_back.is_broken(t_ns, energised[read_back.output], channels, self.neighbours_live):
                found.append(read_back.cause)
        if self.host_causes:
            found += self.host_causes
        return found

    def check(self, t_ns: int, run_state: str, energised: list[bool]) -> str:
        """Look at everything once. Returns the new first cause when the latch goes to TRIPPED now, else ""."""
        channels = self._channels
        for guard in self._guards:
            guard.look(t_ns, channels)
        self._check_interlocks(run_state)
        found = self.causes(t_ns, run_state, energised)
        self.active = found
        if not found:
            if self.state == TRIPPED and not self._channels.unheard():  # nothing is healthy that was never heard
                self.state = TRIP_TABLE[self.state, HEALTHY]
            return ""
        news = [cause for cause in found if cause not in self.latched]
        was = self.state
        self.state = TRIP_TABLE[was, CAUSE]
        self.latched += news
        assert len(self.latched) <= MOST_CAUSES, "more causes than a rig can have"
        if was == CLEAR:
            self.first_out = found[0]
            return self.first_out
        return found[0] if was == RESETTABLE else ""

    def _check_interlocks(self, run_state: str) -> None:
        held_by = vent_by = ""
        for guard in self._interlocks:
            if guard.holds and run_state in guard.when:
                if guard.row.action == "hold":
                    held_by = held_by or guard.name
                else:
                    vent_by = vent_by or guard.name
        self.held_by, self.vent_by = held_by, vent_by

    def permissives(self, run_state: str) -> list[tuple[str, bool, str]]:
        """The rig file's permissives with whether each held at the last `check`: (name, holds, reason). Asking changes
        nothing: how often people look at a rig may not change what it does."""
        return [
            (guard.name, guard.holds, guard.row.reason) for guard in self._permissives if run_state in guard.when
        ]

    def trace_class_of(self, cause: str) -> str:
        """What a cause says about the trace: that the rig lost its sight, its supply, or lifted its relief; else ""."""
        if cause == DISAGREE or cause.endswith((" failed", " uncertain", " stale")):
            return "sensor"
        role = self._roles.get(cause, "")
        return {"supply": "supply_exhausted", "relief": "plateau"}.get(role, "")

    def isolation_in_doubt(self, t_ns: int) -> bool:
        """Whether what feeds this station alone cannot be seen to be shut, or was not confirmed in time."""
        channels = self._channels
        for read_back in self._read_backs:
            if not read_back.isolates:
                continue
            at = read_back.channel
            if read_back.cause in self.active or channels.quality[at] != GOOD or not channels.is_fresh(at, t_ns):
                return True
        return False

    def reset(self) -> bool:
        """A person's reset: False when there is nothing that can be reset."""
        if (self.state, RESET) not in TRIP_TABLE:
            return False
        self.state = TRIP_TABLE[self.state, RESET]
        self.latched.clear()
        self.first_out = ""
        return True
