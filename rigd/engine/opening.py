"""Safe to open: what must be proven before a person is told so, and the rise test that proves the isolation.

A line at zero is not yet one that may be opened: what feeds it may leak, and pressure may stand in a place no
transducer looks at. So SAFE TO OPEN is said only while every row of OPENING_RULE holds (SAFETY S27 to S30), all of it
measured, none of it assumed; in all other cases the words stay LINE AT ZERO: CRACK THE BLEED AND WAIT. A rig file that
declares no pockets never gets further than that.

The rise test is the last part of VENTING after a run, before anybody may come near: with the line proven low, supply
and inlet shut, the vent is shut for a time and no specimen channel may rise. It is compared with what it showed while
the vent was still open, so that nothing comes while the valves settle and then stands unseen. Any trip, any person's
vent and any sample that is not proven low opens the vent at once. A body that lost containment cannot hold what leaks
in, so nothing is proven with it and the test is not made. The zero of a channel never helps: the worse of zeroed and
unzeroed is used.
"""

from rigd.calc.exact.quality import GOOD
from rigd.calc.exact.rise import WINDOW_SHARE, RiseMeter
from rigd.engine.channels import NEVER, Channels, held_since
from rigd.engine.outputs import SAFE, Outputs, Wanted
from rigd.model.rig import Pocket, Rig
from rigd.model.states import LINE_AT_ZERO, SAFE_TO_OPEN

OPENING_RULE = (
    ("pockets declared", "the rig file declares no pockets"),
    ("no trip", "a trip is latched"),
    ("specimen low", "a specimen channel is not proven below the vent limit for the hold time"),
    ("supply shut", "the supply or the inlet is not seen to be shut"),
    ("isolation", "no rise test has proven the isolation since the supply was last live"),
    ("pockets", "a pocket is neither proven low nor vented"),
)
"""All that must hold, in the order in which a person would ask: (name, words when it does not)."""
WORDS_OF = dict(OPENING_RULE)
SETTLE_NS = 200_000_000  # after a valve says that it is shut, before the time it stays shut is counted
IDLE, SHUT, OPENING_UP = "", "shut", "opening up"
BY_HAND = "hand-checked"


class Opening:
    __slots__ = (
        "_channels", "_line_low_ns", "_low_since_ns", "_meter", "_open_ns", "_outputs", "_phase", "_rig", "_since_ns",
        "_test_ns", "_vent", "_vent_at", "_watched_shut", "declared", "disturbed", "isolation_proven", "rise_pa",
        "said", "tried",
    )  # fmt: skip

    def __init__(self, rig: Rig, channels: Channels, outputs: Outputs) -> None:
        self._rig, self._channels, self._outputs = rig, channels, outputs
        self.declared = bool(rig.pockets)
        self.isolation_proven = self.tried = False
        self.disturbed = False  # a device was away amid the test: its valves may have fallen back and come again
        self.rise_pa = 0.0  # of the last rise test
        self.said = ""  # the words last told
        self._phase, self._since_ns = IDLE, 0
        self._meter = RiseMeter(0, 1)
        self._low_since_ns = [NEVER] * len(rig.pockets)
        self._line_low_ns = NEVER  # since when every specimen channel has been seen low
        self._vent_at = next((at for at, output in enumerate(rig.outputs) if output.role == "vent"), -1)
        self._vent = rig.outputs[self._vent_at] if self._vent_at >= 0 else None
        settle_ns = SETTLE_NS + (self._vent.read_back_ns if self._vent else 0)
        self._test_ns = int((settle_ns + rig.vent.isolation_ns) / (1.0 - WINDOW_SHARE))
        self._open_ns = int(WINDOW_SHARE * self._test_ns)  # at its begin the vent stays open: what is there is averaged
        self._watched_shut = tuple(
            [
                (at, output.read_back)
                for at, output in enumerate(rig.outputs)
                if output.role in ("supply", "inlet", "air")
            ]
        )

    @property
    def testing(self) -> bool:
        return self._phase != IDLE

    @property
    def takes_ns(self) -> int:
        """How long the rise test may take, 0 when this rig makes none."""
        if not self.declared or not self._rig.vent.isolation_ns or self._vent is None:
            return 0
        return self._test_ns + self._vent.read_back_ns

    def forget(self) -> None:
        """The supply is, or may be, live: what was proven of it is proven no more."""
        self.isolation_proven = self.tried = False

    # ---- the rise test

    def begin(self, t_ns: int) -> Wanted:
        self._phase, self._since_ns, self.tried, self.disturbed = SHUT, t_ns, True, False
        self._meter = RiseMeter(len(self._channels.specimens), self._test_ns)
        return SAFE

    def give_up(self) -> None:
        """Somebody or something is in the way: nothing is proven, and the vent opens."""
        self._phase = IDLE

    def advance(self, t_ns: int, undisturbed: bool) -> Wanted:
        """One look while testing. `undisturbed`: every specimen channel proven low, nothing tripped."""
        if not undisturbed or not self._seen_shut():
            self._phase = IDLE
            return SAFE
        elapsed_ns = t_ns - self._since_ns
        if self._phase == OPENING_UP:
            if self._vent_is_open():
                self._phase, self.isolation_proven = IDLE, True
            elif self._vent is not None and elapsed_ns > self._vent.read_back_ns:
                self._phase = IDLE
            return SAFE
        channels = self._channels
        self._meter.add(elapsed_ns, tuple([channels.value[at] for at in channels.specimens]))
        if elapsed_ns < self._test_ns:
            return Wanted(vent_shut=elapsed_ns > self._open_ns)
        self.rise_pa = self._meter.rise_pa()
        tight = self.vent_is_shut() and self.rise_pa <= self._rig.vent.isolation_rise_pa
        self._phase, self._since_ns = (OPENING_UP if tight else IDLE), t_ns
        return SAFE

    def _seen_shut(self) -> bool:
        """Supply and inlet are told to be shut and, where they can be seen, are seen to be."""
        for at, read_back in self._watched_shut:
            if self._outputs.energised[at]:
                return False
            if read_back >= 0 and self._channels.good(read_back) != 0.0:
                return False
        return True

    def _vent_shows(self, shows: float) -> bool:
        """Since it was last told anything, where it can be seen."""
        if self._vent is None or self._vent.read_back < 0:
            return True
        at, channels = self._vent.read_back, self._channels
        return channels.good(at) == shows and channels.good_ns[at] > self._outputs.vent_told_ns

    def _vent_is_open(self) -> bool:
        return self._vent_shows(0.0)

    def vent_is_shut(self) -> bool:
        """Told to be, and seen since: one that shows shut and was told to open may be stuck, or its switch may lie."""
        return self._vent is None or (self._outputs.energised[self._vent_at] and self._vent_shows(1.0))

    # ---- the words

    def look_away(self) -> None:
        """Venting begins: how long a pocket has been low is counted anew."""
        self._low_since_ns = [NEVER] * len(self._rig.pockets)
        self._line_low_ns = NEVER

    def look(self, t_ns: int) -> None:
        """In every step but under pressure: how long the line and each pocket with a sensor have been low, and whether
        what feeds them stayed shut."""
        if self.isolation_proven and not self._seen_shut():
            self.forget()
        limit_pa, channels = self._rig.vent.limit_pa, self._channels
        self._line_low_ns = held_since(channels.proves_below(limit_pa, t_ns), self._line_low_ns, t_ns)
        for at, pocket in enumerate(self._rig.pockets):
            if pocket.channel >= 0:
                is_low = channels.is_low(pocket.channel, limit_pa, t_ns)
                self._low_since_ns[at] = held_since(is_low, self._low_since_ns[at], t_ns)

    def state_of(self, at: int, t_ns: int) -> str:
        """How a pocket stands: "proven", "vented", "hand-checked" (a person's to do), or "" when none of them."""
        pocket = self._rig.pockets[at]
        if pocket.hand_checked:
            return BY_HAND
        if pocket.channel >= 0:
            return "proven" if self._has_held(self._low_since_ns[at], t_ns) else ""
        return "vented" if self.is_vented(pocket) else ""

    def _has_held(self, since_ns: int, t_ns: int) -> bool:
        return since_ns != NEVER and t_ns - since_ns >= self._rig.vent.hold_ns

    def is_vented(self, pocket: Pocket) -> bool:
        """Whether the output that lets it out is told to, and seen to."""
        read_back = self._rig.outputs[pocket.vent].read_back
        return (
            not self._outputs.energised[pocket.vent]
            and read_back >= 0
            and self._channels.quality[read_back] == GOOD
            and self._channels.value[read_back] == 0.0
        )

    def lacks(self, t_ns: int, tripped: bool) -> tuple[str, ...]:
        """Why nobody may be told that it is safe to open; empty when all of the rule holds. Changes nothing."""
        if not self.declared:
            return (WORDS_OF["pockets declared"],)
        missing = [WORDS_OF["no trip"]] if tripped else []
        if not self._has_held(self._line_low_ns, t_ns):
            missing.append(WORDS_OF["specimen low"])
        if not self._seen_shut():
            missing.append(WORDS_OF["supply shut"])
        if not self.isolation_proven:
            missing.append(WORDS_OF["isolation"])
        for at, pocket in enumerate(self._rig.pockets):
            state = self.state_of(at, t_ns)
            if state not in ("proven", "vented"):
                missing.append(f"{WORDS_OF['pockets']}: {pocket.name}")
        return tuple(missing)

    def words(self, t_ns: int, tripped: bool) -> tuple[str, tuple[str, ...]]:
        """What may be said of a line that is vented, and why it is not more."""
        lacks = self.lacks(t_ns, tripped)
        return (LINE_AT_ZERO if lacks else SAFE_TO_OPEN), lacks
