"""The count of a cap-turn test: marks as judged, loosenings of the seal, and the onset they bracket.

A seal that was loosened before leaks a little earlier, so each loosening is counted, those before this run included,
and only marks of a seal's first loosening make the primary result.
"""

from rigd.calc.exact.leak import Mark, OnsetInterval, onset_of
from rigd.model.leak import CapTurns
from rigd.model.messages import Data
from rigd.model.verdicts import verdict_of_turns


class TurnCount:
    __slots__ = ("_prior", "_step", "at", "holds", "loosenings", "marks", "proofs")

    def __init__(self, step: CapTurns, prior: int | None) -> None:
        self._step, self._prior = step, prior
        self.at = 0  # number of the look under way
        self.loosenings = 0  # in this run
        self.proofs = 0  # times it was proved tight, fully tightened
        self.marks: tuple[Mark, ...] = ()
        self.holds = True  # the closure did in the newest look: only then does a rise test prove anything

    def mark(self) -> None:
        """The one key between looks says nothing about a turn."""

    @property
    def loosening(self) -> int | None:
        """Number of this loosening in the life of the seal, None when nobody knows."""
        return None if self._prior is None else self._prior + self.loosenings

    @property
    def onset(self) -> OnsetInterval:
        return onset_of(self.marks, self._step.angle_u_turns)

    def verdict_of(self, outcome: str) -> str:
        onset = self.onset
        return verdict_of_turns(
            outcome=outcome, low_turns=onset.low_turns, high_turns=onset.high_turns, minimum=self._step.minimum_turns
        )

    def told(self) -> Data:
        """What a Result says of it (model.verdicts.TURN_RESULTS)."""
        onset, undecided = self.onset, 0
        for mark in self.marks:
            undecided += mark.verdict == "undecided"
        return (
            ("last_tight_turns", onset.last_tight_turns),
            ("first_leaking_turns", onset.first_leaking_turns),
            ("onset_low_turns", onset.low_turns),
            ("onset_high_turns", onset.high_turns),
            ("onset_censoring", onset.censoring),
            ("angle_u_turns", self._step.angle_u_turns),
            ("turns_judged", len(self.marks)),
            ("turns_undecided", undecided),
            ("tightness_proofs", self.proofs),
            ("order", self._step.order),
            ("prior_loosenings", self._prior),
            ("loosenings_here", self.loosenings),
            ("primary", self._prior == 0 and self.loosenings <= 1),
        )
