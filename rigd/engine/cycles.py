"""The count of cycles, beyond argument: every surge is released once, applied or not, valid or not, and why.

What is *owed* goes by valid cycles, what did *damage* by applied ones, and both are kept. A surge that was begun and
not ended is partial. Cycles given to free a moving part are extra: the body felt them, nobody owes them. The
specimen's own normal is the mean of its first accepted cycles; what departs from it is judged against that and no
handbook.
"""

from rigd.model.carried import Carried
from rigd.model.messages import Cycle, Data
from rigd.model.profile import Surge
from rigd.model.verdicts import verdict_of_cycles


class CycleCount:
    __slots__ = (
        "_accepted", "_blow_down_total_ns", "_step", "_total", "applied", "assisted", "extra", "failed_at",
        "first_stuck", "in_a_row_invalid", "partial", "released", "stuck", "valid",
    )  # fmt: skip

    def __init__(self, step: Surge, carried: Carried) -> None:
        self._step = step
        self.released, self.applied, self.valid = carried.released, carried.applied, carried.valid
        self.partial, self.extra, self.assisted = carried.partial, carried.extra, carried.assisted
        self.stuck, self.first_stuck = carried.stuck, carried.first_stuck
        self.failed_at = self.in_a_row_invalid = 0
        self._accepted = carried.accepted
        self._total = carried.normal * carried.accepted
        self._blow_down_total_ns = carried.normal_blow_down_ns * carried.accepted

    def add(self, cycle: Cycle, back_share: float) -> None:
        """A surge is over. `back_share` is its back pressure as a part of what fed it, NaN when not known."""
        self.applied += cycle.applied
        self.partial += cycle.partial
        self.extra += cycle.extra
        self.assisted += cycle.assisted
        if cycle.returned is False:
            self.stuck += 1
            self.first_stuck = self.first_stuck or cycle.cycle
        if cycle.valid:
            self.in_a_row_invalid = 0
            self.valid += not cycle.extra
            self._learn(cycle, back_share)
        else:
            self.in_a_row_invalid += 1

    def _learn(self, cycle: Cycle, back_share: float) -> None:
        if self._accepted >= self._step.baseline or back_share != back_share or cycle.blow_down_ns is None:
            return
        self._accepted += 1
        self._total += back_share
        self._blow_down_total_ns += cycle.blow_down_ns

    @property
    def at(self) -> int:
        return self.released

    def mark(self) -> None:
        """A person saw it fail in the surge under way."""
        self.failed_at = self.released

    @property
    def owed(self) -> int:
        owed = 0
        for block in self._step.blocks:
            owed += block
        return owed

    @property
    def block(self) -> int:
        """Index of the block under way; the last one when all are done."""
        left = self.valid
        for at, owed in enumerate(self._step.blocks):
            if left < owed:
                return at
            left -= owed
        return len(self._step.blocks) - 1

    @property
    def normal(self) -> float | None:
        """Mean back pressure as a part of the feed, over the first accepted cycles; None before there are enough."""
        return self._total / self._accepted if self._accepted and self._accepted >= self._step.baseline else None

    @property
    def normal_blow_down_ns(self) -> float | None:
        return self._blow_down_total_ns / self._accepted if self.normal is not None else None

    def carry(self, run: int, manifest_sha256: str) -> Carried:
        """What the specimen brings along to a run that goes on from here."""
        return Carried(
            run=run, manifest_sha256=manifest_sha256, released=self.released, applied=self.applied, valid=self.valid,
            partial=self.partial, extra=self.extra, assisted=self.assisted, stuck=self.stuck,
            first_stuck=self.first_stuck, accepted=self._accepted,
            normal=self._total / self._accepted if self._accepted else 0.0,
            normal_blow_down_ns=self._blow_down_total_ns / self._accepted if self._accepted else 0.0,
        )  # fmt: skip

    def verdict_of(self, outcome: str) -> str:
        return verdict_of_cycles(
            outcome=outcome, valid=self.valid, applied=self.applied, minimum=self._step.minimum_cycles
        )

    def told(self) -> Data:
        """What a Result says of it (model.verdicts.CYCLE_RESULTS)."""
        return (
            ("cycles_owed", self.owed),
            ("cycles_applied", self.applied),
            ("cycles_valid", self.valid),
            ("cycles_partial", self.partial),
            ("cycles_extra", self.extra),
            ("cycles_assisted", self.assisted),
            ("stuck_cycles", self.stuck),
            ("first_stuck_cycle", self.first_stuck or None),
            ("failed_at_cycle", self.failed_at or None),
        )
