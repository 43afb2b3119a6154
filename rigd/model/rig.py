"""What a rig is: devices, channels, outputs, rows that guard it, and the limits of its iron.

These are the shapes after loading: SI floats, integers for counts and times, every name resolved to exist. How a rig is
written down (YAML, units, line numbers) is the business of `files`; what the rig does is the business of the engine.
Pressures are gauge unless a field says otherwise.
"""

from dataclasses import dataclass

from rigd.model.messages import Data

TYPES = ("int16", "uint16", "int32", "uint32", "float32", "bit")
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
"""Order of the bytes of a 32-bit value on the wire, A the most significant. 16-bit types use ABCD or BADC."""

QUANTITIES = ("pressure", "temperature", "flow", "switch", "position", "mass")
REFERENCES = ("gauge", "absolute", "sealed")
CHANNEL_ROLES = (
    "specimen",  # pressure of the specimen; the first such channel is the primary one
    "feed",  # pressure that pushes: the tank behind the inlet
    "supply",  # pressure of the gas supply before the regulator
    "water_temperature",
    "specimen_temperature",
    "door",  # 1 = chamber shut
    "emergency_stop",  # 1 = released (healthy)
    "relief",  # 1 = relief seated
    "read_back",  # 1 = the output is energised
    "held_peak",  # the device's own peak register of the specimen's pressure
    "returned",  # 1 = the moving part is back at its rest
    "displacement",  # of the moving part from its rest
    "wet",  # 1 = dry beneath the specimen (healthy)
    "make_up_flow",  # water fed to keep a pressure
    "catch",  # mass of what has leaked, on a scale
    "gas_temperature",
    "atmosphere",  # pressure of the air around the rig
    "other",
)
OUTPUT_ROLES = ("supply", "inlet", "air", "vent", "fill", "set_point", "watchdog")
ROW_KINDS = ("permissive", "interlock", "trip")
ROW_TESTS = ("above", "below", "is")
ROW_ACTIONS = ("vent", "hold")
RESTRAINTS = ("expansion_joints", "anchored_upstream", "anchored_throughout")
"""How a line is held along its length; the convention of the wave-speed formula."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One box on a wire. `settings` are the driver's own (host, port, unit, ...)."""

    name: str
    driver: str  # a key of drivers.DRIVERS
    settings: Data
    scan_ns: int  # one scan each so long
    timeout_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where a value lives. `holding:0` and `40001` are the same address, as are `input:0` and `30001`."""

    table: str  # "holding", "input", "coil", "discrete"
    offset: int  # counted from 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """Counts to the electrical signal: a straight line through two points. kind: "mA", "V", "counts"."""

    kind: str
    counts_low: float
    counts_high: float
    signal_low: float
    signal_high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Signal to SI. two_point: points=((x0,y0),(x1,y1)). polynomial: coefficients, constant first. table: points."""

    kind: str  # "two_point", "polynomial", "table"
    points: tuple[tuple[float, float], ...] = ()
    coefficients: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One value of one device."""

    name: str
    device: int  # index into Rig.devices
    role: str
    quantity: str
    address: Address
    type: str
    order: str
    bit: int  # for type bit: which bit of the register, 0 = least significant
    signal: Signal | None  # None for a switch
    calibration: Calibration | None
    reference: str  # "" unless a pressure
    head_pa: float  # added so that the value is the pressure at the specimen's datum [Pa]
    range_low: float  # plausible range, SI
    range_high: float
    tau_ns: int  # time constant of transducer and input filter
    resolution: float  # one count, SI
    accuracy: float  # uncertainty at zero as declared, SI
    proof_pa: float  # what the transducer survives, 0 when not a pressure
    zero_limit: float  # largest pre-run zero accepted, SI; 0 = never zeroed
    required: bool  # lost = tripped
    stale_ns: int
    tapping: str  # two transducers are independent only if these three differ
    module: str
    power: str
    display: str  # unit shown to people
    certificate: str  # id or "" - certificate errors come later
    due: str  # recalibration date, ISO, or ""
    station: int = 0  # the one it belongs to, 0 = shared by all


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """One thing the rig drives. De-energised is isolated and vented."""

    name: str
    device: int
    role: str
    address: Address
    counts_safe: int
    counts_energised: int  # for a set-point: the counts at `pa_high`
    safe_reason: str  # only when the safe state is energised: why
    read_back: int  # index into Rig.channels, -1 = none
    read_back_ns: int  # longest time from command to agreement
    pa_low: float  # set-point only: pressure at counts_safe
    pa_high: float  # of a set-point: pressure at counts_energised; of a fill valve: the most the mains bring, 0 unknown
    station: int = 0  # the one it belongs to, 0 = shared by all


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One guard. For `is`, `limit` is 0.0 or 1.0 and the row is healthy for a permissive when value == limit, and has
    its cause for an interlock or trip when value == limit. `above`/`below` likewise: a permissive *must be* above or
    below; an interlock or trip acts *when* above or below."""

    name: str
    kind: str
    channel: int  # index into Rig.channels
    test: str
    limit: float  # SI
    persistence_ns: int
    when: tuple[str, ...]  # run states, model.states.RUN_STATES
    action: str
    reset_by: str  # "" = anyone named; else a role in words
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """Closed loop on the regulator's set-point: feed-forward plus PI, limited, without wind-up."""

    kp: float  # [-] Pa of set-point per Pa of error
    ki_per_s: float
    period_ns: int  # how often the set-point moves
    trim_pa: float  # the loop may add or take at most this much to the feed-forward


@dataclass(frozen=True, slots=True, kw_only=True)
class VentRule:
    """When a specimen counts as vented: every specimen channel below `limit_pa` for `hold_ns`, else UNPROVEN."""

    limit_pa: float
    hold_ns: int
    timeout_ns: int
    isolation_ns: int = 0  # after a run the vent is shut for this long to see that nothing comes, 0 = never ...
    isolation_rise_pa: float = 0.0  # ... and no specimen channel may rise by more than this


@dataclass(frozen=True, slots=True, kw_only=True)
class Pocket:
    """A place that can hold pressure by itself. One with a sensor is proven by it; one without is vented when its
    output is seen de-energised, or is a person's to check by hand."""

    name: str
    channel: int  # index into Rig.channels: the sensor that proves it low, -1 = none
    vent: int  # index into Rig.outputs: de-energised it lets the pocket out, -1 = none
    hand_checked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Two transducers must agree within limit_pa; longer apart than persistence_ns is a trip."""

    limit_pa: float
    persistence_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part of the rig that could be the weakest."""

    name: str
    rating_pa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Relief:
    set_pa: float
    reseat_pa: float
    tested: str  # date of its last proof test, ISO
    margin: float  # each limit must stand at least this fraction below the next
    test_every_ns: int = 0  # how old that test may be, 0 = the rig file does not say


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """Something that stores energy."""

    name: str
    gas_m3: float
    water_m3: float
    gas_pa_max: float  # gauge


@dataclass(frozen=True, slots=True, kw_only=True)
class Chamber:
    """The guard around the specimen, and who proved what it holds."""

    rated_j: float
    proved_by: str
    proved_on: str
    distance_m: float  # from the nearest person to the specimen, barrier between


@dataclass(frozen=True, slots=True, kw_only=True)
class Independent:
    """The layer that is the safety device, declared: rigd is not one."""

    relief: str
    emergency_stop: str
    guard: str
    watchdog: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The run of pipe or hose between inlet and specimen, where stopped water hammers. One bore, one material."""

    inside_m: float  # inside diameter
    wall_m: float
    length_m: float
    modulus_pa: float  # Young's modulus of the wall for quick loading
    restraint: str  # one of RESTRAINTS
    poisson: float  # of the wall [-], without effect for expansion joints
    closes_ns: int  # time in which the fastest valve on it stops the flow, 0 = at once


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureMode:
    """One more way to fail that this lab tells apart."""

    name: str
    words: str
    counts_as: str  # a key of model.observations.OBSERVATIONS


DEFAULT_WALK = "commissioning"
"""The profile a rig is walked by when its file names no other."""
WEATHER_U_PA = 1_500.0
"""Of an air pressure that nobody measures: weather moves it by some 26 hPa to either side (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartLife:
    """A part that wears out, and the cycles left to it."""

    name: str
    cycles: int
    per_cycle: int  # how often it works in one cycle of a test
    each_station: bool  # one at every station; else it works for all of them


@dataclass(frozen=True, slots=True, kw_only=True)
class Budgets:
    """What an unattended run may use up. None: not stated; 0: not limited."""

    gas_m3: float | None  # at ambient conditions
    water_m3: float | None
    drain_m3: float | None
    fill_m3_per_s: float  # that the open fill valve passes at most
    parts: tuple[PartLife, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    name: str
    site: str
    simulated: bool
    devices: tuple[Device, ...]
    channels: tuple[Channel, ...]
    outputs: tuple[Output, ...]
    rows: tuple[Row, ...]
    control: Control
    vent: VentRule
    agreement: Agreement
    relief: Relief
    parts: tuple[Part, ...]
    volumes: tuple[Volume, ...]
    chamber: Chamber
    independent: Independent
    approach_pa: float  # nobody goes near above this
    ambient_pa: float  # air pressure at the rig as declared; absolute and sealed transducers need it
    inlet_m3_per_s_pa: float  # flow the inlet passes at 1 Pa across it, as Q = k*sqrt(dp) [m3/s/sqrt(Pa)]
    regulator_m3_per_s: float  # gas the regulator can pass, at ambient conditions [m3/s]
    watchdog_ns: int  # the relay drops out this long after the last kick
    line: Line | None = None  # None: not declared, so nothing can be foretold of water hammer
    failure_modes: tuple[FailureMode, ...] = ()  # of this lab, beside model.observations.FAILURE_MODES
    stations: int = 1  # how many specimens at once, each with valves and channels of its own
    station: int = 0  # which of them this is the rig of (model.stations.of_station), 0 = the whole rig
    pockets: tuple[Pocket, ...] = ()  # none declared: nobody is ever told that it is safe to open
    ambient_u_pa: float = WEATHER_U_PA  # standard uncertainty of `ambient_pa`, for transducers that count from it
    budgets: Budgets | None = None  # none stated: no unattended runs
    commissioned_ns: int = 0  # how old a passed commissioning walk may be for unattended runs, 0 = none are allowed
    walk: str = DEFAULT_WALK  # profile of that walk: a name that ships, or a file
