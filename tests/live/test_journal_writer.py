"""The journal writer over disks that fail, fill, stall, forget and are cut off, each at every call.

The loop is SQLite's: fail the N-th call, N = 1, 2, ... until the whole run succeeds, once and from then on; then
recover. What must hold every time: what is recovered is a prefix of what was handed over, nothing acknowledged is lost,
the error is said, and a file whose sync failed is never synced again. The last test is the control: a writer over a
disk that does not sync must fail this same harness, or the harness proves nothing.
"""

import errno
import threading
from pathlib import Path

import pytest

from rigd.live.journal_writer import QUEUE_BLOCKS, JournalWriter
from rigd.model.errors import CannotCreate
from rigd.model.messages import Event, Tick
from rigd.store.disk import Disk, is_locked
from rigd.store.journal import BlockBuilder, identity, read_blocks, segments

WHO = identity(run=1, version="0", files=())
SECOND_NS = 1_000_000_000


def make_blocks(count: int) -> list[bytes]:
    builder = BlockBuilder(WHO)
    blocks = []
    for seq in range(1, count):
        builder.add_input(Tick(seq=seq, t_ns=seq * 1000))
        builder.add_output(Event(seq=seq, t_ns=seq * 1000, kind="step", text="x" * 40))
        blocks.append(builder.take())
    return [*blocks, builder.close()]


class Steps:
    """A clock that moves by a tenth of a second each time somebody looks."""

    def __init__(self) -> None:
        self.now_ns = SECOND_NS

    def __call__(self) -> int:
        self.now_ns += SECOND_NS // 10
        return self.now_ns


class Recorder(Disk):
    """The real disk, counting calls; subclasses decide what goes wrong."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, int]] = []

    def _call(self, name: str, descriptor: int) -> None:
        self.calls.append((name, descriptor))

    def create(self, path: Path) -> int:
        self._call("create", -1)
        return super().create(path)

    def write(self, descriptor: int, data: bytes) -> int:
        self._call("write", descriptor)
        return super().write(descriptor, data)

    def sync(self, descriptor: int) -> None:
        self._call("sync", descriptor)
        super().sync(descriptor)

    def truncate(self, descriptor: int, size: int) -> None:
        self._call("truncate", descriptor)
        super().truncate(descriptor, size)

    def close(self, descriptor: int) -> None:
        super().close(descriptor)  # the descriptor is gone even when close reports an error
        self._call("close", descriptor)

    def remove(self, path: Path) -> None:
        self._call("remove", -1)
        super().remove(path)

    def sync_folder(self, path: Path) -> None:
        self._call("sync_folder", -1)
        super().sync_folder(path)


class FailsAt(Recorder):
    """Raises at call number n, or from then on; a `short` write first takes half the bytes."""

    def __init__(self, n: int, code: int, *, sticky: bool, short: bool) -> None:
        super().__init__()
        self.n, self.code, self.sticky, self.short = n, code, sticky, short
        self.failed: list[tuple[str, int]] = []

    def _call(self, name: str, descriptor: int) -> None:
        super()._call(name, descriptor)
        if len(self.calls) == self.n or (self.sticky and len(self.calls) > self.n):
            self.failed.append((name, descriptor))
            raise OSError(self.code, "injected")

    def write(self, descriptor: int, data: bytes) -> int:
        if self.short and len(self.calls) + 1 == self.n and len(data) > 1:
            Disk.write(self, descriptor, data[: len(data) // 2])
        return super().write(descriptor, data)


def record(folder: Path, disk: Disk, blocks: list[bytes]) -> tuple[JournalWriter, int, list[bool]]:
    """Hand all blocks over, one after another as the loop does. Returns writer, how many were acknowledged, answers."""
    folder.mkdir()
    acknowledged = [0]
    reported = threading.Semaphore(0)

    def report(lag_us: int, error: str) -> None:
        assert lag_us >= 0
        acknowledged[0] += not error
        reported.release()

    writer = JournalWriter(
        folder, WHO, report, disk=disk, clock_ns=Steps(), segment_ns=SECOND_NS, reserve_bytes=4096
    )  # fmt: skip
    writer.open()
    answers = []
    for block in blocks:
        answers.append(writer.put(block))
        if answers[-1]:
            assert reported.acquire(timeout=20)
    writer.close()
    return writer, acknowledged[0], answers


def test_what_is_handed_over_is_on_the_disk_in_segments_and_the_lag_is_told(tmp_path):
    blocks = make_blocks(12)
    writer, acknowledged, answers = record(tmp_path / "run", Disk(), blocks)
    reader = read_blocks(tmp_path / "run")
    assert len(list(reader)) == acknowledged == len(blocks) and all(answers)
    assert reader.ending.kind == "clean" and writer.error == "" and writer.lag_us == 0
    assert len(segments(tmp_path / "run")) > 2
    assert not is_locked(tmp_path / "run" / "journal")


@pytest.mark.parametrize("sticky", [False, True])
@pytest.mark.parametrize(
    ("code", "short"), [(errno.EIO, False), (errno.EIO, True), (errno.ENOSPC, True), (errno.EROFS, False)]
)
def test_the_nth_call_fails(tmp_path, code, short, sticky):
    blocks = make_blocks(8)
    n, failures = 0, 0
    while True:
        n += 1
        folder, disk = tmp_path / str(n), FailsAt(n, code, sticky=sticky, short=short)
        try:
            writer, acknowledged, answers = record(folder, disk, blocks)
        except CannotCreate as refused:
            assert errno.errorcode[code] in str(refused)
            failures += 1
            continue
        check_recovery(folder, blocks, acknowledged)
        check_no_second_sync(disk)
        if not disk.failed:
            break
        failures += 1
        assert errno.errorcode[code] in writer.error
        full_but_reserve_helped = code == errno.ENOSPC and not sticky and disk.failed[0][0] in ("write", "create")
        died_at_the_end = disk.failed[0][0] == "close" and len(answers) == answers.count(True)
        if not full_but_reserve_helped and not died_at_the_end:
            assert answers[-1] is False or acknowledged < len(blocks)
    assert failures == n - 1 > 25


def check_recovery(folder: Path, blocks: list[bytes], acknowledged: int) -> int:
    reader = read_blocks(folder)
    found = list(reader)
    assert reader.ending.kind in ("clean", "torn"), reader.ending
    assert [block.hash for block in found] == expected_hashes(blocks)[: len(found)]
    assert len(found) >= acknowledged, f"{acknowledged} blocks were acknowledged and {len(found)} came back"
    return len(found)


def expected_hashes(blocks: list[bytes]) -> list[bytes]:
    """The previous hash stands at a fixed place in each frame, so a block's own is in the next one (see journal)."""
    return [block[25:57] for block in blocks[1:]] + [HEAD_OF[len(blocks)]]


def head_of(count: int) -> bytes:
    builder = BlockBuilder(WHO)
    for seq in range(1, count):
        builder.add_input(Tick(seq=seq, t_ns=seq * 1000))
        builder.add_output(Event(seq=seq, t_ns=seq * 1000, kind="step", text="x" * 40))
        builder.take()
    builder.close()
    return builder.head


HEAD_OF = {count: head_of(count) for count in (6, 8, 12, 30)}


def check_no_second_sync(disk: FailsAt) -> None:
    """fsyncgate: a second sync after a failed one can succeed with the data lost."""
    if disk.failed and disk.failed[0][0].startswith("sync"):
        assert all(name not in ("sync", "write") for name, _ in disk.calls[disk.n :])


class Full(Recorder):
    """A disk with room for so many bytes; what is removed or cut off gives room again."""

    def __init__(self, room: int) -> None:
        super().__init__()
        self.room = room

    def write(self, descriptor: int, data: bytes) -> int:
        taken = min(self.room, len(data))
        if not taken:
            raise OSError(errno.ENOSPC, "No space left on device")
        self.room -= taken
        return Disk.write(self, descriptor, bytes(data)[:taken])

    def remove(self, path: Path) -> None:
        self.room += path.stat().st_size
        super().remove(path)


def test_a_full_disk_is_an_error_at_once_and_the_last_words_are_still_written(tmp_path):
    blocks = make_blocks(30)
    disk = Full(4096 + sum(map(len, blocks[:10])) + 500)  # the headers of segments take some
    writer, acknowledged, _ = record(tmp_path / "run", disk, blocks)
    reader = read_blocks(tmp_path / "run")
    found = list(reader)
    assert "ENOSPC" in writer.error and 5 < acknowledged < 12  # the error stands from the first full write on ...
    assert len(found) > acknowledged + 5 and reader.ending.kind in (
        "clean",
        "torn",
    )  # ... and more was kept all the same
    assert [block.hash for block in found] == expected_hashes(blocks)[: len(found)]


def test_a_disk_that_stalls_makes_the_lag_grow_then_refuses_and_loses_nothing_it_accepted(tmp_path):
    go_on, entered = threading.Event(), threading.Event()

    class Stalls(Recorder):
        def sync(self, descriptor: int) -> None:
            super().sync(descriptor)
            entered.set()
            assert go_on.wait(20)

    blocks = make_blocks(QUEUE_BLOCKS + 20)
    now = [SECOND_NS]
    writer = JournalWriter(tmp_path, WHO, disk=Stalls(), clock_ns=lambda: now[0], reserve_bytes=0)
    writer.open()
    assert writer.put(blocks[0]) and entered.wait(20)
    answers = [writer.put(block) for block in blocks[1:]]
    accepted = 1 + answers.count(True)
    assert accepted == QUEUE_BLOCKS + 1 and answers == sorted(answers, reverse=True)
    now[0] += 300_000_000
    assert writer.lag_us == 300_000 and "behind" in writer.error
    assert is_locked(tmp_path / "journal")
    go_on.set()
    assert writer.close() is False
    reader = read_blocks(tmp_path)
    assert len(list(reader)) == accepted and reader.ending.kind == "torn"


def test_what_waits_behind_a_failed_block_is_never_written(tmp_path):
    go_on, entered = threading.Event(), threading.Event()

    class FailsLate(Recorder):
        def sync(self, descriptor: int) -> None:
            super().sync(descriptor)
            if len(self.calls) > 4:
                entered.set()
                assert go_on.wait(20)
                raise OSError(errno.EIO, "injected")

    disk, blocks = FailsLate(), make_blocks(8)
    writer = JournalWriter(tmp_path, WHO, disk=disk, reserve_bytes=0)
    writer.open()
    assert writer.put(blocks[0]) and entered.wait(20)
    assert [writer.put(block) for block in blocks[1:]] == [True] * 7
    done = len(disk.calls)
    go_on.set()
    assert writer.close() is False and "EIO" in writer.error
    assert [name for name, _ in disk.calls[done:]] == ["close"]


def test_closing_does_not_wait_for_ever(tmp_path):
    go_on = threading.Event()

    class Hangs(Recorder):
        def sync(self, descriptor: int) -> None:
            go_on.wait(20)

    writer = JournalWriter(tmp_path, WHO, disk=Hangs(), reserve_bytes=0)
    writer.open()
    writer.put(make_blocks(6)[0])
    assert writer.close(timeout_s=0.05) is False and "in time" in writer.error
    go_on.set()


def test_a_journal_that_cannot_begin_is_said_before_a_run_does(tmp_path):
    (tmp_path / "journal").mkdir()
    with pytest.raises(CannotCreate, match="EEXIST"):
        JournalWriter(tmp_path, WHO).open()
    with pytest.raises(CannotCreate, match="ENOENT"):
        JournalWriter(tmp_path / "nowhere", WHO).open()


class Forgets:
    """A disk in memory that loses at a power cut what was not synced: bytes of files, and names in folders.

    `cut_at` is the last call before the power fails: nothing after it happens. The unsynced bytes of a file may be lost
    wholly, in part, or leave zeros of the full length (`leaves`); a file whose folder was not synced is gone.
    """

    def __init__(self, cut_at: int, leaves: str, *, honest: bool = True) -> None:
        self.cut_at, self.leaves, self.honest = cut_at, leaves, honest
        self.calls = 0
        self.paths: list[Path] = []
        self.synced: list[bytearray] = []
        self.pending: list[bytearray] = []
        self.named: set[Path] = set()

    def _call(self) -> bool:
        self.calls += 1
        return self.calls <= self.cut_at

    def create(self, path: Path) -> int:
        self._call()
        self.paths.append(path)
        self.synced.append(bytearray())
        self.pending.append(bytearray())
        return len(self.paths) - 1

    def write(self, descriptor: int, data: bytes) -> int:
        if self._call():
            self.pending[descriptor] += data
        return len(data)

    def sync(self, descriptor: int) -> None:
        if self._call() and self.honest:
            self.synced[descriptor] += self.pending[descriptor]
            self.pending[descriptor].clear()

    def sync_folder(self, path: Path) -> None:
        if self._call() and self.honest:
            self.named |= {known for known in self.paths if known.parent == path}

    def close(self, descriptor: int) -> None:
        self._call()

    def after_the_cut(self, folder: Path) -> None:
        (folder / "journal").mkdir(parents=True)
        for path, synced, pending in zip(self.paths, self.synced, self.pending, strict=True):
            if path in self.named and path.name.startswith("seg"):
                left = {"nothing": b"", "half": pending[: len(pending) // 2], "zeros": bytes(len(pending))}[self.leaves]
                (folder / "journal" / path.name).write_bytes(bytes(synced + left))


def cut_everywhere(tmp_path: Path, leaves: str, *, honest: bool) -> int:
    """Cut the power at every call of a whole run and recover. Returns at how many cuts it was tried."""
    blocks = make_blocks(8)
    cut = 0
    while True:
        cut += 1
        disk = Forgets(cut, leaves, honest=honest)
        acknowledged = acknowledged_before_cut(tmp_path / f"{cut}", disk, blocks)
        disk.after_the_cut(tmp_path / f"{cut}-after")
        check_recovery(tmp_path / f"{cut}-after", blocks, acknowledged)
        if disk.calls <= cut:
            return cut


def acknowledged_before_cut(folder: Path, disk: Forgets, blocks: list[bytes]) -> int:
    folder.mkdir()
    acknowledged = [0]

    def report(lag_us: int, error: str) -> None:
        acknowledged[0] += disk.calls <= disk.cut_at  # what is said after the power went is said by nobody

    writer = JournalWriter(folder, WHO, report, disk=disk, clock_ns=Steps(), segment_ns=SECOND_NS, reserve_bytes=64)
    writer.open()
    for block in blocks:
        writer.put(block)
    assert writer.close()
    return acknowledged[0]


@pytest.mark.parametrize("leaves", ["nothing", "half", "zeros"])
def test_power_is_cut_at_every_call_and_nothing_acknowledged_is_lost(tmp_path, leaves):
    assert cut_everywhere(tmp_path, leaves, honest=True) > 25


def test_control_a_disk_that_does_not_sync_fails_this_very_harness(tmp_path):
    with pytest.raises(AssertionError, match="were acknowledged and"):
        cut_everywhere(tmp_path, "nothing", honest=False)
