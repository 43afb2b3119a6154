"""heads.bin: the rig's signatures over the head of its chain, made about once a second while the run was open.

The seal of a record is made at its end; until then whoever can write to the disk could put other blocks in the place of
those that are there. So the thread that writes the journal also signs, before every ninth block, the hash its chain has
reached (31 us; the closing process looks at the journal twice a second and sees whole segments only, so it could not
promise a second). A hash of a chain stands for everything before it, and a block covers at most 100 ms: what was
recorded more than a second ago cannot be altered any more by anybody who has not the key. Blocks are counted and not
seconds, so that a disk that stood still makes no gap, and a gap is always an alteration.

After a magic the file has rows of a head and its signature, in order. Every row must be a block of the chain, and no
more than nine blocks may lie between two. Of the signatures the last is always checked, for it covers all before it,
and of a long run an even choice of the others: they only say that signing went on.
"""

import struct
from collections.abc import Iterable, Iterator

from rigd.model.errors import RecordAltered
from rigd.store.keys import RigKey, is_signed

NAME = "heads.bin"
MAGIC = b"rigdhed\x01"
MAX_CHECKED = 1_000
"""Signatures checked of one run: a tenth of a second, where a night has fifty thousand."""

MAX_GAPS = 5  # told of one record

EVERY = 9
"""Blocks between two signatures: 900 ms, and with the block that is being gathered a second."""

_ROW = struct.Struct("<32s64s")

Head = tuple[bytes, bytes]


def signed_bytes(head: bytes) -> bytes:
    """What is signed: never a bare hash, which might mean something elsewhere."""
    return MAGIC + head


def sign(key: RigKey, head: bytes) -> bytes:
    return bytes.fromhex(key.sign(signed_bytes(head)))


def rows(heads: Iterable[Head]) -> bytes:
    return b"".join(_ROW.pack(*head) for head in heads)


def parse(data: bytes) -> list[Head]:
    """The rows of a heads.bin. Raises RecordAltered when it is not one."""
    if not data.startswith(MAGIC) or (len(data) - len(MAGIC)) % _ROW.size:
        raise RecordAltered((f"{NAME} is cut or no file of signed heads of version {MAGIC[-1]}",))
    return list(_ROW.iter_unpack(data[len(MAGIC) :]))


class HeadCheck:
    """Walks beside the blocks of a record: is every signed head one of its own, and is there one often enough?"""

    def __init__(self, heads: list[Head], public_key: str, first: bytes) -> None:
        self._heads, self._key = heads, public_key
        self._at = self._blocks = self._signed = 0
        self._gaps: list[tuple[int, int]] = []
        self._pass(first)

    def add(self, hash: bytes) -> None:
        """The next block."""
        self._blocks += 1
        self._pass(hash)

    def _pass(self, hash: bytes) -> None:
        if self._at < len(self._heads) and self._heads[self._at][0] == hash:
            self._note_gap()
            self._signed = self._blocks
            self._at += 1

    def _note_gap(self) -> None:
        if self._blocks - self._signed > EVERY:
            self._gaps.append((self._signed, self._blocks))

    def findings(self) -> Iterator[str]:
        """After the last block."""
        if self._at < len(self._heads):
            yield f"{NAME}: signed head {self._at} is not a block of this record: blocks were altered or are missing"
        self._note_gap()
        for first, end in self._gaps[:MAX_GAPS]:
            yield f"{NAME}: blocks {first} to {end - 1} are unsigned, where every {EVERY} blocks a head was signed"
        total = len(self._heads)
        step = max(1, -(-total // MAX_CHECKED))
        for at in sorted({*range(0, total, step), *range(max(0, total - 1), total)}):
            head, signature = self._heads[at]
            if not is_signed(signed_bytes(head), signature.hex(), self._key):
                yield f"{NAME}: signature {at} is not that of key {self._key[:16]}"
                return
