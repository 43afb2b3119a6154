"""The commissioning walk: what a rig itself is tested for, as steps of a profile like any other (RELIABILITY T22).

A check says what shall be seen; how it is brought about is `engine.walk`. Each leaves one Judgement of kind "check" for
everything it looked at, whose data name the check (a key of CHECKS) and what it was of. What a rig cannot do, for want
of a channel, is judged `undecided` and said, never passed over in silence.
"""

from dataclasses import dataclass

CHECKS = {
    "relief": "relief valve tested in time",
    "outputs": "outputs follow and fall back",
    "watchdog": "watchdog relay lets go",
    "inputs": "emergency stop and door are seen",
    "vent": "vent empties the line in time",
    "agreement": "transducers agree",
    "isolation": "supply is isolated",
    "bladder": "stiffness of the tank",
    "pockets": "no pocket forgotten",
}
"""Every check of a whole walk, in the order of the table people see."""
TRENDS = {"vent": "fall_ns", "bladder": "stiffness_pa_per_m3"}
"""Checks whose figure is judged against the rig's own earlier walks, and its name in the Judgement's data."""
LAST_WALKS = 10
"""So many of them make the trend: fewer and one bad day moves it, more and it is of another year (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How a figure is judged against the median of the rig's own earlier walks."""

    apart: float  # most it may be off that median, as a part of it [-]
    walks: int  # so many earlier ones are needed before anything is judged
    since: str = ""  # earlier walks count from this day, ISO; "" = all


@dataclass(frozen=True, slots=True, kw_only=True)
class Hands:
    """Amid a walk something is done by hand, at a line proven vented: one instruction a prompt."""

    name: str
    prompts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRelief:
    """The last test of the relief valve is no older than the rig file allows."""

    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOutputs:
    """Each output that is read back is energised and let go, at zero pressure, the supply shut by hand."""

    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckWatchdog:
    """No kick is given until the read-backs show that the relay has let every valve go."""

    name: str
    margin_ns: int  # what valves and scans may add to the relay's own time


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckInputs:
    """A person presses and releases the emergency stop, and opens and shuts the door: both edges must be seen."""

    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckVent:
    """From a low pressure the open vent lets the line fall to 1/e of it in time."""

    name: str
    pressure_pa: float
    fall_ns: int
    trend: Trend


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckAgreement:
    """The specimen transducers show the same at several pressures."""

    name: str
    pressures_pa: tuple[float, ...]
    limit_pa: float
    settle_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckIsolation:
    """With the tank charged, nothing passes the inlet into the shut specimen, nor the supply valve into the tank."""

    name: str
    charge_pa: float
    shut_ns: int
    rise_pa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckBladder:
    """Stiffness of the tank: fall of its pressure by the water taken from it, supply shut."""

    name: str
    charge_pa: float
    take_ns: int
    trend: Trend


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPockets:
    """Every pocket of the rig file is proven by its sensor, let out, or checked by hand by a named person."""

    name: str


WalkStep = (
    Hands
    | CheckRelief
    | CheckOutputs
    | CheckWatchdog
    | CheckInputs
    | CheckVent
    | CheckAgreement
    | CheckIsolation
    | CheckBladder
    | CheckPockets
)

KINDS = {
    "hands": Hands,
    "check_relief": CheckRelief,
    "check_outputs": CheckOutputs,
    "check_watchdog": CheckWatchdog,
    "check_inputs": CheckInputs,
    "check_vent": CheckVent,
    "check_agreement": CheckAgreement,
    "check_isolation": CheckIsolation,
    "check_bladder": CheckBladder,
    "check_pockets": CheckPockets,
}
"""The key under which each is written in a profile."""
