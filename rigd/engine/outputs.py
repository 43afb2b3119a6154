"""What the rig's outputs are told, and in which order.

The procedure says what it wants (supply, inlet, vent shut, fill, a set-point); this turns wishes into commands, only
where something changes, those in the safe direction first. Nothing that feeds is ever told to be open with the vent.
De- energised is isolated and vented.
"""

from math import floor
from typing import NamedTuple

from rigd.model.messages import Kick, ValveCommand
from rigd.model.messages import Output as Message
from rigd.model.rig import Output, Rig

UNKNOWN = -1  # counts never commanded yet: the first command of a record is always sent
NOT_YET = 1 << 62  # later than any time: nothing seen can be newer
KICK_FRACTION = 5  # kicks in one drop-out time of the watchdog relay: four may be lost before it lets go
COUNTER_END = 65536


class Wanted(NamedTuple):
    """The state of all outputs. The default is the safe state."""

    supply: bool = False
    inlet: bool = False
    vent_shut: bool = False
    fill: bool = False
    set_point_pa: float = 0.0
    air: bool = False  # compressed gas straight into the specimen line


SAFE = Wanted()


class Outputs:
    __slots__ = (
        "_by_role",
        "_feeding",
        "_kick_at_ns",
        "_kick_every_ns",
        "_kicks",
        "_obeyed",
        "_shapes",
        "_watchdog",
        "commanded",
        "energised",
        "silent",
        "vent_told_ns",
    )

    def __init__(self, rig: Rig) -> None:
        self._shapes = rig.outputs
        self._by_role = {output.role: at for at, output in enumerate(rig.outputs)}
        self.commanded = [UNKNOWN] * len(rig.outputs)
        self.energised = [False] * len(rig.outputs)
        self._obeyed: Wanted | None = None  # the wish that all commands stand for; None when what stands is unknown
        self._feeding = tuple([self._by_role[role] for role in ("inlet", "air") if role in self._by_role])
        self._watchdog = self._by_role.get("watchdog", UNKNOWN)
        self._kick_every_ns = rig.watchdog_ns // KICK_FRACTION
        self._kick_at_ns = 0
        self._kicks = 0
        self.vent_told_ns = 0  # when it was last told anything, NOT_YET since a device came back
        self.silent = False  # no kick is given in this step, to see that the relay lets go

    @property
    def kicked_ns(self) -> int:
        """When the last kick was given, 0 or less before the first."""
        return self._kick_at_ns - self._kick_every_ns

    @property
    def feeds(self) -> bool:
        """Whether inlet or air valve of the specimen stand open, as far as they were told and no device came back."""
        return self.vent_told_ns != NOT_YET and any(self.energised[at] for at in self._feeding)

    def forget(self, device: int) -> None:
        """A device came back: what its outputs show is unknown, so the next command to each is sent whatever it is.
        Where it drives the vent or what feeds, the vent is told first, and must be seen shut before anything feeds."""
        self._obeyed = None
        for at, shape in enumerate(self._shapes):
            if shape.device == device:
                self.commanded[at] = UNKNOWN
        vent = self._by_role.get("vent", UNKNOWN)
        if vent != UNKNOWN and any(self.commanded[at] == UNKNOWN for at in (vent, *self._feeding)):
            self.commanded[vent], self.vent_told_ns = UNKNOWN, NOT_YET

    def apply(self, wanted: Wanted, seq: int, t_ns: int, out: list[Message]) -> None:
        """Append the commands that bring the rig from what it was told to what is wanted."""
        assert wanted.vent_shut or not (wanted.inlet or wanted.air), "inlet and vent are never open together"
        if wanted == self._obeyed:
            return
        self._obeyed = wanted
        raising: list[ValveCommand] = []
        for role, energise in (
            ("inlet", wanted.inlet),
            ("air", wanted.air),
            ("vent", wanted.vent_shut),  # at once behind the inlet: nothing else takes pressure off the specimen
            ("supply", wanted.supply),
            ("fill", wanted.fill),
        ):
            at = self._by_role.get(role, UNKNOWN)
            if at == UNKNOWN:
                continue
            shape = self._shapes[at]
            counts = shape.counts_energised if energise else shape.counts_safe
            if counts != self.commanded[at]:
                command = self._command(at, counts, energise, seq, t_ns)
                if not energise:
                    out.append(command)
                elif role == "vent":
                    raising.insert(0, command)
                else:
                    raising.append(command)
        self._apply_set_point(wanted.set_point_pa, seq, t_ns, out, raising)
        out += raising

    def _apply_set_point(
        self, pressure_pa: float, seq: int, t_ns: int, out: list[Message], raising: list[ValveCommand]
    ) -> None:
        at = self._by_role.get("set_point", UNKNOWN)
        if at == UNKNOWN:
            return
        counts = set_point_counts(self._shapes[at], pressure_pa)
        before = self.commanded[at]
        if counts == before:
            return
        raises = counts > before if before != UNKNOWN else counts != self._shapes[at].counts_safe
        command = self._command(at, counts, counts != self._shapes[at].counts_safe, seq, t_ns, raises)
        if raises:
            raising.append(command)
        else:
            out.append(command)

    def _command(
        self, at: int, counts: int, energised: bool, seq: int, t_ns: int, raises: bool | None = None
    ) -> ValveCommand:
        self.commanded[at] = counts
        self.energised[at] = energised
        if self._shapes[at].role == "vent":
            self.vent_told_ns = t_ns
        raising = energised if raises is None else raises
        return ValveCommand(seq=seq, t_ns=t_ns, output=at, counts=counts, raises=raising)

    def is_kick_due(self, t_ns: int) -> bool:
        return self._watchdog != UNKNOWN and t_ns >= self._kick_at_ns and not self.silent

    def kick(self, seq: int, t_ns: int, out: list[Message]) -> None:
        """Append the Kick that is due; the caller has seen a good scan and a whole step."""
        self._kick_at_ns = t_ns + self._kick_every_ns
        self._kicks = (self._kicks + 1) % COUNTER_END
        out.append(Kick(seq=seq, t_ns=t_ns, output=self._watchdog, counts=self._kicks))


def set_point_counts(shape: Output, pressure_pa: float) -> int:
    """Counts that call for a pressure [Pa], never outside the output's range and never rounded up past it."""
    share = (pressure_pa - shape.pa_low) / (shape.pa_high - shape.pa_low)
    share = 0.0 if share < 0.0 else 1.0 if share > 1.0 else share
    return shape.counts_safe + floor(share * (shape.counts_energised - shape.counts_safe) + 0.5)
