"""What a surge must say to make sense, by itself and on a rig: a count is beyond argument only if a cycle can be seen.

By itself: pressures in order, a shape that its kind of shot can make, a moving part that can be told from a stuck one.
On a rig, at every station: enough samples in a shot, limits that the transducers can prove, the valves and switches it
needs, and for air in a specimen a chamber that was proved for it. It knows nothing of how a surge is made.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.gas import check_chamber
from rigd.model.profile import Surge
from rigd.model.rig import Channel, Rig
from rigd.model.stations import of_station

FEWEST_SAMPLES = 3  # in the hold; with fewer the engine calls a cycle unseen (calc.exact.cycle has the same)
SETTLED_LAGS, SEEN_LOW = 3, 2  # as the engine looks for back pressure: after so many lags, so many samples
MOST_BLOCKS = 1000  # the count of blocks is walked with every scan
LONGEST_NS = 365 * 24 * 3600 * 1_000_000_000  # a year of cycles is a slip of a key
ROLE_OF_SIGN = {"switch": "returned", "displacement": "displacement", "trace": ""}


def psi(value_pa: float) -> str:
    return units.say(value_pa, "psi")


# ---- by itself


def check_surge(document: Document, path: Path, shape: Any) -> None:
    _check_pressures(document, path, shape)
    _check_course(document, path, shape)
    _check_blocks(document, path, shape)
    if shape.moving_part is not None:
        _check_part(document, (*path, "moving_part"), shape)
    if (shape.slug > 0.0) != (shape.water > 0):
        key = "slug" if shape.water else "water"
        words = {"slug": "a volume, since `water` opens the fill valve", "water": "a time above 0 s, to bring the slug"}
        document.fault((*path, key), document.found((*path, key)), words[key])


def _check_pressures(document: Document, path: Path, shape: Any) -> None:
    """blow-down < threshold < the lowest valid peak; a charge that can make the pressure."""
    least = shape.pressure * (1.0 - shape.peak_tolerance)
    most = shape.pressure * (1.0 + shape.peak_tolerance)
    if shape.threshold >= least:
        at = (*path, "threshold")
        document.fault(at, document.found(at), f"below {psi(least)}, the least peak of a valid cycle")
    if shape.blow_down.below >= shape.threshold:
        at = (*path, "blow_down", "below")
        document.fault(at, document.found(at), f"below the threshold, {psi(shape.threshold)}")
    at = (*path, "charge")
    if shape.shot == "charge" and shape.outlet == "capped" and not least <= shape.charge <= most:
        allowed = f"{psi(least)} to {psi(most)}: a capped body comes to the pressure of its charge"
        document.fault(at, document.found(at), allowed)
    elif shape.shot in ("charge", "valve") and shape.charge < least:
        document.fault(at, document.found(at), f"at least {psi(least)}: nothing rises above what pushes it")


def _check_course(document: Document, path: Path, shape: Any) -> None:
    """Shape and points, and which shot can make them."""
    at = (*path, "points")
    if (shape.shape == "points") != (shape.points is not None):
        allowed = "the key `points` with shape points, and with no other"
        document.fault(at, document.found(at), allowed)
    elif shape.points is not None:
        for row, ((before, _), (after, _)) in enumerate(pairwise(shape.points), 1):
            if after <= before:
                here = (*at, row, 0)
                document.fault(here, document.found(here), "a time after that of the point before")
        if not any(share == 1.0 for _, share in shape.points):
            document.fault(at, document.found(at), "a point at 100 % of the pressure: else it is never called for")
    if shape.shot == "charge" and shape.shape != "square":
        here = (*path, "shape")
        document.fault(here, document.found(here), "square: a charge is let go as it stands", "Or another `shot`")
    if shape.shape == "trapezoid" and not shape.rise:
        here = (*path, "rise")
        document.fault(here, document.found(here), "a time above 0 ms: a trapezoid rises")


def _check_blocks(document: Document, path: Path, shape: Any) -> None:
    blocks = [owed for alike in shape.blocks for owed in alike]
    owed = sum(blocks)
    if len(blocks) > MOST_BLOCKS:
        document.fault((*path, "blocks"), f"{len(blocks)} blocks", f"at most {MOST_BLOCKS}")
    needs = {"rest": "between_time", "inspect": "between_prompt"}
    if len(blocks) > 1 and shape.between is None:
        allowed = "the key `between`: rest or inspect, since there is more than one block"
        document.fault((*path, "between"), "nothing", allowed, "Add `between:`")
    for between, key in needs.items():
        at, given = (*path, key), getattr(shape, key) is not None
        if given and shape.between != between:
            document.fault(at, document.found(at), f"no {key}: it belongs to `between: {between}`", at_key=True)
        if not given and shape.between == between:
            document.fault(at, "nothing", f"the key `{key}`, since `between` is {between}", f"Add `{key}:`")
    if shape.minimum_cycles != "none" and not 1 <= shape.minimum_cycles <= owed:
        at = (*path, "minimum_cycles")
        document.fault(at, document.found(at), f"1 to the {owed} cycles owed, or `none`: else nothing can pass")
    if shape.normal.cycles > owed:
        at = (*path, "normal", "cycles")
        document.fault(at, document.found(at), f"at most the {owed} cycles owed")
    if not 0.0 < shape.normal.departure < 1.0:
        at = (*path, "normal", "departure")
        document.fault(at, document.found(at), "above 0 % and below 100 %")
    if owed * (shape.rise + shape.hold + shape.drain + shape.rest) > LONGEST_NS:
        document.fault((*path, "blocks"), f"{owed} cycles", "cycles that take less than a year")


def _check_part(document: Document, path: Path, shape: Any) -> None:
    part = shape.moving_part
    least = shape.pressure * (1.0 - shape.peak_tolerance)
    if part.below >= least:
        at = (*path, "below")
        document.fault(at, document.found(at), f"below {psi(least)}, the least peak of a valid cycle")
    needs = (
        ("home", "sign", "displacement", part.sign),
        ("slow", "sign", "trace", part.sign),
        ("extra_most", "when_stuck", "extra_cycle", part.when_stuck),
    )
    for key, of, word, chosen in needs:
        at, given = (*path, key), getattr(part, key) is not None
        if given and chosen != word:
            document.fault(at, document.found(at), f"no {key}: it belongs to `{of}: {word}`", at_key=True)
        if not given and chosen == word:
            document.fault(at, "nothing", f"the key `{key}`, since `{of}` is {word}", f"Add `{key}:`")


# ---- on a rig


def check_surge_on(rig: Rig, document: Document, path: Path, step: Surge) -> None:
    """What is wrong at one station is told once, with the first station that has it."""
    for station in _stations(rig):
        _check_sight(station, document, path, step)
        _check_needs(station, document, path, step)
    _check_trips(rig, document, path, step)
    if step.medium != "water":
        check_chamber(rig, document, (*path, "medium"), step.charge_pa, station_gas_m3(rig))


def _stations(rig: Rig) -> Iterator[Rig]:
    for number in range(1, rig.stations + 1):
        yield of_station(rig, number).rig


def _specimens(rig: Rig) -> list[Channel]:
    return [channel for channel in rig.channels if channel.role == "specimen"]


def _check_sight(station: Rig, document: Document, path: Path, step: Surge) -> None:
    """A shot must be seen, and its end must be measurable."""
    primary = _specimens(station)[0]
    scan_ns = station.devices[primary.device].scan_ns
    at = (*path, "hold")
    needed_ns = max(FEWEST_SAMPLES * scan_ns, SETTLED_LAGS * primary.tau_ns + SEEN_LOW * scan_ns)
    if step.hold_ns < needed_ns:
        allowed = f"at least {needed_ns / 1e6:g} ms: {FEWEST_SAMPLES} samples at a scan each {scan_ns / 1e6:g} ms"
        allowed += f", and {SEEN_LOW} of them settled in a transducer that lags {primary.tau_ns / 1e6:g} ms"
        document.fault(at, document.found(at), allowed, "Hold longer or scan faster")
    for channel in _specimens(station):
        least = channel.accuracy + channel.resolution
        written = channel.name.removesuffix(f"_{channel.station}")
        for key, value in (("blow_down", step.blow_down_pa), ("moving_part", step.part and step.part.below_pa)):
            at = (*path, key, "below")
            if value and value <= least:
                document.fault(at, document.found(at), f"above {psi(least)}: {written} can prove no less")
    at = (*path, "blow_down", "below")
    if step.blow_down_pa > station.vent.limit_pa:
        allowed = f"at most the rig's vent limit, {psi(station.vent.limit_pa)}: a cycle ends vented"
        document.fault(at, document.found(at), allowed)


def _check_needs(station: Rig, document: Document, path: Path, step: Surge) -> None:
    """Valves and channels that this step works with."""
    where = f" at station {station.station}" if station.station else ""
    outputs = {output.role for output in station.outputs}
    channels = {channel.role for channel in station.channels}
    sign = ROLE_OF_SIGN[step.part.sign] if step.part else ""
    needs = (
        (("medium",), "air", step.medium != "water", outputs, "output"),
        (("slug",), "fill", step.slug_m3 > 0.0, outputs, "output"),
        (("shot",), "set_point", step.shot == "regulator", outputs, "output"),
        (("moving_part", "sign"), sign, bool(sign), channels, "input channel"),
    )
    for key, role, is_needed, present, kind in needs:
        at: Path = (*path, *key)
        if is_needed and role not in present and at not in document.told:
            allowed = f"a rig that has an {kind} `role: {role}` at every station"
            document.fault(at, f"{document.found(at)}, and none{where} of {station.name}", allowed)


def _check_trips(rig: Rig, document: Document, path: Path, step: Surge) -> None:
    """A valid cycle may not trip, nor a valid charge."""
    highest = {
        "specimen": ("pressure", step.pressure_pa * (1.0 + step.peak_tolerance), "peak"),
        "feed": ("charge", step.charge_pa * (1.0 + step.charge_tolerance), "charge"),
    }
    for row in rig.rows:
        role = rig.channels[row.channel].role
        if row.kind == "trip" and row.test == "above" and role in highest:
            key, most_pa, what = highest[role]
            at = (*path, key)
            if most_pa >= row.limit and at not in document.told:
                allowed = f"a {what} that with its tolerance stays below the trip {row.name}, {psi(row.limit)}"
                document.fault(at, f"{psi(most_pa)} with its tolerance", allowed)


def station_gas_m3(rig: Rig) -> float:
    """Gas that can come to one specimen when its air valve is open: what is behind the regulator, and the water of the
    lines of one station in case air has taken its place [m3]. The specimen's own volume comes on top."""
    gas = water = 0.0
    for volume in rig.volumes:
        if volume.gas_m3 and volume.water_m3:
            gas += volume.gas_m3
        elif volume.water_m3:
            water += volume.water_m3
    return gas + water / rig.stations
