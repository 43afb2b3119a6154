"""What stations share is told one thing: energised only if a running station asks for it and none asks for safe.

A station that runs asks for what its engine commands. A station that does not run has no say, as long as it is seen to
be shut off from what the others share; while that is in doubt it asks for safe, and the rig obeys. So a body that broke
stops no other, and a valve that does not shut stops all. The relay is fed only when every running station feeds it.
This is arithmetic over what engines say: it has no clock, and the same in every world.
"""

from collections.abc import Sequence

from rigd.engine.engine import Engine
from rigd.model.rig import Output, Rig
from rigd.model.states import RUNNING
from rigd.model.stations import Station

COUNTER_END = 65536
Command = tuple[int, int]
"""(output of the whole rig, counts)."""


def combined_counts(shape: Output, asked: Sequence[int], wants_safe: bool) -> int:
    """What one shared output is told: `asked` are the counts that running stations command. Of several set-points the
    one nearest to safe counts, for what one body must not see none may be given."""
    energising = [counts for counts in asked if counts != shape.counts_safe]
    if wants_safe or not energising:
        return shape.counts_safe
    return min(energising, key=lambda counts: abs(counts - shape.counts_safe))


class Combine:
    """Commands of the stations' engines to the outputs of the whole rig. `drive` takes what an engine commands;
    `settle` is asked after every turn, for a station may lose or get its say without a command."""

    def __init__(self, rig: Rig, stations: Sequence[Station], engines: Sequence[Engine]) -> None:
        self._rig, self._stations, self._engines = rig, stations, engines
        self._shared = tuple(at for at, output in enumerate(rig.outputs) if rig.stations > 1 and not output.station)
        self._asked = [{at: rig.outputs[at].counts_safe for at in self._shared} for _ in stations]
        self._told: dict[int, int] = {}
        self._fed = [False] * len(stations)
        self._counter = 0

    def drive(self, station: int, output: int, counts: int) -> list[Command]:
        """An engine's command. `station` is an index into the stations, `output` of its own rig."""
        at = self._stations[station].outputs[output]
        if at not in self._asked[station]:
            return [(at, counts)]
        if self._rig.outputs[at].role == "watchdog":
            return self._feed(station, at)
        self._asked[station][at] = counts
        return self.settle()

    def settle(self) -> list[Command]:
        """Commands to shared outputs that are due now, those in the safe direction first."""
        if not self._shared:
            return []
        running = [at for at, engine in enumerate(self._engines) if engine.state == RUNNING]
        wants_safe = any(
            engine.state != RUNNING and engine.interlocks.isolation_in_doubt(engine.now_ns) for engine in self._engines
        )
        due = []
        for at in self._shared:
            shape = self._rig.outputs[at]
            if shape.role == "watchdog":
                continue
            counts = combined_counts(shape, [self._asked[station][at] for station in running], wants_safe)
            if self._told.get(at) != counts:
                self._told[at] = counts
                due.append((at, counts))
        return sorted(due, key=lambda command: command[1] != self._rig.outputs[command[0]].counts_safe)

    def forget(self, device: int) -> None:
        """A device came back: what its outputs show is not known."""
        for at in self._shared:
            if self._rig.outputs[at].device == device:
                self._told.pop(at, None)

    def _feed(self, station: int, at: int) -> list[Command]:
        self._fed[station] = True
        running = [index for index, engine in enumerate(self._engines) if engine.state == RUNNING]
        if not all(self._fed[index] for index in running):
            return []
        self._fed = [False] * len(self._fed)
        self._counter = (self._counter + 1) % COUNTER_END
        return [(at, self._counter)]


def neighbours_of(engines: Sequence[Engine], station: int) -> tuple[int, bool]:
    """(how many of the others are not proven vented, whether one of them has or wants hands in the chamber)."""
    pressurised, hands = 0, False
    for at, engine in enumerate(engines):
        if at != station:
            pressurised += engine.state not in ("VENTED", "READY")
            hands = hands or engine.wants_hands
    return pressurised, hands
