"""How long a cap-turn leak test will take under pressure, before it begins. The time of hands is their own."""

from rigd.model.leak import CapTurns

STIFFNESS_S = 12.0
"""Two averages and a small rise between them (engine.turns has the same)."""


def turns_s(step: CapTurns) -> tuple[float, float]:
    """Return the shortest and longest time under pressure [s].

    Parameters
    ----------
    step : CapTurns
        Shortest when the first mark leaks and nothing is asked of it further; longest when every mark is tried.

    Returns
    -------
    least, most : float
        [s]

    Assumes
    -------
    Answers come at once; a proof of tightness before each mark where the order asks for it.
    """
    kinds = [method.kind for method in step.methods]
    dwells = any(kind != "decay" for kind in kinds) + ("decay" in kinds)
    look_s = step.pressure_pa / step.ramp_pa_per_s + step.settle_ns / 1e9 + dwells * step.dwell_ns / 1e9
    look_s += STIFFNESS_S if step.stiffness_step_pa > 0.0 else 0.0
    proofs = 1 if step.order == "ascending" else len(step.turns)
    return 2.0 * look_s, (proofs + len(step.turns)) * look_s
