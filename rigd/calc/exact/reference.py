"""What a pressure is counted from: the air around (gauge), nothing (absolute), or air shut in at the factory (sealed).

Everything in rigd that speaks of pressure means gauge. A transducer of another kind needs the air pressure of the day
to be turned into gauge, and without it is wrong by the whole atmosphere (absolute) or by the weather (sealed).
"""

STANDARD_ATMOSPHERE_PA = 101_325.0
"""Exact by definition, 10th CGPM 1954; what makers usually seal in (common practice)."""


def gauge_pa(reading_pa: float, reference: str, ambient_pa: float, sealed_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
    """Gauge pressure [Pa] from a reading [Pa] of the given reference; `ambient_pa` is the air pressure of the day [Pa].

    Example (checks/physics.md C14: a swing of 100 hPa of the weather is 1.450 psi on a sealed transducer)
    -------
    >>> swing_pa = gauge_pa(0.0, "sealed", 95_000.0) - gauge_pa(0.0, "sealed", 105_000.0)
    >>> round(swing_pa / 6894.757293168362, 3)
    1.45
    """
    if reference == "gauge":
        return reading_pa
    if reference == "absolute":
        return reading_pa - ambient_pa
    assert reference == "sealed", reference
    return reading_pa + sealed_pa - ambient_pa
