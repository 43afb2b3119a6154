"""What a cap-turn leak test must say to be safe and to mean something, by itself and on a rig.

By itself: enough thread left at the largest turn for every model named, gas never under a cap that a hand turns, no
decay and no make-up flow through an open outlet, marks farther apart than a hand errs. On a rig: the channels it
measures with, each method fine enough for a tenth of its limit, people near only below the approach pressure, and a
permissive where a cap is turned under pressure (SAFETY S31).
"""

from itertools import pairwise
from math import sqrt
from typing import Any

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.faults import listed
from rigd.files.turn_shape import methods_of
from rigd.model.leak import METHODS, CapTurns, LeakMethod, Thread
from rigd.model.rig import Channel, Rig
from rigd.model.specimen import Specimen

RESOLVED_PARTS = 10.0  # of its limit: ASTM E2930-13(2021) 5.1 (seen) for decay, a house rule for every method
LEAST_ENGAGED_TURNS = 1.0  # of thread under any pressure (common practice)
MOST_DROPS_PER_S = 5.0  # a steady stream: AWWA (drinktap.org)
WATER_KG_PER_M3 = 998.2
STEP_PARTS = 10.0  # of the gauge's step that the stiffness step must be
STEP_U = 1.0 / sqrt(12.0)
NEEDS_CLOSED_OUTLET = ("make_up", "decay")
AIR_CHECK = "air_check"


def ml_per_min(flow: float) -> str:
    return units.say(flow, "mL/min", units.FLOW, 3)


# ---- by itself


def check_turns(document: Document, path: Path, shape: Any, kinds: list[str], required: list[str]) -> None:
    """`kinds`: the steps of the profile as written; `required`: its facts."""
    _check_marks(document, path, shape)
    _check_thread(document, path, shape)
    _check_danger(document, path, shape, kinds)
    _check_methods(document, path, shape)
    missing = [fact for fact in ("make", "size", "loosenings") if fact not in required]
    if missing and required:
        allowed = f"the facts of a cap: {listed(missing)} missing; which thread it is, and whether its seal is new"
        document.fault(("required",), f"{len(required)} facts", allowed, at_key=True)


def _check_marks(document: Document, path: Path, shape: Any) -> None:
    at = (*path, "turns")
    if shape.turns[0].turns <= 0.0:
        document.fault((*at, 0), document.found((*at, 0)), "more than 0: tightness fully tight is proved by itself")
    gaps = []
    for row, (before, after) in enumerate(pairwise(shape.turns), 1):
        gaps.append(after.turns - before.turns)
        if gaps[-1] <= 0.0:
            document.fault((*at, row), document.found((*at, row)), f"more than the mark before, {before.text}")
    nearest = min([shape.turns[0].turns, *gaps])
    if nearest > 0.0 and 2.0 * shape.angle_uncertainty.turns >= nearest:
        here = (*path, "angle_uncertainty")
        allowed = f"below half of the smallest distance of two marks, {nearest / 2.0:g}: else they are one mark"
        document.fault(here, document.found(here), allowed)
    if shape.minimum_turns.turns > shape.turns[-1].turns:
        here = (*path, "minimum_turns")
        document.fault(here, document.found(here), f"at most the largest mark, {shape.turns[-1].text}")


def _check_thread(document: Document, path: Path, shape: Any) -> None:
    """A list that leaves too little thread for any model is refused."""
    at = (*path, "least_engaged")
    if shape.least_engaged.turns < LEAST_ENGAGED_TURNS:
        document.fault(at, document.found(at), f"at least {LEAST_ENGAGED_TURNS:g} turn: a cap on less thread comes off")
    farthest = max(turn.turns for turn in shape.turns) + shape.angle_uncertainty.turns
    seen: list[tuple[str, str]] = []
    for row, thread in enumerate(shape.threads):
        here = (*path, "threads", row)
        left = thread.turns.turns - farthest
        if left < shape.least_engaged.turns:
            found = f"{left:g} turns of thread left on {thread.make} {thread.size} at the largest mark"
            todo = "Take the largest marks out of `turns`"
            document.fault((*here, "turns"), found, f"at least {shape.least_engaged.text}", todo)
        if (thread.make, thread.size) in seen:
            document.fault(here, f"{thread.make} {thread.size} twice", "each model once")
        seen.append((thread.make, thread.size))


def _check_danger(document: Document, path: Path, shape: Any, kinds: list[str]) -> None:
    if shape.medium == "gas":
        at = (*path, "medium")
        todo = "Gas under a cap throws it: fill with water, or make a profile with `gas_leak`, where nobody turns a cap"
        if shape.turned_by == "hand":
            document.fault(at, document.found(at), "water: gas never with a cap that a hand turns", todo)
        else:
            document.fault(at, document.found(at), "water: a cap that is turned never has gas behind it", todo)
    at = (*path, "vent_before_turn")
    if not shape.vent_before_turn:
        if shape.permissive is None:
            allowed = "true, or a permissive of the rig by name in the key `permissive`"
            document.fault(at, document.found(at), allowed)
        if shape.order != "ascending":
            allowed = f"true with order {shape.order}: a cap is tightened again only on a vented line"
            document.fault(at, document.found(at), allowed)
    elif shape.permissive is not None:
        here = (*path, "permissive")
        document.fault(here, document.found(here), "no permissive: the line is vented before each turn", at_key=True)
    checked = [
        at for at, kind in enumerate(kinds[: int(path[1])])
        if kind == AIR_CHECK and document.texts.get(("steps", at, AIR_CHECK, "at_most")) != "none"
    ]  # fmt: skip
    if shape.observer == "specimen" and not checked:
        here = (*path, "observer")
        allowed = "window or camera; at the specimen only after an air check with a limit in this profile (SAFETY S31)"
        document.fault(here, document.found(here), allowed)


def _check_methods(document: Document, path: Path, shape: Any) -> None:
    at, methods = (*path, "methods"), methods_of(shape)
    if not methods:
        document.fault(at, "no method", f"one or several of {listed(METHODS)}", at_key=True)
    for method in methods:
        here = (*at, method.kind)
        if method.kind in NEEDS_CLOSED_OUTLET:
            if shape.outlet == "flowing":
                allowed = "eye, catch or drops: with the outlet flowing what runs through is not a leak"
                document.fault(here, method.kind, allowed, "Or block the outlet", at_key=True)
            if shape.stiffness is None:
                allowed = "the key `stiffness`: dV/dp is measured at the test pressure or the method means nothing"
                document.fault(here, method.kind, allowed, "Add `stiffness:`", at_key=True)
        if method.kind == "decay" and (method.expansion_per_k > 0.0) != (method.expansion_u_per_k > 0.0):
            lacks = "expansion_uncertainty" if method.expansion_per_k else "expansion"
            allowed = f"the key `{lacks}` too: warming is taken off with its uncertainty or not at all"
            document.fault((*here, lacks), "nothing", allowed, f"Add `{lacks}:`, or leave both out")
        if method.kind == "catch":
            by_person = method.read_by == "person"
            if by_person != (method.catch_u_kg > 0.0):
                place = (*here, "uncertainty")
                words = (
                    "its uncertainty, since a person reads the scale" if by_person else "none: the channel has its own"
                )
                document.fault(place, document.found(place), words)
        if method.kind == "drops" and method.limit_m3_per_s > MOST_DROPS_PER_S * method.drop_m3:
            place = (*here, "limit")
            document.fault(place, document.found(place), "below five drops a second: catch and weigh a stream")
    if shape.stiffness is not None and shape.stiffness.step >= shape.pressure / 2.0:
        here = (*path, "stiffness", "step")
        document.fault(here, document.found(here), "a small part of the pressure, below half of it")


# ---- on a rig


def check_turns_on(rig: Rig, document: Document, path: Path, step: CapTurns) -> None:
    if step.observer == "specimen" and step.pressure_pa >= rig.approach_pa:
        at = (*path, "pressure")
        allowed = f"below the approach pressure of {rig.name}, {units.say(rig.approach_pa, 'psi')}: people are near"
        document.fault(at, document.found(at), allowed)
    if not step.vent_before_turn:
        _check_turning_under_pressure(rig, document, path, step)
    for method in step.methods:
        _check_method_on(rig, document, (*path, "methods", method.kind), step, method)


def _check_turning_under_pressure(rig: Rig, document: Document, path: Path, step: CapTurns) -> None:
    if not any(row.kind == "permissive" and row.name == step.permissive for row in rig.rows):
        at = (*path, "permissive")
        named = listed(row.name for row in rig.rows if row.kind == "permissive")
        document.fault(at, document.found(at), f"a permissive of {rig.name} made for it; it has {named}")
    if step.pressure_pa >= rig.approach_pa:
        at = (*path, "pressure")
        allowed = f"below the approach pressure of {rig.name}, {units.say(rig.approach_pa, 'psi')}, to turn under it"
        document.fault(at, document.found(at), allowed)


def _check_method_on(rig: Rig, document: Document, path: Path, step: CapTurns, method: LeakMethod) -> None:
    missing = [role for role in needed_channels(method) if _channel(rig, role) is None]
    if missing:
        document.fault(path, method.kind, f"a rig with a channel of role {listed(missing)}; {rig.name} has none")
        return
    if method.kind == "eye":
        return
    resolves = resolved_m3_per_s(rig, step, method)
    if resolves * RESOLVED_PARTS > method.limit_m3_per_s:
        at = (*path, "limit")
        allowed = (
            f"at least {ml_per_min(resolves * RESOLVED_PARTS)}: {method.kind} resolves {ml_per_min(resolves)} here, "
            "and must resolve a tenth of its limit"
        )
        document.fault(at, document.found(at), allowed, "Dwell longer, or measure finer")


def needed_channels(method: LeakMethod) -> tuple[str, ...]:
    if method.kind in NEEDS_CLOSED_OUTLET:
        return ("make_up_flow",)  # decay too: the stiffness is measured with it
    return ("catch",) if method.kind == "catch" and method.read_by == "channel" else ()


def resolved_m3_per_s(rig: Rig, step: CapTurns, method: LeakMethod) -> float:
    """What a method tells from no leak at all, as a standard uncertainty; for drops, one drop."""
    seconds = step.dwell_ns / 1e9
    gauge = next(channel for channel in rig.channels if channel.role == "specimen")
    two_readings_pa = gauge.resolution * STEP_U * sqrt(2.0)
    stored = step.stiffness_most_m3_per_pa * two_readings_pa / seconds
    if method.kind == "decay":
        return stored
    if method.kind == "make_up":
        meter = _channel(rig, "make_up_flow")
        assert meter is not None
        return sqrt(meter.accuracy**2 + (meter.resolution * STEP_U) ** 2 + stored**2)
    if method.kind == "catch":
        scale = _channel(rig, "catch")
        if method.read_by == "person" or scale is None:
            return method.catch_u_kg / WATER_KG_PER_M3 / seconds
        return sqrt(2.0) * sqrt(scale.accuracy**2 + (scale.resolution * STEP_U) ** 2) / WATER_KG_PER_M3 / seconds
    return method.drop_m3 / seconds


def _channel(rig: Rig, role: str) -> Channel | None:
    return next((channel for channel in rig.channels if channel.role == role), None)


# ---- with a specimen


def check_thread_of(specimen: Specimen, document: Document, path: Path, step: CapTurns) -> None:
    """A model whose thread nobody counted is refused as soon as make and size are known; the engine does so for those
    that are only told at the rig."""
    facts = dict(specimen.facts)
    make, size = facts.get("make", ""), facts.get("size", "")
    if not make or not size or step.has_counted(make, size):
        return
    found = f"no thread of make {make}, size {size}, which {specimen.id} has"
    allowed = f"one of its models: {listed(f'{thread.make} {thread.size}' for thread in step.threads)}"
    row = f"- {{make: {make}, size: {size}, turns: TURNS}}"
    todo = f"Count its engaged turns from fully tight at zero pressure and add `{row}`, or put its make and size right"
    document.fault((*path, "threads"), found, allowed, todo, at_key=True)


# ---- to the shape of the model


def build_turns(shape: Any) -> CapTurns:
    stiffness = shape.stiffness
    return CapTurns(
        name=shape.name,
        pressure_pa=shape.pressure,
        ramp_pa_per_s=shape.rate,
        medium=shape.medium,
        outlet=shape.outlet,
        turns=tuple(shape.turns),
        order=shape.order,
        beyond=shape.beyond,
        angle_u_turns=shape.angle_uncertainty.turns,
        torque_text=shape.torque,
        torque_source=shape.torque_source,
        turned_by=shape.turned_by,
        retention=shape.retention,
        observer=shape.observer,
        threads=tuple(Thread(make=row.make, size=row.size, engaged_turns=row.turns.turns) for row in shape.threads),
        least_engaged_turns=shape.least_engaged.turns,
        vent_before_turn=shape.vent_before_turn,
        permissive=shape.permissive or "",
        settle_ns=shape.settle,
        dwell_ns=shape.dwell,
        answer_ns=shape.answer,
        hands_ns=shape.hands,
        stiffness_step_pa=stiffness.step if stiffness else 0.0,
        stiffness_most_m3_per_pa=stiffness.takes_at_most / stiffness.step if stiffness else 0.0,
        methods=methods_of(shape),
        minimum_turns=shape.minimum_turns.turns,
    )
