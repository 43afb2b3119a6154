"""How a flush-direction test is written down, whether it makes sense, and whether a rig can do it.

By itself: azimuths that are different directions, sectors that do not overlap the whole circle, cups with the
uncertainty of their scale. On a rig: water for all aims, an inlet that can feed the stream. How it is done is the
engine's.
"""

from typing import Any, Literal

from pydantic import Field

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.fields import Percent, PositiveFlow, PositivePressure, Rate, Shape, Words, duration, quantity
from rigd.model.flush import CUPS, JUDGED_BY, Flush
from rigd.model.rig import Rig

MOST_AZIMUTHS = 36  # every ten degrees
MOST_AIMS = 200  # a day of aiming
LEAST_AIMS = 2  # one aim has no interval
Azimuth = quantity(units.ANGLE, low="-360 deg", high="360 deg")
HalfWidth = quantity(units.ANGLE, low="0.5 deg", high="90 deg")
Weighing = quantity(units.MASS, low="1 mg", high="100 g")
StreamTime, HandsTime = duration("1 s", "1 h"), duration("10 s", "8 h")
NS = 1e9


class FlushShape(Shape):
    """Aim the drain, flush, vent, weigh what was caught: for each azimuth, several times."""

    name: Words = "Flush direction"
    azimuths: list[Azimuth] = Field(
        min_length=1, max_length=MOST_AZIMUTHS, description="directions of one round, clockwise from the index mark"
    )
    repeats: int = Field(ge=1, le=MOST_AIMS, description="rounds; the interval is over all their aims")
    pressure: PositivePressure = Field(description="at the specimen while it streams")
    pressure_tolerance: Percent = Field(description="part of it that a sound stream may be off at any time")
    rate: Rate = Field(description="how fast it is built")
    flow: PositiveFlow = Field(description="of the stream at this pressure, as measured beforehand")
    flow_tolerance: Percent = Field(description="part of it that a sound stream may be off, where a meter sees it")
    duration: StreamTime = Field(description="for which it streams at pressure")
    half_width: HalfWidth = Field(description="of the sector, to either side of the azimuth")
    judged_by: Literal[JUDGED_BY] = Field(description="cups: water weighed by sector; hits: a mark is hit or not")
    weighing: Weighing | None = Field(default=None, description="of cups: standard uncertainty of one weighing")
    balance: Percent | None = Field(
        default=None, description="of cups: part by which water weighed and water fed may differ, on a rig with a meter"
    )
    hands: HandsTime = Field(description="longest wait for work and answers, then the run ends")


def check_flush(document: Document, path: Path, shape: Any) -> None:
    """What is wrong with it by itself."""
    seen: list[float] = []
    for row, azimuth in enumerate(shape.azimuths):
        if any((azimuth - other) % 360.0 == 0.0 for other in seen):
            at = (*path, "azimuths", row)
            document.fault(at, document.found(at), "each direction once: `repeats` says how often")
        seen.append(azimuth)
    aims = len(shape.azimuths) * shape.repeats
    if not LEAST_AIMS <= aims <= MOST_AIMS:
        at = (*path, "repeats")
        allowed = f"{LEAST_AIMS} to {MOST_AIMS} aims in all: one has no interval"
        document.fault(at, f"{aims} aims", allowed)
    by_cups = shape.judged_by == CUPS
    if by_cups and shape.weighing is None:
        at = (*path, "weighing")
        document.fault(at, "nothing", "the key `weighing`: cups are weighed", "Add `weighing:`")
    for key in ("weighing", "balance"):
        if not by_cups and getattr(shape, key) is not None:
            at = (*path, key)
            document.fault(at, document.found(at), f"no {key}: it belongs to `judged_by: cups`", at_key=True)
    caught_kg = shape.flow * shape.duration / NS * 1000.0
    if by_cups and shape.weighing is not None and shape.weighing > 0.02 * caught_kg:
        at = (*path, "weighing")
        allowed = f"at most a fiftieth of the {1e3 * caught_kg:.0f} g of one aim: else shares are noise"
        document.fault(at, document.found(at), allowed, "Stream longer, or weigh finer")


def check_flush_on(rig: Rig, document: Document, path: Path, step: Flush, max_pa: float) -> None:
    """What is wrong with it on this rig."""
    held = 0.0
    for volume in rig.volumes:
        if volume.gas_m3 and volume.water_m3:
            held += volume.water_m3
    seconds = step.duration_ns / NS + step.pressure_pa / step.ramp_pa_per_s
    needed = step.aims * step.flow_m3_per_s * seconds
    if held and needed > held:
        at = (*path, "repeats")
        found = f"{step.aims} aims that take {units.say(needed, 'L', units.VOLUME)} of water"
        allowed = f"at most the {units.say(held, 'L', units.VOLUME)} that {rig.name} holds"
        document.fault(at, found, allowed, "Fewer aims, or shorter ones")
    across_pa = (step.flow_m3_per_s / rig.inlet_m3_per_s_pa) ** 2
    if step.pressure_pa + across_pa > max_pa:
        at = (*path, "flow")
        needs = units.say(step.pressure_pa + across_pa, "psi")
        allowed = f"a flow that needs at most the profile's max, {units.say(max_pa, 'psi')}"
        document.fault(at, f"{document.found(at)}, which needs {needs} before the inlet of {rig.name}", allowed)


def build_flush(shape: Any) -> Flush:
    return Flush(
        name=shape.name,
        azimuths_deg=tuple(shape.azimuths),
        repeats=shape.repeats,
        pressure_pa=shape.pressure,
        pressure_tolerance=shape.pressure_tolerance,
        ramp_pa_per_s=shape.rate,
        flow_m3_per_s=shape.flow,
        flow_tolerance=shape.flow_tolerance,
        duration_ns=shape.duration,
        half_width_deg=shape.half_width,
        judged_by=shape.judged_by,
        mass_u_kg=shape.weighing or 0.0,
        balance=shape.balance or 0.0,
        hands_ns=shape.hands,
    )
