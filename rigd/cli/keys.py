"""Single keys at the terminal of `rigd run`: what each does, and the line a person types when the rig asks for a value.

A key that raises nothing (vent, hold, stop, mark) is one touch. Starting is two: arm, then start. While a value is
being typed, letters are letters; Ctrl-C vents at any time, whatever is on the screen. This file turns keys into acts
and knows neither the rig nor the screen.
"""

import codecs
import contextlib
import os
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

KEYS = {
    "a": "arm",
    "s": "start",
    "h": "hold",
    "r": "resume",
    "m": "mark",
    "x": "stop",
    "v": "vent",
    " ": "vent",
    "R": "reset",
    "H": "hand_check",
}
HELP = (
    "keys: SPACE or v vent (at once)   h hold   r resume   x stop (after this step)   m mark: it fails NOW\n"
    "      a arm   s start   R reset a trip   c answer a question   H checked by hand: line at zero   ? these keys\n"
    "      Ctrl-C vents and ends the run. This is software: in an emergency use the red mushroom button."
)
HELP_STATIONS = (
    "\n      TAB chooses a station for m, R, H and c; arm, start, hold, resume, stop and vent go to all of them.\n"
    "      One station alone from another terminal: rigd vent --station N"
)
TYPED_LIMIT = 200  # longer than any value; a stuck key ends here
ESCAPE, ENTER, BACKSPACE = "\x1b", "\r\n", "\x7f\b"


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    act: str
    prompt: int | None = None
    answer: str | None = None


class Keyboard:
    """Understands keys given the open question. `press` returns the act a key means, or None."""

    def __init__(self) -> None:
        self.typed: str | None = None  # the line being typed, None when keys are keys
        self._answering = (0, -1)  # station and number of the question

    def press(self, key: str, prompt: dict[str, Any] | None) -> Act | None:
        if self.typed is not None:
            if prompt is None or _which(prompt) != self._answering:
                self.typed = None  # the question went away while it was being answered
            else:
                return self._type(key)
        if prompt is not None and (act := self._answer(key, prompt)):
            return act
        return Act(act=KEYS[key]) if key in KEYS else None

    def _answer(self, key: str, prompt: dict[str, Any]) -> Act | None:
        if prompt["kind"] == "choose" and key.isdecimal() and 1 <= int(key) <= len(prompt["choices"]):
            return Act(act="confirm", prompt=prompt["prompt"], answer=prompt["choices"][int(key) - 1])
        if key != "c":
            return None
        if prompt["kind"] == "confirm":
            return Act(act="confirm", prompt=prompt["prompt"])
        if prompt["kind"] == "enter":
            self.typed, self._answering = "", _which(prompt)
        return None

    def _type(self, key: str) -> Act | None:
        assert self.typed is not None
        if key in ENTER:
            answer, self.typed = self.typed.strip(), None
            return Act(act="confirm", prompt=self._answering[1], answer=answer) if answer else None
        if key == ESCAPE:
            self.typed = None
        elif key in BACKSPACE:
            self.typed = self.typed[:-1]
        elif key.isprintable() and len(self.typed) < TYPED_LIMIT:
            self.typed += key
        return None


def _which(prompt: dict[str, Any]) -> tuple[int, int]:
    """Which question it is: stations count theirs alike."""
    return prompt.get("station", 0), prompt["prompt"]


@contextlib.contextmanager
def single_keys() -> Iterator[Callable[[], str]]:
    """Put the terminal into single-key mode; gives a function that reads what keys have come. Ctrl-C still signals."""
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    decoder = codecs.getincrementaldecoder("utf-8")(errors="ignore")
    tty.setcbreak(descriptor)
    try:
        yield lambda: decoder.decode(os.read(descriptor, 256))
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
