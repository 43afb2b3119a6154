"""What a person sees in a terminal: one live line that stays, and above it what happened, one line an event.

It draws frames of the control feed and decides nothing. Quiet when normal: colour only for what is abnormal, and never
as the only cue; NO_COLOR and TERM=dumb are obeyed. Where no terminal is attached it prints plain lines, rarely. It
never waits: a terminal that stands still (Ctrl-S, a slow line, a pipe nobody reads) must not hold up the process that
holds a pressure, so what cannot be written now is kept, and too much of it is dropped.
"""

import io
import os
import select
import shutil
import sys
import time
from typing import Any, TextIO

from rigd.model.requests import Frame

KEPT_BYTES = 64 * 1024  # of what a standing terminal has not taken yet: some hundred lines
PLAIN_EVERY_S = 5.0  # without a terminal a log wants a line now and then, not ten a second
QUIET = ("anchor", "quality", "opened", "trip_state", "closed", "rate", "proof", "sign", "missed")
"""Kinds of events that the live line or the result says better."""

ALARMING = ("trip", "onset", "refused", "device", "clock_step")
KEYS, COMMANDS, SOMEBODY = "keys", "commands", "somebody"
"""How questions on this screen are answered: by keys at it, by `rigd confirm`, or by somebody else."""

RED, BOLD, RESET = "\x1b[31m", "\x1b[1m", "\x1b[0m"


def pressure(value_pa: float | None, view: dict[str, Any], digits: int = 1) -> str:
    """Write a pressure for people in the profile's display unit; a value that is none is a dash."""
    if value_pa is None:
        return "—"
    return f"{value_pa / view['display_pa']:.{digits}f}"


def describe(view: dict[str, Any]) -> str:
    """Tell a whole view in a few lines, for `rigd status`."""
    unit = view["display"]
    lines = [
        f"{view['rig']}{' (SIMULATED)' if view['simulated'] else ''} · run {view['run']} · specimen {view['specimen']}",
        f"{state_words(view)} · {view['words']}",
        f"pressure {pressure(view['pressure_pa'], view)} {unit} gauge · highest {pressure(view['highest_pa'], view)}"
        f" · called for {pressure(view['target_pa'], view)} · rate {pressure(view['rate_pa_per_s'], view)} {unit}/s",
    ]
    if view["step_name"]:
        lines.append(f"step {view['step'] + 1}: {view['step_name']}")
    if view["held_by"]:
        lines.append(f"held by {view['held_by']}")
    if view["latched"]:
        lines.append(
            f"latched: {', '.join(view['latched'])} (first: {view['first_out']}); find the cause, then: rigd reset"
        )
    missing = [(name, reason) for name, holds, reason in view["permissives"] if not holds]
    lines += [f"missing: {name} - {reason}" for name, reason in missing]
    if view["permissives"] and not missing:
        lines.append("permissives: all hold")
    if view["prompt"]:
        lines += question(view["prompt"])
    return "\n".join(lines)


def state_words(view: dict[str, Any]) -> str:
    """The state word, with what makes it abnormal beside it."""
    words = view["state"]
    if view["trip_state"] != "CLEAR":
        words += f" · {view['trip_state']}: {view['first_out']}"
    return words


def _is_said_twice(event: dict[str, Any]) -> bool:
    """An answer comes as an act, as a question done and, for a fact, as that fact: one of them is enough."""
    data = event["data"]
    if event["kind"] == "granted":
        return data.get("act") == "confirm"
    return event["kind"] == "prompt_done" and data.get("field") != "observation"


def question(prompt: dict[str, Any]) -> list[str]:
    """Tell an open prompt and how it is answered from any terminal."""
    how = {
        "confirm": "rigd confirm",
        "enter": "rigd confirm VALUE",
        "choose": "rigd confirm " + "|".join(prompt["choices"]),
    }[prompt["kind"]]
    return [f"[{prompt['prompt']}] {prompt['text']}", f"    answer: {how}"]


class Screen:
    """Draws on one stream. `show` takes frames; `say` prints a line; `leave` puts the terminal back as it was."""

    def __init__(self, stream: TextIO | None = None, answered_by: str = COMMANDS) -> None:
        self._stream = stream or sys.stdout
        self._live = self._stream.isatty() and os.environ.get("TERM") != "dumb"
        self._colour = self._live and not os.environ.get("NO_COLOR")
        self._answered_by = answered_by
        try:
            self._stream.flush()
            self._descriptor = self._stream.fileno()
        except io.UnsupportedOperation:
            self._descriptor = -1
        self._kept = b""
        self._view: dict[str, Any] = {}
        self._line = ""
        self._last_plain = 0.0
        self._asked = -1
        self._missed = 0  # scans not made on time: counted in the live line, not told one by one
        self._typed: str | None = None  # what a person is typing, None when keys are keys

    def show(self, frame: Frame) -> None:
        if frame.kind == "view":
            self._show_view(frame.body)
        elif frame.kind == "event":
            self._show_event(frame.body)

    def say(self, text: str, *, alarming: bool = False) -> None:
        """Print above the live line."""
        self._erase()
        if alarming and self._colour:
            text = f"{BOLD}{RED}{text}{RESET}"
        self._write(f"{text}\n")
        self._draw()

    def show_typed(self, typed: str | None) -> None:
        """Show the line a person types in place of the live line; None gives the live line back."""
        if typed != self._typed:
            self._typed = typed
            self._draw()

    def leave(self) -> None:
        self._erase()
        self._line = ""

    def _show_view(self, view: dict[str, Any]) -> None:
        changed = [view.get(key) != self._view.get(key) for key in ("state", "step")]
        self._view = view
        prompt = view["prompt"]
        if prompt and prompt["prompt"] != self._asked:
            self._asked = prompt["prompt"]
            self._ask(prompt)
        self._line = self._write_line(view)
        if self._live:
            self._draw()
        elif any(changed) or time.monotonic() - self._last_plain >= PLAIN_EVERY_S:
            self._last_plain = time.monotonic()
            self._write(f"{self._line}\n")

    def _ask(self, prompt: dict[str, Any]) -> None:
        if self._answered_by == COMMANDS:
            for line in question(prompt):
                self.say(line)
            return
        self.say(f"[{prompt['prompt']}] {prompt['text']}")
        if self._answered_by == KEYS:
            for number, choice in enumerate(prompt["choices"], start=1):
                self.say(f"    {number}  {choice}")
            how = {"confirm": "c  done as asked", "enter": "c  type the value", "choose": "press a number"}
            self.say(f"    {how[prompt['kind']]}")

    def _show_event(self, event: dict[str, Any]) -> None:
        if event["kind"] == "missed":
            self._missed += event["data"]["count"]
        if event["kind"] not in QUIET and not _is_said_twice(event):
            alarming = event["kind"] in ALARMING
            mark = "! " if alarming else "  "
            self.say(f"{mark}{event['t_ns'] / 1e9:8.2f} s  {event['text']}", alarming=event["kind"] == "trip")

    def _write_line(self, view: dict[str, Any]) -> str:
        unit = view["display"]
        parts = [
            state_words(view),
            view["step_name"],
            f"{pressure(view['pressure_pa'], view)} {unit}",
            f"highest {pressure(view['highest_pa'], view)}",
            f"rate {pressure(view['rate_pa_per_s'], view)} {unit}/s",
        ]
        if view["target_pa"] is not None:
            parts.append(f"called for {pressure(view['target_pa'], view)}")
        if view["held_by"]:
            parts.append(f"held by {view['held_by']}")
        if self._missed:
            parts.append(f"{self._missed} scans late")
        return "  ".join(part for part in parts if part)

    def _draw(self) -> None:
        if not self._live or not self._line:
            return
        text = self._line if self._typed is None else f"> {self._typed}"
        text = text[: shutil.get_terminal_size().columns - 1]
        abnormal = self._colour and self._view.get("trip_state", "CLEAR") != "CLEAR"
        self._write(f"\r\x1b[K{BOLD + RED if abnormal else ''}{text}{RESET if abnormal else ''}")

    def _erase(self) -> None:
        if self._live and self._line:
            self._write("\r\x1b[K")

    def _write(self, text: str) -> None:
        """Write what can be written without waiting and keep the rest for the next time."""
        self._kept = (self._kept + text.encode(errors="replace"))[-KEPT_BYTES:]
        try:
            if self._descriptor < 0:
                self._stream.write(self._kept.decode(errors="replace"))
                self._kept = b""
                return
            poll = select.poll()
            poll.register(self._descriptor, select.POLLOUT)
            while self._kept and poll.poll(0):
                self._kept = self._kept[os.write(self._descriptor, self._kept[: select.PIPE_BUF]) :]
        except OSError:
            self._kept = b""  # nobody looks any more; the run does not depend on being looked at
