"""What a run will be like before it is one: steps, times, pressures, disk, gas, energy, and what the rig cannot see.

Made from the loaded rig, profile and specimen alone, so that `rigd check` can say it at a desk. Every figure names what
it assumes; where a person's pace decides, there is no figure. Pressures are gauge.
"""

from dataclasses import dataclass
from math import sqrt

from rigd.calc import energy
from rigd.calc.expect_air import air_check_s
from rigd.calc.expect_gas import ExpectedGasLeak, expect_gas_leak, gas_leak_s
from rigd.calc.expect_surge import ExpectedSurge, expect_surges
from rigd.calc.expect_turns import turns_s
from rigd.calc.expect_walk import WALK_STEPS, expect_check
from rigd.calc.line import LineSurge, foretell
from rigd.model.air import AirCheck
from rigd.model.flush import Flush
from rigd.model.gas import GasLeak
from rigd.model.leak import CapTurns
from rigd.model.profile import Ask, CloseDown, Fill, Hold, Mount, Profile, Proof, Ramp, Step, Surge, Vent
from rigd.model.rig import Channel, Output, Rig, VentRule
from rigd.model.specimen import Specimen
from rigd.model.stations import of_station

BYTES_PER_CHANNEL_SAMPLE = 4.0
"""Whole sealed record, upper bound (the limit that benchmarks hold it to); the raw part alone is about a third."""
DISCHARGE = 0.62
"""Discharge coefficient of a sharp-edged hole [-] (common practice; a long thin crack passes less)."""
WATER_KG_PER_M3 = 998.2072  # 20 degC, 101.325 kPa, IAPWS-95
ATMOSPHERE_PA = 101_325.0
FLUSH_BUILD_S = 20.0  # longest that a stream may take beyond its ramp (engine.flush has the same)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedStep:
    """One step as it will go. Times are the shortest and longest it may take, without a person's own time."""

    index: int
    kind: str
    name: str
    from_pa: float
    to_pa: float
    rate_pa_per_s: float  # 0 where pressure is not ramped
    least_s: float
    most_s: float
    waits_for_person: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Charge:
    """What one volume holds when charged as the rig file declares."""

    name: str
    gauge_pa: float
    gas_j: float
    water_j: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StandOff:
    edition: str
    distance_m: float
    formula_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One pressure that stops, trips, lifts or breaks something."""

    name: str
    pressure_pa: float
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    steps: tuple[ExpectedStep, ...]
    peak_pa: float  # highest pressure any step calls for
    expected_pa: float  # where failure is expected, 0 = the profile does not say
    least_s: float
    most_s: float
    bytes_per_s: float
    disk_bytes: float  # for the longest run
    charges: tuple[Charge, ...]
    energy_j: float
    stand_offs: tuple[StandOff, ...]
    limits: tuple[Limit, ...]
    set_point_step_pa: float  # smallest pressure step the rig can make, 0 = no set-point
    opening_m2: float  # smallest opening it could notice, 0 = no ramp
    opening_pa: float  # at this pressure
    opening_flow_m3_per_s: float
    gas_flow_m3_per_s: float  # that the fastest ramp takes, ambient conditions
    gas_m3: float  # that one run takes, ambient conditions
    hidden_pa: float  # most that a ramp rises between two samples
    surge: LineSurge | None  # water hammer, None = no line declared
    surges: tuple[ExpectedSurge, ...]  # the surge steps
    gas_leaks: tuple[ExpectedGasLeak, ...] = ()  # leak tests with gas


def forecast(rig: Rig | None, profile: Profile | None, specimen: Specimen | None = None) -> Forecast:
    """Work out all that can be said of this rig and this profile; with one of them missing, of the other alone.

    Parameters
    ----------
    rig : Rig or None
        Without it what depends on the iron is 0 or empty.
    profile : Profile or None
        Without it what depends on the test is 0 or empty.
    specimen : Specimen or None
        Its volume, where known, is charged at the profile's max: with water, or with gas where the test is one of gas.

    Returns
    -------
    Forecast
    """
    assert rig or profile, "there is something to say of at least one file"
    steps = _expect_steps(rig, profile) if profile else ()
    ramps = tuple(step for step in profile.steps if isinstance(step, Ramp)) if profile else ()
    fastest = max((ramp.rate_pa_per_s for ramp in ramps), default=0.0)
    peak_pa = max((max(step.from_pa, step.to_pa) for step in steps), default=0.0)
    charges = _charge(rig, profile, specimen)
    gas_m3 = gas_behind_regulator_m3(rig) if rig else 0.0
    opening = smallest_opening(rig, profile, ramps[-1]) if rig and profile and ramps else (0.0, 0.0, 0.0)
    most_s = _total(tuple(step.most_s for step in steps))
    bytes_per_s = record_bytes_per_s(rig) if rig else 0.0
    line = foretell(rig, profile) if rig else None
    surge_steps = tuple((at, s) for at, s in enumerate(profile.steps) if isinstance(s, Surge)) if profile else ()
    return Forecast(
        steps=steps,
        peak_pa=peak_pa,
        expected_pa=max((ramp.expected_pa for ramp in ramps), default=0.0),
        least_s=_total(tuple(step.least_s for step in steps)),
        most_s=most_s,
        bytes_per_s=bytes_per_s,
        disk_bytes=bytes_per_s * most_s,
        charges=charges,
        energy_j=_total(tuple(charge.gas_j + charge.water_j for charge in charges)),
        stand_offs=_stand_offs(_total(tuple(charge.gas_j for charge in charges))) if rig else (),
        limits=order_limits(rig, profile),
        set_point_step_pa=set_point_step_pa(rig) if rig else 0.0,
        opening_m2=opening[0],
        opening_pa=opening[1],
        opening_flow_m3_per_s=opening[2],
        gas_flow_m3_per_s=gas_m3 * fastest / ATMOSPHERE_PA,
        gas_m3=gas_m3 * peak_pa / ATMOSPHERE_PA,
        hidden_pa=fastest * rig.devices[primary(rig).device].scan_ns / 1e9 if rig else 0.0,
        surge=line,
        surges=expect_surges(rig, surge_steps, specimen, line),
        gas_leaks=tuple(
            expect_gas_leak(rig, at, step)
            for at, step in enumerate(profile.steps if profile else ())
            if isinstance(step, GasLeak)
        ),
    )


def _stand_offs(gas_j: float) -> tuple[StandOff, ...]:
    return tuple(
        StandOff(
            edition=edition.name,
            distance_m=energy.stand_off_m(gas_j, edition),
            formula_m=energy.scaled_distance_m(gas_j, edition),
        )
        for edition in energy.EDITIONS
    )


def primary(rig: Rig) -> Channel:
    return next(channel for channel in rig.channels if channel.role == "specimen")


def record_bytes_per_s(rig: Rig) -> float:
    """Return what the record grows by [B/s]: `BYTES_PER_CHANNEL_SAMPLE` for each channel at each scan of its device.

    Assumes that every bit of a register counts as a channel, as it does in the trace. Each station has a record of its
    own, and what they share stands in each.
    """
    total = 0.0
    for number in range(1, rig.stations + 1):
        for channel in of_station(rig, number).rig.channels:
            total += BYTES_PER_CHANNEL_SAMPLE / (rig.devices[channel.device].scan_ns / 1e9)
    return total


def set_point_step_pa(rig: Rig) -> float:
    """Return the smallest pressure step the set-point can make [Pa]: its span over its counts."""
    output = _find_set_point(rig)
    if output is None:
        return 0.0
    return (output.pa_high - output.pa_low) / abs(output.counts_energised - output.counts_safe)


def gas_behind_regulator_m3(rig: Rig) -> float:
    """Return the gas the regulator has to fill [m3]: the gas side of every volume that also holds water.

    Assumes that a volume with gas alone is a bottle, before the regulator, and gas with water a bladder tank, after it.
    """
    total = 0.0
    for volume in rig.volumes:
        if volume.water_m3 > 0.0:
            total += volume.gas_m3
    return total


def across_inlet_pa(rig: Rig, profile: Profile) -> float:
    """Return the pressure across the open inlet at which a body is called not following [Pa].

    With a feed channel that is the lag itself; without one the body is compared with what is called for, and the loop
    may have raised the feed above that by all of its trim.
    """
    has_feed = any(channel.role == "feed" for channel in rig.channels)
    return profile.signs.lag_pa + (0.0 if has_feed else rig.control.trim_pa)


def smallest_opening(rig: Rig, profile: Profile, ramp: Ramp) -> tuple[float, float, float]:
    """Return the smallest hole in the body that the pressure can show, at what pressure, and what flows through it.

    Parameters
    ----------
    rig : Rig
        Its measured inlet Q = k sqrt(dp).
    profile : Profile
        The lag at which its sign of failure fires.
    ramp : Ramp

    Returns
    -------
    tuple of float
        Area [m2], pressure [Pa], flow [m3/s].

    Assumes
    -------
    The hole shows when it takes more than the inlet feeds with `across_inlet_pa` across it. Sharp-edged hole, water,
    Cd = 0.62, opening at the expected pressure (at half the ceiling where none is given). A smaller hole is fed through
    and seen only by a person or, after the end, by the water it lost.

    Source
    ------
    Orifice equation Q = Cd A sqrt(2 dp/rho), any handbook of hydraulics.
    """
    pressure_pa = ramp.expected_pa or ramp.ceiling_pa / 2.0
    fed_m3_per_s = rig.inlet_m3_per_s_pa * sqrt(across_inlet_pa(rig, profile))
    return hole_m2(fed_m3_per_s, pressure_pa), pressure_pa, fed_m3_per_s


def hole_m2(flow_m3_per_s: float, pressure_pa: float) -> float:
    """Return the area of a sharp-edged hole that passes this flow of water [m2].

    Parameters
    ----------
    flow_m3_per_s : float
        Flow [m3/s].
    pressure_pa : float
        Pressure across the hole, above 0 [Pa].

    Source
    ------
    Q = Cd A sqrt(2 dp/rho).
    """
    return flow_m3_per_s / (DISCHARGE * sqrt(2.0 * pressure_pa / WATER_KG_PER_M3))


def weakest_part(rig: Rig) -> tuple[str, float]:
    """Return the name and rating [Pa] of what fails first: a part, or a transducer's proof pressure."""
    parts = [(part.name, part.rating_pa) for part in rig.parts]
    parts += [(f"transducer {channel.name}", channel.proof_pa) for channel in rig.channels if channel.proof_pa > 0.0]
    return min(parts, key=lambda part: part[1])


def order_limits(rig: Rig | None, profile: Profile | None) -> tuple[Limit, ...]:
    """Return every pressure limit on the specimen's side that applies, the lowest first."""
    limits = (_rig_limits(rig) if rig else []) + (_profile_limits(profile) if profile else [])
    return tuple(sorted(limits, key=lambda limit: limit.pressure_pa))


def _rig_limits(rig: Rig) -> list[Limit]:
    relief = f"the relief valve lifts, tested {rig.relief.tested}"
    limits = [
        Limit(name="vent limit", pressure_pa=rig.vent.limit_pa, what="below it a specimen channel counts as vented"),
        Limit(name="approach", pressure_pa=rig.approach_pa, what="nobody goes near above it"),
        Limit(name="relief reseat", pressure_pa=rig.relief.reseat_pa, what="the relief valve is shut below it"),
        Limit(name="relief set", pressure_pa=rig.relief.set_pa, what=relief),
    ]
    name, rating_pa = weakest_part(rig)
    limits.append(Limit(name=f"weakest part: {name}", pressure_pa=rating_pa, what="the rig itself is at risk"))
    for row in rig.rows:
        channel = rig.channels[row.channel]
        if channel.role in ("specimen", "feed") and row.test == "above":
            limits.append(Limit(name=f"{row.kind} {row.name}", pressure_pa=row.limit, what=row.reason))
    output = _find_set_point(rig)
    if output is not None:
        limits.append(Limit(name=f"end of {output.name}", pressure_pa=output.pa_high, what="no more can be called for"))
    return limits


def _profile_limits(profile: Profile) -> list[Limit]:
    limits = [Limit(name="profile max", pressure_pa=profile.max_pa, what="nothing in the profile calls for more")]
    if profile.minimum_pa > 0.0:
        limits.append(Limit(name="criterion", pressure_pa=profile.minimum_pa, what="failure below it is a reject"))
    for step in profile.steps:
        if isinstance(step, Proof):
            limits.append(Limit(name=f"step {step.name}", pressure_pa=step.pressure_pa, what="proof pressure"))
        if isinstance(step, Ramp):
            limits.append(Limit(name=f"step {step.name}", pressure_pa=step.ceiling_pa, what="ceiling of the ramp"))
        if isinstance(step, Surge):
            limits.append(Limit(name=f"step {step.name}", pressure_pa=step.pressure_pa, what="peak of the surges"))
        if isinstance(step, CapTurns):
            limits.append(Limit(name=f"step {step.name}", pressure_pa=step.pressure_pa, what="a cap is looked at"))
        if isinstance(step, GasLeak):
            limits.append(Limit(name=f"step {step.name}", pressure_pa=step.pressure_pa, what="the body is full of gas"))
    return limits


def _find_set_point(rig: Rig) -> Output | None:
    return next((output for output in rig.outputs if output.role == "set_point"), None)


def _total(values: tuple[float, ...]) -> float:
    total = 0.0
    for value in values:
        total += value
    return total


def _charge(rig: Rig | None, profile: Profile | None, specimen: Specimen | None) -> tuple[Charge, ...]:
    charges = [
        Charge(
            name=volume.name,
            gauge_pa=volume.gas_pa_max,
            gas_j=energy.gas_pcc2_j(volume.gas_pa_max + energy.PCC2_ATMOSPHERE_PA, volume.gas_m3),
            water_j=energy.water_j(volume.gas_pa_max, volume.water_m3),
        )
        for volume in (rig.volumes if rig else ())
    ]
    if profile is not None and specimen is not None and specimen.volume_m3 > 0.0:
        with_gas = any(isinstance(step, GasLeak) for step in profile.steps)
        gas_j = energy.gas_pcc2_j(profile.max_pa + energy.PCC2_ATMOSPHERE_PA, specimen.volume_m3) if with_gas else 0.0
        water_j = 0.0 if with_gas else energy.water_j(profile.max_pa, specimen.volume_m3)
        charges.append(Charge(name=f"specimen {specimen.id}", gauge_pa=profile.max_pa, gas_j=gas_j, water_j=water_j))
    return tuple(charges)


def _expect_steps(rig: Rig | None, profile: Profile) -> tuple[ExpectedStep, ...]:
    expected, at_pa = [], 0.0
    for index, step in enumerate(profile.steps):
        made = _expect_step(rig.vent if rig else None, index, step, at_pa)
        expected.append(made)
        at_pa = made.to_pa
    return tuple(expected)


def _expect_step(vent: VentRule | None, index: int, step: Step, at_pa: float) -> ExpectedStep:
    """What one step does to pressure and how long it takes; a failure may end a ramp or hold at any moment."""
    vent_s = (vent.hold_ns / 1e9, (vent.hold_ns + vent.timeout_ns) / 1e9) if vent else (0.0, 0.0)
    to_pa, rate, least_s, most_s, waits = at_pa, 0.0, 0.0, 0.0, False
    match step:
        case Mount() | CloseDown() | Ask():
            waits = True
        case Fill():
            to_pa = step.until_pa
            least_s, most_s = step.bleed_ns / 1e9, (step.bleed_ns + step.timeout_ns) / 1e9
        case Proof():
            rise_s = max(0.0, step.pressure_pa - at_pa) / step.ramp_pa_per_s
            to_pa, rate = 0.0, step.ramp_pa_per_s
            least_s = rise_s + step.hold_ns / 1e9
            most_s = least_s + step.fall_ns / 1e9
            at_pa = step.pressure_pa
        case Ramp():
            to_pa, rate = step.ceiling_pa, step.rate_pa_per_s
            most_s = max(0.0, step.ceiling_pa - at_pa) / step.rate_pa_per_s
        case Hold():
            to_pa = step.pressure_pa or at_pa
            most_s = step.duration_ns / 1e9
        case Surge():
            (owed,) = expect_surges(None, ((index, step),), None, None)
            at_pa, to_pa, least_s, most_s = step.pressure_pa, 0.0, owed.least_s, owed.most_s
        case AirCheck():
            to_pa, rate = max(step.pressures_pa, default=at_pa), step.ramp_pa_per_s
            waits, (least_s, most_s) = True, air_check_s(step)
        case Flush():
            at_pa, to_pa, rate, waits = step.pressure_pa, 0.0, step.ramp_pa_per_s, True
            least_s = step.aims * (step.duration_ns / 1e9 + step.pressure_pa / step.ramp_pa_per_s)
            most_s = least_s + step.aims * FLUSH_BUILD_S
        case GasLeak():
            to_pa, rate, (least_s, most_s) = step.pressure_pa, step.ramp_pa_per_s, gas_leak_s(step)
        case CapTurns():
            at_pa, to_pa, rate = step.pressure_pa, 0.0, step.ramp_pa_per_s
            least_s, most_s = turns_s(step)
        case _ if type(step) in WALK_STEPS:
            at_pa, least_s, most_s, waits = expect_check(step)
            to_pa = 0.0
        case Vent():
            to_pa = 0.0
            least_s, most_s = vent_s
    return ExpectedStep(
        index=index,
        kind=_KINDS[type(step)],
        name=step.name,
        from_pa=at_pa,
        to_pa=to_pa,
        rate_pa_per_s=rate,
        least_s=least_s,
        most_s=most_s,
        waits_for_person=waits,
    )


_KINDS = {
    Mount: "mount",
    Fill: "fill",
    Proof: "proof",
    Ramp: "ramp",
    Hold: "hold",
    Surge: "surge",
    CapTurns: "cap_turns",
    Flush: "flush",
    AirCheck: "air_check",
    GasLeak: "gas_leak",
    Vent: "vent",
    Ask: "ask",
    CloseDown: "close_down",
    **WALK_STEPS,
}
