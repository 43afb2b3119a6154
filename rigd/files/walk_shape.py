"""How the steps of a commissioning walk are written down, and whether they stay within the profile's own max.

What each check does is `engine.walk`; what only the rig can refuse (transducers that see no such rise) is told here
too, with the rig at hand.
"""

from typing import Annotated, Any

from pydantic import Field

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.fields import Day, Percent, PositivePressure, Shape, Words, duration
from rigd.model import walk
from rigd.model.rig import Rig
from rigd.model.walk import LAST_WALKS

MAX_PROMPTS = 12
MAX_PRESSURES = 12
ASKED_ABOVE = 1.25  # of the charge: what the regulator is asked for in the isolation check (engine.walk_pressure.ABOVE)
CheckTime = duration("10 ms", "10 min")


class HandsShape(Shape):
    """Something is done by hand amid the walk, at a line proven vented."""

    name: Words = "By hand"
    prompts: Annotated[list[Words], Field(min_length=1, max_length=MAX_PROMPTS)] = Field(
        description="instructions, each confirmed by a named person"
    )


class CheckReliefShape(Shape):
    """The relief valve was tested in time, by the rig file's own dates."""

    name: Words = "Relief valve"


class CheckOutputsShape(Shape):
    """Each output is energised and let go at zero pressure, and is seen to do so."""

    name: Words = "Outputs"


class CheckWatchdogShape(Shape):
    """The watchdog relay lets go when it is not kicked."""

    name: Words = "Watchdog relay"
    margin: duration("10 ms", "500 ms") = Field(description="what valves and scans may add to the relay's own time")


class CheckInputsShape(Shape):
    """Emergency stop and door are worked by hand, and seen."""

    name: Words = "Emergency stop and door"


class TrendShape(Shape):
    """Against the median of the rig's own earlier walks."""

    apart: Percent = Field(description="most it may be off that median")
    walks: int = Field(ge=1, le=LAST_WALKS, description="so many earlier ones are needed before anything is judged")
    since: Day | None = Field(
        default=None, description="earlier walks count from this day: when the part was changed on purpose"
    )


class CheckVentShape(Shape):
    """The open vent empties the line in time."""

    name: Words = "Vent"
    pressure: PositivePressure = Field(description="from this pressure, at most the lesser of half the max and 25 psi")
    within: CheckTime = Field(description="down to 1/e of it within this time")
    trend: TrendShape = Field(description="and no slower than on other days: {apart: 50 %, walks: 3}")


class CheckAgreementShape(Shape):
    """The specimen transducers agree."""

    name: Words = "Transducers"
    pressures: Annotated[list[PositivePressure], Field(min_length=2, max_length=MAX_PRESSURES)] = Field(
        description="at these pressures, rising; three are usual"
    )
    limit: PositivePressure = Field(description="most they may be apart")
    settle: CheckTime = Field(description="standing so long before they are compared")


class CheckIsolationShape(Shape):
    """Rise test with the tank charged: nothing passes the inlet, nothing the supply valve."""

    name: Words = "Isolation"
    charge: PositivePressure = Field(description="pressure of the tank; the regulator is asked for a quarter more")
    shut_for: duration("500 ms", "30 min") = Field(description="vent, inlet and supply shut for this long")
    rise: PositivePressure = Field(description="most that specimen and tank may rise")


class CheckBladderShape(Shape):
    """Stiffness of the tank, where the rig measures the water taken from it."""

    name: Words = "Tank"
    charge: PositivePressure = Field(description="pressure of the tank before water is taken")
    take: CheckTime = Field(description="the inlet is open for this long")
    trend: TrendShape = Field(description="as stiff as on other days: {apart: 25 %, walks: 3}")


class CheckPocketsShape(Shape):
    """Every pocket of the rig file."""

    name: Words = "Pockets"


WALK_SHAPES: dict[str, Any] = {
    "hands": HandsShape,
    "check_relief": CheckReliefShape,
    "check_outputs": CheckOutputsShape,
    "check_watchdog": CheckWatchdogShape,
    "check_inputs": CheckInputsShape,
    "check_vent": CheckVentShape,
    "check_agreement": CheckAgreementShape,
    "check_isolation": CheckIsolationShape,
    "check_bladder": CheckBladderShape,
    "check_pockets": CheckPocketsShape,
}


class WalkStepShape(Shape):
    """The kinds of steps of a walk, as keys of a step."""

    hands: HandsShape | None = None
    check_relief: CheckReliefShape | None = None
    check_outputs: CheckOutputsShape | None = None
    check_watchdog: CheckWatchdogShape | None = None
    check_inputs: CheckInputsShape | None = None
    check_vent: CheckVentShape | None = None
    check_agreement: CheckAgreementShape | None = None
    check_isolation: CheckIsolationShape | None = None
    check_bladder: CheckBladderShape | None = None
    check_pockets: CheckPocketsShape | None = None


def build_check(kind: str, shape: Any) -> walk.WalkStep:
    match kind:
        case "hands":
            return walk.Hands(name=shape.name, prompts=tuple(shape.prompts))
        case "check_watchdog":
            return walk.CheckWatchdog(name=shape.name, margin_ns=shape.margin)
        case "check_vent":
            return walk.CheckVent(
                name=shape.name, pressure_pa=shape.pressure, fall_ns=shape.within, trend=_trend(shape.trend)
            )
        case "check_agreement":
            return walk.CheckAgreement(
                name=shape.name, pressures_pa=tuple(shape.pressures), limit_pa=shape.limit, settle_ns=shape.settle
            )
        case "check_isolation":
            return walk.CheckIsolation(
                name=shape.name, charge_pa=shape.charge, shut_ns=shape.shut_for, rise_pa=shape.rise
            )
        case "check_bladder":
            return walk.CheckBladder(
                name=shape.name, charge_pa=shape.charge, take_ns=shape.take, trend=_trend(shape.trend)
            )
    plain = {
        "check_relief": walk.CheckRelief,
        "check_outputs": walk.CheckOutputs,
        "check_inputs": walk.CheckInputs,
        "check_pockets": walk.CheckPockets,
    }
    return plain[kind](name=shape.name)


def _trend(shape: TrendShape) -> walk.Trend:
    return walk.Trend(apart=shape.apart, walks=shape.walks, since=shape.since or "")


def check_walk(document: Document, path: Path, kind: str, shape: Any, max_pa: float | None) -> None:
    """A check of the walk by itself: its pressures within the max, rising where they must."""
    if kind == "check_agreement" and list(shape.pressures) != sorted(set(shape.pressures)):
        document.fault((*path, "pressures"), "pressures that do not rise", "each above the one before")
    called = {
        "check_vent": [("pressure", 1.0)],
        "check_agreement": [("pressures", 1.0)],
        "check_isolation": [("charge", ASKED_ABOVE)],
        "check_bladder": [("charge", 1.0)],
    }.get(kind, [])
    for key, factor in called:
        value = getattr(shape, key)
        most = factor * (max(value) if isinstance(value, list) else value)
        if max_pa is not None and most > max_pa:
            at = (*path, key)
            more = ", a quarter more included" if factor > 1.0 else ""
            allowed = f"at most the profile's max, {units.say(max_pa, 'psi')}{more}"
            document.fault(at, document.found(at), allowed)


def check_walk_on(rig: Rig, document: Document, path: Path, step: walk.WalkStep) -> None:
    """What only the rig can refuse: a limit that its transducers cannot see."""
    specimens = [channel for channel in rig.channels if channel.role == "specimen"]
    coarsest = max(specimens, key=lambda channel: channel.resolution)
    least_pa = 2.0 * coarsest.resolution
    for kind, key, value in (
        (walk.CheckAgreement, "limit", getattr(step, "limit_pa", 0.0)),
        (walk.CheckIsolation, "rise", getattr(step, "rise_pa", 0.0)),
    ):
        if type(step) is kind and value < least_pa:
            at = (*path, key)
            allowed = f"at least two steps of {coarsest.name}, {units.say(least_pa, 'psi')}: it can see no less"
            document.fault(at, document.found(at), allowed)
    if type(step) is walk.CheckVent and step.pressure_pa <= rig.vent.limit_pa:
        at = (*path, "pressure")
        document.fault(at, document.found(at), f"above the rig's vent limit, {units.say(rig.vent.limit_pa, 'psi')}")
