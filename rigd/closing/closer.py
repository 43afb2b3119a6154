"""Closing a run, in a process of its own: `python -m rigd.closing FOLDER [KEY]`.

While the run goes on, each finished segment of its journal is replayed and sealed into a part of the trace. When the
process that wrote the journal has ended, however it ended, the rest follows: the failure is measured from the trace,
results, plot and run.json are written, and last of all the manifest. Killed anywhere, it is finished by the next one,
because every piece is whole or not there. It never touches a device, and the rig process never waits for it while there
is pressure.

A run whose journal has no Result was interrupted, and is sealed as that: what there is, is kept. What came out of it is
worked out and written by `results`.
"""

import hashlib
import json
import sys
import time
from pathlib import Path
from typing import Any

from rigd.closing.cycles import CycleLines
from rigd.closing.results import write_results
from rigd.engine.engine import Engine
from rigd.model import errors
from rigd.model.errors import RigdError
from rigd.model.messages import Reading
from rigd.replay import engine_of, read_files, turn_block
from rigd.store import manifest, runs, seal
from rigd.store.disk import FolderLock, is_locked
from rigd.store.edition import edition
from rigd.store.journal import FOLDER, Block, BlockReader, finished_segments, segments
from rigd.store.journal import identity as journal_identity
from rigd.store.keys import RigKey, load_key

POLL_S = 0.5  # how often an open journal is looked at: a segment takes a minute
WITHOUT_PLOT = "--without-plot"


class Closer:
    """Seals one run folder. `follow` until the writer has gone, then `finish`."""

    def __init__(self, folder: Path, key: RigKey | None = None, *, with_plot: bool = True) -> None:
        self.folder, self._key, self._with_plot = folder, key, with_plot
        self._files = read_files(folder)
        self._engine: Engine = engine_of(self._files)
        self._turned = 0  # segments this process has run through its engine
        self._differing: list[int] = []
        self._reader: BlockReader | None = None
        self._cycles = CycleLines(folder, self._engine)

    def follow(self) -> None:
        """Seal finished segments while the run goes on; returns when nobody writes the journal any more."""
        journal = self.folder / FOLDER
        while journal.is_dir() and is_locked(journal):
            self._seal_up_to(len(finished_segments(self.folder)))
            time.sleep(POLL_S)

    def finish(self) -> dict[str, Any]:
        """Seal the rest, measure, write everything, the manifest last. Returns run.json."""
        self._seal_up_to(len(segments(self.folder)))
        if not seal.sealed_segments(self.folder):
            seal.seal_segment([], [], self._engine.rig, self.folder, 1)
        ending = self._reader.ending if self._reader else None
        identity = (self._reader.identity if self._reader else b"") or self._own_identity()
        seal.join_pieces(self.folder, identity)
        self._cycles.end()
        unsaid = "" if self._reader else "the process or its power died before anything was recorded"
        run = write_results(
            self.folder, self._engine,
            interruption=ending.words if ending and ending.kind != "clean" else unsaid,
            replay=f"differs from message {self._differing[0]}" if self._differing else "identical",
            seal_words=_seal_words(self._key), with_plot=self._with_plot,
        )  # fmt: skip
        records = self.folder.parent
        manifest.seal_folder(
            self.folder,
            run=run["run"],
            versions=run["versions"],
            previous=runs.previous_manifests(records, run["run"]),
            key=self._key,
            keep_journal=ending is not None and ending.kind == "damaged",
        )
        return run

    def _own_identity(self) -> bytes:
        """Of a run that died before its journal had a header: what can still be said of whose it is."""
        hashes = tuple((name, hashlib.sha256(data).hexdigest()) for name, data in self._files.items())
        return journal_identity(run=runs.number_of(self.folder), version=edition(), files=hashes)

    @property
    def _is_over(self) -> bool:
        """The journal's end is behind us: what lies beyond it is not part of the run."""
        return self._reader is not None and self._reader.ending is not None

    def _seal_up_to(self, last: int) -> None:
        sealed = len(seal.sealed_segments(self.folder))
        while self._turned < last and not self._is_over:
            number = self._turned + 1
            previous = self._reader.head if self._reader else None
            self._reader = BlockReader(self.folder, first=number, last=number, previous=previous)
            blocks: list[Block] = []
            readings: list[Reading] = []
            for block in self._reader:
                turned = turn_block(self._engine, block.input_messages())
                readings += turned.readings
                blocks.append(block)
                self._cycles.take(block.outputs)
                if turned.outputs != block.outputs or turned.readings_sha256 != block.digests[2]:
                    self._differing.append(block.first_seq)
            if number > sealed:
                signed = self._reader.heads
                seal.seal_segment(blocks, readings, self._engine.rig, self.folder, number, signed=signed)
            self._cycles.settle()
            self._turned = number


def _seal_words(key: RigKey | None) -> str:
    """Whose seal this record gets. A seal says which rig wrote it; a person's signature is another thing."""
    if key is None:
        made = "rigd doctor --new-key makes one"
        return f"Sealed without a key ({made}). No person has authorised this record by its being sealed."
    return f"Sealed by the rig with key {key.public}\nNo person has authorised this record by its being sealed."


def close_run(folder: Path, key_path: Path | None = None, *, with_plot: bool = True) -> dict[str, Any]:
    """Close one run, now or as soon as its writer has gone. Only one process at a time does so."""
    key = load_key(key_path) if key_path is not None else None
    with FolderLock(folder):
        if (folder / manifest.NAME).exists():
            manifest.clear_up(folder)  # the process that sealed it may have died before it had tidied
            return dict(json.loads((folder / "run.json").read_bytes()))
        closer = Closer(folder, key, with_plot=with_plot)
        closer.follow()
        return closer.finish()


def main() -> int:
    words = sys.argv[1:]
    paths = [Path(word) for word in words if word != WITHOUT_PLOT]
    try:
        if len(paths) not in (1, 2):
            raise errors.UsageRefused(f"usage: python -m rigd.closing FOLDER [KEY] [{WITHOUT_PLOT}]")
        close_run(*paths, with_plot=WITHOUT_PLOT not in words)
    except RigdError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except OSError as error:
        print(f"{error.filename or 'the record'}: {error.strerror or error}", file=sys.stderr)
        return errors.CANNOT_WRITE
    return errors.DONE
