"""What a leak test with gas will be like, before it is one: its time, its energy, what it can tell, what fools it."""

from dataclasses import dataclass
from math import sqrt

from rigd.calc.exact.gas_leak import WINDOW, Look, leaked, pressure_step_pa, temperature_u_k, unseen_of
from rigd.calc.gas_leak import false_rise_pa, sccm
from rigd.calc.leak import RESOLVED_PARTS
from rigd.model.gas import GasLeak
from rigd.model.rig import Channel, Rig

ROOM_K = 293.15
STEP_U = 1.0 / sqrt(12.0)
BUILD_S = 30.0  # longest beyond the ramp (engine.gas_leak has the same)
WARMING_K = 0.1  # an example: what a hand on the body or a draught does


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedGasLeak:
    """Flows in sccm at `sccm_k`; what needs the rig is 0 without one."""

    index: int
    name: str
    medium: str
    closure: str
    closed_by: str
    pressure_pa: float
    volume_m3: float
    stored_j: float
    limit_sccm: float
    sccm_k: float
    resolves_sccm: float
    enough_s: float  # the dwell that would resolve just a tenth of the limit
    cooling_sccm: float  # what a tenth of a kelvin over the dwell would look like if nobody measured it
    body_sccm: float  # what the body's stated change may look like


def gas_leak_s(step: GasLeak) -> tuple[float, float]:
    """Return the shortest and longest time under pressure [s]."""
    least_s = step.pressure_pa / step.ramp_pa_per_s + (step.settle_ns + step.dwell_ns) / 1e9
    return least_s, least_s + BUILD_S


def resolved_mol_per_s(rig: Rig, step: GasLeak) -> float:
    """Return what is told from no leak at all [mol/s], as a standard uncertainty.

    Parameters
    ----------
    rig : Rig
        With a `gas_temperature` channel.
    step : GasLeak

    Assumes
    -------
    No noise, 20 degC, the pressure as asked for.

    Source
    ------
    JCGM 100:2008, 5.1, of n = pV/(RT) at both ends of the dwell.
    """
    gauge, thermometer = _channel(rig, "specimen"), _channel(rig, "gas_temperature")
    assert gauge is not None and thermometer is not None
    needs_air = step.atmosphere_pa == 0.0 and gauge.reference == "gauge"
    barometer = _channel(rig, "atmosphere") if needs_air else None
    end = Look(
        step.pressure_pa + (step.atmosphere_pa or rig.ambient_pa),
        pressure_step_pa(gauge, barometer) * STEP_U,
        ROOM_K,
        temperature_u_k(thermometer, thermometer.resolution * STEP_U),
    )
    return leaked(end, end, (1.0 - WINDOW) * step.dwell_ns / 1e9, unseen_of(step, gauge, barometer)).u


def expect_gas_leak(rig: Rig | None, index: int, step: GasLeak) -> ExpectedGasLeak:
    """Return what can be said of one step; without a rig what depends on it is 0."""
    absolute_pa = step.pressure_pa + (step.atmosphere_pa or (rig.ambient_pa if rig else 101_325.0))
    dwell_s, limit = step.dwell_ns / 1e9, step.limit_mol_per_s
    resolves = resolved_mol_per_s(rig, step) if rig else 0.0

    def looks_like(share: float) -> float:
        held = absolute_pa * step.volume_m3
        return held * share / dwell_s / 101_325.0 * 60e6 * (step.sccm_k / ROOM_K)

    cooled = -false_rise_pa(absolute_pa, -WARMING_K, ROOM_K) / absolute_pa
    return ExpectedGasLeak(
        index=index,
        name=step.name,
        medium=step.medium,
        closure=step.closure,
        closed_by=step.closed_by,
        pressure_pa=step.pressure_pa,
        volume_m3=step.volume_m3,
        stored_j=step.stored_j,
        limit_sccm=sccm(limit, step.sccm_k),
        sccm_k=step.sccm_k,
        resolves_sccm=sccm(resolves, step.sccm_k),
        enough_s=dwell_s * resolves * RESOLVED_PARTS / limit,
        cooling_sccm=looks_like(cooled),
        body_sccm=looks_like(step.body_change * step.body_m3 / step.volume_m3),
    )


def _channel(rig: Rig, role: str) -> Channel | None:
    return next((channel for channel in rig.channels if channel.role == role), None)
