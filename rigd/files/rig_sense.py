"""Whether the blocks of a rig file fit together: names that exist, addresses that are free, signals that can be read.

Limits and guards are `rig_limits`. Each check looks only at blocks that are sound by themselves and says what it finds
at the line where it stands; none of them knows what a block is for beyond its own rule.
"""

from collections.abc import Iterator
from typing import Any

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.faults import listed, suggest
from rigd.files.fields import EACH
from rigd.files.pocket_sense import check_pockets
from rigd.files.rig_build import KIND_OF, NO_READ_BACK, quantity_of, signal_of
from rigd.files.rig_limits import check_limits
from rigd.files.rig_shape import CHANNEL_SHAPES, QUANTITY_OF_ROLE, SwitchChannel
from rigd.files.rig_stations import check_stations, count_of, placed, view_of, views_of
from rigd.files.units import NotAQuantity
from rigd.model.rig import CHANNEL_ROLES

VALVES = ("supply", "inlet", "air", "vent", "fill")
OWN_OUTPUTS = ("inlet", "air", "vent", "fill")  # of each station: what is shut here must not be open there
OWN_ROLES = ("specimen", "held_peak", "returned", "displacement", "wet")
NEEDED_OUTPUTS = ("supply", "inlet", "vent", "set_point", "watchdog")
NEEDED_ROLES = {"specimen": 2, "door": 1, "emergency_stop": 1}
ONCE_ROLES = (
    *("feed", "supply", "water_temperature", "specimen_temperature", "door", "emergency_stop", "relief"),
    *("held_peak", "returned", "displacement", "wet", "make_up_flow", "catch", "gas_temperature", "atmosphere"),
)
BIT_TABLES = ("coil", "discrete")
WRITABLE = ("holding", "coil")
LONGEST_STALE_S = 1.0  # a required value older than this guards nothing: 15 psi at the rate of the demo ramp
LAST_OFFSET = 65535


def pick_channel(document: Document, path: Path, entry: Any) -> Any:
    """The shape of a channel follows from its role, or from its quantity when the role is `other`."""
    if not isinstance(entry, dict):
        document.fault(path, document.found(path), "a block of keys", at_key=True)
        return None
    role, quantity = str(entry.get("role")), str(entry.get("quantity"))
    if role in QUANTITY_OF_ROLE:
        return CHANNEL_SHAPES[QUANTITY_OF_ROLE[role]]
    if role == "other":
        if quantity in CHANNEL_SHAPES:
            return CHANNEL_SHAPES[quantity]
        here = (*path, "quantity")
        hint = suggest(quantity, CHANNEL_SHAPES)
        document.fault(here, document.found(here), f"with role `other`: {listed(CHANNEL_SHAPES)}", hint)
        return None
    here = (*path, "role")
    document.fault(here, document.found(here), listed(CHANNEL_ROLES), suggest(role, CHANNEL_ROLES))
    return None


def check_rig(document: Document, sound: dict[str, Any]) -> None:
    """Note every fault of a rig file that no single block shows."""
    check_stations(document, sound)
    whole = {block: len(_entries(sound, block)) == len(_written(document, block)) for block in ("channels", "outputs")}
    guards = whole["channels"] and len(_entries(sound, "rows")) == len(_written(document, "rows"))
    _check_devices(document, sound)
    _check_names(document, sound)
    for view in views_of(sound):
        for name, shape in _entries(view, "channels").items():
            _check_channel(document, name, shape, sound)
        for name, shape in _entries(view, "outputs").items():
            _check_output(document, name, shape)
        _check_once(document, "outputs", _entries(view, "outputs"), tuple(dict.fromkeys((*NEEDED_OUTPUTS, *VALVES))))
        _check_once(document, "channels", _entries(view, "channels"), ONCE_ROLES)
        _check_read_backs(document, _entries(view, "outputs"))
        check_limits(document, view, guards)
    for block in ("channels", "outputs"):
        _check_addresses(document, sound, block)
        _check_own(document, sound, block)
        if whole[block]:
            _check_needed(document, sound, block)
    _check_line(document, sound)
    check_pockets(document, sound)


def _entries(sound: dict[str, Any], block: str) -> dict[str, Any]:
    found = sound.get(block)
    return found if isinstance(found, dict) else {}


def _written(document: Document, block: str) -> list[str]:
    """Names as written, sound or not, so that one bad block does not make others look wrong."""
    found = document.data.get(block) if isinstance(document.data, dict) else None
    return list(found) if isinstance(found, dict) else []


def _check_devices(document: Document, sound: dict[str, Any]) -> None:
    for name, device in _entries(sound, "devices").items():
        path: Path = ("devices", name)
        if device.stale < device.scan:
            allowed = f"at least one scan ({device.scan / 1e6:g} ms)"
            document.fault((*path, "stale"), document.found((*path, "stale")), allowed)
        if device.stale > LONGEST_STALE_S * 1e9:
            document.fault((*path, "stale"), document.found((*path, "stale")), f"at most {LONGEST_STALE_S:g} s")
        watchdog = sound.get("watchdog")
        if watchdog is not None and 2 * device.scan > watchdog:
            todo = "Two scans must fit before the watchdog drops out"
            document.fault((*path, "scan"), document.found((*path, "scan")), f"at most {watchdog / 2e6:g} ms", todo)
        if device.driver == "modbus_tcp":
            for key in ("host", "port", "unit"):
                if getattr(device, key) is None and (*path, key) not in document.keys:
                    document.fault((*path, key), "nothing", f"the key `{key}`, which modbus_tcp needs", f"Add `{key}:`")


def _check_names(document: Document, sound: dict[str, Any]) -> None:
    devices, channels = _written(document, "devices"), _written(document, "channels")
    for block in ("channels", "outputs"):
        for name, shape in _entries(sound, block).items():
            _check_device(document, (block, name, "device"), shape.device, devices)
    for name, shape in _entries(sound, "outputs").items():
        if shape.read_back != NO_READ_BACK:
            _check_name(document, ("outputs", name, "read_back"), shape.read_back, channels, "a channel")
            target = _entries(sound, "channels").get(shape.read_back)
            path = ("outputs", name, "read_back")
            if target is not None and target.role != "read_back":
                document.fault(path, document.found(path), "a channel with `role: read_back`")
            elif target is not None and target.station != shape.station:
                where = f"`station: {shape.station}`" if shape.station else "no `station`"
                document.fault(path, document.found(path), f"a channel with {where}, as {name} has")
    for name, shape in _entries(sound, "rows").items():
        _check_name(document, ("rows", name, "channel"), shape.channel, channels, "a channel")


def _check_device(document: Document, path: Path, device: Any, known: list[str]) -> None:
    if not isinstance(device, list):
        _check_name(document, path, device, known, "a device")
        return
    for at, one in enumerate(device):
        _check_name(document, (*path, at), one, known, "a device")


def _check_name(document: Document, path: Path, name: str, known: list[str], what: str) -> None:
    if name not in known:
        allowed = f"{what} of this file: {listed(known) or 'there is none'}"
        document.fault(path, document.found(path), allowed, suggest(name, known))


def _check_channel(document: Document, name: str, shape: Any, sound: dict[str, Any]) -> None:
    path: Path = ("channels", name)
    table, offset = shape.address
    if isinstance(shape, SwitchChannel):
        if table in BIT_TABLES and shape.bit:
            document.fault((*path, "bit"), document.found((*path, "bit")), f"no bit: a {table} is one bit by itself")
        return
    if table in BIT_TABLES:
        at = (*path, "address")
        document.fault(at, document.found(at), "holding or input for a number", "A coil is one bit")
    if shape.type in ("int32", "uint32", "float32") and offset == LAST_OFFSET:
        document.fault((*path, "address"), document.found((*path, "address")), f"at most {LAST_OFFSET - 1}: two words")
    if shape.type in ("int16", "uint16") and shape.order in ("CDAB", "DCBA"):
        document.fault((*path, "order"), document.found((*path, "order")), "ABCD or BADC for 16 bits")
    if shape.plausible[0] >= shape.plausible[1]:
        document.fault((*path, "plausible"), "the low end not below the high end", "[low, high]")
    if shape.type == "float32" and shape.resolution is None:
        at = (*path, "resolution")
        document.fault(at, "nothing", "the key `resolution`: a float has no count to take it from", "Add `resolution:`")
    _check_signal(document, path, shape)


def _check_signal(document: Document, path: Path, shape: Any) -> None:
    """The straight line from counts to signal, and the curve from signal to value, must both exist."""
    before = len(document.faults)
    signal, at = shape.signal, (*path, "signal")
    if signal.mA and signal.V:
        document.fault(at, "both mA and V", "one of mA and V, or neither for plain counts")
    if signal.counts[0] == signal.counts[1]:
        document.fault((*at, "counts"), "the same counts twice", "two different counts")
    for kind in ("mA", "V"):
        points = getattr(signal, kind) or []
        for end, point in enumerate(points):
            if point.kind != kind:
                document.fault((*at, kind, end), document.found((*at, kind, end)), f"a signal in {kind}")
        if points and points[0].value == points[1].value:
            document.fault((*at, kind), "the same signal twice", "two different signals")
    if len(document.faults) == before:
        _check_calibration(document, (*path, "calibration"), shape)


def _check_calibration(document: Document, path: Path, shape: Any) -> None:
    written = {key: getattr(shape.calibration, key) for key in ("two_point", "table", "polynomial")}
    given = [key for key, value in written.items() if value is not None]
    if len(given) != 1:
        document.fault(path, listed(given) or "nothing", "one of two_point, table, polynomial")
        return
    signal, kind = signal_of(shape), given[0]
    if kind == "polynomial":
        _check_polynomial(document, (*path, kind), written[kind], quantity_of(shape), signal.kind)
        return
    points = written[kind]
    for row, (x, _) in enumerate(points):
        if x.kind != signal.kind:
            at = (*path, kind, row, 0)
            document.fault(at, document.found(at), f"a signal in {signal.kind}, as `signal` says")
            return
    if any(after.value <= before.value for (before, _), (after, _) in zip(points, points[1:], strict=False)):
        document.fault((*path, kind), "signals that do not rise", "each signal above the one before")
    elif all(y == points[0][1] for _, y in points):
        document.fault((*path, kind), "the same value everywhere", "a value that follows the signal")


def _check_polynomial(document: Document, path: Path, texts: list[str], quantity: str, signal: str) -> None:
    for power, text in enumerate(texts):
        try:
            units.parse(text, units.per(KIND_OF[quantity], units.SIGNALS[signal], power))
        except NotAQuantity as trouble:
            document.fault((*path, power), document.found((*path, power)), trouble.allowed, trouble.todo)


def _check_output(document: Document, name: str, shape: Any) -> None:
    path: Path = ("outputs", name)
    if shape.address[0] not in WRITABLE:
        at = (*path, "address")
        document.fault(at, document.found(at), "holding or coil: the others cannot be written")
    if shape.counts.safe == shape.counts.energised:
        document.fault((*path, "counts"), "safe and energised the same", "two different values")
    if shape.counts.safe != 0 and not shape.safe_reason:
        todo = "De-energise to trip: a broken wire must leave the rig isolated and vented"
        allowed = "0, or any value with a `safe_reason` in words"
        document.fault((*path, "counts", "safe"), document.found((*path, "counts", "safe")), allowed, todo)
    if shape.role in VALVES and shape.read_back == NO_READ_BACK:
        at = (*path, "read_back")
        allowed = "a channel with `role: read_back`: a valve must be seen to do as told"
        document.fault(at, document.found(at), allowed)
    if shape.read_back != NO_READ_BACK and shape.agree_within is None:
        document.fault((*path, "agree_within"), "nothing", "a time, since there is a read-back", "Add `agree_within:`")
    if shape.role != "fill" and (shape.role == "set_point") != (shape.pressure is not None):
        at, found = (*path, "pressure"), document.found((*path, "pressure"))
        is_missing = shape.role == "set_point"
        allowed = "{safe: ..., energised: ...}" if is_missing else "no pressure: it is no set-point and no fill valve"
        document.fault(at, found, allowed)
    elif shape.pressure is not None and shape.pressure.safe >= shape.pressure.energised:
        document.fault((*path, "pressure"), "safe not below energised", "the safe pressure below the other")


def _check_addresses(document: Document, sound: dict[str, Any], block: str) -> None:
    """Two names for one register are one of them wrong; one of a repeated entry is named with its station."""
    taken: dict[tuple[Any, ...], str] = {}
    for name, written in _entries(sound, block).items():
        numbers = range(1, count_of(sound) + 1) if written.station == EACH else (0,)
        for number in numbers:
            shape = placed(written, number)
            clash = next((taken[place] for place in _places(shape) if place in taken), "")
            if clash:
                at: Path = (block, name, "address")
                at = (*at, number - 1) if isinstance(written.address, list) else at
                document.fault(at, document.found(at), f"an address not taken by {clash}")
                break
            taken.update(dict.fromkeys(_places(shape), f"{name} of station {number}" if number else name))


def _places(shape: Any) -> Iterator[tuple[Any, ...]]:
    table, offset = shape.address
    if isinstance(shape, SwitchChannel):
        yield shape.device, table, offset, shape.bit
        return
    words = 2 if getattr(shape, "type", "") in ("int32", "uint32", "float32") else 1
    for word in range(words):
        for bit in range(16):
            yield shape.device, table, offset + word, bit


def _check_needed(document: Document, sound: dict[str, Any], block: str) -> None:
    """What no station can do without. The first station that lacks it is told."""
    needed = dict.fromkeys(NEEDED_OUTPUTS, 1) if block == "outputs" else NEEDED_ROLES
    stations = count_of(sound)
    for role, least in needed.items():
        for number in range(1, stations + 1):
            entries = _entries(view_of(sound, number), block)
            if not entries:
                continue
            count = sum(1 for shape in entries.values() if shape.role == role)
            where = f" at station {number}" if stations > 1 else ""
            if count < least and block == "outputs":
                document.fault((block,), f"no output with `role: {role}`{where}", "one of it", at_key=True)
                break
            if count < least:
                allowed = f"at least {least}" + (": one transducer alone is trusted by nobody" if least > 1 else "")
                document.fault((block,), f"{count} with `role: {role}`{where}", allowed, at_key=True)
                break


def _check_own(document: Document, sound: dict[str, Any], block: str) -> None:
    """What belongs to a specimen belongs to its station alone."""
    if count_of(sound) == 1:
        return
    for name, shape in _entries(sound, block).items():
        if shape.role in (OWN_OUTPUTS if block == "outputs" else OWN_ROLES) and shape.station is None:
            allowed = f"the key `station`: {shape.role} is of one specimen and no two stations share it"
            document.fault((block, name, "station"), "nothing", allowed, "Add `station: each`")


def _check_read_backs(document: Document, outputs: dict[str, Any]) -> None:
    seen: dict[str, str] = {}
    for name, shape in outputs.items():
        if shape.read_back != NO_READ_BACK and shape.read_back in seen:
            at = ("outputs", name, "read_back")
            document.fault(at, document.found(at), f"a read-back of its own, {seen[shape.read_back]} has this one")
        seen.setdefault(shape.read_back, name)


def _check_line(document: Document, sound: dict[str, Any]) -> None:
    """A pipe that cannot stretch lengthwise is stiffer by its Poisson's ratio; leaving that out flatters the line."""
    line, at = sound.get("line"), ("line", "poisson")
    if line is not None and line.restraint != "expansion_joints" and line.poisson is None and at not in document.keys:
        allowed = f"the key `poisson`, since the line is {line.restraint}"
        document.fault(at, "nothing", allowed, "Add `poisson: 0.4` as the wall has it (plastics 0.35 to 0.45)")


def _check_once(document: Document, block: str, entries: dict[str, Any], roles: tuple[str, ...]) -> None:
    first: dict[str, str] = {}
    for name, shape in entries.items():
        if shape.role in roles and shape.role in first:
            at = (block, name, "role")
            document.fault(at, document.found(at), f"each such role once; {first[shape.role]} has it")
        first.setdefault(shape.role, name)
