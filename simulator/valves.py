"""Valves that take their time, and the relay that lets them all go when nobody gives a sign of life.

A valve knows only whether it is energised; which way that moves its plug (an inlet opens, a vent shuts) is the
plumbing's affair. The relay is hardware: it counts time since the watchdog counter last *changed*, because a level
cannot prove life, and after a drop-out it takes a changed counter and a new command before anything is energised again.
"""

import math

ENERGISED_FROM = 0.95  # of its travel: here the position switch of the read-back closes
A_NANOSECOND = 1e-9  # so that steps that add up to the limit reach it in floats too


class Valve:
    """`travel` runs from 0 (de-energised) to 1 (energised) at a steady speed."""

    __slots__ = ("lies", "seconds", "sticks_at", "stuck", "travel", "wanted")

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds  # from one end to the other; 30 to 60 ms for small solenoid valves is common practice
        self.travel = self.wanted = 0.0
        self.stuck: float | None = None
        self.sticks_at: float | None = None  # it will, the next time it gets there
        self.lies = False  # the read-back says the opposite

    def stick(self, travel: float, once_there: bool) -> None:
        if once_there:
            self.sticks_at = travel
        else:
            self.stuck = travel

    def ask(self, energised: bool) -> None:
        self.wanted = 1.0 if energised else 0.0

    def move(self, dt_s: float) -> bool:
        """Travel for dt_s; True while it has not arrived."""
        aim = self.wanted if self.stuck is None else self.stuck
        reach = dt_s / self.seconds
        self.travel = min(max(aim, self.travel - reach), self.travel + reach)
        if self.travel == self.sticks_at:
            self.stuck = self.travel
        return self.travel != aim

    @property
    def read_back(self) -> int:
        return int((self.travel >= ENERGISED_FROM) != self.lies)


class Watchdog:
    """The relay. It starts dropped out: nothing is energised before the first sign of life."""

    __slots__ = ("dropped", "drops_at_s", "last", "silence_s")

    def __init__(self, silence_s: float) -> None:
        self.silence_s = silence_s
        self.last = 0
        self.dropped = True
        self.drops_at_s = math.inf

    def write(self, counts: int, t_s: float) -> None:
        if counts != self.last:
            self.last = counts
            self.dropped = False
            self.drops_at_s = t_s + self.silence_s - A_NANOSECOND

    def drop(self) -> None:
        self.dropped = True
        self.drops_at_s = math.inf
