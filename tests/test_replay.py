"""Replay: the same bytes whatever the world was like that made the record, and the first difference told in words.

Records come from three worlds: virtual time, the real pieces of the daemon under an event loop that runs its ready
tasks in a random order, and (in tests/cli/test_demo.py) real Modbus TCP. They are replayed under other hash seeds and,
where RIGD_OTHER_PYTHONS names interpreters with our dependencies (colon-separated), under other Pythons.
"""

import asyncio
import hashlib
import os
import random
import selectors
import subprocess
import sys
import zipfile
from collections import deque
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from drivers.protocol import Reply
from rigd.engine.engine import Engine
from rigd.files.load import find, load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.live import devices
from rigd.live.inbox import Inbox
from rigd.live.record import OpenRecord
from rigd.loop import Loop
from rigd.model.messages import Event, HostReport, Opened, OperatorAction, Reading, Tick
from rigd.model.states import ARMED, READY, RUNNING
from rigd.replay import Difference, Replay
from rigd.replay import replay as replay_record
from rigd.store.archive import open_run
from rigd.store.chain import Chain
from simulator.person import Person
from simulator.plant import Plant

NS = 1_000_000_000
SPEEDY = (("timeout: 20 s", "timeout: 4 s"),)
SCRIPT = """
import sys
from pathlib import Path
from rigd.replay import Replay
from rigd.store.archive import open_run
assert not [p for p in Replay(open_run(Path(sys.argv[1]))) if p.difference]
print("the same")
"""


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sealed record of the world of virtual time: the shipped rupture."""
    folder = tmp_path_factory.mktemp("shipped")
    with zipfile.ZipFile(Path(str(resources.files("profiles"))) / "reference" / "rupture.zip") as packed:
        packed.extractall(folder)
    (record,) = folder.iterdir()
    return record


# --- a random order of tasks -------------------------------------------------------------------------------------


class _Instant(selectors.DefaultSelector):
    """Never waits: the loop's clock jumps to where the next timer is due."""

    now_s = 0.0

    def select(self, timeout: float | None = None) -> list:
        if timeout is not None and timeout > 0.0:
            self.now_s += timeout
        return super().select(0.0)


class ShuffledLoop(asyncio.SelectorEventLoop):
    """Virtual time, and everything that is ready runs in a random order: what asyncio promises nobody between tasks."""

    def __init__(self, seed: int) -> None:
        self._instant = _Instant()
        self._chance = random.Random(seed)
        super().__init__(self._instant)

    def time(self) -> float:
        return self._instant.now_s

    def now_ns(self) -> int:
        return int(self._instant.now_s * NS)

    def _run_once(self) -> None:
        ready = list(self._ready)
        self._chance.shuffle(ready)
        self._ready = deque(ready)
        super()._run_once()


class VirtualPace:
    """Ticks by the loop's own clock."""

    def __init__(self, period_ns: int) -> None:
        self._period_s = period_ns / NS

    async def tick(self) -> int:
        await asyncio.sleep(self._period_s)
        return 0

    def __enter__(self) -> "VirtualPace":
        return self

    def __exit__(self, *_: object) -> None:
        pass


class PlantDriver:
    """The plant as a device in this process; every answer takes a random moment."""

    def __init__(self, plant: Plant, loop: ShuffledLoop, chance: random.Random, index: int) -> None:
        self._plant, self._loop, self._chance, self._index = plant, loop, chance, index
        self._at_s = loop.time()

    async def open(self) -> None:
        await asyncio.sleep(0)

    async def scan(self) -> Reply:
        sent_ns = self._loop.now_ns()
        await asyncio.sleep(self._chance.uniform(0.0001, 0.002))
        self._catch_up()
        counts = self._plant.counts(self._index)
        await asyncio.sleep(self._chance.uniform(0.0001, 0.002))
        return Reply(counts=counts, sent_ns=sent_ns, arrived_ns=self._loop.now_ns())

    async def drive(self, output: int, counts: int) -> None:
        await asyncio.sleep(self._chance.uniform(0.0001, 0.001))
        self._catch_up()
        self._plant.drive(output, counts)

    async def close(self) -> None:
        pass

    def _catch_up(self) -> None:
        now_s = self._loop.time()
        if now_s > self._at_s:
            self._plant.advance(now_s - self._at_s)
            self._at_s = now_s


class Bench:
    """One run of the shipped profile: real inbox, loop body, engine, device and record; the rest is this file's."""

    def __init__(self, records: Path, seed: int, loop: ShuffledLoop) -> None:
        rig_bytes = find("demo", "rig").read_bytes()
        for shipped, here in SPEEDY:
            rig_bytes = rig_bytes.replace(shipped.encode(), here.encode())
        profile_bytes = find("ramped-burst", "profile").read_bytes()
        self.files = {"rig.yaml": rig_bytes, "profile.yaml": profile_bytes, "specimen.yaml": b"specimen: shuffled\n"}
        self.rig = load_rig_bytes(rig_bytes, "rig")
        profile = load_profile_bytes(profile_bytes, "profile")
        self.engine = Engine(self.rig, profile, load_specimen_bytes(self.files["specimen.yaml"], "specimen"))
        self.record = OpenRecord(
            records, rig="shuffled", profile=profile.name, specimen="shuffled", files=self.files, patient=True
        )
        self.plant, self.person = Plant(self.rig, seed=5, body="rupture"), Person("A. Person", 5)
        self._clock, chance = loop, random.Random(seed + 1)
        self.inbox = Inbox(self._turn, loop.now_ns)
        self.device = devices.Device(self.rig, 0, lambda rig, index: PlantDriver(self.plant, loop, chance, index))
        self.body = Loop(
            self.engine, self.record.builder, self.record.hand_over, drive=self.device.drive, publish=lambda said: None
        )
        self.over = asyncio.Event()

    def _turn(self, message):
        said = self.body.turn(message)
        if self.engine.done:
            self.over.set()
        return said

    async def run(self) -> Path:
        sha = {name: hashlib.sha256(data).hexdigest() for name, data in self.files.items()}
        await self.device.connect()
        self.inbox.post(lambda seq, t_ns: Opened(
            seq=seq, t_ns=t_ns, run=self.record.run, utc_ns=10**18, version="0", rig_sha256=sha["rig.yaml"],
            profile_sha256=sha["profile.yaml"], specimen_sha256=sha["specimen.yaml"], latched=(),
        ))  # fmt: skip
        jobs = (self.device.supervise(self.inbox), self._beat(), self._be_a_person(), self._tick())
        tasks = [asyncio.ensure_future(job) for job in jobs]
        async with asyncio.timeout(300):
            await self.over.wait()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self.body.flush()
        self.record.close()
        return self.record.folder

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(0.01)
            if self.inbox.idle_ns() > 20_000_000:
                self.inbox.post(lambda seq, t_ns: Tick(seq=seq, t_ns=t_ns))

    async def _beat(self) -> None:
        while True:
            await asyncio.sleep(0.09)
            self.body.flush()
            self.inbox.post(lambda seq, t_ns: HostReport(
                seq=seq, t_ns=t_ns, journal_lag_us=0, write_error="", free_bytes=1 << 40, missed_ticks=0,
                inbox_full=False, utc_ns=10**18 + t_ns,
            ))  # fmt: skip

    async def _be_a_person(self) -> None:
        while True:
            await asyncio.sleep(0.1)
            view = self.engine.view()
            if view.prompt is not None:
                answer = self.person.says(view.prompt, self.plant.truth().seen)
                self._act("confirm", prompt=view.prompt.prompt, answer=answer)
            elif view.state in (READY, ARMED):
                self._act({READY: "arm", ARMED: "start"}[view.state])
            elif view.state == RUNNING and (act := self.person.sees(self.plant.truth(), self._clock.time())):
                self._act(act)

    def _act(self, act: str, **more: object) -> None:
        self.inbox.post(lambda seq, t_ns: OperatorAction(
            seq=seq, t_ns=t_ns, act=act, person="A. Person", named=True, source="simulated person", **more
        ))  # fmt: skip


def play_shuffled(records: Path, seed: int) -> Path:
    loop = ShuffledLoop(seed)

    async def run() -> Path:
        return await Bench(records, seed, loop).run()

    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        folder = runner.run(run())
    subprocess.run([sys.executable, "-m", "rigd.closing", str(folder), "--without-plot"], check=True, timeout=120)
    return folder


@pytest.fixture(scope="module")
def shuffled(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three runs of the same body, whose tasks ran in three random orders."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(devices, "Pace", VirtualPace)
        return [play_shuffled(tmp_path_factory.mktemp("shuffled"), seed) for seed in (1, 2, 3)]


def test_runs_whose_tasks_ran_in_a_random_order_replay_byte_for_byte(shuffled: list[Path]) -> None:
    heads = set()
    for folder in shuffled:
        archive = open_run(folder)
        assert archive.run["outcome"] == "rupture" and archive.run["replay"] == "identical", archive.run
        assert [played.difference for played in Replay(archive) if played.difference] == []
        heads.add(Chain(archive.read("chain.bin")).head)
    assert len(heads) == 3, "the orders were not different, so this proved nothing"


@pytest.mark.parametrize("hash_seed", ["0", "1", "12345"])
def test_under_any_hash_seed_every_world_replays_the_same(hash_seed: str, shipped: Path, shuffled: list[Path]) -> None:
    for record in (shipped, shuffled[0]):
        said = subprocess.run(
            [sys.executable, "-c", SCRIPT, str(record)], env=os.environ | {"PYTHONHASHSEED": hash_seed},
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
        assert said.stdout.strip() == "the same", said.stderr


def test_under_other_pythons_every_world_replays_the_same(shipped: Path, shuffled: list[Path]) -> None:
    others = [python for python in os.environ.get("RIGD_OTHER_PYTHONS", "").split(":") if python]
    if not others:
        pytest.skip("RIGD_OTHER_PYTHONS names no other Python with our dependencies")
    root = str(Path(__file__).parent.parent)
    for python in others:
        for record in (shipped, shuffled[0]):
            said = subprocess.run(
                [python, "-c", SCRIPT, str(record)], env=os.environ | {"PYTHONPATH": root}, capture_output=True,
                text=True, timeout=120, check=False,
            )  # fmt: skip
            assert said.stdout.strip() == "the same", (python, said.stderr)


# --- the first difference ----------------------------------------------------------------------------------------


def differs(record: Path, monkeypatch: pytest.MonkeyPatch, change) -> Difference:
    """Replay with an engine that says something else."""
    true_step = Engine.step
    monkeypatch.setattr(Engine, "step", lambda self, message: tuple(change(out) for out in true_step(self, message)))
    *_, last = replay_record(open_run(record))
    assert isinstance(last, Difference)
    return last


def test_the_first_difference_is_told_with_time_message_field_stored_and_recomputed(shipped, monkeypatch) -> None:
    result = open_run(shipped).run["result"]

    def other_result(output):
        if type(output).__name__ != "Result":
            return output
        return replace(output, failure_pa=output.failure_pa + 1.0)

    found = differs(shipped, monkeypatch, other_result)
    assert f"at {result['t_ns'] / 1e9:.3f} s, message {result['seq']}: Result, field failure_pa" in found.words
    assert repr(result["failure_pa"]) in found.words and repr(result["failure_pa"] + 1.0) in found.words
    assert (found.seq, found.t_ns) == (result["seq"], result["t_ns"])


def test_an_output_too_few_is_told(shipped, monkeypatch) -> None:
    true_step = Engine.step
    monkeypatch.setattr(
        Engine, "step", lambda self, m: tuple(o for o in true_step(self, m) if getattr(o, "kind", "") != "fact")
    )
    *_, last = replay_record(open_run(shipped))
    assert "stored" in last.words and "worked out now" in last.words and "fact" in last.words


@pytest.mark.parametrize(
    ("change", "field"),
    [
        (lambda r: replace(r, values=(r.values[0] + 10.0, *r.values[1:])), "specimen_a_pa"),
        (lambda r: replace(r, quality=(*r.quality[:-1], 7)), "fill_open_quality"),
        (lambda r: replace(r, highest_pa=r.highest_pa + 100.0), "highest_pa"),
        (lambda r: replace(r, step=r.step + 1), "step"),
    ],
)
def test_a_reading_that_differs_is_found_in_the_columns_of_the_trace(shipped, monkeypatch, change, field) -> None:
    at_ns = 20 * NS

    def other(output):
        return change(output) if type(output) is Reading and output.t_ns > at_ns else output

    found = differs(shipped, monkeypatch, other)
    assert f"Reading, field {field}: stored " in found.words, found.words
    assert at_ns < found.t_ns < at_ns + NS


def test_a_reading_that_differs_below_float32_is_told_as_a_digest_only(shipped, monkeypatch) -> None:
    def other(output):
        if type(output) is Reading and output.t_ns > 20 * NS:
            return replace(output, values=(output.values[0] * (1 + 1e-12), *output.values[1:]))
        return output

    found = differs(shipped, monkeypatch, other)
    assert "only the digest of the readings differs" in found.words


def test_nothing_is_compared_beyond_the_first_difference(shipped, monkeypatch) -> None:
    def other(output):
        return replace(output, text="something else") if type(output) is Event else output

    differs(shipped, monkeypatch, other)
    outputs = list(replay_record(open_run(shipped)))
    assert sum(isinstance(output, Difference) for output in outputs) == 1
