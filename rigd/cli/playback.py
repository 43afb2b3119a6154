"""A sealed run shown again as a live run would look, at its own pace or faster, while it is compared.

The engine is run again on the record's inputs, so everything on the screen is worked out now, and the first thing that
differs from what is stored ends it. Drawing is the live screen's; this file only waits. Its clock and its sleep come
from outside, so that a test plays a minute in no time.
"""

from collections.abc import Callable
from typing import Any

from rigd.cli.screen import Screen
from rigd.control import plain
from rigd.model.errors import UsageRefused
from rigd.model.messages import Event, Result
from rigd.model.requests import Frame
from rigd.replay import Difference, Replay
from rigd.store.archive import Archive

SPEEDS = {"1x": 1.0, "10x": 10.0, "max": None}
VIEW_NS = 100_000_000  # the live line moves ten times a second, as in a live run


def speed_of(text: str) -> float | None:
    """How many seconds of the run go by in one; None: as fast as can be."""
    if text not in SPEEDS:
        raise UsageRefused(f"--speed {text!r}: allowed: {', '.join(SPEEDS)}")
    return SPEEDS[text]


class Playback:
    """One replay on one screen."""

    def __init__(
        self,
        archive: Archive,
        screen: Screen,
        speed: float,
        *,
        clock: Callable[[], float],
        sleep: Callable[[float], None],
    ) -> None:
        from rigd.files import units

        self._replay = Replay(archive)
        self._screen, self._speed, self._clock, self._sleep = screen, speed, clock, sleep
        engine = self._replay.engine
        display = engine.profile.display
        self._names: dict[str, Any] = {
            "rig": engine.rig.name, "simulated": engine.rig.simulated,
            "specimen": engine.specimen.id if engine.specimen else "", "profile": engine.profile.name,
            "display": display, "display_pa": units.parse(f"1 {display}", units.PRESSURE),
        }  # fmt: skip

    def play(self) -> Difference | None:
        """Show all of it. Returns the first difference."""
        began_s, shown_ns = self._clock(), -VIEW_NS
        for played in self._replay:
            if played.difference is not None:
                return played.difference
            now_ns = self._replay.engine.now_ns
            ahead_s = now_ns / 1e9 / self._speed - (self._clock() - began_s)
            if ahead_s > 0.0:
                self._sleep(ahead_s)
            for output in played.outputs:
                if isinstance(output, Event):
                    body = plain(output) | {"data": dict(output.data)}
                    self._screen.show(Frame(kind="event", body=body))
                elif isinstance(output, Result):
                    words = f"result: {output.outcome}, verdict {output.verdict}"
                    self._screen.say(f"  {output.t_ns / 1e9:8.2f} s  {words}")
            if now_ns - shown_ns >= VIEW_NS:
                shown_ns = now_ns
                self._screen.show(Frame(kind="view", body=plain(self._replay.engine.view()) | self._names))
        return None
