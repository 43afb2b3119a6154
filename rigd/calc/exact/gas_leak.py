"""How much gas leaked between two looks at a shut vessel, and what that number is worth.

n = pV/(RT) at either end of a dwell, with absolute pressure and absolute temperature; the difference over the time is
the leak. What no sample shows counts as uncertainty (JCGM 100:2008 5.1): a reading that drifts, weather, a thermometer
that stands for all the gas, a volume measured once, and a body that changes its own volume by as much as is stated.
Above 0 gas went out. `calc.gas_leak` checks its numbers and knows more; it works them out here.
"""

from math import sqrt
from typing import NamedTuple

from rigd.model.gas import GasLeak
from rigd.model.rig import Channel

GAS_CONSTANT_J_PER_MOL_K = 8.31446261815324
"""Boltzmann's constant times Avogadro's, both exact in the SI of 2019."""
STANDARD_PRESSURE_PA = 101_325.0
CM3_A_MINUTE = 1e-6 / 60.0
"""In [m3/s]."""
WINDOW = 0.1  # of the dwell, at either end, over which is averaged
ROOT_3 = sqrt(3.0)  # of a half-width that holds for sure: rectangular, JCGM 100:2008 4.3.7


class Look(NamedTuple):
    """One end of the dwell: means, and the standard uncertainty of each by itself."""

    pressure_pa: float  # absolute
    pressure_u_pa: float
    temperature_k: float
    temperature_u_k: float


class Unseen(NamedTuple):
    """What no sample shows, as standard uncertainties."""

    volume_m3: float  # of all that is shut in
    volume_u_m3: float
    offset_pa: float = 0.0  # of absolute pressure, the same at both ends
    drift_pa: float = 0.0  # of the reading from one end to the other
    body_m3: float = 0.0  # by which the volume changes from one end to the other


class GasFlow(NamedTuple):
    """A leak of gas and its standard uncertainty [mol/s], and what each source adds to that by itself."""

    flow: float
    u: float
    by_pressure: float
    by_temperature: float
    by_volume: float
    by_body: float


def leaked(start: Look, end: Look, duration_s: float, unseen: Unseen) -> GasFlow:
    """From two looks so long apart. Assumes an ideal gas, all of it as warm as measured."""
    scale = unseen.volume_m3 / GAS_CONSTANT_J_PER_MOL_K / duration_s
    flow = scale * (start.pressure_pa / start.temperature_k - end.pressure_pa / end.temperature_k)
    by_pressure = scale * _root_of_squares(
        start.pressure_u_pa / start.temperature_k,
        end.pressure_u_pa / end.temperature_k,
        unseen.drift_pa / end.temperature_k,
        unseen.offset_pa * (1.0 / start.temperature_k - 1.0 / end.temperature_k),
    )
    by_temperature = scale * _root_of_squares(
        start.temperature_u_k * start.pressure_pa / (start.temperature_k * start.temperature_k),
        end.temperature_u_k * end.pressure_pa / (end.temperature_k * end.temperature_k),
    )
    size = flow if flow > 0.0 else -flow
    by_volume = size * unseen.volume_u_m3 / unseen.volume_m3
    by_body = scale * (end.pressure_pa / end.temperature_k) * unseen.body_m3 / unseen.volume_m3
    u = _root_of_squares(by_pressure, by_temperature, by_volume, by_body)
    return GasFlow(flow, u, by_pressure, by_temperature, by_volume, by_body)


def unseen_of(step: GasLeak, gauge: Channel, barometer: Channel | None) -> Unseen:
    """What a test states and its instruments declare. A transducer that does not count from the air outside needs to
    know nothing of it; a barometer, where there is one, measures what else is stated."""
    offset, weather = gauge.accuracy / ROOT_3, 0.0
    if gauge.reference == "gauge":
        air = barometer.accuracy / ROOT_3 if barometer is not None else step.atmosphere_u_pa
        offset = _root_of_squares(offset, air)
        weather = step.atmosphere_change_pa / ROOT_3
    return Unseen(
        volume_m3=step.volume_m3,
        volume_u_m3=_root_of_squares(step.body_u_m3, step.line_u_m3),
        offset_pa=offset,
        drift_pa=_root_of_squares(step.zero_drift_pa / ROOT_3, weather),
        body_m3=step.body_change / ROOT_3 * step.body_m3,
    )


def pressure_step_pa(gauge: Channel, barometer: Channel | None) -> float:
    """Smallest step of the absolute pressure they tell together."""
    return _root_of_squares(gauge.resolution, 0.0 if barometer is None else barometer.resolution)


def temperature_u_k(thermometer: Channel, mean_u_k: float) -> float:
    """Of either end by itself: what it declares counts in full, for one thermometer stands for all the gas."""
    return _root_of_squares(thermometer.accuracy / ROOT_3, mean_u_k)


def sccm_of(flow_mol_per_s: float, reference_k: float) -> float:
    """Standard cubic centimetres a minute at this reference temperature and 101,325 Pa. V = nRT/p."""
    return flow_mol_per_s * GAS_CONSTANT_J_PER_MOL_K * reference_k / STANDARD_PRESSURE_PA / CM3_A_MINUTE


def _root_of_squares(*parts: float) -> float:
    total = 0.0
    for part in parts:
        total += part * part
    return sqrt(total)
