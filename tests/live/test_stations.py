"""Several stations in one rig process, over a simulated bench in this process: what one does and what it leaves alone.

That a trip, a lost device or a bug leads to the safe state is SAFETY S5, S21; what is shared and what is not is the
project's own rule (rigd.engine.combine) and common practice on rigs with one supply.
"""

import asyncio
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.protocol import DriverFault, Reply
from rigd.cli.job import load_job
from rigd.files.load import find
from rigd.live import daemon, places
from rigd.live.daemon import RigProcess
from rigd.live.job import Ending, gravest
from rigd.live.record import Closing, left_open
from rigd.model import errors
from rigd.model.messages import Neighbours, Scan, ValveCommand
from rigd.model.requests import Frame, Request
from rigd.replay import read_files
from rigd.store.archive import open_run
from simulator.io_module import RealTime
from simulator.surge_bench import SurgeBench

PERSON = "A. Novak"
LONG = "1000"
pytestmark = pytest.mark.live


class BenchDriver:
    """The bench as devices of this process; all drivers of a test share it. It lives in real time."""

    bench: SurgeBench
    world: RealTime
    written: list[tuple[int, int]]
    lost: set[int]

    def __init__(self, rig: object, device: int) -> None:
        self.device = device

    async def open(self) -> None:
        if self.device in self.lost:
            raise DriverFault("absent", "taken away")

    async def close(self) -> None: ...

    async def scan(self) -> Reply:
        await self._answer()
        now_ns = time.monotonic_ns()
        self.world.catch_up()
        return Reply(self.bench.counts(self.device), now_ns - 1000, now_ns)

    async def drive(self, output: int, counts: int) -> None:
        await self._answer()
        self.bench.drive(output, counts)
        self.written.append((output, counts))

    async def _answer(self) -> None:
        await asyncio.sleep(0)
        if self.device in self.lost:
            raise DriverFault("reset", "taken away")


class NoClosing:
    """Closing is another process's affair, and not what most tests here look at."""

    async def finish(self) -> str:
        return ""


class Rig:
    """One rig process under test."""

    def __init__(self, process: RigProcess, frames: list[Frame]) -> None:
        self.process, self.frames = process, frames
        self.running: asyncio.Task[tuple[Ending, ...]]

    def station(self, number: int):
        return next(station for station in self.process.stations if station.number == number)

    def state(self, number: int) -> str:
        return self.station(number).engine.state

    def cycles(self, number: int) -> int:
        return dict(self.station(number).engine.view().counted).get("cycles_valid", 0)

    def act(self, act: str, station: int | None = None, **fields: object) -> tuple[bool, str]:
        return self.process.act(act, PERSON, named=True, source="terminal", station=station, **fields)

    async def until(self, true: Callable[[], bool], seconds: float = 30.0) -> None:
        async with asyncio.timeout(seconds):
            while not true():
                assert not self.running.done(), self.running.result()
                await asyncio.sleep(0.01)

    async def answer(self, *numbers: int) -> None:
        """The checklist of each, and what is asked at the end."""
        for number in numbers:
            await self.until(lambda number=number: self.station(number).engine.questions.prompt is not None)
            prompt = self.station(number).engine.questions.prompt
            answer = "nothing" if prompt.field == "observation" else "K" if prompt.field == "make" else "done"
            granted, words = self.act("confirm", number, prompt=prompt.prompt, answer=answer)
            assert granted, words

    async def start(self, *numbers: int) -> None:
        await self.answer(*numbers)
        await self.until(lambda: all(self.state(number) == "READY" for number in numbers))
        for act in ("arm", "start"):
            granted, words = self.act(act)
            assert granted and "refused" not in words, words

    async def leave(self) -> tuple[Ending, ...]:
        self.process.leave()
        return await asyncio.wait_for(self.running, 60)

    def output(self, role: str, station: int = 0) -> int:
        outputs = self.process.job.rig.outputs
        return next(i for i, output in enumerate(outputs) if (output.role, output.station) == (role, station))

    def energised(self, role: str, station: int = 0) -> bool:
        at = self.output(role, station)
        last = [counts for output, counts in BenchDriver.written if output == at][-1]
        return last != self.process.job.rig.outputs[at].counts_safe


@pytest.fixture
def rig_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, surges: str):
    """Start a rig process with these specimens; each with its own gauge, where `gauges` says so, on a second device."""
    monkeypatch.setenv(places.RUNTIME, str(tmp_path / "rt"))
    monkeypatch.setitem(daemon.DRIVERS, "modbus_tcp", BenchDriver)

    def start(*specimens: str, block: str = LONG, bodies: tuple[str, ...] = (), closing: bool = False) -> Rig:
        if not closing:

            async def begin(folder: Path, key: Path | None = None) -> NoClosing:
                return NoClosing()

            monkeypatch.setattr(Closing, "start", begin)
        text = find("demo-surge", "rig").read_text()
        device = "  io: # one Modbus TCP"
        where, often = "host: 127.0.0.1, port: 9, unit: 1", "scan: 10 ms, timeout: 100 ms, stale: 100 ms"
        gauge = f"  gauge: {{driver: modbus_tcp, {where}, {often}}}\n"
        unproven = "  timeout: 20 s"  # a line that nobody can see is given up earlier here
        assert text.count(device) == text.count(unproven) == 1
        text = text.replace(device, gauge + device).replace(unproven, "  timeout: 4 s")
        second = text.index("  specimen_b:")
        text = text[:second] + text[second:].replace("    device: io\n", "    device: [io, gauge, io, io]\n", 1)
        (tmp_path / "rig.yaml").write_text(text)
        (tmp_path / "surges.yaml").write_text(surges.replace("BLOCK", block))
        job = load_job(
            profile=str(tmp_path / "surges.yaml"), rig=str(tmp_path / "rig.yaml"), specimens=specimens,
            facts=("make=K",), records=tmp_path / "records", person=PERSON, named=True,
        )  # fmt: skip
        BenchDriver.bench = SurgeBench(job.rig, seed=3, bodies=bodies or ("strong",) * 4)
        BenchDriver.world, BenchDriver.written, BenchDriver.lost = RealTime(BenchDriver.bench), [], set()
        frames: list[Frame] = []
        rig = Rig(RigProcess(job, frames.append), frames)
        rig.running = asyncio.create_task(rig.process.run())
        return rig

    return start


async def opened(rig: Rig) -> Rig:
    await rig.until(lambda: rig.process.is_open)
    return rig


async def test_each_station_has_a_run_and_a_record_of_its_own(rig_with, tmp_path: Path) -> None:
    """Three specimens on four stations, one of them taken out before pressure: it is closed while the others go on."""
    rig = await opened(rig_with("1=K-07", "2=L-03", "4=M-01", block="3", closing=True))
    await rig.answer(1, 2, 4)
    await rig.until(lambda: all(rig.state(number) == "READY" for number in (1, 2, 4)))
    assert rig.act("vent", 4)[0] and rig.act("vent", 4)[0]
    await rig.until(lambda: any(frame.kind == "ended" for frame in rig.frames), 60)
    last = [frame.body for frame in rig.frames if frame.kind == "view" and frame.body["station"] == 4][-1]
    assert last["done"] and last["prompt"] is None
    for act in ("arm", "start"):
        granted, words = rig.act(act)
        assert granted and "station 4" not in words, words
    await rig.until(lambda: rig.cycles(1) >= 1 and rig.cycles(2) >= 1)
    assert rig.energised("supply")
    await rig.until(lambda: all(rig.state(number) == "VENTED" for number in (1, 2)))
    await rig.answer(1, 2)
    endings = await asyncio.wait_for(rig.running, 120)
    assert [(each.station, each.exit_code) for each in endings] == [(1, 0), (2, 0), (4, 3)] and gravest(endings) == 3
    for ending in endings:
        archive = open_run(ending.record)
        assert archive.run["replay"] == "identical" and not ending.trouble
        assert read_files(ending.record)["station.txt"] == b"%d\n" % ending.station
        scans = [message for message in archive.inputs() if type(message) is Scan]
        own = [c for c in rig.process.job.rig.channels if c.device == 1 and c.station in (0, ending.station)]
        assert {len(scan.counts) for scan in scans if scan.device == 1} == {len(own)}
        assert any(type(message) is Neighbours for message in archive.inputs())
    felt = [BenchDriver.bench.truth(number).cycles for number in (1, 2, 3, 4)]
    told = [dict(open_run(ending.record).run["result"]["data"]) for ending in endings]
    assert felt == [told[0]["cycles_applied"], told[1]["cycles_applied"], 0, 0]
    assert not any(rig.energised(role, 3) for role in ("inlet", "air", "vent", "fill"))
    (closed,) = [frame.body for frame in rig.frames if frame.kind == "closed"]
    assert closed["exit_code"] == 3 and len(closed["records"]) == 3
    assert left_open(tmp_path / "records") == ()


async def test_a_trip_of_its_own_stops_one_station_and_an_emergency_stop_all(rig_with) -> None:
    rig = await opened(rig_with("1=K-07", "2=L-03"))
    await rig.start(1, 2)
    await rig.until(lambda: rig.cycles(1) >= 1 and rig.cycles(2) >= 1)
    (transducer, _) = BenchDriver.bench.transducers["specimen", 2]
    transducer.wrong = lambda counts, t_s: 20_000.0  # 300 psi on a channel that trips at 120
    await rig.until(lambda: rig.state(2) != "RUNNING")
    assert rig.station(2).engine.interlocks.first_out.startswith("overpressure_a")
    done = rig.cycles(1)
    await rig.until(lambda: rig.cycles(1) >= done + 2)
    assert rig.energised("supply") and not rig.energised("inlet", 2)
    BenchDriver.bench.set_switches(emergency_stop_released=False)
    await rig.until(lambda: rig.state(1) != "RUNNING")
    await rig.until(lambda: not rig.energised("supply"))
    assert rig.station(1).engine.interlocks.first_out == "emergency_stop_pressed"
    assert rig.act("reset") == (False, "no station can be reset")
    endings = await rig.leave()
    assert [each.exit_code for each in endings] == [errors.TRIPPED] * 2


async def test_a_lost_gauge_stops_its_station_and_a_lost_module_all(rig_with) -> None:
    rig = await opened(rig_with("1=K-07", "2=L-03", "3=M-01"))
    await rig.start(1, 2, 3)
    await rig.until(lambda: all(rig.cycles(number) >= 1 for number in (1, 2, 3)))
    BenchDriver.lost.add(0)
    await rig.until(lambda: rig.state(2) != "RUNNING")
    done = rig.cycles(1), rig.cycles(3)
    await rig.until(lambda: rig.cycles(1) >= done[0] + 2 and rig.cycles(3) >= done[1] + 2)
    assert "specimen_b_2" in rig.station(2).engine.interlocks.first_out
    BenchDriver.lost.add(1)
    await rig.until(lambda: "RUNNING" not in (rig.state(1), rig.state(3)))
    endings = await rig.leave()
    assert [each.exit_code for each in endings] == [errors.TRIPPED] * 3


async def test_a_record_that_cannot_be_written_stops_its_own_station(
    rig_with, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = await opened(rig_with("1=K-07", "2=L-03"))
    await rig.start(1, 2)
    await rig.until(lambda: rig.cycles(1) >= 1 and rig.cycles(2) >= 1)
    monkeypatch.setattr(rig.station(1).record, "write_error", lambda: "EIO")
    await rig.until(lambda: rig.state(1) != "RUNNING")
    assert "record cannot be written" in rig.station(1).engine.interlocks.first_out
    done = rig.cycles(2)
    await rig.until(lambda: rig.cycles(2) >= done + 2)
    assert rig.state(2) == "RUNNING"
    await rig.leave()


async def test_an_empty_stations_valve_that_is_not_seen_shut_keeps_the_supply_shut_for_all(rig_with) -> None:
    """Nobody is mounted at station 3 and its release valve shows open: what is shared would blow into the chamber."""
    rig = await opened(rig_with("1=K-07", "2=L-03"))
    await rig.start(1, 2)
    await rig.until(lambda: rig.cycles(1) >= 1 and rig.energised("supply"))
    BenchDriver.bench.lie(3, True)
    await rig.until(lambda: not rig.energised("supply"))
    await rig.until(lambda: "RUNNING" not in (rig.state(1), rig.state(2)))
    assert not rig.process.answer(Request(id=1, verb="arm", person=PERSON, named=True, station=3)).ok
    await rig.leave()


async def test_a_bug_in_one_engine_makes_everything_safe_and_ends_the_process(
    rig_with, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same program runs at every station; the one that failed can no longer watch its valve."""
    rig = await opened(rig_with("1=K-07", "2=L-03"))
    await rig.start(1, 2)
    await rig.until(lambda: rig.energised("inlet", 1) or rig.energised("inlet", 2))
    engine = rig.station(2).engine
    step = type(engine).step

    def fail(self, message):
        if self is engine and isinstance(message, Scan):
            raise ZeroDivisionError("a bug")
        return step(self, message)

    monkeypatch.setattr(type(engine), "step", fail)
    with pytest.raises(ZeroDivisionError):
        await asyncio.wait_for(rig.running, 20)
    for at, output in enumerate(rig.process.job.rig.outputs):
        if output.role != "watchdog":
            last = [counts for written, counts in BenchDriver.written if written == at][-1]
            assert last == output.counts_safe, output.name
    assert len(left_open(tmp_path / "records")) == 2


async def test_what_is_shared_rises_only_when_its_cause_is_with_the_writer(rig_with) -> None:
    """Invariant 17, for an output that two stations ask for: whoever asked has its block handed over before."""
    rig = await opened(rig_with("1=K-07", "2=L-03"))
    order: list[tuple[str, int]] = []
    shared = {rig.output("supply"), rig.output("set_point")}
    told = dict.fromkeys(shared, 0)
    send = rig.process._shared._send

    def note(output: int, counts: int) -> None:
        if output in shared:
            if counts > told[output]:
                order.append(("raise", output))
            told[output] = counts
        send(output, counts)

    rig.process._shared._send = note
    for station in rig.process.stations:
        turn, hand_over = station.order.loop.turn, station.order.loop._hand_over

        def watch(message, turn=turn, number=station.number):
            said = turn(message)
            if any(type(out) is ValveCommand and out.raises for out in said):
                order.append(("asked", number))
            return said

        station.order.loop = type("Watched", (), {"turn": staticmethod(watch), "flush": station.order.loop.flush})()
        loop = turn.__self__
        loop._hand_over = lambda block, hand_over=hand_over, number=station.number: (
            order.append(("block", number)),
            hand_over(block),
        )
    await rig.start(1, 2)
    await rig.until(lambda: rig.cycles(1) >= 1)
    rig.act("vent", 1)
    await rig.until(lambda: rig.cycles(2) >= 2)
    raises = [at for at, (what, _) in enumerate(order) if what == "raise"]
    assert len(raises) >= 2
    for at in raises:
        before = [what for what, _ in order[:at] if what != "raise"]
        assert before[-2:] == ["block", "asked"], order[: at + 1]
    await rig.leave()


async def test_an_act_finds_its_station_or_says_which_it_could_be(rig_with) -> None:
    rig = await opened(rig_with("1=K-07", "3=L-03"))
    await rig.until(lambda: all(rig.station(number).engine.questions.prompt for number in (1, 3)))
    granted, words = rig.act("confirm", prompt=1, answer="done")
    assert not granted and "which station? Each of 1, 3" in words and "--station 1" in words
    reply = rig.process.answer(Request(id=1, verb="confirm", person=PERSON, named=True, prompt=1, station=2))
    assert not reply.ok and "station 2 has no run" in reply.words and "1, 3" in reply.words
    assert [view["station"] for view in reply.view["stations"]] == [1, 3]
    await rig.answer(3)
    assert rig.act("confirm", prompt=1, answer="done")[0], "now only one asks"
    await rig.until(lambda: rig.state(1) == rig.state(3) == "READY")
    reply = rig.process.answer(Request(id=2, verb="arm", person=PERSON, named=True, station=3))
    assert reply.ok and reply.view["state"] == "ARMED" and rig.state(1) == "READY"
    granted, words = rig.act("start")
    assert granted and "station 1: refused: start is possible only in ARMED" in words and rig.state(3) == "RUNNING"
    assert rig.act("mark")[0], "only one is under pressure"
    endings = await rig.leave()
    assert len(endings) == 2


def test_the_gravest_ending_is_that_of_the_process() -> None:
    def ended(*codes: int) -> int:
        return gravest(tuple(Ending(station=1, exit_code=code, record=Path(), words="") for code in codes))

    assert ended(0, 1, 0) == 1 and ended(1, 5, 3) == 3 and ended(3, 74) == 74 and ended(74, 4, 0) == 4
