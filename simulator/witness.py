"""A witness of the simulated rig: what an outsider saw, so that a rig process is judged by something else than itself.

It writes one JSON line a thing seen, with the time on the machine's monotonic clock, which every process shares:

    {"at_ns": ..., "energised": true, "dropped": false, "vent_open": 0.0, "pressure_pa": ...}
    {"at_ns": ..., "served": [16-bit words]}
    {"at_ns": ..., "written": [register, 16-bit words]}

The first when one of its facts changed, the second for each read that was answered: the right words, before anything
spoiled the reply. The third for each write, when it was obeyed. `energised`: some output asks for more than its safe
state. The times are the plant's own, exact to its step however late the program that runs it is. Nothing here changes
what it looks at.
"""

import json
from collections.abc import Mapping, Sequence
from typing import TextIO

from simulator.modbus_server import Registers
from simulator.plant import Plant


class Witness:
    """Look after every step of the plant; wrap the registers that are served."""

    def __init__(self, plant: Plant, file: TextIO) -> None:
        self._plant, self._file = plant, file
        self._told: tuple[bool, bool, bool] | None = None
        self.now_ns = 0

    def look(self, at_ns: int) -> None:
        """What changed by this step?"""
        self.now_ns = at_ns
        plant = self._plant
        seen = plant.energised, plant.watchdog_dropped, plant.vent_open >= 1.0
        if seen != self._told:
            self._told = seen
            self._tell(
                energised=seen[0], dropped=seen[1], vent_open=plant.vent_open, pressure_pa=plant.truth().pressure_pa
            )

    def note(self, what: str, *words: int) -> None:
        self._tell(**{what: words})

    def over(self, units: Mapping[int, Registers]) -> dict[int, Registers]:
        """The same registers, seen being read."""
        return {unit: _Seen(registers, self) for unit, registers in units.items()}

    def _tell(self, **seen: object) -> None:
        self._file.write(json.dumps({"at_ns": self.now_ns} | seen) + "\n")
        self._file.flush()


class _Seen:
    """Registers that tell the witness what was read."""

    def __init__(self, registers: Registers, witness: Witness) -> None:
        self._registers, self._witness = registers, witness

    def read(self, table: str, offset: int, count: int) -> Sequence[int]:
        words = self._registers.read(table, offset, count)
        self._witness.note("served", *words)
        return words

    def write(self, table: str, offset: int, words: Sequence[int]) -> None:
        self._registers.write(table, offset, words)
        self._witness.note("written", offset, *words)
