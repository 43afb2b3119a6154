"""The journal: what a run has said so far, in blocks of at most 100 ms, each chained to the one before.

While a run is open this is its only truth, so it is made to be cut at any byte. A block is one frame in a segment file:

    header  magic 8 | kind u8 | payload length u32 | first seq u64 | inputs u32 | previous hash 32 | payload CRC u32
            | header CRC u32                                                              (65 bytes, little-endian)
    payload inputs | outputs | input length u32 | output length u32 | outputs u32 | readings u32 | readings digest 32

Inputs and outputs are canonical messages, each behind its length; of the Readings only the SHA-256 of their bytes is
kept, because replay makes them again. The hash of a block is the SHA-256 of its numbers, the previous hash and the
digests of its three parts (`link`), so that the chain can be checked without the trace and the trace block by block
against the chain. A segment begins with a header frame that repeats the identity of the run and names the hash it
continues; the first continues the hash of the identity itself. Header frames are no links of the chain, so segments
can be cut anywhere. Neither are signature frames: about once a second, where the rig has a key, one stands before a
block and signs the hash that block continues, hence everything before it (see `heads`).

Reading stops where the log stops being valid. A tail that a power cut can leave (too short, or with a whole disk
sector of zeros) in the last segment is `torn` and normal; anything else is `damaged` and an alarm. The second CRC
exists so that a flipped length cannot pass for a torn tail. This file knows nothing of engines, threads or clocks;
`BlockBuilder` has no I/O.
"""

import hashlib
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from rigd.model.messages import Input, Message, Output, Reading
from rigd.store.disk import read_file
from rigd.store.encode import canonical_json, decode_all, encode, prefixed

FORMAT = 1
MAGIC = b"rigdblk\x01"
HEADER, DATA, CLOSED, SIGNED = 1, 2, 3, 4
MAX_PAYLOAD_BYTES = 1 << 25
"""A block is 100 ms of one rig: kilobytes. A larger length is damage, and must not make a reader take memory."""
SECTOR = 512
SIGNATURE_BYTES = 64  # Ed25519, RFC 8032

FOLDER = "journal"
ROOT = hashlib.sha256(b"").digest()

_FRAME = struct.Struct("<8sBIQI32sI")
_CRC = struct.Struct("<I")
_PARTS = struct.Struct("<IIII32s")
_LINK = struct.Struct("<BQIII32s32s32s32s")
FRAME_BYTES = _FRAME.size + _CRC.size


def link(
    *, kind: int, first_seq: int, counts: tuple[int, int, int], previous: bytes, digests: tuple[bytes, bytes, bytes]
) -> bytes:
    """The hash of a block. counts and digests are those of inputs, outputs, readings, in this order."""
    return hashlib.sha256(_LINK.pack(kind, first_seq, *counts, previous, *digests)).digest()


def identity(*, run: int, version: str, files: tuple[tuple[str, str], ...], key: str = "") -> bytes:
    """Which run this is: its number, the rigd that records it, (name, SHA-256) of each file it is built from, and the
    public key its heads are signed with, where there is one."""
    signed = {"key": key} if key else {}
    return canonical_json({"format": FORMAT, "run": run, "version": version, "files": dict(files), **signed})


def frame(*, kind: int, first_seq: int, count: int, previous: bytes, payload: bytes) -> bytes:
    head = _FRAME.pack(MAGIC, kind, len(payload), first_seq, count, previous, zlib.crc32(payload))
    return b"".join((head, _CRC.pack(zlib.crc32(head)), payload))


def segment_header(*, number: int, identity: bytes, block: bytes) -> bytes:
    """The header frame of the segment that will begin with this block."""
    _, _, _, first_seq, _, previous, _ = _FRAME.unpack_from(block)
    return frame(kind=HEADER, first_seq=first_seq, count=number, previous=previous, payload=identity)


def is_closing(block: bytes) -> bool:
    """Is this framed block the one that says nothing more will come?"""
    return block[len(MAGIC)] == CLOSED


def signed_head(block: bytes, sign: Callable[[bytes], bytes]) -> bytes:
    """The signature frame that will stand before this block: `sign` over the hash that the block continues."""
    _, _, _, first_seq, _, previous, _ = _FRAME.unpack_from(block)
    return frame(kind=SIGNED, first_seq=first_seq, count=0, previous=previous, payload=sign(previous))


def segment_path(folder: Path, number: int) -> Path:
    return folder / FOLDER / f"seg-{number:05d}.bin"


def segments(folder: Path) -> tuple[Path, ...]:
    """The segment files of a run folder, in order."""
    return tuple(sorted((folder / FOLDER).glob("seg-[0-9][0-9][0-9][0-9][0-9].bin")))


class BlockBuilder:
    """Gathers messages into the next block. No I/O and no clock: whoever owns it decides when to `take`."""

    def __init__(self, identity: bytes) -> None:
        self.head = hashlib.sha256(identity).digest()
        self.closed = False
        self._next_seq: int | None = None
        self._clear(0)

    def _clear(self, first_seq: int) -> None:
        self._first_seq = first_seq
        self._inputs, self._outputs, self._readings = bytearray(), bytearray(), bytearray()
        self._counts = [0, 0, 0]

    @property
    def empty(self) -> bool:
        return self._counts == [0, 0, 0]

    def add_input(self, message: Input) -> None:
        seq = message.seq
        assert self._next_seq in (None, seq), f"seq {seq} where {self._next_seq} was due"
        assert not self.closed
        if not self._counts[0]:
            self._first_seq = seq
        self._next_seq = seq + 1
        self._inputs += prefixed(encode(message))
        self._counts[0] += 1

    def add_output(self, message: Output) -> None:
        assert not self.closed
        if type(message) is Reading:
            self._readings += prefixed(encode(message))
            self._counts[2] += 1
        else:
            self._outputs += prefixed(encode(message))
            self._counts[1] += 1

    def take(self) -> bytes:
        """The framed block of everything added since the last one, ready to be written."""
        assert not self.empty, "an empty block says nothing"
        return self._take(DATA)

    def close(self) -> bytes:
        """The frame that says nothing more will come. Take what is left first."""
        assert self.empty and not self.closed
        self.closed = True
        return self._take(CLOSED)

    def _take(self, kind: int) -> bytes:
        inputs, outputs = bytes(self._inputs), bytes(self._outputs)
        digests = tuple(hashlib.sha256(part).digest() for part in (inputs, outputs, self._readings))
        counts, previous, first_seq = tuple(self._counts), self.head, self._first_seq
        self.head = link(kind=kind, first_seq=first_seq, counts=counts, previous=previous, digests=digests)
        parts = _PARTS.pack(len(inputs), len(outputs), counts[1], counts[2], digests[2])
        self._clear(self._next_seq or 0)
        payload = b"".join((inputs, outputs, parts))
        assert len(payload) <= MAX_PAYLOAD_BYTES
        return frame(kind=kind, first_seq=first_seq, count=counts[0], previous=previous, payload=payload)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One valid block as read."""

    kind: int
    first_seq: int
    counts: tuple[int, int, int]  # of inputs, outputs, readings
    digests: tuple[bytes, bytes, bytes]  # of the same
    inputs: bytes
    outputs: bytes
    previous: bytes
    hash: bytes
    segment: int
    offset: int  # of the frame in its segment file

    def input_messages(self) -> tuple[Message, ...]:
        return decode_all(self.inputs)

    def output_messages(self) -> tuple[Message, ...]:
        return decode_all(self.outputs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How a journal ends. `clean`: it says so itself. `torn`: a process or its power died. `damaged`: alarm."""

    kind: str  # "clean", "torn", "damaged"
    words: str
    segment: int
    offset: int  # first byte that is not part of a valid block
    lost_bytes: int  # bytes after it in this segment


class _Stop(Exception):
    def __init__(self, kind: str, words: str) -> None:
        self.kind, self.words = kind, words


class BlockReader:
    """Iterate for the valid blocks; afterwards `ending` says how the journal ended, `identity` whose it is, and `heads`
    which hashes were signed, with what. Whether the signatures hold is for whoever knows the key."""

    def __init__(self, folder: Path, *, first: int = 1, last: int | None = None, previous: bytes | None = None) -> None:
        self.identity = b""
        self.ending: Ending | None = None
        self.head = previous
        self.heads: list[tuple[bytes, bytes]] = []
        self._folder, self._first, self._last = folder, first, last
        self._seq: int | None = None
        self._at = 0

    def __iter__(self) -> Iterator[Block]:
        paths = segments(self._folder)
        total = len(paths)
        names_in_order = [path.name for path in paths] == [segment_path(self._folder, n + 1).name for n in range(total)]
        if self._first == 1 and paths and not names_in_order:
            missing = next(n + 1 for n in range(total) if paths[n].name != segment_path(self._folder, n + 1).name)
            self._last, words = missing - 1, f"segment {missing} of the journal is missing"
        else:
            words = ""
        stop_at = total if self._last is None else self._last
        if not total:
            self.ending = Ending(kind="torn", words="there is no journal", segment=0, offset=0, lost_bytes=0)
            return
        for number in range(self._first, stop_at + 1):
            yield from self._segment(number, is_last=number == total)
            if self.ending is not None:
                return
        if words:
            self.ending = Ending(kind="damaged", words=words, segment=stop_at + 1, offset=0, lost_bytes=0)
        elif stop_at == total:
            self.ending = self._end(
                "torn", "the journal ends without its closing block: the process or its power died", total, self._at, 0
            )

    @staticmethod
    def _end(kind: str, words: str, segment: int, offset: int, lost: int) -> Ending:
        return Ending(kind=kind, words=words, segment=segment, offset=offset, lost_bytes=lost)

    def _segment(self, number: int, *, is_last: bool) -> Iterator[Block]:
        path = segment_path(self._folder, number)
        self._at = 0
        try:
            data = read_file(path)
        except OSError as error:
            words = f"{path.name} cannot be read: {error.strerror or error}"
            self.ending = self._end("damaged", words, number, 0, 0)
            return
        try:
            self._at = self._open(data, number)
            while self._at < len(data):
                parsed = _parse(data, self._at)
                if parsed[0] == SIGNED:
                    self._at = self._signature(*parsed)
                    continue
                block, after = self._block(*parsed, number)
                yield block
                self.head, self._at = block.hash, after
                if block.kind == CLOSED:
                    self._check_nothing_after(data, path.name, is_last)
                    self.ending = self._end("clean", "closed", number, self._at, 0)
                    return
        except _Stop as stop:
            kind, words = self._judge(stop, data, is_last)
            lost = len(data) - self._at
            self.ending = self._end(kind, f"{path.name} at byte {self._at}: {words}", number, self._at, lost)

    def _judge(self, stop: _Stop, data: bytes, is_last: bool) -> tuple[str, str]:
        """A torn tail is only what a power cut can leave, at the very end. All else is damage."""
        if stop.kind == "damaged":
            return stop.kind, stop.words
        if not is_last:
            return "damaged", f"{stop.words}, and later segments follow"
        if _valid_frame_after(data, self._at + 1):
            return "damaged", f"{stop.words}, and a valid block follows"
        return "torn", f"{stop.words}: the process or its power died while writing"

    def _check_nothing_after(self, data: bytes, name: str, is_last: bool) -> None:
        if self._at < len(data):
            raise _Stop("damaged", "bytes after the closing block")
        if not is_last:
            raise _Stop("damaged", f"{name} is closed, and later segments follow")

    def _open(self, data: bytes, number: int) -> int:
        kind, count, first_seq, previous, payload, after = _parse(data, 0)
        if kind != HEADER or count != number:
            raise _Stop("damaged", f"this is not the header of segment {number}")
        if self.identity not in (b"", payload):
            raise _Stop("damaged", "this segment belongs to another run")
        self.identity = payload
        if number == 1:
            self.head = hashlib.sha256(payload).digest()
        if self.head is None:
            self.head = previous
        if previous != self.head or self._seq not in (None, first_seq):
            raise _Stop("damaged", "the chain is broken between segments: blocks are missing or foreign")
        return after

    def _signature(self, kind: int, count: int, first_seq: int, previous: bytes, payload: bytes, after: int) -> int:
        if previous != self.head or count or len(payload) != SIGNATURE_BYTES:
            raise _Stop("damaged", "a signature that is not of this place in the chain")
        self.heads.append((previous, payload))
        return after

    def _block(
        self, kind: int, count: int, first_seq: int, previous: bytes, payload: bytes, after: int, number: int
    ) -> tuple[Block, int]:
        if kind not in (DATA, CLOSED):
            raise _Stop("damaged", f"a block of kind {kind}")
        if previous != self.head:
            raise _Stop("damaged", "the chain is broken: blocks are missing, moved or foreign")
        if count and self._seq not in (None, first_seq):
            raise _Stop("damaged", f"seq {first_seq} where {self._seq} was due")
        block = _take_apart(kind, count, first_seq, previous, payload, number, self._at)
        self._seq = first_seq + count
        return block, after


def read_blocks(folder: Path, *, first: int = 1, last: int | None = None, previous: bytes | None = None) -> BlockReader:
    """Read a run folder's journal, or some of its segments (`previous` is then the hash they must continue)."""
    return BlockReader(folder, first=first, last=last, previous=previous)


def finished_segments(folder: Path) -> tuple[int, ...]:
    """The numbers of the segments that will not grow any more because a later one exists."""
    return tuple(range(1, len(segments(folder))))


def _parse(data: bytes, at: int) -> tuple[int, int, int, bytes, bytes, int]:
    """The frame at this offset, or _Stop: "torn" when a power cut can have left it so."""
    tail = len(data) - at
    if tail < FRAME_BYTES:
        torn = data[at : at + len(MAGIC)] == MAGIC[:tail] or _has_zero_sector(data, at)
        raise _Stop("torn" if torn else "damaged", f"{tail} bytes where a block was due")
    magic, kind, length, first_seq, count, previous, payload_crc = _FRAME.unpack_from(data, at)
    (head_crc,) = _CRC.unpack_from(data, at + _FRAME.size)
    if magic != MAGIC or zlib.crc32(data[at : at + _FRAME.size]) != head_crc or length > MAX_PAYLOAD_BYTES:
        raise _Stop(_torn_or_damaged(data, at), "the header of a block is not as written")
    start = at + FRAME_BYTES
    after = start + length
    if after > len(data):
        raise _Stop("torn", f"a block of {length} bytes of which {len(data) - start} are there")
    payload = data[start:after]
    if zlib.crc32(payload) != payload_crc:
        raise _Stop(_torn_or_damaged(data, at), f"the block that begins with seq {first_seq} is not as written")
    return kind, count, first_seq, previous, payload, after


def _take_apart(
    kind: int, count: int, first_seq: int, previous: bytes, payload: bytes, segment: int, offset: int
) -> Block:
    if len(payload) < _PARTS.size:
        raise _Stop("damaged", "a block without its parts")
    in_bytes, out_bytes, outputs, readings, readings_digest = _PARTS.unpack_from(payload, len(payload) - _PARTS.size)
    if in_bytes + out_bytes + _PARTS.size != len(payload):
        raise _Stop("damaged", "the parts of a block do not fill it")
    input_part, output_part = payload[:in_bytes], payload[in_bytes : in_bytes + out_bytes]
    counts = (count, outputs, readings)
    digests = (hashlib.sha256(input_part).digest(), hashlib.sha256(output_part).digest(), readings_digest)
    return Block(
        kind=kind,
        first_seq=first_seq,
        counts=counts,
        digests=digests,
        inputs=input_part,
        outputs=output_part,
        previous=previous,
        hash=link(kind=kind, first_seq=first_seq, counts=counts, previous=previous, digests=digests),
        segment=segment,
        offset=offset,
    )


def _torn_or_damaged(data: bytes, at: int) -> str:
    return "torn" if _has_zero_sector(data, at) else "damaged"


def _has_zero_sector(data: bytes, at: int) -> bool:
    """Is some whole sector after `at`, or the last piece of one, all zeros? So looks a file whose length was saved and
    whose bytes were not."""
    start = at
    while start < len(data):
        end = min((start // SECTOR + 1) * SECTOR, len(data))
        if end - start >= 4 and not any(data[start:end]):
            return True
        start = end
    return False


def _valid_frame_after(data: bytes, at: int) -> bool:
    found = data.find(MAGIC, at)
    while found >= 0:
        try:
            _parse(data, found)
        except _Stop:
            found = data.find(MAGIC, found + 1)
        else:
            return True
    return False
