"""What an air check is: a filled body is made to take a little more water, and how softly it takes it tells its air.

Free air is stated as the volume it would fill at one standard atmosphere, at the water's temperature.
"""

from dataclasses import dataclass

METER, STROKES = "meter", "strokes"
ADDED_BY = (METER, STROKES)
"""A channel of the water fed, integrated; or strokes of a hand pump, each of one known volume."""
ENOUGH_POINTS = 5
"""Three unknowns and two over (calc.air): with fewer points the stiffness of the body must be known from elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirCheck:
    """Pressures stood at, water added between them; where a limit asks for it bleed and do it again."""

    name: str
    added_by: str  # one of ADDED_BY
    pressures_pa: tuple[float, ...]  # by meter: rising; by strokes: empty
    ramp_pa_per_s: float  # by meter: between them
    strokes: int  # by strokes
    stroke_m3: float
    volume_u: float  # relative standard uncertainty common to all volumes: of the meter, of the stroke
    body_least_m3_per_pa: float  # how much the body may grow; least and most both 0: not known, it is fitted
    body_most_m3_per_pa: float
    settle_ns: int  # at each pressure before it is taken
    most_m3: float  # free air that is allowed, 0 = told and not judged
    tries: int
    bleed_prompts: tuple[str, ...]  # how to bleed, before the next try
    bleed_ns: int  # for which the fill valve then runs with the vent open
    answer_ns: int  # longest wait for a stroke under pressure, then the line is vented
    hands_ns: int  # longest wait for the bleeding, then the run ends
