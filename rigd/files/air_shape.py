"""How an air check is written down, whether it can tell anything, and whether a rig can do it."""

from itertools import pairwise
from typing import Any, Literal

from pydantic import Field

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.fields import Percent, PositivePressure, Rate, Shape, Words, duration, quantity
from rigd.model.air import ADDED_BY, ENOUGH_POINTS, METER, STROKES, AirCheck
from rigd.model.rig import Rig

MOST_POINTS = 30
LEAST_RISE = 0.1  # from the first to the last absolute pressure: with less air cannot be told from the rest
ATMOSPHERE_PA = 101_325.0
AirVolume = quantity(units.VOLUME, low="0.01 mL", high="10 L", word="none")
Stroke = quantity(units.VOLUME, low="0.001 mL", high="100 mL")
BodyStretch = quantity(units.STRETCH, low="0 mL/MPa", high="1000 mL/MPa")
SettleTime, HandsTime = duration("0 s", "30 min"), duration("10 s", "8 h")
BleedTime, AnswerTime = duration("0 s", "30 min"), duration("5 s", "30 min")
BY_METER = ("pressures", "rate")
BY_STROKES = ("strokes", "stroke", "answer")


class BodyShape(Shape):
    """How much the body itself grows, as bounds: a body is softer than the water in it."""

    least: BodyStretch = Field(description="the least it may grow")
    most: BodyStretch = Field(description="the most")


class AirCheckShape(Shape):
    """After the fill: a little more water, and how softly it goes in tells how much air is left."""

    name: Words = "Air check"
    added_by: Literal[ADDED_BY] = Field(description="meter: water fed, integrated; strokes: of a hand pump")
    pressures: list[PositivePressure] | None = Field(
        default=None, min_length=2, max_length=MOST_POINTS, description="of meter: pressures stood at, rising"
    )
    rate: Rate | None = Field(default=None, description="of meter: how fast it rises between them")
    strokes: int | None = Field(default=None, ge=1, le=MOST_POINTS, description="of strokes: how many")
    stroke: Stroke | None = Field(default=None, description="of strokes: volume of one")
    answer: AnswerTime | None = Field(
        default=None, description="of strokes: longest wait for one under pressure, then it vents"
    )
    volume_uncertainty: Percent = Field(description="of meter or stroke: relative standard uncertainty")
    body: BodyShape | None = Field(default=None, description="needed with fewer than five points; else it is fitted")
    settle: SettleTime = Field(description="at each pressure, so that bubbles give off their heat")
    at_most: AirVolume = Field(description="free air (at one atmosphere) that is allowed, or `none`")
    tries: int = Field(ge=1, le=10, description="checks in all; the line is bled between two of them")
    bleed: list[Words] | None = Field(
        default=None, min_length=1, max_length=12, description="how to bleed, confirmed by a named person"
    )
    bleed_time: BleedTime | None = Field(
        default=None, description="for which the fill valve then runs with the vent open"
    )
    hands: HandsTime | None = Field(default=None, description="longest wait for the bleeding, then the run ends")


def check_air(document: Document, path: Path, shape: Any, sound: dict[str, Any]) -> None:
    """What is wrong with it by itself."""
    by_meter = shape.added_by == METER
    for keys, chosen, word in ((BY_METER, by_meter, METER), (BY_STROKES, not by_meter, STROKES)):
        _need(document, path, shape, keys, chosen, f"`added_by: {word}`")
    bleeds = shape.tries > 1
    _need(document, path, shape, ("bleed", "bleed_time", "hands"), bleeds, "more than one try")
    if bleeds and shape.at_most == 0.0:
        at = (*path, "at_most")
        document.fault(at, document.found(at), "a volume, since there is more than one try")
    if shape.pressures is not None:
        _check_pressures(document, path, shape, sound)
    points = len(shape.pressures or ()) if by_meter else (shape.strokes or 0) + 1
    if points < ENOUGH_POINTS and shape.body is None:
        at = (*path, "body")
        allowed = f"the key `body`, or at least {ENOUGH_POINTS} points: air and body are told apart by their number"
        document.fault(at, f"{points} points", allowed, "Add `body:`")
    if shape.body is not None and not shape.body.least < shape.body.most:
        at = (*path, "body", "most")
        document.fault(at, document.found(at), "above `least`: nobody knows a body exactly")


def _need(document: Document, path: Path, shape: Any, keys: tuple[str, ...], chosen: bool, whose: str) -> None:
    for key in keys:
        at, given = (*path, key), getattr(shape, key) is not None
        if given and not chosen:
            document.fault(at, document.found(at), f"no {key}: it belongs to {whose}", at_key=True)
        if chosen and not given:
            document.fault(at, "nothing", f"the key `{key}`: it belongs to {whose}", f"Add `{key}:`")


def _check_pressures(document: Document, path: Path, shape: Any, sound: dict[str, Any]) -> None:
    at = (*path, "pressures")
    for row, (before, after) in enumerate(pairwise(shape.pressures), 1):
        if after <= before:
            document.fault((*at, row), document.found((*at, row)), "a pressure above the one before")
    last = shape.pressures[-1]
    if "max" in sound and last > sound["max"]:
        row = len(shape.pressures) - 1
        allowed = f"at most the profile's max, {units.say(sound['max'], 'psi')}"
        document.fault((*at, row), document.found((*at, row)), allowed)
    if (last - shape.pressures[0]) / (shape.pressures[0] + ATMOSPHERE_PA) < LEAST_RISE:
        allowed = f"a rise of at least {100 * LEAST_RISE:g} % of the absolute pressure"
        document.fault(at, document.found(at), allowed)


def check_stretch(document: Document, sound: dict[str, Any]) -> None:
    """Of a specimen file: a value and its uncertainty come together."""
    keys = ("stretch", "stretch_uncertainty")
    for key, other in (keys, keys[::-1]):
        if key in document.data and other not in document.data:
            document.fault((other,), "nothing", f"the key `{other}`, since there is `{key}`", f"Add `{other}:`")
    del sound


def check_air_on(rig: Rig, document: Document, path: Path, step: AirCheck) -> None:
    """What is wrong with it on this rig."""
    if step.added_by == METER and not any(channel.role == "make_up_flow" for channel in rig.channels):
        at = (*path, "added_by")
        document.fault(at, document.found(at), f"a rig with a channel `role: make_up_flow`; {rig.name} has none")
    if step.added_by == STROKES and not any(channel.role == "door" for channel in rig.channels):
        at = (*path, "added_by")
        document.fault(at, document.found(at), f"a rig whose door is seen, for a person is near; {rig.name} has none")


def build_air(shape: Any) -> AirCheck:
    return AirCheck(
        name=shape.name,
        added_by=shape.added_by,
        pressures_pa=tuple(shape.pressures or ()),
        ramp_pa_per_s=shape.rate or 0.0,
        strokes=shape.strokes or 0,
        stroke_m3=shape.stroke or 0.0,
        volume_u=shape.volume_uncertainty,
        body_least_m3_per_pa=shape.body.least if shape.body else 0.0,
        body_most_m3_per_pa=shape.body.most if shape.body else 0.0,
        settle_ns=shape.settle,
        most_m3=shape.at_most,
        tries=shape.tries,
        bleed_prompts=tuple(shape.bleed or ()),
        bleed_ns=shape.bleed_time or 0,
        answer_ns=shape.answer or 0,
        hands_ns=shape.hands or 0,
    )
