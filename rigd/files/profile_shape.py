"""How a test profile is written down: its keys and steps.

Whether the steps make sense in this order is `profile_sense`, and how valves move is the engine's.
"""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from rigd.files import units
from rigd.files.air_shape import AirCheckShape
from rigd.files.fields import (
    Blocks,
    Label,
    Percent,
    PositivePressure,
    Rate,
    Shape,
    Share,
    Words,
    duration,
    quantity,
)
from rigd.files.flush_shape import FlushShape
from rigd.files.gas_leak import GasLeakShape
from rigd.files.turn_shape import CapTurnsShape
from rigd.files.walk_shape import WALK_SHAPES, WalkStepShape
from rigd.model.profile import MEDIA, OUTLETS, RETURN_SIGNS, SHAPES, SHOTS, WHEN_STUCK
from rigd.model.specimen import FACTS

MAX_STEPS = 60  # the longest procedure of this trade has some twenty
MAX_PROMPTS = 12  # more instructions than this are a second step
Minimum = quantity(units.PRESSURE, low="1 Pa", high="10000 bar", word="none")
Slug = quantity(units.VOLUME, low="1 mL", high="100 L", word="none")
PhaseTime = duration("0 ms", "1 h")
PressureToKeep = quantity(units.PRESSURE, low="1 Pa", high="10000 bar", word="as reached")

WindowTime = duration("1 s", "24 h")
HoldTime = duration("1 s", "30 day")
Prompts = Annotated[list[Words], Field(min_length=1, max_length=MAX_PROMPTS)]


class MountShape(Shape):
    """Hands in the chamber, at zero: one instruction a prompt."""

    name: Words = "Open up and mount"
    prompts: Prompts = Field(description="instructions, each confirmed by a named person")


class FillShape(Shape):
    """Water in, air out, then shut."""

    name: Words = "Fill"
    bleed: duration("0 s", "30 min") = Field(description="fill with the vent open for this long")
    until: PositivePressure = Field(description="then the vent shuts and the line must reach this")
    timeout: duration("1 s", "1 h") = Field(description="or the fill has failed")


class ProofShape(Shape):
    """Build to a low pressure, isolate, hold, vent: it must hold and it must fall."""

    name: Words = "Proof"
    pressure: PositivePressure = Field(description="at most the lesser of half the profile's max and 25 psi")
    rate: Rate = Field(description="how fast to build it")
    hold: duration("1 s", "1 h") = Field(description="isolated for this long")
    loss: PositivePressure = Field(description="most that may be lost in the hold")
    fall_below: PositivePressure = Field(description="after venting it must fall below this")
    fall_time: duration("1 s", "10 min") = Field(description="within this time")


class RampShape(Shape):
    """Raise pressure steadily until failure or the ceiling: by rate, or by window and expected pressure."""

    name: Words = "Ramp"
    rate: Rate | None = Field(default=None, description="rate of rise; or give window and expected_pressure")
    window: Annotated[tuple[WindowTime, WindowTime], Field(strict=False)] | None = Field(
        default=None, description="failure is due between these two times"
    )
    expected_pressure: PositivePressure | None = Field(default=None, description="failure is expected about here")
    ceiling: PositivePressure = Field(description="reached without failure, the ramp ends")
    rate_tolerance: Percent = Field(description="most the achieved rate may differ")


class HoldShape(Shape):
    """Keep a pressure for a time."""

    name: Words = "Hold"
    pressure: PressureToKeep = Field(description="pressure to keep, or `as reached`")
    duration: HoldTime = Field(description="for this long")
    tolerance: PositivePressure = Field(description="most it may stray")


class VentStepShape(Shape):
    """Let pressure out and prove it is out."""

    name: Words = "Vent"


class AskShape(Shape):
    """What was it? The person's observation."""

    name: Words = "What failed"
    timeout: duration("10 s", "24 h") = Field(description="no answer within this time: not inspected")


class CloseDownShape(Shape):
    """The last instructions."""

    name: Words = "Close down"
    prompts: Prompts = Field(description="instructions, each confirmed by a named person")


class BlowDownShape(Shape):
    """A cycle is over when the pressure is measured to be down."""

    below: PositivePressure = Field(description="every specimen channel below this, at most the rig's vent limit")
    within: duration("10 ms", "10 min") = Field(description="or the run ends: the pressure stayed up")


class NormalShape(Shape):
    """The specimen's own normal, from its first accepted cycles."""

    cycles: int = Field(ge=1, le=1000, description="how many of them")
    departure: Share = Field(description="back pressure below this part of the normal: a cap is gone, the body is open")


class MovingPartShape(Shape):
    """Something in the body that a surge moves and that must come back."""

    sign: Literal[RETURN_SIGNS] = Field(description="what shows that it is back")
    below: PositivePressure = Field(description="its time runs from when the pressure has fallen below this")
    within: duration("1 ms", "10 min") = Field(description="not back within this: stuck")
    home: quantity(units.LENGTH, low="0.001 mm", high="1 m") | None = Field(
        default=None, description="of sign displacement: nearer to its rest than this is back"
    )
    slow: float | None = Field(
        default=None, gt=1, le=100, description="of sign trace: a blow-down so many times its normal is stuck"
    )
    when_stuck: Literal[WHEN_STUCK] = Field(description="what to do then")
    extra_most: int | None = Field(
        default=None, ge=1, le=100, description="of extra_cycle: so many in a row, then a person is asked"
    )


class LifeCurveShape(Shape):
    """Cycles to failure go as the pressure range to the power of minus the exponent."""

    exponent: float = Field(ge=1.0, le=50.0, description="slope of the life curve, log cycles over log range")
    source: Words = Field(description="whose curve that is, for which material and temperature")


class SurgeShape(Shape):
    """Flow-through shots again and again: water, charge, shot, blow-down, drain and return, rest."""

    name: Words = "Surges"
    medium: Literal[MEDIA] = Field(description="what pushes; compressed air in plastic parts is the most dangerous")
    outlet: Literal[OUTLETS] = Field(description="the far end of the specimen")
    shape: Literal[SHAPES] = Field(description="course of the pressure over rise and hold")
    points: list[Annotated[tuple[Share, Share], Field(strict=False)]] | None = Field(
        default=None,
        min_length=2,
        max_length=100,
        description="of shape points: [part of rise and hold, part of pressure], such as [[0 %, 0 %], [40 %, 100 %]]",
    )
    shot: Literal[SHOTS] = Field(
        description="charge: let go as it stands; regulator: led along the shape; valve: opened and shut to follow it"
    )
    pressure: PositivePressure = Field(description="peak asked for at the specimen")
    peak_tolerance: Percent = Field(description="part of it that the peak of a valid cycle may be off")
    charge: PositivePressure = Field(description="pressure behind the release valve when it opens")
    charge_tolerance: Percent = Field(description="part of it that the charge of a valid cycle may be off")
    sag: Percent = Field(description="part of the charge that a valid cycle may take from what feeds it")
    rise: PhaseTime = Field(description="time in which the pressure shall rise")
    hold: duration("1 ms", "1 h") = Field(description="time for which it shall stay")
    release_valve_opens: duration("0 ms", "60 s") = Field(
        description="opening time of the release valve as declared (less than its stroke); 0 ms: at once"
    )
    blow_down: BlowDownShape
    drain: PhaseTime = Field(description="time to run empty after the blow-down")
    rest: PhaseTime = Field(description="time between two cycles")
    threshold: PositivePressure = Field(description="a body has felt a surge whose pressure passed this")
    blocks: list[Blocks] = Field(
        min_length=1, max_length=200, description="valid cycles owed, block by block, such as [12, 12] or [20 x 12]"
    )
    between: Literal["rest", "inspect"] | None = Field(default=None, description="what is between two blocks")
    between_time: duration("0 s", "30 day") | None = Field(default=None, description="of a rest between blocks")
    between_prompt: Words | None = Field(default=None, description="of an inspection: what a person is to do")
    slug: Slug = Field(description="water brought into the specimen before each shot, or `none`")
    water: PhaseTime = Field(description="for which the fill valve opens to bring it; 0 s without a slug")
    give_up: int = Field(ge=1, le=1000, description="so many cycles in a row that are not valid end the run")
    minimum_cycles: int | Literal["none"] = Field(description="acceptance criterion in cycles, or `none`")
    normal: NormalShape
    moving_part: MovingPartShape | None = Field(default=None, description="left out: nothing in the body moves")
    life_curve: LifeCurveShape | None = Field(
        default=None, description="left out: no damage-equivalent number is worked out"
    )


class StepShape(WalkStepShape):
    """One step: exactly one key, the kind of step."""

    model_config = ConfigDict(json_schema_extra={"minProperties": 1, "maxProperties": 1})

    mount: MountShape | None = None
    fill: FillShape | None = None
    proof: ProofShape | None = None
    ramp: RampShape | None = None
    hold: HoldShape | None = None
    surge: SurgeShape | None = None
    cap_turns: CapTurnsShape | None = None
    flush: FlushShape | None = None
    air_check: AirCheckShape | None = None
    gas_leak: GasLeakShape | None = None
    vent: VentStepShape | None = None
    ask: AskShape | None = None
    close_down: CloseDownShape | None = None


STEP_SHAPES: dict[str, Any] = {
    "mount": MountShape,
    "fill": FillShape,
    "proof": ProofShape,
    "ramp": RampShape,
    "hold": HoldShape,
    "surge": SurgeShape,
    "cap_turns": CapTurnsShape,
    "flush": FlushShape,
    "air_check": AirCheckShape,
    "gas_leak": GasLeakShape,
    "vent": VentStepShape,
    "ask": AskShape,
    "close_down": CloseDownShape,
    **WALK_SHAPES,
}


class SignsShape(Shape):
    """When the body is called failed."""

    drop: PositivePressure = Field(description="pressure falls this far below its highest")
    drop_fraction: Percent = Field(description="or this part of it, whichever is larger")
    lag: PositivePressure = Field(
        description="or stays this far behind the tank that feeds it (behind what is called for, without one)"
    )
    lag_time: duration("10 ms", "60 s") = Field(description="for this long")
    mark: duration("0 s", "60 s") = Field(
        description="longest delay from a leak one can see to the mark key; also of a wet switch, where there is one"
    )
    flow: quantity(units.FLOW, low="0.001 mL/min", high="10 m^3/s") | None = Field(
        default=None, description="fed in a ramp above the least of it: more is a leak (`role: make_up_flow`)"
    )


class ProfileShape(Shape):
    """A test profile."""

    profile: Label = Field(description="name of the profile")
    title: Words = Field(description="what people call it")
    method: Words = Field(description="the procedure or standard it follows, with edition")
    display: Literal[units.PRESSURE.units] = Field(description="pressure unit shown to people")
    max: PositivePressure = Field(description="nothing in this profile may call for more")
    minimum: Minimum = Field(description="acceptance criterion for the failure pressure, or `none`")
    peak_tolerance: PositivePressure = Field(description="most that may hide between two samples of the ramp")
    zero_shift: PositivePressure = Field(description="a zero that moved further during the run voids it")
    signs: SignsShape
    required: list[Literal[tuple(FACTS)]] = Field(
        min_length=1, max_length=len(FACTS), description="facts that must be known before pressure"
    )
    arm: Prompts = Field(description="checklist answered each time before arming")
    skips: dict[Literal["fill", "proof", "mount", "ask", "close_down"], Words] | None = Field(
        default=None, description="steps a burst needs and this profile leaves out: why, in words"
    )
    steps: list[StepShape] = Field(min_length=1, max_length=MAX_STEPS, description="steps, in order")
