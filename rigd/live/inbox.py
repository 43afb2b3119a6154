"""The inbox: where the order of everything is decided, once.

Whatever reaches the rig process from outside is posted here as a recipe for a message; the inbox gives it the next
sequence number and a time, and runs it to completion before anything else: input, journal, engine, outputs. Nothing
waits in line in between, so a reply that trips the rig meets its vent command in the same breath. What devices tell can
be posted as it comes; beyond that it refuses to know what a message means.
"""

import time
from collections import deque
from collections.abc import Callable

from drivers.protocol import Reply
from rigd.model.messages import DeviceFault, Input, Output, Scan

LIMIT = 256  # messages waiting while one is being worked on; run to completion leaves it empty, so half is alarming
STEP_NS = 1_000  # times in a record are multiples of a microsecond

Recipe = Callable[[int, int], Input]
"""Makes a message from its seq and t_ns."""


class Inbox:
    """One order for one record. `turn` is the loop body's; `now_ns` a monotonic clock."""

    def __init__(
        self, turn: Callable[[Input], tuple[Output, ...]], now_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self._turn = turn
        self._now_ns = now_ns
        self._waiting: deque[Recipe] = deque()
        self._busy = False
        self._seq = -1
        self.opened_ns = now_ns()  # of the monotonic clock: t_ns 0
        self.last_t_ns = -STEP_NS
        self.overflowed = False

    def post(self, recipe: Recipe) -> tuple[Output, ...]:
        """Take a message in and work off everything that waits. Returns what the engine said to this one message, or
        nothing when it came from inside a turn and so had to wait for that turn's end."""
        if self._busy:
            if len(self._waiting) >= LIMIT:
                self.overflowed = True
            else:
                self._waiting.append(recipe)
            return ()
        self._busy = True
        try:
            said = self._turn(self._stamp(recipe))
            while self._waiting:
                self._turn(self._stamp(self._waiting.popleft()))
            return said
        finally:
            self._busy = False

    def take_reply(self, device: int, reply: Reply, counts: tuple[int, ...] | None = None) -> None:
        """Post a device's reply as a Scan, whole or with these counts of it. Age and width are the reply's."""
        own = reply.counts if counts is None else counts
        midpoint_ns = (reply.sent_ns + reply.arrived_ns) // 2 - self.opened_ns
        width_us = (reply.arrived_ns - reply.sent_ns) // 1_000

        def recipe(seq: int, t_ns: int) -> Scan:
            age_us = max(0, (t_ns - midpoint_ns) // 1_000)
            return Scan(seq=seq, t_ns=t_ns, device=device, age_us=age_us, width_us=width_us, counts=own)

        self.post(recipe)

    def take_fault(self, device: int, fault: str, detail: str) -> None:
        """Post a device's trouble."""
        self.post(lambda seq, t_ns: DeviceFault(seq=seq, t_ns=t_ns, device=device, fault=fault, detail=detail))

    def idle_ns(self) -> int:
        """Return for how long nothing has come."""
        return self._now_ns() - self.opened_ns - self.last_t_ns

    def _stamp(self, recipe: Recipe) -> Input:
        elapsed_ns = (self._now_ns() - self.opened_ns) // STEP_NS * STEP_NS
        self.last_t_ns = max(elapsed_ns, self.last_t_ns + STEP_NS)
        self._seq += 1
        return recipe(self._seq, self.last_t_ns)
