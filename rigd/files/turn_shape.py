"""How a cap-turn leak test is written down, with turns as a technician writes them: 1/16, 1 1/8, 0.25.

A turn is read exactly, as a fraction, and rounded once. Limits are flows of water: `sccm` is a unit of gas and means
nothing without its reference temperature.
"""

import re
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from rigd.files import units
from rigd.files.fields import Label, PositivePressure, Rate, Shape, Words, duration, quantity, refusal
from rigd.model.leak import (
    LEAK_MEDIA,
    LEAK_OUTLETS,
    OBSERVERS,
    ORDERS,
    READ_BY,
    RETENTIONS,
    SEEN,
    TURNED_BY,
    LeakMethod,
    Turn,
)

MOST_TURNS = 64  # marks; four turns in sixteenths
LARGEST_TURN = 10  # turns; no cap of this trade has more thread
TURN_PATTERN = r"(?:([0-9]{1,2}) )?([1-9][0-9]{0,2})/([1-9][0-9]{0,2})|([0-9]{1,2}(?:\.[0-9]{1,6})?)"
TURN_ALLOWED = "a turn such as 1/16, 1 1/8 or 0.25, at most 10"
TORQUE_PATTERN = rf"{units.NUMBER} (N m|N cm|lbf in|lbf ft)"
_plain_flow = quantity(units.FLOW, low="0.0001 mL/min", high="10 L/min")


def _read_turn(text: Any) -> Turn:
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise refusal(TURN_ALLOWED)
    match = re.fullmatch(TURN_PATTERN, str(text))
    if match is None:
        todo = "" if "turn" not in str(text) else "Leave the word out: the key says that it is turns"
        raise refusal(TURN_ALLOWED, todo)
    whole, above, below, plain = match.groups()
    exact = Fraction(plain) if plain else Fraction(int(whole or 0)) + Fraction(int(above), int(below))
    if exact > LARGEST_TURN:
        raise refusal(TURN_ALLOWED)
    return Turn(text=str(text), turns=float(exact))


def _read_turn_or_none(text: Any) -> Turn:
    return Turn(text="none", turns=0.0) if text == "none" else _read_turn(text)


def _read_torque(text: Any) -> str:
    if not isinstance(text, str) or not re.fullmatch(TORQUE_PATTERN, text):
        raise refusal("a torque with its unit, such as 8 N m or 70 lbf in", "Units: N m, N cm, lbf in, lbf ft")
    return text


def _read_flow(text: Any) -> Any:
    if isinstance(text, str) and re.search(r"\b(sccm|sccs|slm|slpm)\b", text):
        todo = "A standard volume is of gas and needs its reference temperature: 0 and 20 degC differ by 7 %"
        raise refusal("a flow of water, such as 0.5 mL/min", todo)
    return text


_turn_schema = {"anyOf": [{"type": "string", "pattern": f"^({TURN_PATTERN})$"}, {"type": "number", "minimum": 0}]}
TurnText = Annotated[Any, BeforeValidator(_read_turn), WithJsonSchema(_turn_schema)]
TurnOrNone = Annotated[
    Any, BeforeValidator(_read_turn_or_none), WithJsonSchema({"anyOf": [{"const": "none"}, *_turn_schema["anyOf"]]})
]
Torque = Annotated[
    str, BeforeValidator(_read_torque), WithJsonSchema({"type": "string", "pattern": f"^{TORQUE_PATTERN}$"})
]
LeakFlow = Annotated[_plain_flow, BeforeValidator(_read_flow)]
Drop = quantity(units.VOLUME, low="0.001 mL", high="1 mL")
DropSpread = quantity(units.VOLUME, low="0 mL", high="1 mL")
StepVolume = quantity(units.VOLUME, low="0.001 mL", high="10 L")
Expansion = quantity(units.EXPANSION, low="0.1 um/m/K", high="1 mm/m/K")
SmallMass = quantity(units.MASS, low="0.1 mg", high="1 kg")


class EyeShape(Shape):
    """The operator's eye: an attribute, with what it counts as a leak and the least it can see."""

    leaks_from: Literal[SEEN[1:]] = Field(description="the first of weep, drops, stream that counts as a leak")
    sees: LeakFlow = Field(description="least flow that is seen within the dwell, as tried out")


class LimitShape(Shape):
    """A measured leak and its limit."""

    limit: LeakFlow = Field(description="more than this is a leak")


class DecayShape(LimitShape):
    """Pressure lost while the line is shut. With the body's expansion, leak, creep and warming are told apart when the
    run is over."""

    expansion: Expansion | None = Field(default=None, description="linear thermal expansion of the body's material")
    expansion_uncertainty: Expansion | None = Field(default=None, description="its standard uncertainty")


class CatchShape(LimitShape):
    """Water caught and weighed."""

    read_by: Literal[READ_BY] = Field(description="a scale on a channel, or read and typed by a person")
    uncertainty: SmallMass | None = Field(
        default=None, description="read by a person: standard uncertainty of the difference of two readings"
    )


class DropsShape(LimitShape):
    """Drops counted by a person."""

    drop: Drop = Field(description="volume of one drop, weighed; sources differ fivefold, so there is no default")
    drop_uncertainty: DropSpread = Field(description="its standard uncertainty")


class MethodsShape(Shape):
    """How a leak is judged: one or several, each by its own limit. One leak seen by any is a leak."""

    eye: EyeShape | None = None
    make_up: LimitShape | None = Field(default=None, description="water fed to keep the pressure")
    decay: DecayShape | None = Field(default=None, description="pressure lost while the line is shut")
    catch: CatchShape | None = None
    drops: DropsShape | None = None


class ThreadShape(Shape):
    """Engaged thread of one model, counted once with no pressure."""

    make: Label = Field(description="make code, as in the specimen file")
    size: Label = Field(description="size, as in the specimen file")
    turns: TurnText = Field(description="turns from fully tight until the thread lets go, counted at zero pressure")


class StiffnessShape(Shape):
    """dV/dp is measured at the test pressure, in each look."""

    step: PositivePressure = Field(description="small rise up to the test pressure over which it is measured")
    takes_at_most: StepVolume = Field(description="water this step may take; more is trapped air or a soft line")


class CapTurnsShape(Shape):
    """Tighten fully, loosen by a listed turn, look under pressure, vent, and again, until it leaks."""

    name: Words = "Cap turns"
    pressure: PositivePressure = Field(description="running pressure at which is looked")
    rate: Rate = Field(description="how fast it is built")
    medium: Literal[LEAK_MEDIA] = Field(description="what fills the body; gas never with a cap that a hand turns")
    outlet: Literal[LEAK_OUTLETS] = Field(description="the far end of the body while it is looked at")
    torque: Torque = Field(description="closing torque of the fully tightened cap, which is zero turns")
    torque_source: Words = Field(description="whose torque: the maker's, with its source, or one for all makes")
    turned_by: Literal[TURNED_BY] = Field(description="a hand at the cap, or a fixture that keeps hands away")
    turns: list[TurnText] = Field(
        min_length=1, max_length=MOST_TURNS, description="marks, rising, counted from fully tight, such as [1/16, 1/8]"
    )
    order: Literal[ORDERS] = Field(description="in which the marks are tried")
    beyond: int = Field(ge=0, le=MOST_TURNS, description="marks tried on the far side, to see whether it is the onset")
    angle_uncertainty: TurnText = Field(description="how far a turn made may be from its mark, at most")
    threads: list[ThreadShape] = Field(min_length=1, max_length=60, description="engaged thread of each model")
    least_engaged: TurnText = Field(description="thread that must be left at the largest turn, at least one turn")
    retention: Literal[RETENTIONS] = Field(description="what holds the cap back when the thread lets go")
    observer: Literal[OBSERVERS] = Field(description="from where people look")
    vent_before_turn: bool = Field(description="false needs a permissive of its own and is dangerous")
    permissive: Label | None = Field(
        default=None, description="row of the rig that allows turning under pressure; only with vent_before_turn: false"
    )
    settle: duration("0 s", "24 h") = Field(description="at pressure before anything is measured")
    dwell: duration("1 s", "24 h") = Field(description="for which is looked and measured")
    answer: duration("5 s", "30 min") = Field(description="longest wait for an answer under pressure, then it vents")
    hands: duration("10 s", "8 h") = Field(description="longest wait for work at the cap, then the run ends")
    stiffness: StiffnessShape | None = Field(default=None, description="needed by make_up and decay")
    methods: MethodsShape
    minimum_turns: TurnOrNone = Field(description="tight to at least this turn, or `none`")


def methods_of(shape: Any) -> tuple[LeakMethod, ...]:
    """The methods that are written, in a fixed order."""
    written, made = shape.methods, []
    if written.eye is not None:
        made.append(LeakMethod(kind="eye", limit_m3_per_s=written.eye.sees, leaks_from=written.eye.leaks_from))
    if written.make_up is not None:
        made.append(LeakMethod(kind="make_up", limit_m3_per_s=written.make_up.limit))
    if written.decay is not None:
        decay = written.decay
        made.append(
            LeakMethod(
                kind="decay", limit_m3_per_s=decay.limit, expansion_per_k=decay.expansion or 0.0,
                expansion_u_per_k=decay.expansion_uncertainty or 0.0,
            )
        )  # fmt: skip
    if written.catch is not None:
        catch_u_kg = written.catch.uncertainty or 0.0
        limit = written.catch.limit
        made.append(
            LeakMethod(kind="catch", limit_m3_per_s=limit, read_by=written.catch.read_by, catch_u_kg=catch_u_kg)
        )
    if written.drops is not None:
        drops = written.drops
        made.append(
            LeakMethod(kind="drops", limit_m3_per_s=drops.limit, drop_m3=drops.drop, drop_u_m3=drops.drop_uncertainty)
        )
    return tuple(made)
