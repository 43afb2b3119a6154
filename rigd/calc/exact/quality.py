"""How far a sample may be trusted, as one small integer.

The bands of a 4-20 mA signal are those of NAMUR NE 43: 3.8 to 20.5 mA measures, at or below 3.6 or at or above 21 mA
the transmitter reports its own failure. Secondary sources disagree on what lies between, so that is UNCERTAIN: it may
trip the rig, and it never enters a result (checks/physics.md C3). A failure is never clamped into the range.
"""

GOOD, UNCERTAIN, FAILED_LOW, FAILED_HIGH, NOT_FINITE, IMPLAUSIBLE = 0, 1, 2, 3, 4, 5
QUALITY_WORDS = {
    GOOD: "good",
    UNCERTAIN: "uncertain",
    FAILED_LOW: "failed low",
    FAILED_HIGH: "failed high",
    NOT_FINITE: "not a finite number",
    IMPLAUSIBLE: "outside its plausible range",
}

MEASURES_LOW_MA, MEASURES_HIGH_MA = 3.8, 20.5
FAILS_LOW_MA, FAILS_HIGH_MA = 3.6, 21.0


def current_quality(signal_ma: float) -> int:
    """Classify a loop current [mA]. Source: NAMUR NE 43, as quoted in checks/physics.md C3."""
    if MEASURES_LOW_MA <= signal_ma <= MEASURES_HIGH_MA:
        return GOOD
    if signal_ma <= FAILS_LOW_MA:
        return FAILED_LOW
    if signal_ma >= FAILS_HIGH_MA:
        return FAILED_HIGH
    if signal_ma != signal_ma:
        return NOT_FINITE
    return UNCERTAIN
