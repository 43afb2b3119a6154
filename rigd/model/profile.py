"""What a test is: steps in order, limits, and what must be known about the specimen before pressure.

Shapes after loading, in SI. A step says what shall be true at its end, not how valves move: that is `engine.procedure`.
"""

from dataclasses import dataclass

from rigd.model.air import AirCheck
from rigd.model.flush import Flush
from rigd.model.gas import GasLeak
from rigd.model.leak import CapTurns
from rigd.model.walk import WalkStep


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """Hands in the chamber, at zero: one instruction a prompt, each confirmed by a named person."""

    name: str
    prompts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """Water in by the fill valve with the vent open for `bleed_ns`, then shut until `until_pa`, or it failed."""

    name: str
    bleed_ns: int
    until_pa: float
    timeout_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """Build to a low pressure, isolate, hold, vent, must fall (after EN 1643's idea of proving valves)."""

    name: str
    pressure_pa: float
    ramp_pa_per_s: float
    hold_ns: int
    loss_pa: float  # most that may be lost in the hold
    fall_below_pa: float
    fall_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ramp:
    """Raise pressure uniformly until failure or `ceiling_pa`."""

    name: str
    rate_pa_per_s: float
    ceiling_pa: float
    rate_tolerance: float  # fraction of the rate, for the check of the achieved rate
    window_low_ns: int  # failure is due between these two, 0 = no window
    window_high_ns: int
    expected_pa: float  # what the window's rate was worked out from, 0 = by rate


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Keep the pressure reached, or `pressure_pa`."""

    name: str
    pressure_pa: float  # 0 = as reached
    duration_ns: int
    tolerance_pa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Vent:
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What was it? The person's observation, from model.observations."""

    name: str
    timeout_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseDown:
    name: str
    prompts: tuple[str, ...]


SHAPES = ("square", "trapezoid", "sine", "points")
MEDIA = ("water", "air over water", "alternating")
OUTLETS = ("capped", "throttled", "open")
SHOTS = ("charge", "regulator", "valve")
"""How a surge's pressure is made: the charge let go as it stands, the regulator's set-point led along the shape, or an
on/off valve that keeps to it."""
RETURN_SIGNS = ("switch", "displacement", "trace")
WHEN_STUCK = ("record", "extra_cycle", "ask", "stop")


@dataclass(frozen=True, slots=True, kw_only=True)
class MovingPart:
    """Something in the body that a surge moves and that must come back: an indicator, a poppet, a plunger."""

    sign: str  # one of RETURN_SIGNS
    below_pa: float  # the clock of its return starts when the pressure has fallen below this
    within_ns: int  # not back by then: stuck
    home_m: float  # for displacement: back means nearer to its rest than this; 0 otherwise
    slow: float  # for trace: a blow-down this many times longer than its own first accepted ones means stuck
    when_stuck: str  # one of WHEN_STUCK
    extra_most: int  # extra cycles in a row before a person is asked


@dataclass(frozen=True, slots=True, kw_only=True)
class Surge:
    """Flow-through shots, again and again. A cycle is over when the pressure is *measured* to be down."""

    name: str
    shape: str  # one of SHAPES
    points: tuple[tuple[float, float], ...]  # for shape points: (share of rise plus hold, share of pressure)
    shot: str  # one of SHOTS
    pressure_pa: float  # asked for at the specimen
    peak_tolerance: float  # fraction of it that a valid peak may be off
    charge_pa: float  # behind the release valve when it opens
    charge_tolerance: float  # fraction that a valid charge may be off
    sag: float  # fraction of the charge that a valid surge may take from the feed
    rise_ns: int
    hold_ns: int
    release_ns: int  # opening time of the release valve as declared
    blow_down_pa: float  # a cycle ends when every specimen channel is below this ...
    blow_down_ns: int  # ... and the run ends when it is not within this
    drain_ns: int
    rest_ns: int
    threshold_pa: float  # a body has felt a surge whose pressure passed this
    blocks: tuple[int, ...]  # valid cycles owed, block by block
    between: str  # "rest" or "inspect"
    between_ns: int  # of a rest
    between_prompt: str  # of an inspection
    medium: str  # one of MEDIA
    outlet: str  # one of OUTLETS
    slug_m3: float  # water brought in before the shot, 0 = none
    water_ns: int  # for which the fill valve opens to bring it
    give_up: int  # cycles in a row that are not valid before the run ends
    minimum_cycles: int  # acceptance criterion, 0 = none
    baseline: int  # first accepted cycles that make the specimen's own normal
    departure: float  # back pressure below this fraction of the normal: parted
    part: MovingPart | None
    life_exponent: float = 0.0  # of the material's life curve, 0 = nobody has given one
    life_source: str = ""  # whose curve that is


Step = (
    Mount | Fill | Proof | Ramp | Hold | Vent | Ask | CloseDown
    | Surge | CapTurns | Flush | AirCheck | GasLeak | WalkStep
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureSigns:
    """When the engine calls it: thresholds of the signs (calc.exact.burst says how they are used)."""

    drop_pa: float  # a fall below the highest by this much ...
    drop_fraction: float  # ... or by this fraction of it, whichever is larger
    lag_pa: float  # behind what feeds it by this much ...
    lag_ns: int  # ... for this long
    mark_ns: int  # a person's longest delay from seeing to pressing
    flow_m3_per_s: float = 0.0  # fed in a ramp above the least of it, 0 = not looked at (calc.exact.supply_flow)


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    name: str
    title: str
    method: str  # the standard or procedure it follows, with edition
    steps: tuple[Step, ...]
    max_pa: float
    minimum_pa: float  # acceptance criterion for the failure pressure, 0 = none
    signs: FailureSigns
    peak_tolerance_pa: float  # refuse when ramp rate x real sample interval exceeds this
    zero_shift_pa: float  # a zero that moved further by the end voids the run
    required: tuple[str, ...]  # specimen facts that must be known before pressure (model.specimen.FACTS)
    arm_prompts: tuple[str, ...]  # checklist answered before arming: eyes, ears, hoses
    display: str  # pressure unit shown to people
