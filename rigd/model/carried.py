"""What a specimen brings along from a run that was broken off, when a new run goes on where that one ended.

Counts are the broken record's own: cycles that were begun and never ended are partial, neither lost nor guessed whole.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    run: int  # the run that is gone on with, 0 = none
    manifest_sha256: str  # of that run's sealed record
    released: int = 0  # surges begun, in all runs before
    applied: int = 0
    valid: int = 0  # of those owed
    partial: int = 0
    extra: int = 0
    assisted: int = 0
    stuck: int = 0
    first_stuck: int = 0  # cycle number, 0 = never
    accepted: int = 0  # cycles that the two means below are made of
    normal: float = 0.0  # their mean back pressure as a part of the feed [-]
    normal_blow_down_ns: float = 0.0


NOTHING_CARRIED = Carried(run=0, manifest_sha256="")
