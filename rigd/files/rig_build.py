"""From a sound rig file to `model.rig.Rig`: names become indices, quantities are SI already, defaults are worked out.

Nothing is judged here; a file with a fault never comes this far.
"""

import math
from typing import Any

from rigd.files import units
from rigd.files.budget_shape import build_budgets
from rigd.files.document import Document
from rigd.files.pocket_shape import build_pockets
from rigd.files.rig_shape import SWITCH_WORDS, RowShape, SwitchChannel
from rigd.files.rig_stations import count_of, spread
from rigd.model.rig import (
    DEFAULT_WALK,
    WEATHER_U_PA,
    Address,
    Agreement,
    Calibration,
    Chamber,
    Channel,
    Control,
    Device,
    FailureMode,
    Independent,
    Line,
    Output,
    Part,
    Relief,
    Rig,
    Row,
    Signal,
    VentRule,
    Volume,
)

STANDARD_ATMOSPHERE_PA = 101_325.0
WATER_PA_PER_M = 998.2072 * 9.80665  # rho g at 20 degC, 101.325 kPa (IAPWS-95); 0.4 % less at 35 degC
KIND_OF = {
    "pressure": units.PRESSURE,
    "temperature": units.TEMPERATURE,
    "flow": units.FLOW,
    "position": units.LENGTH,
    "mass": units.MASS,
}
NO_READ_BACK = "none"
ANYONE = "anyone"


def build_rig(document: Document, as_written: dict[str, Any]) -> Rig:
    sound, written = spread(as_written)
    devices, channels = list(sound["devices"]), list(sound["channels"])
    inlet = sound["inlet_flow"]
    return Rig(
        name=sound["rig"],
        site=sound["site"],
        simulated=sound["simulated"],
        devices=tuple(_device(name, shape) for name, shape in sound["devices"].items()),
        channels=tuple(
            _channel(document, name, written[name], shape, sound) for name, shape in sound["channels"].items()
        ),
        outputs=tuple(_output(name, shape, devices, channels) for name, shape in sound["outputs"].items()),
        rows=tuple(_row(name, shape, sound["channels"]) for name, shape in sound["rows"].items()),
        control=Control(
            kp=sound["control"].gain,
            ki_per_s=sound["control"].gain / (sound["control"].integral_time / 1e9),
            period_ns=sound["control"].period,
            trim_pa=sound["control"].trim,
        ),
        vent=_vent(sound["vent"]),
        agreement=Agreement(limit_pa=sound["agreement"].limit, persistence_ns=sound["agreement"].persistence),
        relief=Relief(
            set_pa=sound["relief"].set_,
            reseat_pa=sound["relief"].reseat,
            tested=sound["relief"].tested,
            margin=sound["relief"].margin,
            test_every_ns=sound["relief"].test_every or 0,
        ),
        parts=tuple(Part(name=name, rating_pa=rating) for name, rating in sound["parts"].items()),
        volumes=tuple(
            Volume(name=name, gas_m3=shape.gas, water_m3=shape.water, gas_pa_max=shape.pressure)
            for name, shape in sound["volumes"].items()
        ),
        chamber=Chamber(
            rated_j=sound["chamber"].rated,
            proved_by=sound["chamber"].proved_by,
            proved_on=sound["chamber"].proved_on,
            distance_m=sound["chamber"].distance,
        ),
        independent=Independent(**sound["independent"].model_dump()),
        approach_pa=sound["approach"],
        ambient_pa=sound.get("ambient") or STANDARD_ATMOSPHERE_PA,
        ambient_u_pa=sound.get("ambient_uncertainty") or WEATHER_U_PA,
        inlet_m3_per_s_pa=inlet.passes / math.sqrt(inlet.at),
        regulator_m3_per_s=sound["regulator_flow"],
        watchdog_ns=sound["watchdog"],
        line=_line(sound.get("line")),
        failure_modes=tuple(
            FailureMode(name=name, words=shape.words, counts_as=shape.counts_as)
            for name, shape in (sound.get("failure_modes") or {}).items()
        ),
        stations=count_of(sound),
        budgets=build_budgets(sound.get("budgets")),
        pockets=build_pockets(as_written, channels, list(sound["outputs"])),
        commissioned_ns=sound.get("commissioned_within") or 0,
        walk=sound.get("walk") or DEFAULT_WALK,
    )


def quantity_of(shape: Any) -> str:
    return type(shape).__name__.removesuffix("Channel").lower()


def limit_of(row: RowShape, quantity: str, role: str) -> tuple[str, float]:
    """Which test a row makes, and its limit in SI. Raises units.NotAQuantity."""
    if row.is_ is not None:
        return "is", float(SWITCH_WORDS[role].index(row.is_))
    if row.above is not None:
        return "above", units.parse(row.above, KIND_OF[quantity])
    return "below", units.parse(row.below, KIND_OF[quantity])


def resolution_of(shape: Any, calibration: Calibration, signal: Signal) -> float:
    """SI value of one count: the steepest of the calibration over the signal's span."""
    if shape.resolution is not None:
        return float(shape.resolution)
    per_count = abs((signal.signal_high - signal.signal_low) / (signal.counts_high - signal.counts_low))
    return per_count * _steepest(calibration, signal)


def _steepest(calibration: Calibration, signal: Signal) -> float:
    if calibration.kind != "polynomial":
        pairs = zip(calibration.points, calibration.points[1:], strict=False)
        return max(abs((y1 - y0) / (x1 - x0)) for (x0, y0), (x1, y1) in pairs)
    steps = 100  # enough to meet the steepest place of a curve that is near a line
    span = signal.signal_high - signal.signal_low
    slopes = []
    for step in range(steps + 1):
        x = signal.signal_low + span * step / steps
        slopes.append(abs(sum(n * c * x ** (n - 1) for n, c in enumerate(calibration.coefficients) if n)))
    return max(slopes)


def signal_of(shape: Any) -> Signal:
    low, high = shape.signal.counts
    kind = "mA" if shape.signal.mA else "V" if shape.signal.V else "counts"
    ends = (shape.signal.mA or shape.signal.V) and [point.value for point in shape.signal.mA or shape.signal.V]
    ends = ends or [low, high]
    return Signal(kind=kind, counts_low=low, counts_high=high, signal_low=ends[0], signal_high=ends[1])


def calibration_of(shape: Any, quantity: str, signal: Signal) -> Calibration:
    written = shape.calibration
    if written.polynomial is not None:
        kinds = [
            units.per(KIND_OF[quantity], units.SIGNALS[signal.kind], power) for power in range(len(written.polynomial))
        ]
        coefficients = tuple(units.parse(text, kind) for text, kind in zip(written.polynomial, kinds, strict=True))
        return Calibration(kind="polynomial", coefficients=coefficients)
    kind = "two_point" if written.two_point is not None else "table"
    return Calibration(kind=kind, points=tuple((x.value, y) for x, y in written.two_point or written.table))


def _device(name: str, shape: Any) -> Device:
    settings = tuple((key, getattr(shape, key)) for key in ("host", "port", "unit") if getattr(shape, key) is not None)
    return Device(name=name, driver=shape.driver, settings=settings, scan_ns=shape.scan, timeout_ns=shape.timeout)


def _channel(document: Document, name: str, written: str, shape: Any, sound: dict[str, Any]) -> Channel:
    quantity = quantity_of(shape)
    common: dict[str, Any] = {
        "name": name,
        "device": list(sound["devices"]).index(shape.device),
        "role": shape.role,
        "quantity": quantity,
        "address": Address(table=shape.address[0], offset=shape.address[1]),
        "required": shape.required,
        "stale_ns": shape.stale or sound["devices"][shape.device].stale,
        "station": shape.station or 0,
    }
    if isinstance(shape, SwitchChannel):
        return Channel(**common, **_SWITCH_FIELDS, bit=shape.bit)
    signal = signal_of(shape)
    calibration = calibration_of(shape, quantity, signal)
    pressure = quantity == "pressure"
    return Channel(
        **common,
        type=shape.type,
        order=shape.order,
        bit=0,
        signal=signal,
        calibration=calibration,
        reference=shape.reference if pressure else "",
        head_pa=(shape.above_datum or 0.0) * WATER_PA_PER_M if pressure else 0.0,
        range_low=shape.plausible[0],
        range_high=shape.plausible[1],
        tau_ns=shape.lag,
        resolution=resolution_of(shape, calibration, signal),
        accuracy=shape.accuracy,
        proof_pa=shape.proof if pressure and shape.role != "atmosphere" else 0.0,  # open to the room
        zero_limit=(shape.zero_limit or 0.0) if pressure else 0.0,
        tapping=(shape.tapping or "") if pressure else "",
        module=(shape.module or "") if pressure else "",
        power=(shape.power or "") if pressure else "",
        display=shape.display or _unit_written(document, written, shape),
        certificate=shape.certificate or "",
        due=shape.due or "",
    )


_SWITCH_FIELDS: dict[str, Any] = {
    "type": "bit",
    "order": "ABCD",
    "signal": None,
    "calibration": None,
    "reference": "",
    "head_pa": 0.0,
    "range_low": 0.0,
    "range_high": 1.0,
    "tau_ns": 0,
    "resolution": 1.0,
    "accuracy": 0.0,
    "proof_pa": 0.0,
    "zero_limit": 0.0,
    "tapping": "",
    "module": "",
    "power": "",
    "display": "",
    "certificate": "",
    "due": "",
}


def _unit_written(document: Document, name: str, shape: Any) -> str:
    """People see the unit the author wrote first in the calibration."""
    kind = next(key for key in ("two_point", "table", "polynomial") if getattr(shape.calibration, key) is not None)
    end = (0,) if kind == "polynomial" else (0, 1)
    return units.unit_of(document.texts["channels", name, "calibration", kind, *end])


def _output(name: str, shape: Any, devices: list[str], channels: list[str]) -> Output:
    return Output(
        name=name,
        device=devices.index(shape.device),
        role=shape.role,
        address=Address(table=shape.address[0], offset=shape.address[1]),
        counts_safe=shape.counts.safe,
        counts_energised=shape.counts.energised,
        safe_reason=shape.safe_reason or "",
        read_back=-1 if shape.read_back == NO_READ_BACK else channels.index(shape.read_back),
        read_back_ns=shape.agree_within or 0,
        pa_low=shape.pressure.safe if shape.pressure else 0.0,
        pa_high=shape.pressure.energised if shape.pressure else 0.0,
        station=shape.station or 0,
    )


def _vent(shape: Any) -> VentRule:
    test = shape.isolation_test
    return VentRule(
        limit_pa=shape.limit,
        hold_ns=shape.hold,
        timeout_ns=shape.timeout,
        isolation_ns=test.shut_for if test else 0,
        isolation_rise_pa=test.rise if test else 0.0,
    )


def _line(shape: Any) -> Line | None:
    if shape is None:
        return None
    return Line(
        inside_m=shape.inside,
        wall_m=shape.wall,
        length_m=shape.length,
        modulus_pa=shape.modulus,
        restraint=shape.restraint,
        poisson=shape.poisson or 0.0,
        closes_ns=shape.valve_closes,
    )


def _row(name: str, row: RowShape, channels: dict[str, Any]) -> Row:
    shape = channels[row.channel]
    test, limit = limit_of(row, quantity_of(shape), shape.role)
    return Row(
        name=name,
        kind=row.kind,
        channel=list(channels).index(row.channel),
        test=test,
        limit=limit,
        persistence_ns=row.persistence,
        when=tuple(row.when),
        action=row.action or "vent",
        reset_by="" if row.reset_by in (None, ANYONE) else row.reset_by,
        reason=row.reason,
    )
