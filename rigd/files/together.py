"""What is wrong only when a rig and a profile meet, or a profile and a specimen: each may be sound and the pair still
dangerous or useless.

Works on the loaded shapes, which hold no line numbers; the documents, where given, tell where a key stands.
"""

from rigd.files import units
from rigd.files.air_shape import check_air_on
from rigd.files.document import Document, Path
from rigd.files.flush_shape import check_flush_on
from rigd.files.gas_leak import check_gas_leak_on, check_volume_of
from rigd.files.rig_limits import psi
from rigd.files.surges import check_surge_on
from rigd.files.turns import check_thread_of, check_turns_on
from rigd.files.walk_shape import check_walk_on
from rigd.model import walk
from rigd.model.air import AirCheck
from rigd.model.errors import Fault
from rigd.model.flush import Flush
from rigd.model.gas import GasLeak
from rigd.model.leak import CapTurns
from rigd.model.profile import Fill, Hold, Profile, Proof, Ramp, Surge
from rigd.model.rig import Channel, Rig
from rigd.model.specimen import Specimen

ATMOSPHERE_PA = 101_325.0
WALK_KINDS = {shape: kind for kind, shape in walk.KINDS.items()}
STANDS_WITHIN = 0.5
"""Of `signs.lag`: a sample further behind no longer counts as one that stood (calc.exact.burst.CLEAN_FRACTION; a test
holds the two equal), and a sound ramp must stand, or no onset is ever seen."""


def find_conflicts(rig: Rig, profile: Profile, rig_document: Document, document: Document) -> tuple[Fault, ...]:
    """Faults of the pair; those of the profile first. The documents are only asked where keys stand."""
    _check_max(rig, profile, document)
    _check_signs(rig, profile, document)
    for index, step in enumerate(profile.steps):
        match step:
            case Ramp():
                _check_ramp(rig, profile, document, ("steps", index, "ramp"), step)
            case Proof():
                _check_proof(rig, document, ("steps", index, "proof"), step)
            case Surge():
                check_surge_on(rig, document, ("steps", index, "surge"), step)
            case AirCheck():
                check_air_on(rig, document, ("steps", index, "air_check"), step)
            case Flush():
                check_flush_on(rig, document, ("steps", index, "flush"), step, profile.max_pa)
            case GasLeak():
                check_gas_leak_on(rig, document, ("steps", index, "gas_leak"), step)
            case CapTurns():
                check_turns_on(rig, document, ("steps", index, "cap_turns"), step)
            case _ if type(step) in WALK_KINDS:
                check_walk_on(rig, document, ("steps", index, WALK_KINDS[type(step)]), step)
            case Fill() if not any(output.role == "fill" for output in rig.outputs):
                path: Path = ("steps", index, "fill")
                document.fault(path, "a fill step", f"a rig with a fill valve; {rig.name} has none", at_key=True)
            case Hold() if step.pressure_pa and step.tolerance_pa <= _primary(rig).accuracy:
                path = ("steps", index, "hold", "tolerance")
                document.fault(path, document.found(path), f"above the accuracy of {_primary(rig).name}")
    return tuple(document.faults) + tuple(rig_document.faults)


def find_misfits(profile: Profile, specimen: Specimen, document: Document) -> tuple[Fault, ...]:
    """Faults of a profile with the body that it shall test."""
    for index, step in enumerate(profile.steps):
        if type(step) is CapTurns:
            check_thread_of(specimen, document, ("steps", index, "cap_turns"), step)
        if type(step) is GasLeak:
            check_volume_of(specimen, document, ("steps", index, "gas_leak"), step)
    return tuple(document.faults)


def _primary(rig: Rig) -> Channel:
    return next(channel for channel in rig.channels if channel.role == "specimen")


def gas_flow_m3_per_s(rig: Rig, rate_pa_per_s: float) -> float:
    """Gas that the ramp takes, at ambient conditions: V dp/dt over one atmosphere, for what the regulator fills.

    Assumes the gas at one temperature and only volumes with both gas and water (bladder tanks) behind the regulator.
    """
    gas = 0.0
    for volume in rig.volumes:
        if volume.water_m3 > 0.0:
            gas += volume.gas_m3
    return gas * rate_pa_per_s / ATMOSPHERE_PA


def _check_max(rig: Rig, profile: Profile, document: Document) -> None:
    """profile max < trip, by the relief's margin; and what the rig cannot reach or read is refused."""
    at: Path = ("max",)
    for row in rig.rows:
        channel = rig.channels[row.channel]
        if row.kind == "trip" and row.test == "above" and channel.role in ("specimen", "feed"):
            most = row.limit * (1.0 - rig.relief.margin)
            if profile.max_pa > most:
                below = f"{rig.relief.margin * 100:g} % below the trip {row.name}, {psi(row.limit)}"
                allowed = f"at most {psi(most)}: {below}"
                document.fault(at, document.found(at), allowed, f"The limits are those of the rig {rig.name}")
    for output in rig.outputs:
        if output.role == "set_point" and output.pa_high < profile.max_pa:
            document.fault(
                at, document.found(at), f"at most {psi(output.pa_high)}, the most {output.name} can call for"
            )
    for channel in rig.channels:
        if channel.role == "specimen" and channel.range_high < profile.max_pa:
            document.fault(
                at, document.found(at), f"at most {psi(channel.range_high)}, the most {channel.name} believes"
            )


def _check_ramp(rig: Rig, profile: Profile, document: Document, path: Path, step: Ramp) -> None:
    primary = _primary(rig)
    at = (*path, "expected_pressure" if step.window_low_ns else "rate")
    scan_s = rig.devices[primary.device].scan_ns / 1e9
    hidden_pa = step.rate_pa_per_s * scan_s
    if hidden_pa > profile.peak_tolerance_pa:
        found = f"{psi(hidden_pa)} of rise between two samples ({units.say(step.rate_pa_per_s, 'psi/s', units.RATE)})"
        allowed = f"at most the peak tolerance, {psi(profile.peak_tolerance_pa)}"
        document.fault(at, found, allowed, "Ramp slower, scan faster or accept a coarser peak")
    behind_pa = step.rate_pa_per_s * (primary.tau_ns / 1e9 + scan_s)
    if behind_pa >= STANDS_WITHIN * profile.signs.lag_pa:
        here: Path = ("signs", "lag")
        allowed = f"above {psi(behind_pa / STANDS_WITHIN)}: a sound ramp lags by {psi(behind_pa)} in this transducer"
        document.fault(here, document.found(here), allowed)
    needed = gas_flow_m3_per_s(rig, step.rate_pa_per_s)
    if needed > rig.regulator_m3_per_s:
        found = f"a ramp that takes {units.say(needed, 'L/min', units.FLOW)} of gas"
        allowed = f"at most {units.say(rig.regulator_m3_per_s, 'L/min', units.FLOW)}, what the regulator passes"
        document.fault(at, found, allowed, "Ramp slower, or leave less gas in the tank")


def _check_proof(rig: Rig, document: Document, path: Path, step: Proof) -> None:
    for channel in rig.channels:
        if channel.role != "specimen":
            continue
        least = channel.accuracy + channel.resolution
        at = (*path, "fall_below")
        if step.fall_below_pa <= least:
            document.fault(at, document.found(at), f"above {psi(least)}: {channel.name} can prove no less")
        at = (*path, "loss")
        if step.loss_pa < 2.0 * channel.resolution:
            document.fault(
                at, document.found(at), f"at least two steps of {channel.name}, {psi(2 * channel.resolution)}"
            )


def _check_signs(rig: Rig, profile: Profile, document: Document) -> None:
    """A threshold within the noise of one count would call a sound body failed."""
    primary = _primary(rig)
    least = 4.0 * primary.resolution
    for key, value in (("drop", profile.signs.drop_pa), ("lag", profile.signs.lag_pa)):
        if value < least:
            at: Path = ("signs", key)
            document.fault(at, document.found(at), f"at least four steps of {primary.name}, {psi(least)}")
    _check_flow_sign(rig, profile, document)
    device = rig.devices[primary.device]
    if profile.signs.lag_ns < device.scan_ns:
        at = ("signs", "lag_time")
        document.fault(at, document.found(at), f"at least one scan, {device.scan_ns / 1e6:g} ms")


def _check_flow_sign(rig: Rig, profile: Profile, document: Document) -> None:
    """A meter that cannot tell the limit from nothing, or that cannot show so much, is no sign."""
    limit, at = profile.signs.flow_m3_per_s, ("signs", "flow")
    if not limit:
        return
    meter = next((channel for channel in rig.channels if channel.role == "make_up_flow"), None)
    if meter is None:
        todo = "Leave `flow:` out, or put a meter behind the inlet"
        document.fault(at, document.found(at), f"a rig with a channel `role: make_up_flow`; {rig.name} has none", todo)
    elif not 4.0 * max(meter.resolution, meter.accuracy) <= limit <= 0.5 * meter.range_high:
        least, most = 4.0 * max(meter.resolution, meter.accuracy), 0.5 * meter.range_high
        span = " to ".join(units.say(flow, "mL/min", units.FLOW) for flow in (least, most))
        document.fault(at, document.found(at), f"{span}: four times what {meter.name} can tell, half of what it shows")
