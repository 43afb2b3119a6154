"""What passes between the engine and the live step of a profile: what the step may see, and how it stands.

A step sees the world through `Sight`: the newest good pressure (NaN when there is none, and then it waits: lost
channels are the interlocks' business), the program clock, which stands still while somebody holds, and the channels
of its rig. It answers with a `Standing`. It never blocks and never raises. A step may also have `resume(sight)`,
called when the run goes on after a pause, `look(sight)`, called in every step of the engine while it is paused at
rest, `answer(question, value, person)`, told what people say to its questions, `mark(sight)`, for the one key that says
*it fails now* where that does not end the run, `cut_short(seq, t_ns)` with `feel(sight)`, asked for what was half done
once a run that ended is vented and shown each sample until then, and a `tally`.
"""

from typing import NamedTuple, Protocol

from rigd.engine.channels import Channels
from rigd.engine.outputs import Wanted
from rigd.engine.questions import Question
from rigd.model.carried import Carried
from rigd.model.earlier import NO_WALKS, Earlier
from rigd.model.messages import Cycle, Data, Judgement
from rigd.model.specimen import Specimen

GOING, DONE, LOST, AT_CEILING, STALLED = "going", "done", "lost", "at ceiling", "stalled"
PAUSE = "pause"  # the line is vented and proven, hands or a neighbour have their turn, and then the step goes on
ENDS = "ends"  # the run is over, for the reason `trace_class` names

NEAR = 0.98  # of a pressure called for: reached


class Sight(NamedTuple):
    """What a step may see of this moment."""

    t_ns: int  # engine time
    clock_ns: int  # program clock: engine time without the operator's holds
    pressure_pa: float  # primary specimen channel, NaN when not good
    vent_limit_pa: float
    feed_pa: float  # what pushes behind the inlet, NaN when the rig has no such channel or it is not good
    channels: Channels
    carried: Carried
    seq: int
    sampled: bool  # a good sample of the primary channel has come in this very step
    sampled_ns: int  # when the newest good one was taken
    held: bool  # an interlock or a person holds the program
    interlocked: bool  # an interlock does
    hands: bool  # a neighbour has, or asks for, hands in the chamber
    at: int  # index of the live step in the profile
    specimen: Specimen | None
    facts: dict[str, str]  # what is known of the specimen, to be read only
    tally: "Tally | None" = None  # what the steps before have counted
    kicked_ns: int = 0  # when the watchdog was kicked last
    utc_ns: int = 0  # wall clock, by the newest anchor
    earlier: Earlier = NO_WALKS  # what the rig's own earlier walks found


class Tally(Protocol):
    """What a kind of test counts beside pressures: cycles, turns of a cap, aims, checks. Part of the Result."""

    @property
    def at(self) -> int: ...  # number of the one under way: what a Reading carries as its cycle

    def mark(self) -> None: ...  # a person says: it fails now

    def told(self) -> Data: ...  # Result.data

    def verdict_of(self, outcome: str) -> str: ...


class Standing(NamedTuple):
    """How a step stands: what the outputs shall be, what pressure is called for, and one of the words above."""

    wanted: Wanted
    word: str = GOING
    target_pa: float = float("nan")
    said: str = ""  # words for the record when the step ends
    watch: bool = False  # signs of failure are looked for
    loss_pa: float = 0.0  # of a proof
    fall_ns: int = 0
    trace_class: str = ""  # with ENDS or DONE: what it says about the trace
    sign: str = ""  # the sign of failure that made it end
    cycle: Cycle | None = None  # a surge is over
    judgement: Judgement | None = None  # a turn, an aim or a check is judged
    events: tuple[tuple[str, str, Data], ...] = ()  # (kind, words, data)
    questions: tuple[Question, ...] = ()  # asked now, or with PAUSE once the line is proven vented
    withhold_kick: bool = False  # the watchdog is not kicked in this step, to see that its relay lets go
    is_safe_point: bool = False  # a stop that was asked for may be had here
