"""The simulated rig's input and output modules: the plant's counts as registers, in real time.

A `Module` is what a Modbus server serves for one device of the rig: channels are read where the rig file says they
stand, outputs are written and read where it says they stand, and every other address inside reads 0 or refuses to be
written. `RealTime` lets the plant live as long as the clock says, in steps of one length. Neither knows physics.
"""

import time
from collections.abc import Callable, Sequence
from typing import Protocol

from drivers.registers import WIDTHS, encode
from rigd.model.errors import Misconfigured
from rigd.model.rig import Channel, Output, Rig
from simulator.modbus_server import Registers

STEP_NS = 1_000_000
"""The plant moves in steps of this length: no longer than a 1 kHz scan, and always the same, which is cheapest."""

CATCH_UP_MAX_NS = 1_000_000_000
"""Most the plant lives through at once. A process that was suspended for longer finds that its world stood still too,
instead of working through hours of it before it answers."""

BIT_TABLES = ("coil", "discrete")


class Plant(Protocol):
    """A plant, or a bench about one."""

    def advance(self, dt_s: float) -> None: ...

    def counts(self, device: int) -> tuple[int, ...]: ...

    def drive(self, output: int, counts: int) -> None: ...


class RealTime:
    """A plant that has lived as long as the monotonic clock ran, to within one step."""

    def __init__(self, plant: Plant, clock_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self.plant = plant
        self.after_step: Callable[[int], None] | None = None  # told the time [ns] after each step
        self._clock_ns = clock_ns
        self._lived_ns = clock_ns()

    def catch_up(self) -> None:
        behind_ns = self._clock_ns() - self._lived_ns
        if behind_ns > CATCH_UP_MAX_NS:
            self._lived_ns += behind_ns - CATCH_UP_MAX_NS
            behind_ns = CATCH_UP_MAX_NS
        for _ in range(behind_ns // STEP_NS):
            self.plant.advance(STEP_NS / 1e9)
            self._lived_ns += STEP_NS
            if self.after_step is not None:
                self.after_step(self._lived_ns)


class Module:
    """The registers of one device."""

    def __init__(self, rig: Rig, device: int, world: RealTime) -> None:
        self._device, self._world = device, world
        self._channels = [channel for channel in rig.channels if channel.device == device]
        self._outputs = {
            (output.address.table, output.address.offset): (index, output)
            for index, output in enumerate(rig.outputs)
            if output.device == device
        }
        size: dict[str, int] = {}
        for table, end in [_end(channel) for channel in self._channels] + [
            (table, offset + 1) for table, offset in self._outputs
        ]:
            size[table] = max(size.get(table, 0), end)
        self._images = {table: [0] * count for table, count in size.items()}
        for (table, offset), (_, output) in self._outputs.items():
            self._images[table][offset] = output.counts_safe & 0xFFFF

    def read(self, table: str, offset: int, count: int) -> Sequence[int]:
        self._world.catch_up()
        self._renew()
        image = self._images.get(table, ())
        if offset + count > len(image):
            raise LookupError(f"{table}:{offset} and {count - 1} more")
        return image[offset : offset + count]

    def write(self, table: str, offset: int, words: Sequence[int]) -> None:
        places = [(table, offset + place) for place in range(len(words))]
        if not all(place in self._outputs for place in places):
            raise LookupError(f"{table}:{offset} is no output")
        self._world.catch_up()
        for place, word in zip(places, words, strict=True):
            index, output = self._outputs[place]
            self._images[table][place[1]] = word
            self._world.plant.drive(index, _signed(word, output))

    def _renew(self) -> None:
        """Put the plant's counts where the rig file says they stand."""
        cleared = set()
        for channel, value in zip(self._channels, self._world.plant.counts(self._device), strict=True):
            table, offset = channel.address.table, channel.address.offset
            image = self._images[table]
            if table in BIT_TABLES:
                image[offset] = value
            elif channel.type == "bit":
                (word,) = encode(value, "bit", channel.order, channel.bit)
                image[offset] = word | (image[offset] if (table, offset) in cleared else 0)
                cleared.add((table, offset))
            else:
                image[offset : offset + WIDTHS[channel.type]] = encode(value, channel.type, channel.order)


def _end(channel: Channel) -> tuple[str, int]:
    table, offset = channel.address.table, channel.address.offset
    return table, offset + (1 if table in BIT_TABLES else WIDTHS[channel.type])


def _signed(word: int, output: Output) -> int:
    """A register is a word without a sign; an output whose counts go below zero means it with one."""
    negative = min(output.counts_safe, output.counts_energised) < 0
    return word - 65536 if negative and word >= 32768 else word


def place_modules(rig: Rig, world: RealTime) -> dict[int, Registers]:
    """The Modbus TCP devices of the rig by unit number, all behind one port. Raises Misconfigured when two share it."""
    units: dict[int, Registers] = {}
    for index, device in enumerate(rig.devices):
        if device.driver != "modbus_tcp":
            raise Misconfigured(f"device {device.name}: found driver {device.driver}; allowed here: modbus_tcp")
        unit = dict(device.settings).get("unit", 1)
        if unit in units:
            raise Misconfigured(
                f"device {device.name}: found unit {unit} twice; allowed: one device a unit, for all are "
                "simulated behind one port"
            )
        units[unit] = Module(rig, index, world)
    return units
