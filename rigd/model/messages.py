"""The messages that enter and leave the engine: the whole of its contact with the world.

Everything the engine ever learns is one of the first seven shapes, and all it ever says is one of the last eight.
A record is these messages in order, so whoever holds the record can run the engine again and compare. The shapes know
nothing of sockets, files or clocks: `seq` and `t_ns` were decided where the inbox is read, once, and are simply
carried.

Times are integers: `t_ns` is monotonic time since the record opened [ns], strictly increasing, a multiple of 1,000.
"""

from dataclasses import dataclass

NUMBER = "number"
"""Prompt.si of a question for a plain number: drops, degrees of an angle."""

Scalar = str | int | float | bool | None
Data = tuple[tuple[str, Scalar], ...]

ACTS = ("arm", "start", "hold", "resume", "vent", "stop", "reset", "confirm", "mark", "zero", "hand_check")
"""What a person may do. `mark` is the one key that says *it fails now*; `hand_check` is the named person's word that a
line is at zero when no sensor can say so."""

DEVICE_FAULTS = ("absent", "timeout", "reset", "wrong_reply", "exception_reply", "write_failed", "recovered")
"""What a driver may report. `recovered` says that the device answers again; it clears nothing by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """First message of every record: which files, which run, what was latched before."""

    seq: int
    t_ns: int
    run: int  # run number, gap-free in its records folder; 0 = the rig's own log
    utc_ns: int  # wall clock at t_ns, an anchor and nothing more [ns since 1970 UTC]
    version: str  # of rigd
    rig_sha256: str  # of the exact bytes used, lower-case hex
    profile_sha256: str
    specimen_sha256: str
    latched: tuple[str, ...]  # trips that were latched when the previous record of this rig ended


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """One reply of one device: one integer per channel of that device, in rig-file order."""

    seq: int
    t_ns: int
    device: int  # index into Rig.devices
    age_us: int  # arrival of the reply minus midpoint of the request [us]
    width_us: int  # request to reply [us]
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """Nothing came for 20 ms; time passes all the same."""

    seq: int
    t_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorAction:
    """A person's act. The engine grants or refuses it, in words, and both are in the record."""

    seq: int
    t_ns: int
    act: str  # one of ACTS
    person: str
    named: bool  # False: the system's user name stood in for a name
    source: str  # "terminal", "socket", "simulated person"
    prompt: int | None = None  # for confirm: which prompt
    answer: str | None = None  # for confirm: the choice or the value


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceFault:
    """Driver trouble is a message, never an exception."""

    seq: int
    t_ns: int
    device: int
    fault: str  # one of DEVICE_FAULTS
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HostReport:
    """How the computer itself is doing, about ten times a second."""

    seq: int
    t_ns: int
    journal_lag_us: int  # age of the oldest block not yet synced [us]
    write_error: str  # "" or what the operating system said
    free_bytes: int
    missed_ticks: int  # scans not made on time since the last report
    inbox_full: bool
    utc_ns: int  # wall clock, an anchor [ns since 1970 UTC]


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbours:
    """What the other stations of this rig are about; sent when it changes. A rig with one station has none."""

    seq: int
    t_ns: int
    pressurised: int  # how many of them are not proven vented
    hands: bool  # somebody has, or asks for, hands in the chamber they share


Input = Opened | Scan | Tick | OperatorAction | DeviceFault | HostReport | Neighbours


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one Scan means: SI values and quality of that device's channels, in rig-file order.

    A value that cannot be a number is NaN and its quality says why. `highest_pa` is the maximum so far of the good
    samples of the primary specimen channel in the pressurised part of this run, 0 before there is one.
    """

    seq: int
    t_ns: int
    device: int
    values: tuple[float, ...]  # Pa, K, m3/s, or 0/1 for a switch; not zeroed, head-corrected
    quality: tuple[int, ...]  # calc.exact.quality codes
    step: int  # index into Profile.steps, -1 when none
    cycle: int  # number of the surge, turn, aim or check under way, 0 before the first
    target_pa: float  # pressure called for at this moment, NaN when none
    highest_pa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveCommand:
    """Drive one output. `raises` marks a command that can raise pressure: its record goes first."""

    seq: int
    t_ns: int
    output: int  # index into Rig.outputs
    counts: int
    raises: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Kick:
    """Toggle the watchdog output: fresh samples, a whole step, a journal that is not behind."""

    seq: int
    t_ns: int
    output: int
    counts: int  # a counter, 0..65535: a level cannot prove life


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """A question to a person. It is answered by OperatorAction confirm with this id, or it times out."""

    seq: int
    t_ns: int
    prompt: int
    kind: str  # "confirm" (done as asked), "enter" (a value for `field`), "choose" (one of `choices`)
    text: str
    field: str  # which fact the answer is, "" when none
    choices: tuple[str, ...]
    timeout_ns: int  # 0 = none
    si: str = ""  # of a quantity: the answer reaches the engine as a number in this unit; NUMBER for a plain one


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something happened. `kind` is from model.events; `text` is for people, `data` for programs (SI units)."""

    seq: int
    t_ns: int
    kind: str
    text: str
    data: Data = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One surge, once, when it is over: the row of the cycles table. Pressures are not zeroed [Pa].

    Charge pressure and peak are two things: the first stood behind the release valve, the second at the specimen.
    """

    seq: int
    t_ns: int
    cycle: int  # 1 for the first release of the first run of this specimen, through every resume
    block: int  # index of the block it belongs to
    released_ns: int  # when the release valve was told to open
    applied: bool  # the body felt it
    valid: bool  # and it was the surge the profile asks for
    why: tuple[str, ...]  # why it is not valid, words from model.observations.WHY_NOT_VALID
    partial: bool  # cut short by a trip, a person or an end of the process
    extra: bool  # given to free a moving part, not owed
    assisted: bool  # the first after a hand freed the moving part
    charge_pa: float | None  # feed at the release
    peak_sampled_pa: float | None  # maximum of good samples at the specimen, None when there was none
    peak_held_pa: float | None  # the device's own peak register, None where the rig has none
    gap_ns: int  # longest gap between two samples of the surge
    trough_pa: float | None  # minimum from the peak to the end of the blow-down
    rise_pa_per_s: float | None  # from a tenth to nine tenths of the pressure asked for
    overshoot_pa: float | None  # peak above the pressure asked for, 0 when below
    above_ns: int  # time above the profile's threshold, by sampled trapezoids
    blow_down_ns: int | None  # from the end of the hold until measured below the limit, None when it never was
    returned: bool | None  # None where nothing moves
    return_ns: int | None  # from pressure below the limit until the part was back


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the engine makes of something less than the whole run: one turn of a cap, one aim, one check of the rig."""

    seq: int
    t_ns: int
    step: int  # index into Profile.steps
    number: int  # 1 for the first of this run
    kind: str  # "turn", "aim", "air", "gas", "check"
    verdict: str  # model.verdicts.JUDGEMENTS
    text: str  # for people
    data: Data  # for programs (SI units)


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What the engine concluded, once, when the run has ended and the last question is answered or timed out."""

    seq: int
    t_ns: int
    outcome: str  # model.verdicts.OUTCOMES
    verdict: str  # model.verdicts.VERDICTS
    trace_class: str  # model.verdicts.TRACE_CLASSES, "" when the run ended otherwise
    signs: tuple[str, ...]  # which signs fired, in order
    observation: str  # model.observations.OBSERVATIONS
    failure_raw_pa: float | None  # primary channel at onset, as sampled, zeroed
    failure_pa: float | None  # corrected for lag and sampling
    failure_t_ns: int | None  # of the onset sample
    bound_pa: float | None  # larger of the two sides
    bound_up_pa: float | None  # how far the truth may lie above failure_pa
    bound_down_pa: float | None
    highest_pa: float | None  # maximum of good samples, zeroed
    highest_corrected_pa: float | None
    time_to_failure_ns: int | None  # from the start of the ramp
    ramp_pa_per_s: float | None  # achieved
    noise_pa: float | None  # standard deviation about the ramp
    zero_pa: float | None
    zero_shift_pa: float | None  # after minus before
    first_out: str  # the first cause of a trip, "" when none
    flags: tuple[str, ...]  # remarks a reader must see, in words
    data: Data = ()  # what this kind of test counts besides: model.verdicts names the keys


Output = Reading | ValveCommand | Kick | Prompt | Event | Cycle | Judgement | Result
Message = Input | Output
