"""The thread that puts blocks on the disk: write, fdatasync, say how late it is; nothing else.

A disk can stand still for a second, and the loop that guards a pressure must not stand with it, so blocks cross a
bounded queue into this thread. It says after every block how old the oldest unsynced one was, and the engine decides
what that means (HostReport). After any error the file is dead and never tried again: a second fsync after a failed
one reports success over lost pages (Linux marks them clean). The error stands from then on, and blocks are refused.

One error is kinder. When the disk is *full* at a write, nothing that was synced is in doubt; a reserve made at the
start is given back, the segment is cut to its last whole block, and what still comes (the vent, the trip, the result)
goes behind it. The error stands all the same, so the rig vents.
Where the rig has a key, this thread also signs what the chain has reached, about once a second, in the same write as
the next block: 31 us of a thread nobody waits for. This file knows blocks only as bytes.
"""

import errno
import os
import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path

from rigd.model.errors import CannotCreate
from rigd.store import heads
from rigd.store.disk import DISK, Disk, FolderLock, write_all
from rigd.store.journal import FOLDER, is_closing, segment_header, segment_path, signed_head
from rigd.store.keys import RigKey

QUEUE_BLOCKS = 64
"""Six seconds of blocks: by then the lag has long vented the rig (250 ms), and memory stays bounded."""

SEGMENT_NS = 60_000_000_000
"""About a minute a segment: short enough to seal while the run goes, long enough for Parquet to be worth it."""

RESERVE_BYTES = 1 << 20
"""Enough for the last ten seconds of a fast rig when the disk is full."""

JOIN_S = 30.0
"""The longest a closing run waits for a slow disk before it says so."""

FULL = (errno.ENOSPC, errno.EDQUOT)

Report = Callable[[int, str], None]


class JournalWriter:
    """`open`, then `put` framed blocks, then `close`. `report(lag_us, error)` is called in the writer's thread."""

    def __init__(
        self,
        folder: Path,
        identity: bytes,
        report: Report = lambda lag_us, error: None,
        *,
        disk: Disk = DISK,
        clock_ns: Callable[[], int] = time.monotonic_ns,
        segment_ns: int = SEGMENT_NS,
        reserve_bytes: int = RESERVE_BYTES,
        key: RigKey | None = None,
    ) -> None:
        self._folder, self._identity, self._report, self._disk = folder, identity, report, disk
        self._clock_ns, self._segment_ns, self._reserve_bytes = clock_ns, segment_ns, reserve_bytes
        self._key, self._unsigned = key, 0
        self._reserve_path = folder / FOLDER / "reserve"
        self._queue: queue.Queue[tuple[bytes, int] | None] = queue.Queue(QUEUE_BLOCKS)
        self._thread = threading.Thread(target=self._work, name="journal writer", daemon=True)
        self._lock: FolderLock | None = None
        self._descriptor = -1
        self._number = self._segment_bytes = self._segment_born_ns = 0
        self._oldest_ns = self._synced = 0
        self._error = ""
        self._dead = self._refusing = False

    @property
    def error(self) -> str:
        """ "" or what the operating system said first. It never goes away."""
        return self._error

    @property
    def lag_us(self) -> int:
        """Age of the oldest block that is not on the disk yet, 0 when there is none [us]."""
        born_ns = self._oldest_ns
        return (self._clock_ns() - born_ns) // 1000 if born_ns else 0

    @property
    def synced(self) -> int:
        """How many of the accepted blocks are on the disk."""
        return self._synced

    def open(self) -> None:
        """Make the journal folder and start the thread. Raises CannotCreate: no record, no run."""
        place = self._folder / FOLDER
        try:
            os.mkdir(place, 0o750)
            self._disk.sync_folder(self._folder)
            self._lock = FolderLock(place)
            self._lock.take(wait=False)
            if self._reserve_bytes:
                self._make_reserve()
        except OSError as error:
            self._release()
            raise CannotCreate(f"cannot begin a journal in {place}: {_words(error)}; free or repair the disk") from None
        self._thread.start()

    def put(self, block: bytes) -> bool:
        """Hand over a framed block; never waits. False: refused, because the writer is dead or hopelessly behind."""
        if self._refusing:
            return False
        born_ns = self._clock_ns()
        try:
            self._queue.put_nowait((block, born_ns))
        except queue.Full:
            self._refuse(f"the journal is {QUEUE_BLOCKS} blocks behind: the disk does not follow")
            return False
        if not self._oldest_ns:
            self._oldest_ns = born_ns
        return True

    def close(self, timeout_s: float = JOIN_S) -> bool:
        """Write what was handed over and stop. True when every accepted block is on the disk."""
        deadline = time.monotonic() + timeout_s
        try:
            self._queue.put(None, timeout=timeout_s)
        except queue.Full:
            self._refuse("the journal could not be closed in time")
        self._thread.join(max(0.0, deadline - time.monotonic()))
        if self._thread.is_alive():
            self._refuse("the journal could not be closed in time")
            return False
        self._release()
        return not self._error

    def _work(self) -> None:
        """The thread: one block at a time, each synced before the next, so that at most one can be torn."""
        while (item := self._queue.get()) is not None:
            block, born_ns = item
            if self._dead:
                continue
            self._oldest_ns = born_ns
            try:
                self._write(block)
            except OSError as error:
                self._fail(_words(error))
            lag_us = (self._clock_ns() - born_ns) // 1000
            if self._queue.empty() or self._dead:
                self._oldest_ns = 0
            self._report(lag_us, self._error)
        try:
            self._close_segment()
        except OSError as error:
            self._fail(_words(error))

    def _with_head(self, block: bytes) -> bytes:
        """The block behind a signature over everything before it, when one is due; always before the last."""
        key = self._key
        if key is None:
            return block
        if self._unsigned < heads.EVERY and not is_closing(block):
            self._unsigned += 1
            return block
        self._unsigned = 1
        return signed_head(block, lambda head: heads.sign(key, head)) + block

    def _write(self, block: bytes) -> None:
        block = self._with_head(block)
        try:
            self._append(block)
        except OSError as error:
            if error.errno not in FULL or not self._reserve_bytes:
                raise
            self._error = self._error or _words(error)
            self._give_back_reserve()
            self._append(block)
        self._sync()
        self._synced += 1
        self._segment_bytes += len(block)

    def _append(self, block: bytes) -> None:
        if self._descriptor >= 0 and self._segment_bytes and self._segment_is_old():
            self._close_segment()
        if self._descriptor < 0:
            path = segment_path(self._folder, self._number + 1)
            self._descriptor = self._disk.create(path)
            self._number, self._segment_bytes, self._segment_born_ns = self._number + 1, 0, self._clock_ns()
        if not self._segment_bytes:
            self._write_header(block)
        write_all(self._disk, self._descriptor, block)

    def _segment_is_old(self) -> bool:
        return self._clock_ns() - self._segment_born_ns >= self._segment_ns

    def _write_header(self, block: bytes) -> None:
        """The header is on the disk, and the segment in its folder, before any block is."""
        header = segment_header(number=self._number, identity=self._identity, block=block)
        write_all(self._disk, self._descriptor, header)
        self._sync()
        self._segment_bytes = len(header)

    def _sync(self) -> None:
        try:
            self._disk.sync(self._descriptor)
            if not self._segment_bytes:
                self._disk.sync_folder(self._folder / FOLDER)
        except OSError:
            self._reserve_bytes = 0  # room is no help to a file whose sync failed, whatever the error calls itself
            raise

    def _give_back_reserve(self) -> None:
        """Room for the last words: cut what the full disk took of the last block, then go on behind it."""
        self._reserve_bytes = 0
        self._disk.remove(self._reserve_path)
        if self._descriptor >= 0:
            self._disk.truncate(self._descriptor, self._segment_bytes)

    def _close_segment(self) -> None:
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            self._disk.close(descriptor)

    def _make_reserve(self) -> None:
        descriptor = self._disk.create(self._reserve_path)
        try:
            write_all(self._disk, descriptor, bytes(self._reserve_bytes))
            self._disk.sync(descriptor)
        finally:
            self._disk.close(descriptor)

    def _refuse(self, words: str) -> None:
        """What was accepted may still be written; what comes later would leave a hole in the chain."""
        self._refusing = True
        self._error = self._error or words

    def _fail(self, words: str) -> None:
        self._dead = True
        self._refuse(words)

    def _release(self) -> None:
        if self._lock is not None:
            self._lock.release()
            self._lock = None


def _words(error: OSError) -> str:
    name = errno.errorcode.get(error.errno or 0, "error")
    return f"{name}: {error.strerror or error}"
