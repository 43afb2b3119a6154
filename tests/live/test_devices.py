"""A supervised device against a driver that does as it is told: loses its wire, hangs, comes back."""

import asyncio
import time
from collections.abc import Callable
from types import SimpleNamespace

import pytest

from drivers.protocol import DriverFault, Reply
from rigd.files.load import find, load_rig
from rigd.live import devices
from rigd.live.devices import LOST, UP, Device
from rigd.live.inbox import Inbox
from rigd.model.messages import DeviceFault, Input, Output, Scan

RIG = load_rig(find("demo", "rig"))
OUTPUT = {output.name: index for index, output in enumerate(RIG.outputs)}
SUPPLY, VENT, SET_POINT, WATCHDOG = (OUTPUT[n] for n in ("supply_valve", "vent_valve", "set_point", "watchdog"))
CHANNELS = len(RIG.channels)


class Wire:
    """What the drivers of one test share: every write, and what goes wrong next."""

    def __init__(self) -> None:
        self.writes: list[tuple[int, int]] = []
        self.made = self.closed = 0
        self.absent = self.hangs = False
        self.fault: DriverFault | None = None

    def driver(self, rig: object, index: int) -> "FakeDriver":
        self.made += 1
        return FakeDriver(self)


class FakeDriver:
    def __init__(self, wire: Wire) -> None:
        self.wire = wire

    async def open(self) -> None:
        if self.wire.absent:
            raise DriverFault("absent", "nobody there")

    async def scan(self) -> Reply:
        await self._answer()
        now_ns = time.monotonic_ns()
        return Reply((0,) * CHANNELS, now_ns - 600_000, now_ns)

    async def drive(self, output: int, counts: int) -> None:
        await self._answer()
        self.wire.writes.append((output, counts))

    async def close(self) -> None:
        self.wire.closed += 1

    async def _answer(self) -> None:
        if self.wire.hangs:
            await asyncio.sleep(3600)
        if self.wire.fault is not None:
            fault, self.wire.fault = self.wire.fault, None
            raise fault
        await asyncio.sleep(0)


@pytest.fixture(autouse=True)
def quick_backoff(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(devices, "BACKOFF_FIRST_S", 0.001)
    monkeypatch.setattr(devices, "BACKOFF_LAST_S", 0.01)


class Stage:
    """A device being supervised, and what its inbox heard."""

    def __init__(self, answer: Callable[[Input], None] = lambda message: None) -> None:
        self.wire = Wire()
        self.heard: list[Input] = []
        self.device = Device(RIG, 0, self.wire.driver)

        def turn(message: Input) -> tuple[Output, ...]:
            self.heard.append(message)
            answer(message)
            return ()

        self.inbox = Inbox(turn)

    async def __aenter__(self) -> "Stage":
        self.task = asyncio.create_task(self.device.supervise(self.inbox), name="device")
        return self

    async def __aexit__(self, *_: object) -> None:
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)

    async def until(self, true: Callable[[], bool]) -> None:
        async with asyncio.timeout(5):
            while not true():  # noqa: ASYNC110 - the device sets no event for a test
                await asyncio.sleep(0.001)

    def faults(self) -> list[str]:
        return [message.fault for message in self.heard if isinstance(message, DeviceFault)]

    def scans(self) -> int:
        return sum(isinstance(message, Scan) for message in self.heard)


async def test_the_first_thing_written_is_the_safe_state_and_never_the_watchdog() -> None:
    async with Stage() as stage:
        await stage.until(lambda: stage.scans() >= 1)
        safe = {(i, output.counts_safe) for i, output in enumerate(RIG.outputs) if output.role != "watchdog"}
        assert set(stage.wire.writes) == safe
        scan = next(message for message in stage.heard if isinstance(message, Scan))
        assert scan.width_us == 600 and scan.age_us >= 300


async def test_a_command_from_a_scan_is_written_before_the_next_scan() -> None:
    def answer(message: Input) -> None:
        if isinstance(message, Scan) and len(order) < 6:
            order.append("scan")
            stage.device.drive(VENT, 1 if len(order) < 3 else 0)

    order: list[str] = []
    stage = Stage(answer)
    async with stage:
        drive = FakeDriver.drive

        async def noted(self: FakeDriver, output: int, counts: int) -> None:
            if output == VENT and order:
                order.append("write")
            await drive(self, output, counts)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(FakeDriver, "drive", noted)
            await stage.until(lambda: len(order) >= 6)
    assert order[:6] == ["scan", "write"] * 3


async def test_a_command_from_elsewhere_does_not_wait_for_the_scan() -> None:
    slow = SimpleNamespace(**{name: getattr(RIG.devices[0], name) for name in ("name", "timeout_ns")}, scan_ns=10**12)
    async with Stage() as stage:
        stage.device.shape = slow
        await stage.until(lambda: stage.device.state == UP)
        before = len(stage.wire.writes)
        stage.device.drive(SUPPLY, 1)
        stage.device.drive(SET_POINT, 100)
        stage.device.drive(SET_POINT, 200)
        await stage.until(lambda: len(stage.wire.writes) >= before + 2)
        assert stage.wire.writes[before:] == [(SUPPLY, 1), (SET_POINT, 200)], "the newest of each wins"
        assert stage.scans() == 0


@pytest.mark.parametrize("fault", ["reset", "timeout", "wrong_reply", "exception_reply"])
async def test_after_trouble_only_what_stands_safe_is_written_again(fault: str) -> None:
    async with Stage() as stage:
        await stage.until(lambda: stage.scans() >= 1)
        stage.device.drive(SUPPLY, 1)
        await stage.until(lambda: (SUPPLY, 1) in stage.wire.writes)
        stage.wire.writes.clear()
        stage.wire.fault = DriverFault(fault, "made up")
        await stage.until(lambda: "recovered" in stage.faults())
        assert stage.faults() == [fault, "recovered"]
        assert (VENT, 0) in stage.wire.writes
        assert all(output not in (SUPPLY, WATCHDOG) for output, _ in stage.wire.writes), stage.wire.writes
        assert stage.wire.made == 2 and stage.wire.closed == 1, "a driver is used until its first fault"


async def test_a_driver_that_hangs_is_given_up() -> None:
    async with Stage() as stage:
        stage.device._limit_s = 0.02
        await stage.until(lambda: stage.scans() >= 1)
        stage.wire.hangs = True
        await stage.until(lambda: stage.device.state == LOST)
        stage.wire.hangs = False
        await stage.until(lambda: stage.faults() == ["timeout", "recovered"])


async def test_a_long_absence_is_told_once_and_costs_few_attempts() -> None:
    async with Stage() as stage:
        stage.wire.absent = True
        await stage.until(lambda: stage.device.state == LOST)
        await asyncio.sleep(0.1)
        assert stage.faults() == ["absent"]
        assert stage.wire.made < 40, "the pause grows"
        stage.device.drive(SUPPLY, 1)
        stage.wire.absent = False
        await stage.until(lambda: stage.scans() >= 1)
        assert (SUPPLY, 1) not in stage.wire.writes, "a command given while it was away is not repeated from memory"


async def test_a_bug_in_a_turn_ends_the_supervision() -> None:
    def answer(message: Input) -> None:
        raise ZeroDivisionError("a bug")

    stage = Stage(answer)
    async with stage:
        with pytest.raises(ZeroDivisionError):
            await asyncio.wait_for(asyncio.shield(stage.task), 5)


async def test_the_safe_state_is_written_through_a_connection_of_its_own() -> None:
    stage = Stage()
    assert await stage.device.make_safe() == ""
    assert (VENT, 0) in stage.wire.writes and stage.wire.closed == 1
    stage.wire.absent = True
    assert "could not be written" in await stage.device.make_safe()


async def test_connecting_before_a_run_tries_a_little_and_tells() -> None:
    stage = Stage()
    stage.wire.absent = True
    with pytest.raises(DriverFault, match="nobody there"):
        await stage.device.connect()
    assert stage.wire.made == devices.SCAN_ATTEMPTS


async def test_connecting_writes_everything_safe_before_it_reads_anything() -> None:
    """T15: whoever starts does not know what the process before it left energised."""
    stage = Stage()
    written_before_scan: list[int] = []

    class Watched(FakeDriver):
        async def scan(self) -> Reply:
            written_before_scan.append(len(self.wire.writes))
            return await super().scan()

    stage.device._make_driver = lambda rig, index: Watched(stage.wire)
    await stage.device.connect()
    assert written_before_scan == [len([output for output in RIG.outputs if output.role != "watchdog"])]
    await stage.device._leave()


async def test_scans_that_were_missed_are_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The count is taken while the device waits for its next tick, as it does nearly always."""
    missed: asyncio.Queue[int] = asyncio.Queue()

    class ScriptedPace:
        def __init__(self, period_ns: int) -> None: ...

        def __enter__(self) -> "ScriptedPace":
            return self

        def __exit__(self, *_: object) -> None: ...

        async def tick(self) -> int:
            return await missed.get()

    monkeypatch.setattr(devices, "Pace", ScriptedPace)
    async with Stage() as stage:
        told = []
        for count in (3, 0, 2, 0, 0):
            scans = stage.scans()
            missed.put_nowait(count)
            await stage.until(lambda scans=scans: stage.scans() > scans)
            await asyncio.sleep(0.002)  # it waits for the next tick
            told.append(stage.device.take_missed())
        assert told == [3, 0, 2, 0, 0]
