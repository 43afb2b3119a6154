"""What a night of surges will be like before it begins: cycles owed, time, stored energy, and who can see the peak.

Every figure is for one station unless it says otherwise; the stations of a rig go side by side, so the night is as long
as one of them. Times hold as long as every cycle is valid and nobody is asked for; cycles that are not valid are given
again on top. Pressures are gauge.
"""

from dataclasses import dataclass

from rigd.calc import energy, surge
from rigd.calc.line import LineSurge, exceeded_by
from rigd.model.profile import Surge
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen

SHUT_S = 0.15
"""What the charge takes at least: the vent is told to shut so long before the shot (engine.surge has the same)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    """The flow of a shot starting or stopping within the opening time of its release valve, over a full closed body."""

    opens_s: float
    sudden: bool  # within the pipe period
    rise_pa: float
    peak_pa: float  # on top of the charge


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedSurge:
    index: int  # of the step
    name: str
    owed: int  # valid cycles, at each station
    blocks: int
    stations: int
    cycle_least_s: float  # when the pressure falls at once
    cycle_most_s: float  # when it takes all the time it has
    least_s: float
    most_s: float
    inspections: int  # each takes a person's own time
    medium: str
    gas_j: float  # that can come to one specimen by its air valve, 0 for water
    behind_j: float  # gas that pushes from behind, for all stations together
    water_j: float  # in line and specimen of one station
    specimen_known: bool  # its volume is in the two figures
    release: Release | None  # None: no line declared
    exceeded: tuple[tuple[str, float], ...]  # limits that a shot can pass, name and pressure [Pa], lowest first


def expect_surges(
    rig: Rig | None, steps: tuple[tuple[int, Surge], ...], specimen: Specimen | None, line: LineSurge | None
) -> tuple[ExpectedSurge, ...]:
    """Work out each surge step.

    Parameters
    ----------
    rig : Rig or None
        Without it there is no energy and one station.
    steps : tuple of (int, Surge)
        Index in the profile, and the step.
    specimen : Specimen or None
        Its volume, where known, holds the medium at the charge.
    line : LineSurge or None
        What was foretold of the rig's line.

    Source
    ------
    Energy: ASME PCC-2-2008 App. II eq. II-2 for gas, P^2 V/(2K) for water (`energy`).
    """
    return tuple(_expect(rig, index, step, specimen, line) for index, step in steps)


def _expect(
    rig: Rig | None, index: int, step: Surge, specimen: Specimen | None, line: LineSurge | None
) -> ExpectedSurge:
    owed, between = sum(step.blocks), len(step.blocks) - 1
    least_s, most_s = cycle_s(step)
    rests_s = between * step.between_ns / 1e9 if step.between == "rest" else 0.0
    rests_s -= between * step.rest_ns / 1e9 if step.between == "rest" else 0.0  # a rest between blocks is instead of it
    volume_m3 = specimen.volume_m3 if specimen else 0.0
    release = _release(rig, step, line)
    by_air = step.medium != "water"
    return ExpectedSurge(
        index=index,
        name=step.name,
        owed=owed,
        blocks=len(step.blocks),
        stations=rig.stations if rig else 1,
        cycle_least_s=least_s,
        cycle_most_s=most_s,
        least_s=owed * least_s + rests_s,
        most_s=owed * most_s + rests_s,
        inspections=between if step.between == "inspect" else 0,
        medium=step.medium,
        gas_j=_gas_j(step.charge_pa, station_gas_m3(rig) + volume_m3) if rig and by_air else 0.0,
        behind_j=_gas_j(step.charge_pa, _gas_behind_m3(rig)) if rig else 0.0,
        water_j=energy.water_j(step.charge_pa, _line_water_m3(rig) + volume_m3) if rig else 0.0,
        specimen_known=volume_m3 > 0.0,
        release=release,
        exceeded=exceeded_by(rig, step.charge_pa, release.peak_pa) if rig and release else (),
    )


def cycle_s(step: Surge) -> tuple[float, float]:
    """Return the shortest and longest one cycle may take [s], its rest included."""
    phases_ns = step.water_ns + step.release_ns + step.rise_ns + step.hold_ns + step.drain_ns + step.rest_ns
    returning_ns = step.part.within_ns if step.part else 0
    least_s = phases_ns / 1e9 + SHUT_S
    return least_s, least_s + (step.blow_down_ns + max(returning_ns - step.drain_ns, 0)) / 1e9


def _gas_j(gauge_pa: float, volume_m3: float) -> float:
    return energy.gas_pcc2_j(gauge_pa + energy.PCC2_ATMOSPHERE_PA, volume_m3)


def _gas_behind_m3(rig: Rig) -> float:
    """Gas over water behind the regulator: what pushes. Gas alone is a bottle or receiver, before it."""
    total = 0.0
    for volume in rig.volumes:
        if volume.water_m3 > 0.0:
            total += volume.gas_m3
    return total


def _line_water_m3(rig: Rig) -> float:
    """Water without gas over it, shared out among the stations."""
    total = 0.0
    for volume in rig.volumes:
        if volume.gas_m3 == 0.0:
            total += volume.water_m3
    return total / rig.stations


def station_gas_m3(rig: Rig) -> float:
    """Return the gas that can come to one specimen when its air valve is open [m3], without the specimen's own volume.

    Assumes that all gas behind the regulator can, and that air has taken the place of the water in the station's line.
    """
    return _gas_behind_m3(rig) + _line_water_m3(rig)


def _release(rig: Rig | None, step: Surge, line: LineSurge | None) -> Release | None:
    """The shot's own water hammer, by the same bound as for a valve that shuts (`line.foretell`)."""
    if rig is None or rig.line is None or line is None:
        return None
    opens_s = step.release_ns / 1e9
    flow = line.flow_m_per_s * (step.charge_pa / line.driving_pa) ** 0.5
    rise_pa = surge.closure_rise_pa(rig.line.length_m, line.wave_speed_m_per_s, flow, opens_s)
    return Release(
        opens_s=opens_s,
        sudden=surge.is_sudden(opens_s, line.period_s),
        rise_pa=rise_pa,
        peak_pa=step.charge_pa + rise_pa,
    )
