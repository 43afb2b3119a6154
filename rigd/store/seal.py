"""From the journal to the files of a record, one segment at a time, so that a run can be sealed while it goes on.

Sealing a segment writes pieces (its lines of events.jsonl, its rows of chain.bin and of heads.bin) and then its part of
the trace;
the part is last, so a segment whose part exists is sealed, and a closing process killed anywhere is finished by the
next one with the same bytes. `join_pieces` makes the files of the whole run. The Readings come from whoever
replays the run: nothing here can run an engine, and what is written is the blocks' own truth even where the Readings
differ.
"""

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from rigd.model.errors import RecordAltered
from rigd.model.messages import Reading
from rigd.model.rig import Rig
from rigd.store import chain, events, heads
from rigd.store.disk import DISK, Disk, read_file, write_file
from rigd.store.encode import JSON_TAG, encode, packed_numbers, prefixed, split
from rigd.store.journal import Block

TRACE = "trace"
PIECES = "pieces"
"""Where the pieces wait; gone once the manifest is written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedSegment:
    part_path: Path
    rows: int
    head: bytes  # hash of its last block
    differing: tuple[int, ...]  # first seq of each block whose Readings are not those that were chained


def part_path(folder: Path, number: int) -> Path:
    return folder / TRACE / f"part-{number:05d}.parquet"


def piece_paths(folder: Path, number: int) -> tuple[Path, Path, Path]:
    pieces = folder / PIECES
    names = (f"events-{number:05d}.jsonl", f"chain-{number:05d}.bin", f"heads-{number:05d}.bin")
    return pieces / names[0], pieces / names[1], pieces / names[2]


def sealed_segments(folder: Path) -> tuple[int, ...]:
    """The numbers of the segments that need no more sealing."""
    found = []
    while part_path(folder, len(found) + 1).is_file() and all(p.is_file() for p in piece_paths(folder, len(found) + 1)):
        found.append(len(found) + 1)
    return tuple(found)


def seal_segment(
    blocks: Iterable[Block],
    readings: Iterable[Reading],
    rig: Rig,
    folder: Path,
    number: int,
    *,
    signed: Iterable[heads.Head] = (),
    disk: Disk = DISK,
) -> SealedSegment:
    """Write segment `number`: its pieces, then its part. `readings` are those of its Scans, in order of seq; `signed`
    the heads its journal had signatures of.

    Raises RecordAltered when a block cannot be put into columns, OSError when the disk fails.
    """
    # Imported here: a rig process that starts must be quick to write its rig safe, and it seals nothing.
    from rigd.store.trace import parquet_bytes, table_of

    for name in (TRACE, PIECES):
        (folder / name).mkdir(mode=0o750, exist_ok=True)
    disk.sync_folder(folder)
    gathered = _Gathered(readings)
    for block in blocks:
        gathered.add(block)
    about = {"run": gathered.run, "part": number} if gathered.run is not None else {"part": number}
    table = table_of(gathered.scans, gathered.matched, rig, about)
    pieces = (b"".join(gathered.lines), b"".join(gathered.chain), heads.rows(signed))
    for piece_path, data in zip(piece_paths(folder, number), pieces, strict=True):
        write_file(piece_path, data, disk=disk)
    path = part_path(folder, number)
    write_file(path, parquet_bytes(table), disk=disk)
    return SealedSegment(part_path=path, rows=table.num_rows, head=gathered.head, differing=tuple(gathered.differing))


class _Gathered:
    """What the blocks of one segment hold, sorted by where it will stand."""

    run: int | None = None

    def __init__(self, readings: Iterable[Reading]) -> None:
        self._readings = iter(readings)
        self._waiting = next(self._readings, None)
        self.scans: list[tuple[type, tuple]] = []
        self.matched: list[Reading | None] = []
        self.lines: list[bytes] = []
        self.chain: list[bytes] = []
        self.differing: list[int] = []
        self.head = b""

    def add(self, block: Block) -> None:
        inputs, rows, made = [], 0, hashlib.sha256()
        readings = 0
        for data in split(block.inputs):
            if data[:1] and data[0] == JSON_TAG:
                inputs.append(data)
                continue
            shape, _, numbers = packed_numbers(data)
            reading = self._reading_of(numbers[0])
            if reading is not None:
                made.update(prefixed(encode(reading)))
                readings += 1
            self.scans.append((shape, numbers))
            self.matched.append(reading)
            rows += 1
        if (made.digest(), readings) != (block.digests[2], block.counts[2]):
            self.differing.append(block.first_seq)
        self.lines.append(events.merge(inputs, split(block.outputs)))
        self.chain.append(chain.row_bytes(block, rows))
        self.head = block.hash

    def _reading_of(self, seq: int) -> Reading | None:
        while self._waiting is not None and self._waiting.seq < seq:
            self._waiting = next(self._readings, None)
        if self._waiting is None or self._waiting.seq != seq:
            return None
        reading, self._waiting = self._waiting, next(self._readings, None)
        return reading


def join_pieces(folder: Path, identity: bytes, *, disk: Disk = DISK) -> None:
    """Make events.jsonl, chain.bin and, of a run that was signed, heads.bin from the pieces of all sealed segments."""
    numbers = sealed_segments(folder)
    write_file(folder / events.NAME, _pieces(folder, numbers, 0), disk=disk)
    write_file(folder / chain.NAME, (chain.heading(identity), *_pieces(folder, numbers, 1)), disk=disk)
    if chain.key_of(identity):
        write_file(folder / heads.NAME, (heads.MAGIC, *_pieces(folder, numbers, 2)), disk=disk)


def _pieces(folder: Path, numbers: tuple[int, ...], which: int) -> Iterator[bytes]:
    for number in numbers:
        path = piece_paths(folder, number)[which]
        try:
            yield read_file(path)
        except OSError as error:
            raise RecordAltered((f"{path.name} cannot be read: {error.strerror or error}",)) from None
