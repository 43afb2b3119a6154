"""How a rig is written down: the keys of a rig file, their types, and what each is for.

One shape a block of the file; the descriptions are what an editor shows and what a fault says when a key is missing.
Whether the blocks fit together (names that exist, limits in order) is `rig_sense`, and nothing here knows a driver.
"""

from typing import Annotated, Any, Literal

from pydantic import Field, create_model

from rigd.files import units
from rigd.files.budget_shape import BudgetsShape
from rigd.files.fields import (
    AddressText,
    Day,
    Energy,
    Flow,
    FlowReading,
    Height,
    Label,
    Length,
    Mass,
    MassDifference,
    Name,
    Percent,
    PositiveFlow,
    PositivePressure,
    Pressure,
    PressureReading,
    Shape,
    Signal,
    StationText,
    Temperature,
    TemperatureDifference,
    Volume,
    Words,
    duration,
    one_or_each,
    quantity,
)
from rigd.files.pocket_shape import MAX_POCKETS, AgeLimit, IsolationTestShape, PocketShape
from rigd.model.observations import OBSERVATIONS
from rigd.model.rig import OUTPUT_ROLES, RESTRAINTS
from rigd.model.states import RUN_STATES

SWITCH_WORDS = {
    "door": ("open", "shut"),
    "emergency_stop": ("pressed", "released"),
    "relief": ("lifted", "seated"),
    "read_back": ("off", "energised"),
    "returned": ("away", "back"),
    "wet": ("wet", "dry"),
    "other": ("off", "on"),
}
"""What a bit means, 0 first. The second word of a guard is the healthy one, so a broken wire reads as trouble."""
ALL_SWITCH_WORDS = tuple(word for words in SWITCH_WORDS.values() for word in words)

Persistence = duration("0 ms", "60 s")
DeviceTime = duration("1 ms", "10 s")
Lag = duration("0 ms", "60 s")
SAFE_COUNTS = (-32768, 65535)
Bore = quantity(units.LENGTH, low="0.1 mm", high="1 m")
Run = quantity(units.LENGTH, low="1 cm", high="1000 m")
MAX_STATIONS = 8  # their wire is shared: more would not be read often enough
Place = one_or_each(AddressText)
Box = one_or_each(Words)
STATION = "`each`: repeated for every station, with `address` (or `device`) as a list; or the number of one station"
Modulus = quantity(units.PRESSURE, low="1 MPa", high="1000000 MPa")  # from soft rubber to five times steel
MAX_WATCHDOG = "500 ms"  # SAFETY S7: the external relay drops out at most this long after the last kick


class DeviceShape(Shape):
    """One box on a wire."""

    driver: Name = Field(description="which driver speaks to it, such as modbus_tcp")
    scan: DeviceTime = Field(description="one read of all its channels each so long")
    timeout: DeviceTime = Field(description="no reply for this long: the device is lost")
    stale: DeviceTime = Field(description="a value older than this counts as lost")
    host: Words | None = Field(default=None, description="name or address on the network")
    port: int | None = Field(default=None, ge=1, le=65535, description="TCP port")
    unit: int | None = Field(default=None, ge=0, le=255, description="Modbus unit id")


class SignalShape(Shape):
    """Counts to the electrical signal, by two points. Without mA or V the signal is the counts themselves."""

    counts: list[float] = Field(min_length=2, max_length=2, description="counts at the two points")
    mA: list[Signal] | None = Field(default=None, min_length=2, max_length=2, description="current at the two points")
    V: list[Signal] | None = Field(default=None, min_length=2, max_length=2, description="voltage at the two points")


def _pair(value: Any) -> Any:
    return Annotated[tuple[value, value], Field(strict=False)]


def _calibration(name: str, value: Any) -> Any:
    """Signal to a value in SI; exactly one of the three."""
    points = list[Annotated[tuple[Signal, value], Field(strict=False)]]
    return create_model(
        name,
        __base__=Shape,
        two_point=(
            points | None,
            Field(default=None, min_length=2, max_length=2, description="two points [signal, value]"),
        ),
        table=(
            points | None,
            Field(default=None, min_length=2, max_length=100, description="points [signal, value], signal rising"),
        ),
        polynomial=(
            list[str] | None,
            Field(
                default=None,
                min_length=2,
                max_length=8,
                description="coefficients, constant first, such as [0 psi, 62.5 psi/mA]",
            ),
        ),
    )


class _NumberShape(Shape):
    """What every channel with a number has."""

    device: Box = Field(description="one of the devices of this file, or a list of them, one a station")
    address: Place = Field(description="where the value lives, such as holding:0 or 40001, or a list, one a station")
    station: StationText | None = Field(default=None, description=STATION)
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = Field(description="type of the number on the wire")
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] = Field(
        default="ABCD", description="order of the bytes on the wire, A the most significant"
    )
    signal: SignalShape = Field(description="counts to electrical signal, at two points")
    lag: Lag = Field(description="time constant of transducer and input filter")
    stale: DeviceTime | None = Field(default=None, description="a value older than this counts as lost")
    required: bool = Field(default=True, description="true: losing it is a trip")
    certificate: Label | None = Field(default=None, description="id of the calibration certificate")
    due: Day | None = Field(default=None, description="date of the next calibration")


class PressureChannel(_NumberShape):
    """A pressure transducer."""

    role: Literal["specimen", "feed", "supply", "held_peak", "atmosphere", "other"] = Field(
        description="what the rig uses it for"
    )
    quantity: Literal["pressure"] | None = Field(default=None, description="needed only when the role is `other`")
    calibration: _calibration("PressureCalibration", PressureReading) = Field(description="signal to pressure")
    reference: Literal["gauge", "absolute", "sealed"] = Field(description="what its zero is")
    above_datum: Height | None = Field(
        default=None, description="height of the transducer above the specimen's datum (specimen channels must say)"
    )
    plausible: _pair(PressureReading) = Field(description="readings outside this range are not believed")
    accuracy: PositivePressure = Field(description="uncertainty at zero, as declared")
    resolution: PositivePressure | None = Field(default=None, description="needed for float32 only")
    proof: PositivePressure = Field(description="what the transducer survives")
    zero_limit: PositivePressure | None = Field(
        default=None, description="largest pre-run zero accepted (specimen channels must say)"
    )
    tapping: Words | None = Field(default=None, description="where it is tapped in (specimen channels must say)")
    module: Words | None = Field(default=None, description="which input card (specimen channels must say)")
    power: Words | None = Field(default=None, description="which power supply (specimen channels must say)")
    display: Literal[units.PRESSURE.units] | None = Field(default=None, description="unit shown to people")


class TemperatureChannel(_NumberShape):
    """A thermometer."""

    role: Literal["water_temperature", "specimen_temperature", "gas_temperature", "other"] = Field(
        description="what the rig uses it for"
    )
    quantity: Literal["temperature"] | None = Field(default=None, description="needed only when the role is `other`")
    calibration: _calibration("TemperatureCalibration", Temperature) = Field(description="signal to temperature")
    plausible: _pair(Temperature) = Field(description="readings outside this range are not believed")
    accuracy: TemperatureDifference = Field(description="uncertainty, as declared")
    resolution: TemperatureDifference | None = Field(default=None, description="needed for float32 only")
    display: Literal[units.TEMPERATURE.units] | None = Field(default=None, description="unit shown to people")


class FlowChannel(_NumberShape):
    """A flow meter."""

    role: Literal["make_up_flow", "other"] = Field(description="what the rig uses it for")
    quantity: Literal["flow"] | None = Field(default=None, description="needed only when the role is `other`")
    calibration: _calibration("FlowCalibration", FlowReading) = Field(description="signal to flow")
    plausible: _pair(FlowReading) = Field(description="readings outside this range are not believed")
    accuracy: Flow = Field(description="uncertainty, as declared")
    resolution: Flow | None = Field(default=None, description="needed for float32 only")
    display: Literal[units.FLOW.units] | None = Field(default=None, description="unit shown to people")


class PositionChannel(_NumberShape):
    """A position or displacement."""

    role: Literal["displacement", "other"] = Field(description="what the rig uses it for")
    quantity: Literal["position"] | None = Field(default=None, description="needed only when the role is `other`")
    calibration: _calibration("PositionCalibration", Height) = Field(description="signal to position")
    plausible: _pair(Height) = Field(description="readings outside this range are not believed")
    accuracy: Length = Field(description="uncertainty, as declared")
    resolution: Length | None = Field(default=None, description="needed for float32 only")
    display: Literal[units.LENGTH.units] | None = Field(default=None, description="unit shown to people")


class MassChannel(_NumberShape):
    """A scale."""

    role: Literal["catch", "other"] = Field(description="what the rig uses it for")
    quantity: Literal["mass"] | None = Field(default=None, description="needed only when the role is `other`")
    calibration: _calibration("MassCalibration", Mass) = Field(description="signal to mass")
    plausible: _pair(Mass) = Field(description="readings outside this range are not believed")
    accuracy: MassDifference = Field(description="uncertainty, as declared")
    resolution: MassDifference | None = Field(default=None, description="needed for float32 only")
    display: Literal[units.MASS.units] | None = Field(default=None, description="unit shown to people")


class SwitchChannel(Shape):
    """One bit of a register, or one coil or discrete input."""

    role: Literal["door", "emergency_stop", "relief", "read_back", "returned", "wet", "other"] = Field(
        description="what the rig uses it for"
    )
    quantity: Literal["switch"] | None = Field(default=None, description="needed only when the role is `other`")
    device: Box = Field(description="one of the devices of this file, or a list of them, one a station")
    address: Place = Field(description="where the bit lives, such as holding:5 with `bit: 0`, or a list, one a station")
    station: StationText | None = Field(default=None, description=STATION)
    bit: int = Field(default=0, ge=0, le=15, description="which bit of the register, 0 the least significant")
    stale: DeviceTime | None = Field(default=None, description="a value older than this counts as lost")
    required: bool = Field(default=True, description="true: losing it is a trip")


ChannelShape = PressureChannel | TemperatureChannel | FlowChannel | PositionChannel | MassChannel | SwitchChannel
CHANNEL_SHAPES = {
    "pressure": PressureChannel,
    "temperature": TemperatureChannel,
    "flow": FlowChannel,
    "position": PositionChannel,
    "mass": MassChannel,
    "switch": SwitchChannel,
}
QUANTITY_OF_ROLE = {
    **dict.fromkeys(("specimen", "feed", "supply", "held_peak", "atmosphere"), "pressure"),
    **dict.fromkeys(("water_temperature", "specimen_temperature", "gas_temperature"), "temperature"),
    **dict.fromkeys(("door", "emergency_stop", "relief", "read_back", "returned", "wet"), "switch"),
    "displacement": "position",
    "make_up_flow": "flow",
    "catch": "mass",
}


class CountsShape(Shape):
    """The two raw values of an output."""

    safe: int = Field(ge=SAFE_COUNTS[0], le=SAFE_COUNTS[1], description="raw value of the safe state")
    energised: int = Field(ge=SAFE_COUNTS[0], le=SAFE_COUNTS[1], description="raw value of the other state")


class OutputPressureShape(Shape):
    """What a set-point calls for at its two raw values, or the most that a fill valve brings."""

    safe: Pressure = Field(description="pressure at the safe counts")
    energised: PositivePressure = Field(description="pressure at the energised counts")


class OutputShape(Shape):
    """One thing the rig drives. De-energised is isolated and vented."""

    role: Literal[OUTPUT_ROLES] = Field(description="what it does")
    device: Box = Field(description="one of the devices of this file, or a list of them, one a station")
    address: Place = Field(description="where it is written, such as holding:100 or coil:0, or a list, one a station")
    station: StationText | None = Field(default=None, description=STATION)
    counts: CountsShape = Field(description="raw values {safe: 0, energised: 1}")
    safe_reason: Words | None = Field(default=None, description="why the safe value is not 0, in words")
    read_back: Words = Field(description="the channel that shows its true state, or `none`")
    agree_within: duration("1 ms", "10 s") | None = Field(
        default=None, description="longest time from command to agreement of the read-back"
    )
    pressure: OutputPressureShape | None = Field(
        default=None, description="of a set-point: what its two counts call for; of a fill valve: what the mains bring"
    )


class RowShape(Shape):
    """One guard: a permissive, an interlock or a trip."""

    kind: Literal["permissive", "interlock", "trip"] = Field(
        description="permissive: must be true to arm and start; interlock: acts while it lasts; trip: stays latched"
    )
    channel: Words = Field(description="the channel it looks at")
    above: str | None = Field(default=None, description="limit with its unit")
    below: str | None = Field(default=None, description="limit with its unit")
    is_: Literal[ALL_SWITCH_WORDS] | None = Field(
        default=None, alias="is", description="word of a switch, such as shut"
    )
    persistence: Persistence = Field(description="how long the condition must last")
    when: list[Literal[RUN_STATES]] = Field(min_length=1, max_length=6, description="the states in which it counts")
    action: Literal["vent", "hold"] | None = Field(default=None, description="what an interlock or trip does")
    reset_by: Words | None = Field(default=None, description="of a trip: `anyone`, or a role in words")
    reason: Words = Field(description="why, in words a person at the rig can act on")


class ControlShape(Shape):
    """Closed loop on the regulator's set-point."""

    gain: float = Field(ge=0, le=10, description="pressure of set-point per pressure of error; a plain number")
    integral_time: duration("10 ms", "10 min") = Field(
        description="time in which the integral adds what the gain gives"
    )
    period: duration("1 ms", "10 s") = Field(description="how often the set-point moves")
    trim: PositivePressure = Field(description="most the loop may add to or take from the ramp itself")


class VentShape(Shape):
    """When a specimen counts as vented."""

    limit: PositivePressure = Field(description="every specimen channel must be below this")
    hold: duration("100 ms", "60 s") = Field(description="for this long")
    timeout: duration("1 s", "10 min") = Field(description="else it is UNPROVEN")
    isolation_test: IsolationTestShape | None = Field(
        default=None, description="after a run: a rise test that proves the supply's isolation"
    )


class AgreementShape(Shape):
    """The two specimen transducers must agree."""

    limit: PositivePressure = Field(description="most they may differ")
    persistence: duration("1 ms", "5 s") = Field(description="for longer than this is a trip")


class ReliefShape(Shape):
    """The relief valve and the distance between limits."""

    set_: PositivePressure = Field(alias="set", description="pressure at which it lifts")
    reseat: PositivePressure = Field(description="pressure below which it is shut again")
    tested: Day = Field(description="date of its last proof test")
    test_every: AgeLimit | None = Field(default=None, description="how old that test may be, such as 365 day")
    margin: Percent = Field(description="each limit stands at least this far below the next")


class VolumeShape(Shape):
    """Something that stores energy."""

    gas: Volume = Field(description="gas in it when charged")
    water: Volume = Field(description="water in it when charged")
    pressure: Pressure = Field(description="highest pressure it is charged to, gauge")


class ChamberShape(Shape):
    """The guard around the specimen, and who proved what it holds."""

    rated: Energy = Field(description="energy it was proved to hold")
    proved_by: Words
    proved_on: Day
    distance: Length = Field(description="from the nearest person to the specimen, barrier between")


class IndependentShape(Shape):
    """The layer that is the safety device, in words; rigd is not one."""

    relief: Words
    emergency_stop: Words
    guard: Words
    watchdog: Words


class InletShape(Shape):
    """A measured point of the open inlet, from which Q = k * sqrt(dp)."""

    passes: PositiveFlow = Field(description="flow through the open inlet")
    at: PositivePressure = Field(description="pressure across it while measuring")


class LineShape(Shape):
    """The line between inlet and specimen, so that water hammer can be foretold."""

    inside: Bore = Field(description="inside diameter")
    wall: Bore = Field(description="wall thickness")
    length: Run = Field(description="from the tank or manifold to the specimen's outlet")
    modulus: Modulus = Field(
        description="Young's modulus of the wall for quick loading, such as 2760 MPa; in doubt the larger"
    )
    restraint: Literal[RESTRAINTS] = Field(description="how it is held along its length")
    poisson: float | None = Field(
        default=None, ge=0, le=0.5, description="Poisson's ratio of the wall, a plain number; needed when anchored"
    )
    valve_closes: duration("0 ms", "60 s") = Field(
        description="time in which the fastest valve on it stops the flow (less than its stroke); 0 ms: at once"
    )


class FailureModeShape(Shape):
    """One more way to fail that this lab tells apart."""

    words: Words = Field(description="what it is, for people")
    counts_as: Literal[tuple(OBSERVATIONS)] = Field(description="the observation it counts as")


class RigShape(Shape):
    """A rig file."""

    rig: Label = Field(description="name of the rig")
    site: Words = Field(description="where it stands")
    simulated: bool = Field(description="true: no iron behind it, no pressure anywhere")
    stations: int = Field(
        default=1, ge=1, le=MAX_STATIONS, description="how many specimens at once, each with valves of its own"
    )
    devices: dict[Name, DeviceShape] = Field(min_length=1, max_length=12, description="boxes on wires, by name")
    channels: dict[Name, ChannelShape] = Field(min_length=1, max_length=64, description="what is read, by name")
    outputs: dict[Name, OutputShape] = Field(min_length=1, max_length=16, description="what is driven, by name")
    rows: dict[Name, RowShape] = Field(min_length=1, max_length=40, description="guards, by name")
    control: ControlShape
    vent: VentShape
    agreement: AgreementShape
    relief: ReliefShape
    parts: dict[Label, PositivePressure] = Field(
        min_length=1, max_length=40, description="pressure rating of every part that could be the weakest"
    )
    volumes: dict[Label, VolumeShape] = Field(min_length=1, max_length=20, description="what stores energy")
    chamber: ChamberShape
    independent: IndependentShape
    approach: Pressure = Field(description="nobody goes near above this")
    ambient: PositivePressure | None = Field(
        default=None, description="air pressure at the rig, needed when a transducer is absolute or sealed"
    )
    ambient_uncertainty: PositivePressure | None = Field(
        default=None, description="standard uncertainty of `ambient`; left out: what weather does to it, 1.5 kPa"
    )
    inlet_flow: InletShape
    regulator_flow: PositiveFlow = Field(description="gas the regulator can pass, at ambient conditions")
    watchdog: duration("50 ms", MAX_WATCHDOG) = Field(
        description="the relay drops out this long after the last kick, at most 500 ms"
    )
    line: LineShape | None = Field(default=None, description="the line to the specimen, to foretell water hammer")
    failure_modes: dict[Name, FailureModeShape] | None = Field(
        default=None, max_length=40, description="ways to fail that this lab tells apart, beside those that ship"
    )
    pockets: dict[Label, PocketShape] | None = Field(
        default=None, max_length=MAX_POCKETS, description="every place that can hold pressure, by name"
    )
    budgets: BudgetsShape | None = Field(default=None, description="what an unattended run may use up")
    commissioned_within: AgeLimit | None = Field(
        default=None, description="unattended runs only so long after a passed walk, such as 30 day"
    )
    walk: Words | None = Field(
        default=None, description="profile of its commissioning walk, shipped or a file; left out: commissioning"
    )
