"""The rig process in one process with its plant: what it does when it itself is at fault."""

import asyncio
import json
import threading
import time
from pathlib import Path

import pytest

from drivers.protocol import Reply
from rigd.cli import run as run_verb
from rigd.live import daemon, places, station
from rigd.live.daemon import RigProcess
from rigd.live.job import Job
from rigd.live.journal_writer import JournalWriter
from rigd.live.record import Closing, left_open, seal_runs
from rigd.model import errors
from rigd.model.messages import HostReport, Scan, ValveCommand
from rigd.model.requests import Frame, Request
from rigd.model.states import LINE_AT_ZERO, NOT_PROVEN
from simulator.plant import Plant


class PlantDriver:
    """The plant as a device in this process; all drivers of a test share it."""

    plant: Plant
    written: list[tuple[int, int]]

    def __init__(self, rig: object, device: int) -> None:
        self.device = device

    async def open(self) -> None: ...

    async def close(self) -> None: ...

    async def scan(self) -> Reply:
        await asyncio.sleep(0)
        self.plant.advance(0.01)
        now_ns = time.monotonic_ns()
        return Reply(self.plant.counts(self.device), now_ns - 1000, now_ns)

    async def drive(self, output: int, counts: int) -> None:
        await asyncio.sleep(0)
        self.plant.drive(output, counts)
        self.written.append((output, counts))


@pytest.fixture
def process(quick_job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> RigProcess:
    monkeypatch.setenv(places.RUNTIME, str(tmp_path / "rt"))
    monkeypatch.setitem(daemon.DRIVERS, "modbus_tcp", PlantDriver)
    PlantDriver.plant, PlantDriver.written = Plant(quick_job.rig, seed=1), []
    frames: list[Frame] = []
    made = RigProcess(quick_job, frames.append)
    made.frames = frames
    return made


async def until(true, seconds: float = 10.0) -> None:
    async with asyncio.timeout(seconds):
        while not true():  # noqa: ASYNC110 - looks at a process from outside, which sets no event
            await asyncio.sleep(0.01)


def state(process: RigProcess) -> str:
    return process.view_body()["state"] if process.is_open else ""


async def start_pressure(process: RigProcess) -> None:
    """Answer the checklist, arm and start, as a person would."""
    await until(lambda: process.is_open and process.view_body()["prompt"])
    number = process.view_body()["prompt"]["prompt"]
    assert process.act("confirm", "A. Novak", named=True, source="terminal", prompt=number, answer="done")[0]
    await until(lambda: state(process) == "READY")
    for act in ("arm", "start"):
        granted, words = process.act(act, "A. Novak", named=True, source="terminal")
        assert granted, words


@pytest.mark.live
@pytest.mark.parametrize("where", ["scan", "socket", "terminal"])
async def test_a_bug_anywhere_leaves_the_rig_safe_and_the_record_whole(
    process: RigProcess, where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SAFETY S21: an exception in any callback, with the inlet open. The safe state is written, the error is raised."""
    running = asyncio.create_task(process.run())
    await start_pressure(process)
    inlet = next(i for i, output in enumerate(process.job.rig.outputs) if output.role == "inlet")
    await until(lambda: (inlet, 1) in PlantDriver.written)
    PlantDriver.written.clear()
    step = process.stations[0].engine.step

    def fail(message: object) -> tuple:
        if isinstance(message, Scan) == (where == "scan"):
            raise ZeroDivisionError("a bug")
        return step(message)

    monkeypatch.setattr(type(process.stations[0].engine), "step", lambda self, message: fail(message))
    if where == "socket":
        with pytest.raises(ZeroDivisionError):
            process.answer(Request(id=1, verb="mark", person="A. Novak", named=True))
    elif where == "terminal":
        with pytest.raises(ZeroDivisionError):
            process.act("mark", "A. Novak", named=True, source="terminal")
    with pytest.raises(ZeroDivisionError):
        await asyncio.wait_for(running, 20)
    for index, output in enumerate(process.job.rig.outputs):
        if output.role != "watchdog":
            assert (index, output.counts_safe) in PlantDriver.written
            last = [counts for at, counts in PlantDriver.written if at == index][-1]
            assert last == output.counts_safe, output.name
    monkeypatch.undo()
    assert not places.socket_path(process.job.rig.name).exists()
    ((folder, trouble),) = [each async for each in seal_runs(left_open(process.job.records))]
    assert trouble == "" and left_open(process.job.records) == ()
    assert '"outcome": "interrupted"' in (folder / "run.json").read_text()


@pytest.mark.live
async def test_pressure_never_rises_before_its_record_is_with_the_writer(process: RigProcess) -> None:
    """Invariant 17. Every command that can raise pressure is preceded by the block that holds it."""
    order: list[str] = []
    running = asyncio.create_task(process.run())
    await until(lambda: process.is_open)
    station = process.stations[0]
    loop = station.order.loop
    hand_over, drive = loop._hand_over, loop._drive
    raising = {
        (i, output.counts_energised) for i, output in enumerate(process.job.rig.outputs) if output.role != "watchdog"
    }
    loop._hand_over = lambda block: (order.append("block"), hand_over(block))
    loop._drive = lambda output, counts: (
        order.append("raise") if (output, counts) in raising else None,
        drive(output, counts),
    )
    step, kept = station.engine.step, []

    def keep(message: object) -> tuple:
        said = step(message)
        if any(isinstance(output, ValveCommand) and output.raises for output in said):
            kept.append(message)
            order.append("decide")
        return said

    engine = step.__self__
    loop.engine = type("Kept", (), {"__getattr__": lambda _, name: getattr(engine, name), "step": staticmethod(keep)})()
    await start_pressure(process)
    await until(lambda: order.count("raise") >= 4)
    process.leave()
    (ending,) = await asyncio.wait_for(running, 30)
    assert ending.exit_code == 3 and kept
    for at, what in enumerate(order):
        if what == "decide":
            assert order[at + 1] == "block", order[at : at + 4]


@pytest.mark.live
async def test_a_trip_acts_at_once_and_is_announced_when_its_block_is_on_the_disk(
    process: RigProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk stands still under pressure: the rig vents, and nobody is told of what could still be lost."""
    goes_on, sync = threading.Event(), JournalWriter._sync
    goes_on.set()
    monkeypatch.setattr(JournalWriter, "_sync", lambda writer: (goes_on.wait(20), sync(writer)))
    running = asyncio.create_task(process.run())
    await start_pressure(process)
    inlet = next(i for i, output in enumerate(process.job.rig.outputs) if output.role == "inlet")
    await until(lambda: (inlet, 1) in PlantDriver.written)
    PlantDriver.written.clear()

    def told() -> bool:
        return any("trip" in frame.body["kind"] for frame in process.frames if frame.kind == "event")

    goes_on.clear()
    await until(lambda: (inlet, 0) in PlantDriver.written and state(process) == "VENTING")
    await asyncio.sleep(0.3)  # longer than three beats: what could be announced would have been
    assert not told()
    goes_on.set()
    await until(told)
    process.leave()
    assert (await asyncio.wait_for(running, 30))[0].exit_code == 4


@pytest.mark.live
async def test_the_feed_and_the_record_tell_of_the_computer(process: RigProcess) -> None:
    """HostReports come about ten times a second, and a watcher sees the state change."""
    heard: list[object] = []
    running = asyncio.create_task(process.run())
    await until(lambda: process.is_open)
    inbox = process.stations[0].order.inbox
    turn = inbox._turn
    inbox._turn = lambda message: (heard.append(message), turn(message))[1]
    await until(lambda: sum(isinstance(message, HostReport) for message in heard) >= 5)
    reports = [message for message in heard if isinstance(message, HostReport)]
    assert all(report.free_bytes > 0 and report.write_error == "" for report in reports)
    assert abs(reports[-1].utc_ns - time.time_ns()) < 5e9
    process.leave()
    (ending,) = await asyncio.wait_for(running, 30)
    assert ending.exit_code == 3
    kinds = [frame.kind for frame in process.frames]
    assert kinds[-1] == "closed" and {"view", "event", "result"} <= set(kinds)


@pytest.mark.live
@pytest.mark.parametrize(
    ("limit", "outcome", "code", "opening"),
    [("REST_S", "stopped", errors.STOPPED, LINE_AT_ZERO), ("LEAVE_S", "interrupted", errors.TRIPPED, NOT_PROVEN)],
)
async def test_who_leaves_before_there_is_a_result_gets_the_exit_code_of_the_record(
    process: RigProcess, limit: str, outcome: str, code: int, opening: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Vented: a person stopped it. Still venting when patience ended: nobody knows how the line was left."""
    monkeypatch.setattr(station, limit, 0.0)
    running = asyncio.create_task(process.run())
    await start_pressure(process)
    await until(lambda: (process.view_body()["pressure_pa"] or 0.0) > 100_000.0)
    process.leave()
    (ending,) = await asyncio.wait_for(running, 60)
    assert process.stations[0].result is None, "it was to leave before the result"
    told = json.loads((ending.record / "run.json").read_text())
    assert (told["outcome"], told["exit_code"], ending.exit_code) == (outcome, code, code)
    assert ending.words == outcome and ending.opening == opening
    assert opening in (ending.record / "report.txt").read_text()
    assert next(frame for frame in process.frames if frame.kind == "closed").body["exit_code"] == code


@pytest.mark.live
async def test_an_unproven_line_is_told_and_gravest_though_the_record_cannot_be_closed(
    process: RigProcess, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    async def finish(closing: Closing, limit_s: float = 0.0) -> str:
        closing._process.kill()
        await closing._process.wait()
        return "not sealed: the disk is gone"

    monkeypatch.setattr(Closing, "finish", finish)
    monkeypatch.setattr(station, "LEAVE_S", 0.0)
    running = asyncio.create_task(process.run())
    await start_pressure(process)
    await until(lambda: (process.view_body()["pressure_pa"] or 0.0) > 100_000.0)
    process.leave()
    (ending,) = await asyncio.wait_for(running, 60)
    assert ending.exit_code == errors.TRIPPED and ending.trouble == "not sealed: the disk is gone"
    run_verb._tell((ending,), ending.exit_code, False)
    told = capsys.readouterr()
    assert "not sealed yet" in told.out and NOT_PROVEN in told.err and "the disk is gone" in told.err


async def test_a_slow_transducer_does_not_cost_the_result(process: RigProcess) -> None:
    """Its zero is read for up to five seconds; whoever leaves is not gone before that."""
    from rigd.engine.zero import READ_NS

    assert station.REST_S > 10 * READ_NS / 1e9 + 2 * station.ASK_AGAIN_S
