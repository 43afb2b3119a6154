"""When which fault strikes in one night, and when it heals.

Most strikes wait for a run state drawn beforehand, so that every kind comes to meet every state; a strike that has
waited too long happens anyway.
"""

from random import Random
from typing import TYPE_CHECKING

from simulator.swarm import LIVE_STATES
from simulator.weather import BLINDS, KINDS, Heal

if TYPE_CHECKING:
    from simulator.night import Night

PATIENCE_NS = 12_000_000_000  # a strike waits no longer for its state
HURRY_NS = 2_000_000_000  # nor so long in a night in which faults crowd
UNPROVEN_PATIENCE_NS = 45_000_000_000  # that state takes a blind rig twenty seconds to reach
INTO_STATE_S = 3.0  # and comes up to so long after the state was entered
CAN_BE_BLINDED = ("READY", "ARMED", "RUNNING", "VENTING")
SHARES = (1.0, 1.0, 1.0, 1.5, 1.0, 0.7)  # of LIVE_STATES among the states that strikes wait for


class Storm:
    def __init__(self, night: "Night") -> None:
        self._night, self._rng = night, Random(f"{night.swarm.seed}/storm")
        self.active: dict[str, tuple[int, Heal | None]] = {}
        self.strikes = self.most_together = 0
        self.over = False
        self.marks = ""  # of all that is active, and of what healed a moment ago
        self._fading: list[tuple[int, str]] = []
        self._next: tuple[str, str] | None = None
        self._strike_at_ns = self._waits_since_ns = -1
        self._draw_at_ns = self._gap()

    def _gap(self) -> int:
        return self._night.now_ns + int(self._rng.expovariate(1.0 / self._night.swarm.gap_s) * 1e9)

    def is_active(self, *kinds: str) -> bool:
        return any(kind in self.active for kind in kinds)

    def look(self) -> None:
        now_ns = self._night.now_ns
        for kind, (until_ns, _) in list(self.active.items()):
            if now_ns >= until_ns:
                self._heal(kind)
        if self._fading and now_ns >= self._fading[0][0]:
            self._fading.pop(0)
            self._mark()
        if self.over:
            return
        if self._next is None and now_ns >= self._draw_at_ns and len(self.active) < self._night.swarm.together:
            kind, state = self._rng.choice(self._night.swarm.kinds), self._rng.choices(LIVE_STATES, SHARES)[0]
            self._next, self._waits_since_ns = (kind, state), now_ns
        if self._next is not None:
            self._wait_and_strike(now_ns)

    def _wait_and_strike(self, now_ns: int) -> None:
        kind, state = self._next
        engine = self._night.engine
        if self._strike_at_ns < 0:
            patience_ns = HURRY_NS if self._night.swarm.crowded else PATIENCE_NS
            if engine is not None and engine.state == state:
                self._strike_at_ns = now_ns + int(INTO_STATE_S * 1e9 * self._rng.random() ** 2)
            elif state == "UNPROVEN" and not self._night.swarm.crowded:
                patience_ns = UNPROVEN_PATIENCE_NS
                if engine is not None and engine.state in CAN_BE_BLINDED and BLINDS not in self.active:
                    self.strike(BLINDS)
            if now_ns - self._waits_since_ns > patience_ns and self._strike_at_ns < 0:
                self._strike_at_ns = now_ns
        if 0 <= self._strike_at_ns <= now_ns:
            self._next, self._strike_at_ns = None, -1
            self._draw_at_ns = self._gap()
            if kind not in self.active:
                self.strike(kind)

    def strike(self, kind: str) -> None:
        night, shape = self._night, KINDS[kind]
        self.strikes += 1
        night.seen.strike(kind, night.engine.state if night.engine is not None else "no process")
        lasts_s = self._rng.uniform(*shape.lasts_s)
        self.active[kind] = (night.now_ns + int(lasts_s * 1e9), None)
        self._mark()
        heal = shape.strike(night, self._rng)
        self.active[kind] = (night.now_ns + int(lasts_s * 1e9), heal)
        self.most_together = max(self.most_together, len(self.active))

    def _heal(self, kind: str) -> None:
        _, heal = self.active.pop(kind)
        if heal is not None:
            heal()
        self._fading.append((self._night.now_ns + 1_500_000_000, KINDS[kind].marks))
        self._fading.sort()
        self._mark()

    def _mark(self) -> None:
        self.marks = " ".join([KINDS[kind].marks for kind in self.active] + [marks for _, marks in self._fading])

    def end(self) -> None:
        """All faults are over; what still stands stuck is freed."""
        self.over = True
        for kind in list(self.active):
            self._heal(kind)
        night = self._night
        for role in ("supply", "inlet", "vent", "fill"):
            night.plant.free_valve(role)
        night.host.lag_us, night.host.write_error, night.host.free_bytes = 0, "", 1 << 40
        night.host.inbox_full = False
        night.wake()
