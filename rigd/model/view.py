"""What the engine shows of itself to people: a frozen picture, made on request, changing nothing."""

from dataclasses import dataclass

from rigd.model.messages import Data


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPrompt:
    prompt: int
    kind: str
    text: str
    field: str
    choices: tuple[str, ...]
    si: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    t_ns: int
    run: int
    state: str
    trip_state: str
    first_out: str
    latched: tuple[str, ...]
    held_by: str  # "" or the interlock's name or "operator"
    words: str  # what to do now, one line
    step: int
    step_name: str
    prompt: OpenPrompt | None
    permissives: tuple[tuple[str, bool, str], ...]  # (name, holds, reason), missing ones first
    pressure_pa: float  # primary specimen channel, newest, NaN when none
    target_pa: float
    highest_pa: float
    rate_pa_per_s: float  # over the last second, NaN when unknown
    values: tuple[tuple[str, float, int], ...]  # (channel, SI value, quality)
    done: bool
    outcome: str
    paused: bool = False  # vented amid the run, for hands or a neighbour; arm and start go on with it
    counted: Data = ()  # cycles so far (model.verdicts.CYCLE_RESULTS)
    opening: str = ""  # what may be said of opening up, one of the words of model.states; "" under pressure
    opening_lacks: tuple[str, ...] = ()  # why it is not more than that, in words
