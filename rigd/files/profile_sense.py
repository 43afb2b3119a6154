"""Whether a profile makes sense by itself: steps in a sane order, pressures within its own max, facts a burst needs.

What needs the rig as well (trips, transducers, scan intervals, gas) is `together`.
"""

from typing import Any

from rigd.files import units
from rigd.files.air_shape import check_air
from rigd.files.document import Document, Path
from rigd.files.faults import listed, suggest
from rigd.files.flush_shape import check_flush
from rigd.files.gas_leak import check_gas_leak
from rigd.files.profile_shape import STEP_SHAPES
from rigd.files.surges import check_surge
from rigd.files.turns import check_turns
from rigd.files.walk_shape import WALK_SHAPES, check_walk
from rigd.model.specimen import CAP_FACTS, FACTS

PROOF_MOST_PA = units.parse("25 psi", units.PRESSURE)
"""ASME B31.3-2016 345.5.2: first check at the lesser of half the test pressure or 170 kPa (25 psi)."""
FACTS_OF_A_BURST = tuple(fact for fact in FACTS if fact not in CAP_FACTS or fact in ("make", "size"))
LONGEST_RAMP_NS = 24 * 3600 * 1_000_000_000  # a ramp that takes longer is a hold test and wants another profile
RAISING_STEPS = ("fill", "ramp", "hold", "surge", "cap_turns", "flush", "air_check", "gas_leak")
"""A proof is none of them: it vents by itself."""
CHECKS_UNDER_PRESSURE = ("check_vent", "check_agreement", "check_isolation", "check_bladder")
PRESSURE_STEPS = ("proof", *RAISING_STEPS[1:], *CHECKS_UNDER_PRESSURE)


def pick_step(document: Document, path: Path, entry: Any) -> Any:
    """Each step is a block with one key, its kind."""
    from rigd.files.profile_shape import StepShape

    if not isinstance(entry, dict):
        document.fault(path, document.found(path), f"one key, the kind of step: {listed(STEP_SHAPES)}")
        return None
    if len(entry) != 1:
        document.fault(path, f"{len(entry)} keys", f"one key, the kind of step: {listed(STEP_SHAPES)}")
        return None
    kind = next(iter(entry))
    if kind not in STEP_SHAPES:
        here = (*path, kind)
        document.fault(here, f"the step {kind!r}", listed(STEP_SHAPES), suggest(kind, STEP_SHAPES), at_key=True)
        return None
    return StepShape if entry[kind] is not None else None  # a step without a value was told where it was read


def check_profile(document: Document, sound: dict[str, Any]) -> None:
    """Note what is wrong, and leave `steps` as a list of (kind, shape)."""
    entries = sound.get("steps")
    steps: dict[int, tuple[str, Any]] = {}
    for index, shape in (entries or {}).items() if isinstance(entries, dict) else ():
        kind = next(kind for kind in STEP_SHAPES if getattr(shape, kind) is not None)
        steps[index] = (kind, getattr(shape, kind))
    _check_order(document, sound)
    for index, (kind, shape) in steps.items():
        path: Path = ("steps", index, kind)
        if kind == "ramp":
            _check_ramp(document, path, shape)
        if kind == "proof":
            _check_proof(document, path, shape, sound)
        if kind == "surge":
            check_surge(document, path, shape)
            if _written_kinds(document).index("surge") != path[1]:
                todo = "Put its cycles into `blocks`, or make it a profile of its own"
                allowed = "one `surge` a profile: cycles are counted once"
                document.fault(path, "a second `surge`", allowed, todo, at_key=True)
        if kind == "air_check":
            check_air(document, path, shape, sound)
        if kind == "flush":
            check_flush(document, path, shape)
        if kind == "cap_turns":
            check_turns(document, path, shape, _written_kinds(document), sound.get("required") or [])
        if kind == "gas_leak":
            check_gas_leak(document, path, shape, _written_kinds(document))
        if kind in WALK_SHAPES:
            check_walk(document, path, kind, shape, sound.get("max"))
        else:
            _check_within_max(document, path, shape, sound)
    _check_criterion(document, sound, steps)
    _check_facts(document, sound)
    sound["steps"] = list(steps.values())


def _written_kinds(document: Document) -> list[str]:
    """Kinds as written, sound or not, so that a bad step does not make the order look wrong."""
    steps = document.data.get("steps") if isinstance(document.data, dict) else None
    if not isinstance(steps, list):
        return []
    return [next(iter(step)) if isinstance(step, dict) and len(step) == 1 else "" for step in steps]


def _check_order(document: Document, sound: dict[str, Any]) -> None:
    """Hands first, pressure in the middle, vent, then the question, then close down."""
    kinds, skips = _written_kinds(document), sound.get("skips") or {}
    if not kinds or "" in kinds or any(kind not in STEP_SHAPES for kind in kinds):
        return
    raised = proved = False
    filled = "gas_leak" in kinds  # with gas, and it refuses a `fill` beside it
    for index, kind in enumerate(kinds):
        path: Path = ("steps", index, kind)
        if kind in ("mount", "ask", "close_down", *WALK_SHAPES) and raised:
            document.fault(path, f"`{kind}` with pressure still in the body", "a `vent` step before it", at_key=True)
            raised = False  # told once
        if kind in ("ramp", "hold", "surge", "cap_turns", "flush", "gas_leak"):
            _need_before(document, path, kind, "fill", filled, skips)
            _need_before(document, path, kind, "proof", proved, skips)
        if kind in ("proof", "air_check"):
            _need_before(document, path, kind, "fill", filled, skips)
        if kind == "hold" and not raised and "as reached" in str(document.texts.get((*path, "pressure"), "")):
            at = (*path, "pressure")
            document.fault(at, document.found(at), "a pressure: nothing has been reached before this step")
        filled, proved = filled or kind == "fill", proved or kind == "proof"
        raised = kind in RAISING_STEPS or (raised and kind not in ("vent", "proof"))
    _check_ends(document, kinds, skips, raised)


def _need_before(document: Document, path: Path, kind: str, need: str, met: bool, skips: dict[str, str]) -> None:
    if not met and need not in skips:
        todo = f"Or say why not: `skips: {{{need}: reason in words}}`"
        document.fault(path, f"`{kind}` without `{need}`", f"a `{need}` step before it", todo, at_key=True)


def _check_ends(document: Document, kinds: list[str], skips: dict[str, str], raised: bool) -> None:
    if raised:
        document.fault(("steps",), "pressure still in the body at the end", "a `vent` step", at_key=True)
    if not any(kind in kinds for kind in PRESSURE_STEPS):
        return
    for need, wanted in (("mount", kinds[0]), ("close_down", kinds[-1])):
        place = "first" if need == "mount" else "last"
        if wanted != need and need not in skips:
            index = 0 if need == "mount" else len(kinds) - 1
            todo = f"Or say why not: `skips: {{{need}: reason in words}}`"
            path: Path = ("steps", index, wanted)
            document.fault(path, f"`{wanted}` {place}", f"`{need}` {place}", todo, at_key=True)
    if "ask" not in kinds and ("ramp" in kinds or "surge" in kinds) and "ask" not in skips:
        todo = "Or say why not: `skips: {ask: reason in words}`"
        document.fault(("steps",), "no `ask` step", "one after the vent: only a person can say what failed", todo)


def _check_ramp(document: Document, path: Path, shape: Any) -> None:
    """By rate, or by window and expected pressure; never both, never half."""
    given = [key for key in ("rate", "window", "expected_pressure") if getattr(shape, key) is not None]
    if given not in (["rate"], ["window", "expected_pressure"]):
        allowed = "`rate`, or `window` with `expected_pressure`"
        document.fault(path, listed(given) or "no rate", allowed, at_key=True)
        return
    if shape.window is not None:
        if shape.window[0] >= shape.window[1]:
            document.fault((*path, "window"), "the early end not before the late end", "[early, late]")
            return
        if shape.expected_pressure > shape.ceiling:
            at = (*path, "expected_pressure")
            document.fault(at, document.found(at), "at most the ceiling")
    rate = shape.rate or shape.expected_pressure / ((shape.window[0] + shape.window[1]) / 2e9)
    if shape.ceiling / rate * 1e9 > LONGEST_RAMP_NS:
        hours = LONGEST_RAMP_NS / 3.6e12
        document.fault(path, f"a ramp of {shape.ceiling / rate / 3600:.0f} h", f"at most {hours:g} h", at_key=True)


def _check_proof(document: Document, path: Path, shape: Any, sound: dict[str, Any]) -> None:
    most = min(PROOF_MOST_PA, sound["max"] / 2.0) if "max" in sound else PROOF_MOST_PA
    if shape.pressure > most:
        at = (*path, "pressure")
        allowed = f"at most {units.say(most, 'psi')}, the lesser of half the max and 25 psi (ASME B31.3-2016 345.5)"
        document.fault(at, document.found(at), allowed)
    for key in ("loss", "fall_below"):
        if getattr(shape, key) >= shape.pressure:
            at = (*path, key)
            document.fault(at, document.found(at), f"below the proof pressure, {units.say(shape.pressure, 'psi')}")


def _check_within_max(document: Document, path: Path, shape: Any, sound: dict[str, Any]) -> None:
    for key in ("ceiling", "pressure", "until", "charge"):
        value = getattr(shape, key, None)
        if value is not None and "max" in sound and value > sound["max"]:
            at = (*path, key)
            document.fault(at, document.found(at), f"at most the profile's max, {units.say(sound['max'], 'psi')}")


def _check_criterion(document: Document, sound: dict[str, Any], steps: dict[int, tuple[str, Any]]) -> None:
    if "minimum" not in sound:
        return
    for kind, shape in steps.values():
        if kind == "ramp" and sound["minimum"] > shape.ceiling:
            allowed = f"at most the ceiling of the ramp, {units.say(shape.ceiling, 'psi')}: else nothing can pass"
            document.fault(("minimum",), document.found(("minimum",)), allowed)
    signs = sound.get("signs")
    if signs is not None and "max" in sound and max(signs.drop, signs.lag) >= sound["max"]:
        key = "drop" if signs.drop >= sound["max"] else "lag"
        document.fault(("signs", key), document.found(("signs", key)), "below the profile's max")


def _check_facts(document: Document, sound: dict[str, Any]) -> None:
    """What must be known of every burst (ASTM D1599-99(2005) 11.1 asks for these)."""
    required = sound.get("required")
    if required is None:
        return
    for index, fact in enumerate(required):
        if fact in required[:index]:
            document.fault(("required", index), document.found(("required", index)), "each fact once")
    missing = [fact for fact in FACTS_OF_A_BURST if fact not in required]
    if missing and "ramp" in _written_kinds(document):
        allowed = f"every fact of a burst; missing: {listed(missing)}"
        document.fault(("required",), f"{len(required)} facts", allowed, at_key=True)
