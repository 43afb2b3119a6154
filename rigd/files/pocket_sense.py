"""Whether the pockets of a rig file can be proven by what it names, and its rise test by its transducers."""

from typing import Any

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.faults import listed, suggest
from rigd.files.rig_build import NO_READ_BACK, calibration_of, quantity_of, resolution_of, signal_of
from rigd.files.units import NotAQuantity

CONTROLS = ("set_point", "watchdog")  # every valve must be read back anyway


def check_pockets(document: Document, sound: dict[str, Any]) -> None:
    """Each pocket is proven by a sensor that can, let out by an output that is seen, or handed to a person."""
    channels, outputs = sound.get("channels") or {}, sound.get("outputs") or {}
    for name, pocket in (sound.get("pockets") or {}).items():
        path: Path = ("pockets", name)
        if pocket.sensor is None and pocket.vent is None and not pocket.hand_checked:
            allowed = "a `sensor`, a `vent`, or `hand_checked: true`"
            document.fault(path, "a pocket nobody looks at", allowed, at_key=True)
        for key, known in (("sensor", channels), ("vent", outputs)):
            wanted, at = getattr(pocket, key), (*path, key)
            if wanted is not None and wanted not in _written(document, key):
                allowed = f"one of {listed(known)}"
                document.fault(at, document.found(at), allowed, suggest(wanted, known))
        _check_sensor(document, (*path, "sensor"), channels.get(pocket.sensor), sound)
        output = outputs.get(pocket.vent)
        if output is not None and output.role in CONTROLS and output.read_back == NO_READ_BACK:
            at = (*path, "vent")
            document.fault(at, document.found(at), "an output with a read-back: a vent must be seen to be open")
    _check_isolation_test(document, sound, channels)


def _written(document: Document, key: str) -> list[str]:
    """Names as written in the block that a key points at, sound or not: a bad block has faults of its own."""
    block = document.data.get({"sensor": "channels", "vent": "outputs"}[key])
    return list(block) if isinstance(block, dict) else []


def _check_sensor(document: Document, at: Path, shape: Any, sound: dict[str, Any]) -> None:
    """A transducer cannot prove less than its own uncertainty at zero (SAFETY S28)."""
    if shape is None:
        return
    if quantity_of(shape) != "pressure":
        document.fault(at, document.found(at), "a channel that reads pressure")
        return
    vent = sound.get("vent")
    if vent is not None and shape.role != "specimen" and vent.limit <= shape.accuracy and not _is_refused(vent, sound):
        limit, accuracy = units.say(vent.limit, "psi"), units.say(shape.accuracy, "psi")
        allowed = f"a transducer that can prove the vent limit, {limit}: this one is good for {accuracy} at zero"
        document.fault(at, document.found(at), allowed, "Give it a transducer of lower range, or check it by hand")


def _is_refused(vent: Any, sound: dict[str, Any]) -> bool:
    """Whether the limit is below what the specimen's own transducers can prove: that is told where it stands."""
    specimens = [shape for shape in (sound.get("channels") or {}).values() if shape.role == "specimen"]
    return any(vent.limit <= shape.accuracy + _resolution(shape) for shape in specimens)


def _check_isolation_test(document: Document, sound: dict[str, Any], channels: dict[str, Any]) -> None:
    vent = sound.get("vent")
    if vent is None or vent.isolation_test is None:
        return
    test, path = vent.isolation_test, ("vent", "isolation_test")
    if test.rise >= vent.limit:
        at = (*path, "rise")
        document.fault(at, document.found(at), f"below the vent limit, {units.say(vent.limit, 'psi')}")
    for name, shape in channels.items():
        if shape.role == "specimen" and test.rise < 2.0 * _resolution(shape):
            at = (*path, "rise")
            document.fault(at, document.found(at), f"at least two steps of {name}: it can see no less")
    if test.shut_for + 2 * vent.hold >= vent.timeout:
        at = (*path, "shut_for")
        document.fault(at, document.found(at), "short enough to fit into the vent timeout with two hold times")


def _resolution(shape: Any) -> float:
    try:
        signal = signal_of(shape)
        return resolution_of(shape, calibration_of(shape, quantity_of(shape), signal), signal)
    except (NotAQuantity, TypeError, ZeroDivisionError, ValueError):
        return 0.0  # its own fault is noted already
