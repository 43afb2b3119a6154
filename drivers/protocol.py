"""What every driver offers and nothing more: open, scan, drive, close.

A driver turns words on a wire into one integer per channel and integers into words; what the integers mean is the
engine's business. A driver never retries, never reconnects and never logs: it raises DriverFault, and whoever
supervises it decides. After a DriverFault from `scan` or `drive` the driver is closed and a new one is made.
"""

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Reply:
    """One scan: `counts` in rig-file order of this device's channels; clock readings of time.monotonic_ns."""

    counts: tuple[int, ...]
    sent_ns: int
    arrived_ns: int


class DriverFault(Exception):
    """Trouble with the device. `fault` is one of rigd.model.messages.DEVICE_FAULTS."""

    def __init__(self, fault: str, detail: str) -> None:
        self.fault = fault
        self.detail = detail
        super().__init__(f"{fault}: {detail}")


class Driver(Protocol):
    async def open(self) -> None: ...

    async def scan(self) -> Reply: ...

    async def drive(self, output: int, counts: int) -> None:
        """Write one output; `output` indexes Rig.outputs. Returns once the device has acknowledged."""
        ...

    async def close(self) -> None: ...
