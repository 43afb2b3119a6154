"""How a figure lies against earlier ones of the same thing: its ratio to their median."""

from rigd.calc.exact.calibration import NAN


def median(values: tuple[float, ...]) -> float:
    """The middle one, or the mean of the two in the middle; NaN of none."""
    if not values:
        return NAN
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2.0


def ratio_to_median(value: float, earlier: tuple[float, ...]) -> float:
    """value / median; NaN where that is no positive number [-]."""
    usual = median(earlier)
    return value / usual if usual > 0.0 else NAN
