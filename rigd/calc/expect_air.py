"""How long an air check will take under pressure, before it begins."""

from rigd.model.air import AirCheck

REST_S = 3.0  # at each pressure (engine.air has the same)


def air_check_s(step: AirCheck) -> tuple[float, float]:
    """Return the shortest and longest time under pressure [s].

    Parameters
    ----------
    step : AirCheck
        Shortest with one try, longest with all; a person's strokes and bleeding are their own.

    Returns
    -------
    least, most : float
        [s]
    """
    points = len(step.pressures_pa) or step.strokes + 1
    rise_s = step.pressures_pa[-1] / step.ramp_pa_per_s if step.pressures_pa else 0.0
    once_s = points * (step.settle_ns / 1e9 + REST_S) + rise_s
    return once_s, step.tries * (once_s + step.bleed_ns / 1e9)
