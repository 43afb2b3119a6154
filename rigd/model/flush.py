"""What a flush-direction test is: the drain's stream aimed at stated azimuths, again and again, and what catches it.

Azimuths are degrees from an index mark on the body, clockwise seen from above. An aim is one stream: hands set the
drain and the cups at the vented line, water runs for a stated time at a stated pressure and flow, and after venting
people say what was caught and where the stream's centre landed.
"""

from dataclasses import dataclass

CUPS, HITS = "cups", "hits"
JUDGED_BY = (CUPS, HITS)
"""Cups are weighed, in the sector and outside; marks are only counted as hit or not."""
IN_SECTOR, OUTSIDE, NOT_SEEN = "in the sector", "outside", "not seen"
LANDINGS = (IN_SECTOR, OUTSIDE, NOT_SEEN)
"""What a person may say of a marked hit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flush:
    """Aim, flush, vent, say what was caught; once for each azimuth, and that `repeats` times."""

    name: str
    azimuths_deg: tuple[float, ...]  # in the order of one round
    repeats: int
    pressure_pa: float  # at the specimen while it streams
    pressure_tolerance: float  # fraction of it that a sound stream may be off at any time
    ramp_pa_per_s: float  # how fast it is built
    flow_m3_per_s: float  # stated
    flow_tolerance: float  # fraction of it that a sound stream may be off on average, where a meter sees it
    duration_ns: int
    half_width_deg: float  # of the sector about the azimuth
    judged_by: str  # one of JUDGED_BY
    mass_u_kg: float  # of one weighing, standard uncertainty; 0 for hits
    balance: float  # fraction that caught and not caught together may be off from what a meter fed; 0 = not compared
    hands_ns: int  # longest wait for work and answers at the vented line, then the run ends

    @property
    def aims(self) -> int:
        return len(self.azimuths_deg) * self.repeats
