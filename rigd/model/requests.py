"""What travels on the control socket: one JSON object a line, each way.

A client sends a Request and gets one Reply with the same id. After a Request with verb "watch" the server also sends
Frames until the client leaves; a slow client loses frames, never delays the rig.
"""

from dataclasses import dataclass, field
from typing import Any

VERSION = 1
VERBS = (
    "status", "watch", "arm", "start", "hold", "resume", "vent", "stop", "reset", "confirm", "mark", "zero",
    "hand_check",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    id: int
    verb: str
    person: str = ""
    named: bool = False
    source: str = "socket"
    prompt: int | None = None
    answer: str | None = None
    station: int | None = None  # None: all, or the only one it can be for
    version: int = VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    id: int
    ok: bool
    words: str
    view: dict[str, Any] = field(default_factory=dict)  # model.view.View as a dict; NaN as null
    version: int = VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """kind "view" (a View), "event" (an Event), "prompt", "result" or "closed" (exit code, record path). Of a rig with
    several stations each says which in `station`; "ended" tells that one of them is closed, "closed" that all are."""

    kind: str
    body: dict[str, Any]
