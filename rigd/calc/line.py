"""What the line of a rig would do if the flow in it were stopped: rise, limits within reach, and who would see it.

The numbers of a rig file put into `surge`. An upper bound for choosing valve, relief and transducer at a desk: no
friction, air-free water, the whole driving pressure across the inlet. It is not a measurement, it sees no branches, and
air trapped in the specimen can make more than it says (`column`). Pressures are gauge.
"""

from dataclasses import dataclass
from math import pi, sqrt

from rigd.calc import surge
from rigd.model.profile import Profile
from rigd.model.rig import Channel, Line, Rig
from rigd.model.stations import of_station


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """A stop of the flow in some time, and what it could come above."""

    rise_pa: float
    peak_pa: float  # driving pressure and rise together
    exceeded: tuple[tuple[str, float], ...]  # limits the surge passes, name and pressure [Pa], lowest first


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSurge:
    wave_speed_m_per_s: float
    period_s: float  # 2L/a
    driving_pa: float
    driving_name: str
    flow_m_per_s: float  # most the inlet can put through the line
    closes_s: float  # as the rig file says
    sudden: bool  # that is within the period
    declared: Reach  # by the valve as declared
    at_once: Reach  # by anything that stops the flow within the period
    needed_hz: float  # to call a sampled peak resolved
    channel: str  # the primary specimen channel, of the station where it is read most seldom
    scan_hz: float  # how often it is read
    lag_s: float  # its time constant
    resolved: bool
    blind_trips: tuple[str, ...]  # trips on sampled pressure that a peak of this line can slip through


def foretell(rig: Rig, profile: Profile | None = None) -> LineSurge | None:
    """Work out what stopping the flow in the rig's line could do.

    Parameters
    ----------
    rig : Rig
        With a `line`; without one nothing can be said.
    profile : Profile or None
        Its max is the driving pressure; without one the feed's trip, or what the set-point can call for.

    Returns
    -------
    LineSurge or None

    Assumes
    -------
    Flow as if the whole driving pressure stood across the open inlet, Q = k sqrt(dp), and a check valve or the inlet
    itself letting nothing back. Then no wave brings more than rho a V on top of the driving pressure, whether a valve
    shuts on the flow or the flow runs into a full, closed body. Water at 20 degC without air.

    Source
    ------
    `surge.wave_speed_m_per_s`, `surge.closure_rise_pa`; the sum as an upper bound by characteristics (derivation, held
    against a numerical solution in the tests).
    """
    line = rig.line
    if line is None:
        return None
    speed = wave_speed_m_per_s(line)
    period_s = surge.pipe_period_s(line.length_m, speed)
    driving_pa, driving_name = _driving(rig, profile)
    flow = rig.inlet_m3_per_s_pa * sqrt(driving_pa) / (pi / 4.0 * line.inside_m * line.inside_m)
    closes_s = line.closes_ns / 1e9
    channel = _seldomest(rig)
    scan_hz = _scan_hz(rig, channel)
    return LineSurge(
        wave_speed_m_per_s=speed,
        period_s=period_s,
        driving_pa=driving_pa,
        driving_name=driving_name,
        flow_m_per_s=flow,
        closes_s=closes_s,
        sudden=surge.is_sudden(closes_s, period_s),
        declared=_reach(rig, driving_pa, surge.closure_rise_pa(line.length_m, speed, flow, closes_s)),
        at_once=_reach(rig, driving_pa, surge.joukowsky_pa(speed, flow)),
        needed_hz=surge.needed_rate_hz(period_s),
        channel=channel.name,
        scan_hz=scan_hz,
        lag_s=channel.tau_ns / 1e9,
        resolved=surge.is_resolved(scan_hz, period_s),
        blind_trips=_blind_trips(rig, period_s),
    )


def wave_speed_m_per_s(line: Line) -> float:
    """Return the speed of a pressure wave in the line, with air-free water at 20 degC [m/s]."""
    factor = surge.restraint_factor(line.restraint, line.poisson)
    return surge.wave_speed_m_per_s(line.inside_m, line.wall_m, line.modulus_pa, c=factor)


def _driving(rig: Rig, profile: Profile | None) -> tuple[float, str]:
    if profile is not None:
        return profile.max_pa, "profile max"
    trips = [
        (row.limit, f"trip {row.name}")
        for row in rig.rows
        if row.kind == "trip" and row.test == "above" and rig.channels[row.channel].role == "feed"
    ]
    ends = [(output.pa_high, f"end of {output.name}") for output in rig.outputs if output.role == "set_point"]
    return min(trips or ends)


def _reach(rig: Rig, driving_pa: float, rise_pa: float) -> Reach:
    peak_pa = driving_pa + rise_pa
    return Reach(rise_pa=rise_pa, peak_pa=peak_pa, exceeded=exceeded_by(rig, driving_pa, peak_pa))


def exceeded_by(rig: Rig, driving_pa: float, peak_pa: float) -> tuple[tuple[str, float], ...]:
    """Return the limits of the rig between the driving pressure and a peak [Pa], the lowest first."""
    limits = sorted(_limits(rig), key=lambda limit: limit[1])
    return tuple(limit for limit in limits if driving_pa <= limit[1] < peak_pa)  # lower ones need no surge


def _limits(rig: Rig) -> list[tuple[str, float]]:
    """What a surge must stay below: trips on the specimen, the relief, every part, every transducer on the water."""
    limits = [("relief set", rig.relief.set_pa)]
    limits += [(part.name, part.rating_pa) for part in rig.parts]
    limits += [
        (f"proof of {channel.name}", channel.proof_pa)
        for channel in rig.channels
        if channel.proof_pa > 0.0 and channel.role != "supply"
    ]
    limits += [
        (f"trip {row.name}", row.limit)
        for row in rig.rows
        if row.kind == "trip" and row.test == "above" and rig.channels[row.channel].role == "specimen"
    ]
    return limits


def _seldomest(rig: Rig) -> Channel:
    """The primary specimen channel that sees least, the first of several alike."""
    stations = (of_station(rig, number).rig for number in range(1, rig.stations + 1))
    primaries = [next(channel for channel in own.channels if channel.role == "specimen") for own in stations]
    return max(primaries, key=lambda channel: rig.devices[channel.device].scan_ns)


def _scan_hz(rig: Rig, channel: Channel) -> float:
    return 1e9 / rig.devices[channel.device].scan_ns


def _blind_trips(rig: Rig, period_s: float) -> tuple[str, ...]:
    """Trips above a limit on a pressure that is read too seldom, is too slow, or waits longer than a peak lasts."""
    names = []
    for row in rig.rows:
        channel = rig.channels[row.channel]
        if row.kind == "trip" and row.test == "above" and channel.role in ("specimen", "feed"):
            slow = max(channel.tau_ns, row.persistence_ns) / 1e9 > period_s
            if slow or not surge.is_resolved(_scan_hz(rig, channel), period_s):
                names.append(row.name)
    return tuple(names)
