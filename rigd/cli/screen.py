"""What a person sees in a terminal: one live line that stays, or of several stations one each under the words that
matter most, and above them what happened, one line an event.

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

from rigd.cli.view_words import asked, live_line, question, station_line, words_line
from rigd.model.requests import Frame

KEPT_BYTES = 64 * 1024  # of what a standing terminal has not taken yet: some hundred lines
DRAW_EVERY_S = 0.1  # the lines of eight stations come eighty times a second, and nobody reads so fast
PLAIN_EVERY_S = 5.0  # without a terminal a log wants a line now and then, not ten a second
QUIET = ("anchor", "quality", "opened", "trip_state", "closed", "rate", "proof", "sign", "missed", "neighbours")
"""Kinds of events that the live line or the result says better."""

ALARMING = ("trip", "onset", "refused", "device", "clock_step")
KEYS, COMMANDS, SOMEBODY = "keys", "commands", "somebody"
"""How questions on this screen are answered: by keys at it, by `rigd confirm`, or by somebody else."""

RED, BOLD, RESET = "\x1b[31m", "\x1b[1m", "\x1b[0m"


def _is_said_twice(event: dict[str, Any]) -> bool:
    """An answer comes as an act, as a question done and, for a fact, as that fact: one of them is enough."""
    data = event["data"]
    if event["kind"] == "granted":
        return data.get("act") == "confirm"
    return event["kind"] == "prompt_done" and data.get("field") != "observation"


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
        self._views: dict[int, dict[str, Any]] = {}  # by station, the newest
        self._chosen: int | None = None  # a station, by a person
        self._drawn = 0  # live lines that stand on the screen
        self._last_drawn = 0.0
        self._last_plain: dict[int, float] = {}
        self._asked: dict[int, int] = {}  # by station, the question told last
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

    def choose(self, station: int) -> None:
        """Mark the station that keys for one station are meant for."""
        self._chosen = station
        self._draw()

    def leave(self) -> None:
        self._erase()
        self._views.clear()

    def _show_view(self, view: dict[str, Any]) -> None:
        number = view.get("station", 0)
        before = self._views.get(number, {})
        changed = [view.get(key) != before.get(key) for key in ("state", "step")]
        self._views[number] = view
        prompt = view["prompt"]
        if prompt and prompt["prompt"] != self._asked.get(number):
            self._asked[number] = prompt["prompt"]
            self._ask(prompt, number)
        now_s = time.monotonic()
        if self._live:
            if len(self._views) == 1 or now_s - self._last_drawn >= DRAW_EVERY_S:
                self._draw()
        elif any(changed) or now_s - self._last_plain.get(number, 0.0) >= PLAIN_EVERY_S:
            self._last_plain[number] = now_s
            line = station_line(view, False) if number else live_line(view, self._missed)
            self._write(f"{line}\n")

    def _ask(self, prompt: dict[str, Any], station: int) -> None:
        if self._answered_by == COMMANDS:
            for line in question(prompt, station):
                self.say(line)
            return
        self.say(asked(prompt, station))
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
            where = f"station {event['station']}  " if event.get("station") else ""
            self.say(f"{mark}{event['t_ns'] / 1e9:8.2f} s  {where}{event['text']}", alarming=event["kind"] == "trip")

    def _lines(self) -> list[str]:
        """What stays at the foot of the screen."""
        typed = [] if self._typed is None else [f"> {self._typed}"]
        if len(self._views) == 1:
            ((number, view),) = self._views.items()
            return typed or [station_line(view, False) if number else live_line(view, self._missed)]
        stations = [station_line(view, number == self._chosen) for number, view in sorted(self._views.items())]
        return [words_line(self._views, self._missed), *stations, *(typed or self._answering())]

    def _answering(self) -> list[str]:
        """Whose question the next key answers, so that nobody answers for the wrong body."""
        asking = [number for number, view in sorted(self._views.items()) if view["prompt"]]
        if not asking or self._answered_by != KEYS:
            return []
        number = self._chosen if self._chosen in asking else asking[0]
        return [f"keys answer {asked(self._views[number]['prompt'], number)}"]

    def _draw(self) -> None:
        if not self._live or not self._views:
            return
        self._last_drawn = time.monotonic()
        width = shutil.get_terminal_size().columns - 1
        abnormal = self._colour and any(view["trip_state"] != "CLEAR" for view in self._views.values())
        lines = [line[:width] for line in self._lines()]
        if len(lines) == self._drawn == 1 or not self._drawn:
            start = "\r\x1b[K"
        else:
            start = self._back_to_first()
        self._drawn = len(lines)
        text = "\n".join(lines)
        self._write(f"{start}{BOLD + RED if abnormal else ''}{text}{RESET if abnormal else ''}")

    def _back_to_first(self) -> str:
        up = f"\x1b[{self._drawn - 1}A" if self._drawn > 1 else ""
        return f"\r{up}\x1b[J"

    def _erase(self) -> None:
        if self._live and self._drawn:
            self._write("\r\x1b[K" if self._drawn == 1 else self._back_to_first())
            self._drawn = 0

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
