"""One supervised device: paced scans in, commands out, trouble as messages, and a new driver after each trouble.

A device is connecting, up or lost. Being lost is told to the engine once, as a DeviceFault; then a new driver is made,
again and again, with a bounded and jittered pause. When it answers again the outputs that stand commanded safe are
written safe at once, and nothing that raises pressure is ever repeated from memory: the engine, told `recovered`,
decides the rest. This file refuses to know what a channel means.
"""

import asyncio
import contextlib
import random
from collections.abc import Callable
from typing import Protocol

from drivers.protocol import Driver, DriverFault, Reply
from rigd.live.pace import Pace
from rigd.model import rig

BACKOFF_FIRST_S, BACKOFF_LAST_S = 0.05, 2.0  # quick after a hiccup, gentle to a device that is off for the day
JITTER = 0.25  # of the pause, so that devices that fell together do not knock together
OPEN_S = 2.0  # a device on the bench's own wire connects in milliseconds
SAFE_S = 1.0  # the last attempt to write the safe state may not keep the process from ending
SCAN_ATTEMPTS = 3  # before a run begins: enough to pass over one hiccup, few enough to tell a person at once

CONNECTING, UP, LOST = "connecting", "up", "lost"


class Listener(Protocol):
    """Who hears what a device has to tell, at once and without waiting. Devices are told apart by their index."""

    def take_reply(self, device: int, reply: Reply) -> None: ...

    def take_fault(self, device: int, fault: str, detail: str) -> None: ...


class Device:
    """Supervises one device of a rig. `drive` may be called from any turn of the loop; it never waits."""

    def __init__(self, of: rig.Rig, index: int, make_driver: Callable[[rig.Rig, int], Driver]) -> None:
        self._rig = of
        self._index = index
        self._make_driver = make_driver
        self.shape = of.devices[index]
        self.state = CONNECTING
        self.reconnects = 0
        self.missed = 0  # scans not made on time since somebody last took the count
        self._limit_s = 1.5 * self.shape.timeout_ns / 1e9  # the driver has its own; this one is for a driver that hangs
        self._outputs = tuple(i for i, output in enumerate(of.outputs) if output.device == index)
        self._commanded = {i: of.outputs[i].counts_safe for i in self._outputs if of.outputs[i].role != "watchdog"}
        self._pending: dict[int, int] = {}
        self._wake = asyncio.Event()
        self._wire = asyncio.Lock()
        self._scanning = False
        self._driver: Driver | None = None

    def drive(self, output: int, counts: int) -> None:
        """Ask for an output; the newest command of each output wins, in the order they were last given."""
        if output in self._commanded:
            self._commanded[output] = counts
        if self.state != UP:
            return  # a safe command is repeated on reconnection; one that raises pressure is not
        self._pending.pop(output, None)
        self._pending[output] = counts
        if not self._scanning:
            self._wake.set()

    def take_missed(self) -> int:
        missed, self.missed = self.missed, 0
        return missed

    async def connect(self) -> None:
        """Open before a run begins, write everything safe, and prove it by one scan. Raises DriverFault."""
        for attempt in range(SCAN_ATTEMPTS):
            driver = self._make_driver(self._rig, self._index)
            try:
                await self._open(driver)
                await self._write_safe(driver)
                await self._timed(driver.scan())
            except DriverFault:
                await self._close(driver)
                if attempt == SCAN_ATTEMPTS - 1:
                    raise
                await asyncio.sleep(BACKOFF_FIRST_S)
            else:
                self._driver = driver
                return

    async def supervise(self, listener: Listener) -> None:
        """Serve the device until cancelled."""
        pause_s = BACKOFF_FIRST_S
        try:
            while True:
                try:
                    if self._driver is None:
                        driver = self._make_driver(self._rig, self._index)
                        self._driver = driver
                        await self._open(driver)
                    await self._write_safe(self._driver)
                    if self.state == LOST:
                        self.reconnects += 1
                        words = f"answers again, connection {self.reconnects + 1}"
                        listener.take_fault(self._index, "recovered", words)
                    self.state = UP
                    pause_s = BACKOFF_FIRST_S
                    await self._serve(self._driver, listener)
                except DriverFault as fault:
                    self._pending.clear()
                    if self.state != LOST:
                        self.state = LOST
                        listener.take_fault(self._index, fault.fault, fault.detail)
                await self._leave()
                await asyncio.sleep(pause_s * random.uniform(1 - JITTER, 1 + JITTER))
                pause_s = min(2 * pause_s, BACKOFF_LAST_S)
        finally:
            await self._leave()

    async def make_safe(self) -> str:
        """Write every output safe through a fresh connection. Returns "" or, in words, why it could not be done."""
        driver = self._make_driver(self._rig, self._index)
        try:
            async with asyncio.timeout(SAFE_S):
                await driver.open()
                for output in self._commanded:
                    await driver.drive(output, self._rig.outputs[output].counts_safe)
            return ""
        except (DriverFault, TimeoutError) as trouble:
            return f"device {self.shape.name}: the safe state could not be written ({trouble or 'no answer'})"
        finally:
            await self._close(driver)

    async def _serve(self, driver: Driver, listener: Listener) -> None:
        """Scan on time and write what is asked in between, until one of the two fails."""
        scanning = asyncio.ensure_future(self._scan(driver, listener))
        writing = asyncio.ensure_future(self._write_when_woken(driver))
        try:
            await asyncio.wait((scanning, writing), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (scanning, writing):
                task.cancel()
            ended = await asyncio.gather(scanning, writing, return_exceptions=True)
        for outcome in ended:
            if isinstance(outcome, Exception):
                raise outcome

    async def _scan(self, driver: Driver, listener: Listener) -> None:
        with Pace(self.shape.scan_ns) as pace:
            while True:
                missed = await pace.tick()
                self.missed += missed  # in a line of its own: `+=` reads what it adds to before it waits
                async with self._wire:
                    reply = await self._timed(driver.scan())
                self._scanning = True
                listener.take_reply(self._index, reply)
                self._scanning = False
                if self._pending:
                    await self._write_pending(driver)

    async def _write_when_woken(self, driver: Driver) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            await self._write_pending(driver)

    async def _write_pending(self, driver: Driver) -> None:
        async with self._wire:
            while self._pending:
                output = next(iter(self._pending))
                counts = self._pending.pop(output)
                await self._timed(driver.drive(output, counts))

    async def _write_safe(self, driver: Driver) -> None:
        """Repeat every command that stands in the safe direction; what stood energised is the engine's to ask again."""
        for output, counts in self._commanded.items():
            if counts == self._rig.outputs[output].counts_safe:
                await self._timed(driver.drive(output, counts))

    async def _open(self, driver: Driver) -> None:
        try:
            async with asyncio.timeout(OPEN_S):
                await driver.open()
        except TimeoutError:
            raise DriverFault("absent", f"no connection within {OPEN_S:g} s") from None

    async def _timed(self, call):
        try:
            async with asyncio.timeout(self._limit_s):
                return await call
        except TimeoutError:
            raise DriverFault("timeout", f"no answer within {self._limit_s:g} s") from None

    async def _leave(self) -> None:
        if self._driver is not None:
            driver, self._driver = self._driver, None
            await self._close(driver)

    @staticmethod
    async def _close(driver: Driver) -> None:
        with contextlib.suppress(TimeoutError, OSError, DriverFault):  # it is gone either way
            async with asyncio.timeout(SAFE_S):
                await driver.close()
