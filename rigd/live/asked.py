"""Whom of several stations a person means who names none.

What makes safe, and what is one deliberate act for the whole bench, goes to all. An answer, a reset, a mark and a word
for a line that was checked by hand are about one specimen: they go to the only station they can be for, and are refused
where they could be for several. Nothing is guessed by the number of a question, for stations count theirs alike.
"""

from collections.abc import Callable, Sequence

from rigd.live.station import Station
from rigd.model.states import RESETTABLE, RUNNING, UNPROVEN

TO_ALL = ("arm", "start", "hold", "resume", "vent", "stop", "zero")
FOR_ONE: dict[str, tuple[Callable[[Station], bool], str]] = {
    "confirm": (lambda station: station.engine.questions.prompt is not None, "is asking"),
    "reset": (lambda station: station.engine.interlocks.state == RESETTABLE, "can be reset"),
    "mark": (lambda station: station.engine.state == RUNNING, "is under pressure"),
    "hand_check": (lambda station: station.engine.state == UNPROVEN, "waits to be checked by hand"),
}


def whom(stations: Sequence[Station], act: str, number: int | None) -> tuple[tuple[Station, ...], str]:
    """The stations an act goes to, or none and why. `stations`: those with a run that is not over."""
    if number is not None:
        named = tuple(station for station in stations if station.number == number)
        there = ", ".join(str(station.number) for station in stations) or "none"
        return named, "" if named else f"station {number} has no run that could be asked; allowed: {there}"
    if len(stations) == 1 or act in TO_ALL:
        return tuple(stations), "" if stations else "every run is over"
    can, words = FOR_ONE[act]
    meant = tuple(station for station in stations if can(station))
    if len(meant) == 1:
        return meant, ""
    if not meant:
        return (), f"no station {words}"
    numbers = ", ".join(str(station.number) for station in meant)
    return (), f"{act.replace('_', '-')}: which station? Each of {numbers} {words}: say --station {meant[0].number}"
