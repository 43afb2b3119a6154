"""What a check of the commissioning walk does to pressure, and about how long it takes without a person's own time."""

from rigd.model import walk

WALK_STEPS = {shape: kind for kind, shape in walk.KINDS.items()}
CLIMB_S = 10.0  # engine.walk_pressure.CLIMB_S, held equal by a test
STILL_S, AVERAGE_S = 1.0, 0.5


def expect_check(step: walk.WalkStep) -> tuple[float, float, float, bool]:
    """Highest pressure called for [Pa], shortest and longest time [s], and whether a person is waited for."""
    match step:
        case walk.CheckVent():
            least_s = CLIMB_S + STILL_S
            return step.pressure_pa, least_s, least_s + step.fall_ns / 1e9 + STILL_S, False
        case walk.CheckAgreement():
            each_s = CLIMB_S + step.settle_ns / 1e9 + AVERAGE_S
            return max(step.pressures_pa), len(step.pressures_pa) * each_s, 2 * len(step.pressures_pa) * each_s, False
        case walk.CheckIsolation():
            least_s = 2 * STILL_S + step.shut_ns / 1e9
            return step.charge_pa, least_s, least_s + 60.0, False
        case walk.CheckBladder():
            least_s = 2 * (STILL_S + AVERAGE_S) + step.take_ns / 1e9
            return step.charge_pa, 0.0, least_s + 60.0, False
        case walk.CheckOutputs() | walk.CheckRelief():
            return 0.0, 0.0, 10.0, False
    return 0.0, 0.0, 0.0, True
