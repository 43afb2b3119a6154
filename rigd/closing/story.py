"""What the lines of events.jsonl tell of a run: when it opened and ended, who started it, what was answered, what came
out, and which step its failure is to be looked for in. Samples are not its business."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from rigd.model.messages import Event, Judgement, Message, Opened, OperatorAction, Result
from rigd.model.profile import Hold, Profile, Ramp
from rigd.model.states import LINE_AT_ZERO, NOT_PROVEN, READY, VENTED, VENTING
from rigd.store.encode import decode

TELLING = tuple(f'"type":"{shape.__name__}"'.encode() for shape in (Event, Judgement, OperatorAction, Opened, Result))
"""A night has a million lines of kicks and reports of the host that tell nothing here. Quotes within a text are
escaped, so these bytes are the type of a message and nothing a person typed."""


@dataclass(slots=True)
class Story:
    opened: Opened | None = None
    result: Result | None = None
    last_ns: int = 0
    ended_in: str = VENTING  # a state; every record begins in VENTING
    started_by: str = ""
    facts: dict[str, str] = field(default_factory=dict)
    watched_step: int = -1  # the last step begun in which signs of failure were looked for
    counts: dict[str, int] = field(default_factory=dict)  # of events, by kind
    watched_kinds: tuple[int, ...] = ()
    judgements: list[Judgement] = field(default_factory=list)
    was_cut_off: bool = True  # its process died; False once the journal is seen to have an end

    @property
    def opening_words(self) -> str:
        """What may be said about opening up. Only a run that came to its end with the pressure proven low has the
        kinder words: of one that was cut off nobody knows how the line was left."""
        known = self.result is not None or not self.was_cut_off
        return LINE_AT_ZERO if known and self.ended_in in (VENTED, READY) else NOT_PROVEN

    def add(self, message: Message) -> None:
        if type(message) is Opened:
            self.opened = message
        elif type(message) is Result:
            self.result = message
        elif type(message) is Judgement:
            self.judgements.append(message)
        elif type(message) is OperatorAction and message.act == "start":
            self.started_by = message.person
        elif type(message) is Event:
            self.counts[message.kind] = self.counts.get(message.kind, 0) + 1
            data = dict(message.data)
            if message.kind == "state":
                self.ended_in = str(data["to"])
            elif message.kind == "fact":
                self.facts[str(data["fact"])] = str(data["value"])
            elif message.kind == "step" and data["step"] in self.watched_kinds:
                self.watched_step = int(data["step"])


def read_story(lines: Iterable[bytes], profile: Profile) -> Story:
    """What these lines tell, with or without their line ends."""
    story = Story(watched_kinds=tuple(at for at, s in enumerate(profile.steps) if type(s) in (Ramp, Hold)))
    last = b""
    for line in lines:
        last = line
        if any(name in line for name in TELLING):
            story.add(decode(line.rstrip(b"\n")))
    if last:
        story.last_ns = decode(last.rstrip(b"\n")).t_ns
    return story
