"""Whether the limits of a rig stand in the right order, and whether its guards guard.

profile max < trip < relief reseat < relief set < weakest part, each at least the relief's margin below the next; a vent
limit that the transducers can prove; two transducers that are really two; the door and the emergency stop as the rules
of the trade want them. The profile's own max is compared in `together`. All pressures are gauge [Pa].
"""

from itertools import pairwise
from typing import Any

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.faults import listed, suggest
from rigd.files.rig_build import calibration_of, limit_of, quantity_of, resolution_of, signal_of
from rigd.files.rig_shape import SWITCH_WORDS, SwitchChannel
from rigd.files.units import NotAQuantity

PRESSURISED = ("ARMED", "RUNNING", "VENTING")
BEFORE_PRESSURE = ("VENTED", "READY")
PERMISSIVE_STATES = ("VENTED", "READY", "ARMED")
OVERPRESSURE_PERSISTENCE_NS = 100_000_000  # 100 ms at 15 psi/s is 1.5 psi; longer eats the margin below the relief
TRIP_PERSISTENCE_NS = 2_000_000_000  # a trip that waits longer is not one
WEATHER_PA = 5_000.0  # how far the air pressure of a place strays from what is declared (common practice)
SPECIMEN_KEYS = ("above_datum", "zero_limit", "tapping", "module", "power")
INDEPENDENT_KEYS = ("tapping", "module", "power")


def psi(value_pa: float) -> str:
    return units.say(value_pa, "psi")


def check_limits(document: Document, sound: dict[str, Any], whole: bool) -> None:
    """`sound` is the file as one station has it; `whole`: every channel and row of the file is sound by itself."""
    channels = dict(sound.get("channels") or {})
    rows = dict(sound.get("rows") or {})
    limits = {name: _check_row(document, name, row, channels) for name, row in rows.items()}
    if whole and all(limit is not None for limit in limits.values()):
        _check_guards(document, rows, channels)
    _check_specimen_channels(document, channels)
    _check_ambient(document, sound, channels)
    _check_ladder(document, sound, rows, limits)
    _check_vent_limit(document, sound, channels)
    _check_agreement(document, sound, channels)
    _check_approach(document, sound)


def _specimens(channels: dict[str, Any]) -> dict[str, Any]:
    return {name: shape for name, shape in channels.items() if shape.role == "specimen"}


def _check_row(document: Document, name: str, row: Any, channels: dict[str, Any]) -> tuple[str, float] | None:
    """One row by itself. Returns its test and limit in SI when they can be understood."""
    path: Path = ("rows", name)
    _check_row_kind(document, path, row)
    tests = [key for key in ("above", "below", "is") if getattr(row, "is_" if key == "is" else key) is not None]
    if len(tests) != 1:
        document.fault(path, listed(tests) or "no limit", "one of above, below, is", at_key=True)
        return None
    shape, at = channels.get(row.channel), (*path, tests[0])
    if shape is None:
        return None
    if row.kind == "trip" and not shape.required:
        here = (*path, "channel")
        document.fault(here, document.found(here), "a required channel: one that may be lost guards nothing")
    switch = isinstance(shape, SwitchChannel)
    if switch != (tests[0] == "is"):
        words = f"`is: {'` or `is: '.join(SWITCH_WORDS[shape.role])}`" if switch else "above or below, with a unit"
        document.fault(at, tests[0], f"{words}, since {row.channel} is a {quantity_of(shape)}", at_key=True)
        return None
    if switch and row.is_ not in SWITCH_WORDS[shape.role]:
        words = SWITCH_WORDS[shape.role]
        document.fault(at, document.found(at), " or ".join(words), suggest(str(row.is_), words))
        return None
    try:
        return limit_of(row, quantity_of(shape), shape.role)
    except NotAQuantity as trouble:
        document.fault(at, document.found(at), trouble.allowed, trouble.todo)
        return None


def _check_row_kind(document: Document, path: Path, row: Any) -> None:
    """What each of the three kinds needs and may not have."""
    needs = {"permissive": (), "interlock": ("action",), "trip": ("action", "reset_by")}[row.kind]
    for key in ("action", "reset_by"):
        given = getattr(row, key) is not None
        if given and key not in needs:
            document.fault((*path, key), document.found((*path, key)), f"no {key}: a {row.kind} has none", at_key=True)
        if not given and key in needs:
            allowed = "`anyone`, or who may reset it, in words" if key == "reset_by" else "vent or hold"
            allowed = "vent" if key == "action" and row.kind == "trip" else allowed
            document.fault((*path, key), "nothing", allowed, f"Add `{key}:`")
    if row.kind == "trip" and row.action == "hold":
        at = (*path, "action")
        document.fault(at, document.found(at), "vent: a trip forces the safe state", "An interlock may hold")
    if row.kind == "trip" and row.persistence > TRIP_PERSISTENCE_NS:
        at = (*path, "persistence")
        document.fault(at, document.found(at), f"at most {TRIP_PERSISTENCE_NS / 1e9:g} s for a trip")
    for index, state in enumerate(row.when):
        at = (*path, "when", index)
        if state in row.when[:index]:
            document.fault(at, document.found(at), "each state once")
        if row.kind == "permissive" and state not in PERMISSIVE_STATES:
            allowed = f"{listed(PERMISSIVE_STATES)}: a permissive is for arming and starting"
            document.fault(at, document.found(at), allowed, "A trip guards while there is pressure")


def _check_guards(document: Document, rows: dict[str, Any], channels: dict[str, Any]) -> None:
    """Guards no rig may be without."""
    block: Path = ("rows",)
    for name, shape in channels.items():
        if shape.role == "specimen":
            found = [row for row in rows.values() if _trips(row, name) and row.above is not None]
            if not found:
                allowed = f"a trip `above` on {name} in {listed(PRESSURISED)}"
                document.fault(block, f"no overpressure trip on {name}", allowed, at_key=True)
        if shape.role in ("door", "emergency_stop"):
            bad, good = SWITCH_WORDS[shape.role]
            if not any(_trips(row, name) and row.is_ == bad for row in rows.values()):
                allowed = f"a trip `is: {bad}` on {name} in {listed(PRESSURISED)}"
                document.fault(block, f"no trip on {name}", allowed, at_key=True)
            if not any(_permits(row, name) and row.is_ == good for row in rows.values()):
                allowed = f"a permissive `is: {good}` on {name} in {listed(BEFORE_PRESSURE)}"
                document.fault(block, f"no permissive on {name}", allowed, at_key=True)


def _trips(row: Any, channel: str) -> bool:
    return row.kind == "trip" and row.channel == channel and set(PRESSURISED) <= set(row.when)


def _permits(row: Any, channel: str) -> bool:
    return row.kind == "permissive" and row.channel == channel and set(BEFORE_PRESSURE) <= set(row.when)


def _check_specimen_channels(document: Document, channels: dict[str, Any]) -> None:
    """Two transducers count as two only on separate tappings, modules and supplies (SAFETY S28)."""
    specimens = _specimens(channels)
    for name, shape in specimens.items():
        path: Path = ("channels", name)
        for key in SPECIMEN_KEYS:
            if getattr(shape, key) is None and (*path, key) not in document.keys:
                document.fault((*path, key), "nothing", f"the key `{key}` on a specimen channel", f"Add `{key}:`")
        if not shape.required:
            document.fault((*path, "required"), document.found((*path, "required")), "true on a specimen channel")
    for (name, one), (other_name, other) in pairwise(specimens.items()):
        if one.reference != other.reference:
            at = ("channels", other_name, "reference")
            document.fault(at, document.found(at), f"{one.reference}, as {name}: references do not mix")
        for key in INDEPENDENT_KEYS:
            mine = getattr(other, key)
            if mine is not None and mine == getattr(one, key):
                at = ("channels", other_name, key)
                allowed = f"another {key} than {name}: two channels that share one are one"
                document.fault(at, document.found(at), allowed)


def _check_ladder(
    document: Document, sound: dict[str, Any], rows: dict[str, Any], limits: dict[str, tuple[str, float] | None]
) -> None:
    relief = sound.get("relief")
    if relief is None:
        return
    channels, below = sound.get("channels") or {}, 1.0 - relief.margin
    for name, row in rows.items():
        shape, limit = channels.get(row.channel), limits[name]
        if shape is None or limit is None or row.kind != "trip" or limit[0] != "above":
            continue
        at: Path = ("rows", name, "above")
        if shape.role == "specimen":
            if limit[1] > relief.reseat * below:
                _refuse_step(document, at, "relief reseat", relief.reseat, relief.margin)
            if row.persistence > OVERPRESSURE_PERSISTENCE_NS:
                here = (*at[:2], "persistence")
                allowed = f"at most {OVERPRESSURE_PERSISTENCE_NS / 1e6:g} ms on a specimen channel"
                document.fault(here, document.found(here), allowed)
        elif shape.role == "feed" and limit[1] >= relief.reseat:
            document.fault(at, document.found(at), f"below the relief reseat, {psi(relief.reseat)}")
    if relief.reseat > relief.set_ * below:
        _refuse_step(document, ("relief", "reseat"), "relief set", relief.set_, relief.margin)
    weakest = find_weakest(sound)
    if weakest is not None and relief.set_ > weakest[1] * below:
        _refuse_step(document, ("relief", "set"), f"the weakest part ({weakest[0]})", weakest[1], relief.margin)


def _refuse_step(document: Document, path: Path, next_name: str, next_pa: float, margin: float) -> None:
    most = psi(next_pa * (1.0 - margin))
    allowed = f"at most {most}: {margin * 100:g} % below the {next_name.removeprefix('the ')}, {psi(next_pa)}"
    todo = "The order is profile max < trip < relief reseat < relief set < weakest part"
    document.fault(path, document.found(path), allowed, todo)


def find_weakest(sound: dict[str, Any]) -> tuple[str, float] | None:
    """The part that fails first: the parts of the file and what each pressure transducer survives."""
    parts = list((sound.get("parts") or {}).items())
    for name, shape in (sound.get("channels") or {}).items():
        if quantity_of(shape) == "pressure" and shape.role != "atmosphere":
            parts.append((f"transducer {name}", shape.proof))
    return min(parts, key=lambda part: part[1], default=None)


def _check_ambient(document: Document, sound: dict[str, Any], channels: dict[str, Any]) -> None:
    """Limits are gauge: what counts from vacuum or from shut-in air needs the air pressure of the place."""
    if sound.get("ambient") is not None or ("ambient",) in document.keys:
        return
    for name, shape in channels.items():
        if quantity_of(shape) == "pressure" and shape.reference != "gauge":
            at: Path = ("channels", name, "reference")
            allowed = "gauge, or the key `ambient` in this file: the air pressure at the rig"
            document.fault(at, document.found(at), allowed, "Add `ambient: 101.3 kPa`, as the place has it")


def _check_vent_limit(document: Document, sound: dict[str, Any], channels: dict[str, Any]) -> None:
    """A transducer cannot prove less than its own uncertainty at zero (SAFETY S28)."""
    vent = sound.get("vent")
    if vent is None:
        return
    least, name = max(
        (
            (shape.accuracy + _resolution(shape) + _weather_pa(shape), name)
            for name, shape in _specimens(channels).items()
        ),
        default=(0.0, ""),
    )
    if vent.limit <= least:
        at: Path = ("vent", "limit")
        allowed = f"above {psi(least)}, the accuracy and resolution of {name}: it can prove no less"
        document.fault(at, document.found(at), allowed, "Use a transducer of lower range, or raise the limit")
    if vent.hold >= vent.timeout:
        document.fault(("vent", "hold"), document.found(("vent", "hold")), "shorter than the timeout")


def _weather_pa(shape: Any) -> float:
    """What the weather may add to a transducer that does not count from the air around it [Pa]."""
    return 0.0 if shape.reference == "gauge" else WEATHER_PA


def _resolution(shape: Any) -> float:
    try:
        signal = signal_of(shape)
        return resolution_of(shape, calibration_of(shape, quantity_of(shape), signal), signal)
    except (NotAQuantity, TypeError, ZeroDivisionError, ValueError):
        return 0.0  # its own fault is noted already; the accuracy alone is still a check


def _check_agreement(document: Document, sound: dict[str, Any], channels: dict[str, Any]) -> None:
    agreement, specimens = sound.get("agreement"), list(_specimens(channels).values())
    if agreement is None or len(specimens) < 2:
        return
    least = specimens[0].accuracy + specimens[1].accuracy
    if agreement.limit < least:
        at: Path = ("agreement", "limit")
        document.fault(at, document.found(at), f"at least {psi(least)}: two sound transducers may differ so much")


def _check_approach(document: Document, sound: dict[str, Any]) -> None:
    approach, vent, relief = sound.get("approach"), sound.get("vent"), sound.get("relief")
    if approach is None:
        return
    if vent is not None and approach < vent.limit:
        document.fault(("approach",), document.found(("approach",)), f"at least the vent limit, {psi(vent.limit)}")
    if relief is not None and approach >= relief.reseat:
        document.fault(("approach",), document.found(("approach",)), f"below the relief reseat, {psi(relief.reseat)}")
