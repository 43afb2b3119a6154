"""How a leak test with gas is written down, and what it must say to be safe and to mean something.

By itself: a closure no hand turns, steps that a dry body goes with, a limit with its reference temperature. On a rig:
an inlet that admits gas, a shut chamber, the thermometer and the atmosphere the gas law needs, and a method that
resolves a tenth of its limit with everything that no sample shows counted (ASTM E2930-13(2021) 5.1, seen in a preview).
"""

import re
from math import sqrt
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.files.faults import listed
from rigd.files.fields import Percent, PositivePressure, Rate, Shape, Words, duration, quantity, refusal
from rigd.files.gas import check_chamber, gas_energy_j
from rigd.model.gas import ATMOSPHERES, CLOSURES, GASES, GasLeak
from rigd.model.rig import Channel, Rig
from rigd.model.specimen import Specimen

GOES_WITH = ("mount", "proof", "gas_leak", "vent", "ask", "close_down")
"""Steps that may stand beside it: nothing that wets the body, and no ramp or hold on gas."""
RESOLVED_PARTS, ACCURATE_PARTS, LARGEST_FALL = 10.0, 4.0, 0.1  # ASTM E2930-13(2021) 5.1 (calc.leak has the same)
WINDOW = 0.1  # of the dwell, at either end, over which is averaged (engine.gas_leak has the same)
ROOM_K = 293.15  # at which a method is foretold
GAS_CONSTANT = 8.31446261815324
STANDARD_PA, CM3_A_MINUTE = 101_325.0, 1e-6 / 60.0
VOLUME_US = 3.0  # standard uncertainties by which a specimen's file may differ from its profile
ROOT_3, STEP_U = sqrt(3.0), 1.0 / sqrt(12.0)
SCCM_PATTERN = rf"{units.NUMBER} sccm"
SCCM_ALLOWED = "standard cubic centimetres a minute, such as 1 sccm; `sccm_at` says at which temperature"
LEAST_SCCM, MOST_SCCM = 1e-6, 1e6


def _read_sccm(text: Any) -> float:
    if not isinstance(text, str) or not re.fullmatch(SCCM_PATTERN, text):
        raise refusal(SCCM_ALLOWED)
    flow = float(text.removesuffix(" sccm"))
    if not LEAST_SCCM <= flow <= MOST_SCCM:
        raise refusal(f"from {LEAST_SCCM:g} to {MOST_SCCM:g} sccm")
    return flow


Sccm = Annotated[float, BeforeValidator(_read_sccm), WithJsonSchema({"type": "string", "pattern": f"^{SCCM_PATTERN}$"})]
Reference = quantity(units.TEMPERATURE, low="-20 degC", high="50 degC")
DryVolume = quantity(units.VOLUME, low="1 mL", high="1000 L")
VolumeDoubt = quantity(units.VOLUME, low="0.001 mL", high="100 L")
AirPressure = quantity(units.PRESSURE, low="50 kPa", high="110 kPa")
AirDoubt = quantity(units.PRESSURE, low="1 Pa", high="10 kPa")


class ShutInShape(Shape):
    """All that is shut in when the inlet and the vent are shut."""

    body: DryVolume = Field(description="inside volume of the dry body, closed as in the test")
    body_uncertainty: VolumeDoubt = Field(description="its standard uncertainty")
    line: DryVolume = Field(description="everything else between inlet valve, vent valve and body")
    line_uncertainty: VolumeDoubt = Field(description="its standard uncertainty")


class BodyChangeShape(Shape):
    """A plastic body relaxes and warms (ASTM E2930, 1.1, leaves deformable vessels out): by how much at most."""

    at_most: Percent = Field(description="part of its volume by which it may change over the dwell, either way")
    source: Words = Field(description="how that is known, such as a trial with a body known to be tight")


class AtmosphereShape(Shape):
    """Air pressure at the rig, where no channel measures it."""

    pressure: AirPressure = Field(description="absolute")
    uncertainty: AirDoubt = Field(description="its standard uncertainty")
    changes_at_most: AirDoubt = Field(description="over the dwell, either way: weather, doors, fans")


class GasLeakShape(Shape):
    """Fill a dry, closed body with gas, isolate it, let it settle, and judge by the gas law what it loses."""

    name: Words = "Leak of gas"
    medium: Literal[GASES] = Field(description="which gas; its energy is thousands of times that of water")
    closure: Literal[*CLOSURES, "hand"] = Field(description="what closes the body; `hand` is refused")
    closed_by: Words = Field(description="torque or retention of the closure, and whose it is")
    pressure: PositivePressure = Field(description="to which it is filled")
    rate: Rate = Field(description="how fast; gas that is pressed together is warm")
    settle: duration("1 s", "24 h") = Field(description="isolated before anything is measured")
    dwell: duration("10 s", "24 h") = Field(description="for which the loss is measured")
    limit: Sccm = Field(description="more than this is a leak")
    sccm_at: Reference = Field(
        description="reference temperature of sccm: 0 and 20 degC are both in use and 7 % apart, so there is no default"
    )
    volume: ShutInShape
    body_change: BodyChangeShape
    atmosphere_from: Literal[ATMOSPHERES] = Field(description="a channel `role: atmosphere`, or stated below")
    atmosphere: AtmosphereShape | None = Field(default=None, description="of stated")


# ---- by itself


def check_gas_leak(document: Document, path: Path, shape: Any, kinds: list[str]) -> None:
    """`kinds`: the steps of the profile as written."""
    if shape.closure == "hand":
        at = (*path, "closure")
        allowed = f"{listed(CLOSURES)}: gas never behind a closure that a hand turns or holds; it throws it"
        document.fault(at, document.found(at), allowed, "Or look for the leak with water: `cap_turns`")
    if "cap_turns" in kinds:
        allowed = "no `cap_turns` in the same profile: a cap that hands turn never has gas behind it"
        document.fault(path, "`gas_leak`", allowed, "Make two profiles of it", at_key=True)
    others = [kind for kind in kinds if kind not in GOES_WITH and kind not in ("", "cap_turns")]
    if others:
        allowed = f"beside it only {listed(GOES_WITH)}: the body is dry, and gas is for looking, never for breaking"
        document.fault(path, f"`gas_leak` with {listed(others)}", allowed, at_key=True)
    if kinds.count("gas_leak") > 1:
        document.fault(path, "`gas_leak` twice", "once: a run has one verdict", "Make two profiles of it", at_key=True)
    at, stated = (*path, "atmosphere"), shape.atmosphere_from == "stated"
    if stated and shape.atmosphere is None:
        allowed = "the key `atmosphere`: gauge pressure alone says nothing of an amount of gas"
        document.fault(at, "nothing", allowed, "Add `atmosphere:`")
    if not stated and shape.atmosphere is not None:
        document.fault(at, document.found(at), "no atmosphere: it belongs to `atmosphere_from: stated`", at_key=True)


# ---- on a rig


def check_gas_leak_on(rig: Rig, document: Document, path: Path, step: GasLeak) -> None:
    at = (*path, "medium")
    wet = [volume.name for volume in rig.volumes if volume.water_m3 > 0.0]
    if wet:
        allowed = f"a rig without water, whose inlet admits gas; {rig.name} holds water in {listed(wet)}"
        document.fault(at, document.found(at), allowed)
        return
    if any(channel.head_pa for channel in rig.channels if channel.role == "specimen"):
        document.fault(
            at, document.found(at), "a rig whose specimen channels stand `above_datum: 0 m`: gas has no head"
        )
    check_chamber(rig, document, at, step.pressure_pa, step.volume_m3 + behind_inlet_m3(rig))
    if channel_of(rig, "feed") is None:
        allowed = f"a rig with a channel `role: feed`; {rig.name} has none: an inlet that passes could hide a leak"
        document.fault(at, document.found(at), allowed)
    if rig.stations > 1 and any(channel.role == "gas_temperature" and not channel.station for channel in rig.channels):
        allowed = "a thermometer of its own in the gas of every station: `station: each`"
        document.fault(path, "one thermometer for all stations", allowed, at_key=True)
    thermometer, barometer = channel_of(rig, "gas_temperature"), channel_of(rig, "atmosphere")
    if thermometer is None:
        found = "a leak of gas without its temperature"
        allowed = f"a rig with a channel `role: gas_temperature`; {rig.name} has none: a tenth of a kelvin is a leak"
        document.fault(path, found, allowed, at_key=True)
    here = (*path, "atmosphere_from")
    if step.atmosphere_pa == 0.0 and (barometer is None or barometer.reference != "absolute"):
        allowed = f"stated, or a rig with a channel `role: atmosphere`, `reference: absolute`; {rig.name} has none"
        document.fault(here, document.found(here), allowed)
    elif thermometer is not None:
        _check_sight(rig, document, path, step)


def channel_of(rig: Rig, role: str) -> Channel | None:
    return next((channel for channel in rig.channels if channel.role == role), None)


def behind_inlet_m3(rig: Rig) -> float:
    """Gas that stands behind the inlet: what never sees more than the relief's set pressure. The rest is bottles."""
    total = 0.0
    for volume in rig.volumes:
        if volume.gas_pa_max <= rig.relief.set_pa:
            total += volume.gas_m3
    return total


def _check_sight(rig: Rig, document: Document, path: Path, step: GasLeak) -> None:
    """A tenth of the limit must be seen, a quarter of it be sure, and a leak of the limit may not empty the body."""
    limit, resolves, accurate = step.limit_mol_per_s, resolved_mol_per_s(rig, step), accurate_mol_per_s(rig, step)
    at, dwell_s = (*path, "dwell"), step.dwell_ns / 1e9

    def say(flow: float) -> str:
        return say_sccm(flow, step.sccm_k)

    if resolves * RESOLVED_PARTS > limit:
        enough = dwell_s * resolves * RESOLVED_PARTS / limit
        allowed = f"at least {say_time(enough)}: it resolves {say(resolves)} here and must resolve a tenth of its limit"
        document.fault(at, document.found(at), allowed, f"Or a limit of at least {say(resolves * RESOLVED_PARTS)}")
    elif accurate * ACCURATE_PARTS > limit:
        here = (*path, "volume")
        allowed = f"volumes better known: it is accurate to {say(accurate)} here, and must be to a quarter of its limit"
        document.fault(here, document.found(here), allowed, "Measure body and line again, or dwell longer", at_key=True)
    held = (step.pressure_pa + (step.atmosphere_pa or rig.ambient_pa)) * step.volume_m3 / GAS_CONSTANT / ROOM_K
    if limit * dwell_s > LARGEST_FALL * held:
        most = LARGEST_FALL * held / limit
        allowed = f"at most {say_time(most)}: a leak of the limit would take more than {LARGEST_FALL:.0%} of the gas"
        document.fault(at, document.found(at), allowed, "Dwell shorter, or a smaller limit")


def resolved_mol_per_s(rig: Rig, step: GasLeak) -> float:
    """What is told from no leak at all, as a standard uncertainty: all that `calc.exact.gas_leak` counts, without
    noise. The longer the dwell, the less the same change of a reading or of the body is a flow."""
    gauge, thermometer = channel_of(rig, "specimen"), channel_of(rig, "gas_temperature")
    assert gauge is not None and thermometer is not None
    absolute_pa = step.pressure_pa + (step.atmosphere_pa or rig.ambient_pa)
    barometer = barometer_of(rig, step)
    ends_pa = sqrt(2.0 * (gauge.resolution**2 + (barometer.resolution**2 if barometer else 0.0))) * STEP_U
    weather_pa = step.atmosphere_change_pa if gauge.reference == "gauge" else 0.0
    by_pressure = sqrt(ends_pa**2 + (step.zero_drift_pa**2 + weather_pa**2) / 3.0)
    one_end_k = sqrt((thermometer.accuracy / ROOT_3) ** 2 + (thermometer.resolution * STEP_U) ** 2)
    by_temperature = sqrt(2.0) * one_end_k * absolute_pa / ROOM_K
    by_body = step.body_change / ROOT_3 * absolute_pa * step.body_m3 / step.volume_m3
    unsure_pa = sqrt(by_pressure**2 + by_temperature**2 + by_body**2)
    return step.volume_m3 / GAS_CONSTANT / ROOM_K * unsure_pa / ((1.0 - WINDOW) * step.dwell_ns / 1e9)


def barometer_of(rig: Rig, step: GasLeak) -> Channel | None:
    """The channel that measures the air outside, where the test asks for it and the transducer counts from that air."""
    gauge = channel_of(rig, "specimen")
    needs = step.atmosphere_pa == 0.0 and gauge is not None and gauge.reference == "gauge"
    return channel_of(rig, "atmosphere") if needs else None


def accurate_mol_per_s(rig: Rig, step: GasLeak) -> float:
    """Expanded uncertainty (k = 2) of a leak of the limit."""
    volume_u = sqrt(step.body_u_m3**2 + step.line_u_m3**2) / step.volume_m3
    return 2.0 * sqrt(resolved_mol_per_s(rig, step) ** 2 + (step.limit_mol_per_s * volume_u) ** 2)


def say_sccm(flow_mol_per_s: float, reference_k: float) -> str:
    """Never without its reference temperature."""
    flow = flow_mol_per_s * GAS_CONSTANT * reference_k / STANDARD_PA / CM3_A_MINUTE
    return f"{flow:.3g} sccm ({reference_k - 273.15:.4g} degC)"


def say_time(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.1f} min"


# ---- with a specimen


def check_volume_of(specimen: Specimen, document: Document, path: Path, step: GasLeak) -> None:
    """Moles come from a volume: another body than the profile's has another leak."""
    if specimen.volume_m3 > 0.0 and abs(specimen.volume_m3 - step.body_m3) > VOLUME_US * step.body_u_m3:
        at = (*path, "volume", "body")
        found = f"{document.found(at)}, and {specimen.id} has {units.say(specimen.volume_m3, 'L', units.VOLUME)}"
        allowed = f"the volume of the body that is tested, within {VOLUME_US:g} of its standard uncertainties"
        document.fault(at, found, allowed, "Make a profile for this size, or put the specimen's file right")


# ---- to the shape of the model


def build_gas_leak(shape: Any, zero_shift_pa: float) -> GasLeak:
    stated, volume = shape.atmosphere, shape.volume
    return GasLeak(
        name=shape.name,
        medium=shape.medium,
        closure=shape.closure,
        closed_by=shape.closed_by,
        pressure_pa=shape.pressure,
        ramp_pa_per_s=shape.rate,
        settle_ns=shape.settle,
        dwell_ns=shape.dwell,
        limit_mol_per_s=shape.limit * CM3_A_MINUTE * STANDARD_PA / GAS_CONSTANT / shape.sccm_at,
        sccm_k=shape.sccm_at,
        body_m3=volume.body,
        body_u_m3=volume.body_uncertainty,
        line_m3=volume.line,
        line_u_m3=volume.line_uncertainty,
        body_change=shape.body_change.at_most,
        body_change_source=shape.body_change.source,
        atmosphere_pa=stated.pressure if stated else 0.0,
        atmosphere_u_pa=stated.uncertainty if stated else 0.0,
        atmosphere_change_pa=stated.changes_at_most if stated else 0.0,
        zero_drift_pa=zero_shift_pa,
        stored_j=gas_energy_j(shape.pressure, volume.body + volume.line),
    )
