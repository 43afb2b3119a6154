"""The record of a run while it is open: its number, its folder, its journal; and the process that closes it.

A run number is taken under the lock of the records folder before anything else is written, so numbers have no gaps and
no two runs share one. Closing is not done here: it is another program, started by command, so that its work never costs
the rig a scan. This file refuses to know what the messages mean.
"""

import asyncio
import contextlib
import json
import os
import sys
import threading
import time
from collections.abc import AsyncIterator, Iterable
from hashlib import sha256
from pathlib import Path

from rigd.live.journal_writer import JournalWriter
from rigd.live.places import file_name
from rigd.store.disk import DISK, Disk, write_file
from rigd.store.edition import edition
from rigd.store.journal import BlockBuilder, identity
from rigd.store.keys import RigKey
from rigd.store.runs import allocate, list_runs

BLOCKS_AHEAD = 32  # half of what the writer's queue takes
WAIT_S = 30.0  # a disk that takes nothing for so long is dead, and the writer will say so
CLOSING_S = 300.0  # sealing what is left of a run takes seconds; a disk that needs minutes is told about
LAST_WORDS = 600  # characters of what a failed closing said that are worth repeating
NICENESS = 10  # closing shares the computer with a rig under pressure and must always lose


def left_open(records: Path) -> tuple[Path, ...]:
    """Return the run folders that nobody sealed and nobody is writing: what a killed process left behind."""
    return tuple(run.path for run in list_runs(records) if run.state == "unsealed")


class UnhurriedDisk(Disk):
    """Syncs a segment once, when it is closed. Under virtual time a power cut costs a demo and not a record of a rig,
    and a sync for each tenth of a simulated second takes longer than all the rest."""

    def sync(self, descriptor: int) -> None:
        pass

    def close(self, descriptor: int) -> None:
        super().sync(descriptor)
        super().close(descriptor)


class OpenRecord:
    """A record being written. `builder` and `hand_over` are the loop body's ports."""

    def __init__(
        self,
        records: Path,
        *,
        rig: str,
        profile: str,
        specimen: str,
        files: dict[str, bytes],
        patient: bool = False,
        key: RigKey | None = None,
        station: int = 0,
    ) -> None:
        whose = f"{file_name(rig)}{f'-{station}' if station else ''}"
        self._latched_path = records / f".latched-{whose}.json"
        given = allocate(records, profile=profile, specimen=specimen, utc_ns=time.time_ns(), files=files)
        self.run, self.folder = given.number, given.path
        hashes = tuple((name, sha256(data).hexdigest()) for name, data in files.items())
        heading = identity(run=self.run, version=edition(), files=hashes, key=key.public if key else "")
        self.builder = BlockBuilder(heading)
        # Under virtual time there is nothing to guard, so the disk may be waited for; a rig never waits.
        self._room = threading.Semaphore(BLOCKS_AHEAD) if patient else None
        disk = UnhurriedDisk() if patient else DISK
        self._writer = JournalWriter(self.folder, heading, self._note_written, disk=disk, key=key)
        self._writer.open()
        self.handed_over = 0  # blocks
        self.latched_before = self._read_latched()

    def hand_over(self, block: bytes) -> None:
        if self._room is not None:
            self._room.acquire(timeout=WAIT_S)
        self.handed_over += 1
        self._writer.put(block)

    def _note_written(self, lag_us: int, error: str) -> None:
        if self._room is not None:
            self._room.release()

    def is_kept(self, block: int) -> bool:
        """Is the block that was handed over as this number (from 1) on the disk, or will no block be any more?"""
        return block <= self._writer.synced or bool(self._writer.error)

    def lag_us(self) -> int:
        return self._writer.lag_us

    def write_error(self) -> str:
        return self._writer.error

    def free_bytes(self) -> int:
        found = os.statvfs(self.folder)
        return found.f_bavail * found.f_frsize

    def keep_latched(self, latched: Iterable[str]) -> None:
        """Remember for the next record of this rig what is latched: a restart resets nothing."""
        with contextlib.suppress(OSError):  # a full disk: the journal says so, and the record holds the trip itself
            write_file(self._latched_path, json.dumps(list(latched)).encode())

    def close(self) -> None:
        """Say in the journal that nothing more will come, and wait until it is on the disk."""
        self._writer.put(self.builder.close())
        self._writer.close()

    def abandon(self) -> None:
        """Stop writing without saying that the run ended: it did not."""
        with contextlib.suppress(Exception):  # we are leaving because of a worse trouble, which must be the one told
            if not self.builder.empty:
                self._writer.put(self.builder.take())
        self._writer.close(timeout_s=2.0)

    def _read_latched(self) -> tuple[str, ...]:
        try:
            return tuple(str(cause) for cause in json.loads(self._latched_path.read_text()))
        except FileNotFoundError:
            return ()
        except (OSError, ValueError):
            return ("unknown: what was latched could not be read",)


class Closing:
    """The closing process of one run: started by command, niced, and waited for at the end, but not for ever."""

    def __init__(self, process: asyncio.subprocess.Process, folder: Path) -> None:
        self._process, self._folder = process, folder

    @classmethod
    async def start(cls, folder: Path, key: Path | None = None) -> "Closing":
        """`key`: the file of the rig's key, which this process passes on by its path and never by its content."""
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "rigd.closing", str(folder), *([str(key)] if key else []),
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
            start_new_session=True,  # a Ctrl-C meant for the rig is not meant for it
        )  # fmt: skip
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.setpriority(os.PRIO_PROCESS, process.pid, NICENESS)
        return cls(process, folder)

    async def finish(self, limit_s: float | None = CLOSING_S) -> str:
        """Wait until the record is sealed. Returns "" or, in words, why it is not; the journal is whole either way."""
        try:
            async with asyncio.timeout(limit_s):
                _, said = await self._process.communicate()
        except TimeoutError:
            self._process.kill()
            await self._process.wait()
            return f"{self._folder}: not sealed within {limit_s:g} s; its journal is whole, the next run seals it"
        except asyncio.CancelledError:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()  # the next one finishes what it began
            raise
        if self._process.returncode == 0:
            return ""
        words = said.decode(errors="replace").strip()[-LAST_WORDS:]
        return f"{self._folder}: not sealed; its journal is whole, the next run tries again. {words}"


async def seal_runs(folders: Iterable[Path], key: Path | None = None) -> AsyncIterator[tuple[Path, str]]:
    """Close these runs, one after another, however long each takes: a limit would cut a long night off at every start
    and so for ever. Yields each folder with "" or why it failed."""
    for folder in folders:
        yield folder, await (await Closing.start(folder, key)).finish(limit_s=None)
