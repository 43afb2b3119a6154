"""What a person at the surge rig sees through the window and may do by hand, as lines a program can read and write.

Seen, one object a station whenever it changes: {"station": 1, "seen": ..., "stuck": ..., "truth": {...}}; `stuck` is an
indicator that stays up with no pressure beneath it, the truth is the specimen's own count, for judging only. Done, one
order a line: "free 2" brings the indicator of station 2 back; "door open" and "door shut", "stop pressed" and "stop
released" are what they say, at a rig with one specimen too.
"""

from collections.abc import Iterator
from typing import Any

from rigd.model.errors import UsageRefused
from simulator.modbus_faults import BusOrders
from simulator.plant import Plant
from simulator.surge_bench import SurgeBench

AT_REST_PA = 7e3  # below this an indicator that is up is stuck or on its way home
SWITCHES = {
    "door open": {"door_shut": False},
    "door shut": {"door_shut": True},
    "stop pressed": {"emergency_stop_released": False},
    "stop released": {"emergency_stop_released": True},
}


def sights(bench: SurgeBench) -> Iterator[dict[str, Any]]:
    """What there is to see, a station a line."""
    for number, station in enumerate(bench.stations, start=1):
        truth, specimen = station.truth(), station.specimen
        yield {
            "station": number,
            "seen": truth.seen,
            "stuck": specimen.lifted and not specimen.moves and truth.pressure_pa < AT_REST_PA,
            "truth": {
                "cycles": truth.cycles,
                "stuck_cycles": truth.stuck_cycles,
                "failed_at_cycle": truth.failed_at_cycle,
            },
        }


class Hands:
    """Orders to hands at the rig; all other orders go to the bus."""

    def __init__(self, bench: SurgeBench | Plant, bus: BusOrders) -> None:
        self._bench, self._bus = bench, bus

    def take(self, text: str) -> None:
        """One order. Raises UsageRefused."""
        if text in SWITCHES:
            self._bench.set_switches(**SWITCHES[text])
            return
        word, _, number = text.partition(" ")
        if word != "free" or isinstance(self._bench, Plant):
            self._bus.take(text)
        elif number.isdigit() and 1 <= int(number) <= len(self._bench.stations):
            self._bench.free_part(int(number))
        else:
            raise UsageRefused(f"order: found {text!r}; allowed: free 1 to {len(self._bench.stations)}")
