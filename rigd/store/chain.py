"""chain.bin: one row a block, so that every block of a sealed run can be checked by itself.

After a magic and the identity of the run (whose SHA-256 the first block continues) come rows of fixed size. A row has
all that the hash of a block is made of, so the links are checked from this file alone; the trace and the events are
then held against the digests, block by block. The digest of the Readings is checked by replay, which makes them again
bit for bit.
"""

import hashlib
import struct
from collections.abc import Iterator
from typing import NamedTuple

from rigd.model.errors import RecordAltered
from rigd.store.encode import parse_json
from rigd.store.journal import CLOSED, DATA, Block, link

NAME = "chain.bin"
MAGIC = b"rigdchn\x01"
MAX_IDENTITY_BYTES = 1 << 20

_LENGTH = struct.Struct("<I")
_ROW = struct.Struct("<BQIIII32s32s32s32s")


class ChainRow(NamedTuple):
    """A tuple and not a frozen shape because a night's run has half a million, and `_make` is four times as fast."""

    kind: int
    first_seq: int
    rows: int  # of the trace: Scans and Ticks
    inputs: int
    outputs: int
    readings: int
    inputs_digest: bytes
    outputs_digest: bytes
    readings_digest: bytes
    hash: bytes

    @property
    def lines(self) -> int:
        """How many lines of events.jsonl belong to this block."""
        return self.inputs - self.rows + self.outputs


def row_bytes(block: Block, rows: int) -> bytes:
    return _ROW.pack(block.kind, block.first_seq, rows, *block.counts, *block.digests, block.hash)


def heading(identity: bytes) -> bytes:
    """What stands before the rows."""
    return MAGIC + _LENGTH.pack(len(identity)) + identity


def key_of(identity: bytes) -> str:
    """The public key the heads of this run were signed with, "" when it had none or the identity says nothing."""
    try:
        key = parse_json(identity).get("key", "")
    except (ValueError, AttributeError):
        return ""
    return key if isinstance(key, str) else ""


class Chain:
    """A chain.bin taken apart. Raises RecordAltered when it is not one."""

    def __init__(self, data: bytes) -> None:
        start = len(MAGIC) + _LENGTH.size
        if len(data) < start or not data.startswith(MAGIC):
            raise RecordAltered((f"{NAME} is not a chain of version {MAGIC[-1]}",))
        (length,) = _LENGTH.unpack_from(data, len(MAGIC))
        body = len(data) - start - length
        if length > MAX_IDENTITY_BYTES or body < 0 or body % _ROW.size:
            raise RecordAltered((f"{NAME} is cut: {len(data)} bytes do not make whole rows",))
        self.identity = data[start : start + length]
        self._rows = memoryview(data)[start + length :]

    def __len__(self) -> int:
        return len(self._rows) // _ROW.size

    def __iter__(self) -> Iterator[ChainRow]:
        return map(ChainRow._make, _ROW.iter_unpack(self._rows))

    @property
    def head(self) -> bytes:
        """The hash of the last block, or of the identity when there is none."""
        return bytes(self._rows[-32:]) if self._rows else hashlib.sha256(self.identity).digest()

    @property
    def closed(self) -> bool:
        return bool(self._rows) and self._rows[-_ROW.size] == CLOSED

    def broken_links(self) -> Iterator[str]:
        """In words, where the chain does not hold. Nothing when it does."""
        previous = hashlib.sha256(self.identity).digest()
        due, last = None, len(self) - 1
        for number, row in enumerate(self):
            counts = (row.inputs, row.outputs, row.readings)
            digests = (row.inputs_digest, row.outputs_digest, row.readings_digest)
            made = link(kind=row.kind, first_seq=row.first_seq, counts=counts, previous=previous, digests=digests)
            if made != row.hash:
                yield f"{NAME}: block {number} (seq {row.first_seq}) does not continue the chain"
            if row.kind not in (DATA, CLOSED) or (row.kind == CLOSED and number != last):
                yield f"{NAME}: block {number} is of kind {row.kind} where a data block was due"
            if row.rows > row.inputs or (row.inputs and due not in (None, row.first_seq)):
                yield f"{NAME}: block {number} begins with seq {row.first_seq} where {due} was due"
            previous, due = row.hash, row.first_seq + row.inputs
