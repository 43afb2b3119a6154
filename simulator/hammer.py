"""Water hammer in one pipe: a vessel that keeps its pressure, water on its way, and a valve at the far end that shuts.

The method of characteristics: along x = +a t the sum p + rho a v keeps its value but for friction, along x = -a t the
difference, so that each node's next state follows from its two neighbours (Wylie & Streeter, Fluid Transients in
Systems, 1993; from memory). With a step of exactly dx/a no wave is smeared. One bore, elastic, always full: a pressure
that would fall below the vapour's is told and not simulated further. This stands for itself, for the surge bench leaves
waves out; it is what `rigd.calc.surge`'s textbook forms are held against, and knows nothing of them.
"""

from dataclasses import dataclass

ATMOSPHERE_PA = 101_325.0
VAPOUR_PA = 2_339.0  # absolute, water at 20 degC


@dataclass(frozen=True, slots=True, kw_only=True)
class Pipe:
    length_m: float
    wave_speed_m_per_s: float
    inside_m: float = 0.02
    friction: float = 0.0  # Darcy's f
    density_kg_per_m3: float = 998.2
    nodes: int = 101


@dataclass(frozen=True, slots=True, kw_only=True)
class Hammer:
    """What the valve saw: times [s] from the moment it began to shut, gauge pressure there [Pa]; whether it boiled."""

    t_s: tuple[float, ...]
    valve_pa: tuple[float, ...]
    before_pa: float  # at the valve, while the water still ran
    boils: bool

    @property
    def rise_pa(self) -> float:
        return max(self.valve_pa) - self.before_pa


def shut_valve(pipe: Pipe, *, vessel_pa: float, velocity_m_per_s: float, closing_s: float, lasts_s: float) -> Hammer:
    """Let the velocity at the valve fall in a straight line to nothing within closing_s (0: at once)."""
    reaches = pipe.nodes - 1
    dx_m = pipe.length_m / reaches
    dt_s = dx_m / pipe.wave_speed_m_per_s
    impedance = pipe.density_kg_per_m3 * pipe.wave_speed_m_per_s
    loss = pipe.friction * dx_m * pipe.density_kg_per_m3 / (2.0 * pipe.inside_m)  # of a reach, by v*|v|
    velocity = [velocity_m_per_s] * pipe.nodes
    pressure = [vessel_pa - loss * velocity_m_per_s**2 * at for at in range(pipe.nodes)]
    before_pa, times, seen = pressure[-1], [0.0], [pressure[-1]]
    lowest_pa = pressure[-1]
    for step in range(1, round(lasts_s / dt_s) + 1):
        t_s = step * dt_s
        # What arrives at a node from upstream (behind it) and from downstream.
        ahead = [p + impedance * v - loss * v * abs(v) for p, v in zip(pressure, velocity, strict=True)]
        back = [p - impedance * v + loss * v * abs(v) for p, v in zip(pressure, velocity, strict=True)]
        for at in range(1, reaches):
            pressure[at] = 0.5 * (ahead[at - 1] + back[at + 1])
            velocity[at] = (ahead[at - 1] - back[at + 1]) / (2.0 * impedance)
        pressure[0], velocity[0] = vessel_pa, (vessel_pa - back[1]) / impedance
        open_share = max(1.0 - t_s / closing_s, 0.0) if closing_s > 0.0 else 0.0
        velocity[-1] = velocity_m_per_s * open_share
        pressure[-1] = ahead[-2] - impedance * velocity[-1]
        lowest_pa = min(lowest_pa, min(pressure))
        times.append(t_s)
        seen.append(pressure[-1])
        if lowest_pa < VAPOUR_PA - ATMOSPHERE_PA:
            break
    return Hammer(
        t_s=tuple(times), valve_pa=tuple(seen), before_pa=before_pa, boils=lowest_pa < VAPOUR_PA - ATMOSPHERE_PA
    )
