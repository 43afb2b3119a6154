"""The person at the terminal of `rigd run`: single keys of one keyboard, for one station or for all of them.

What goes to all stations and what is for one is `rigd.live.asked`'s; which one is meant is chosen here with TAB, never
guessed: a mark or a reset for the wrong body cannot be taken back. A question is answered where the screen says that
the next key answers.
"""

from typing import Any

from rigd.cli.keys import HELP, HELP_STATIONS, Act, Keyboard
from rigd.cli.screen import Screen
from rigd.live.asked import TO_ALL
from rigd.live.daemon import RigProcess

CHOOSE = "\t"


class Terminal:
    def __init__(self, process: RigProcess, screen: Screen) -> None:
        self._process, self._screen = process, screen
        self._keyboard = Keyboard()
        self._chosen: int | None = None  # a station, by TAB
        self._answered: int | None = None  # the station whose question a key answers

    def press(self, keys: str) -> None:
        for key in keys:
            if not self._process.is_open:
                return  # nothing can be asked of a rig that is not there yet or no more
            several = len(self._process.stations) > 1
            if key == "?" and self._keyboard.typed is None:
                self._screen.say(HELP + (HELP_STATIONS if several else ""))
            elif key == CHOOSE and self._keyboard.typed is None:
                self._choose()
            else:
                self._press(key)

    def _choose(self) -> None:
        numbers = [station.number for station in self._process.stations if not station.is_over]
        if len(numbers) > 1:
            later = [number for number in numbers if self._chosen is not None and number > self._chosen]
            self._chosen = (later or numbers)[0]
            self._screen.choose(self._chosen)

    def _press(self, key: str) -> None:
        prompt = self._question()
        act = self._keyboard.press(key, prompt)
        self._screen.show_typed(self._keyboard.typed)
        if act is None:
            return
        granted, words = self._act(act)
        if not granted and len(self._process.stations) > 1:
            self._screen.say(f"! {words}")  # nobody was asked, so no event tells it

    def _act(self, act: Act) -> tuple[bool, str]:
        """Whether it was granted or refused comes back as an event, and is on the screen by then."""
        job = self._process.job
        station = self._answered if act.act == "confirm" else None if act.act in TO_ALL else self._chosen
        return self._process.act(
            act.act, job.person, named=job.named, source="terminal", prompt=act.prompt, answer=act.answer,
            station=station,
        )  # fmt: skip

    def _question(self) -> dict[str, Any] | None:
        """The question that the next key answers: the one being answered, the chosen station's, else the first."""
        asking = [
            station for station in self._process.stations if not station.is_over and station.engine.questions.prompt
        ]
        first = self._answered if self._keyboard.typed is not None else self._chosen
        asking.sort(key=lambda station: station.number != first)
        if not asking:
            return None
        self._answered = asking[0].number
        return asking[0].view_body()["prompt"] | {"station": self._answered}
