"""heads.bin: the rig's signatures over the head of its chain, made about once a second while the run was open.

The seal of a record is made at its end; until then whoever can write to the disk could put other blocks in the place of
those that are there. So the thread that writes the journal also signs, at most a second apart, the hash its chain has
reached (31 us; the closing process looks at the journal twice a second and sees whole segments only, so it could not
promise a second). A hash of a chain stands for everything before it: what was written more than a second ago cannot be
altered any more by anybody who has not the key.

After a magic the file has rows of a head and its signature, in order. Every row must be a block of the chain. Of the
signatures the last is always checked, for it covers all before it, and of a long run an even choice of the others: they
only say that signing went on.
"""

import struct
from collections.abc import Iterable, Iterator

from rigd.model.errors import RecordAltered
from rigd.store.encode import JSON_TAG, parse_json
from rigd.store.keys import RigKey, is_signed

NAME = "heads.bin"
MAGIC = b"rigdhed\x01"
MAX_CHECKED = 1_000
"""Signatures checked of one run: a tenth of a second, where a night has fifty thousand."""

SIGN_NS = 750_000_000
"""Between two signatures. With blocks of 100 ms, and the head one block behind, no second goes unsigned."""

WINDOW_NS = 1_100_000_000
"""A second and a block: what an honest record never leaves unsigned, unless its disk stood still."""

_ROW = struct.Struct("<32s64s")
_TIME = struct.Struct("<q")
_TIME_AT = 4 + 3 + 8  # behind length, tag with count, and seq of a packed message

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
    """Walks beside the blocks of a record: is every signed head one of its own, and how long did none come?"""

    def __init__(self, heads: list[Head], public_key: str, first: bytes) -> None:
        self._heads, self._key = heads, public_key
        self._at, self._since_ns, self._now_ns = 0, 0, 0
        self.longest_ns = 0
        self._pass(first)

    @property
    def tail_ns(self) -> int:
        """From the last signed head to the end of the record."""
        return self._now_ns - self._since_ns

    def add(self, hash: bytes, inputs: bytes) -> None:
        """The next block: its hash and the bytes of its inputs."""
        if inputs:
            self._now_ns = _time_of(inputs)
        self._pass(hash)

    def _pass(self, hash: bytes) -> None:
        while self._at < len(self._heads) and self._heads[self._at][0] == hash:
            self.longest_ns = max(self.longest_ns, self._now_ns - self._since_ns)
            self._since_ns = self._now_ns
            self._at += 1

    def findings(self) -> Iterator[str]:
        if self._at < len(self._heads):
            yield f"{NAME}: signed head {self._at} is not a block of this record: blocks were altered or are missing"
        total = len(self._heads)
        step = max(1, -(-total // MAX_CHECKED))
        chosen = sorted({*range(0, total, step), *range(max(0, total - 1), total)})
        for at in chosen:
            head, signature = self._heads[at]
            if not is_signed(signed_bytes(head), signature.hex(), self._key):
                yield f"{NAME}: signature {at} is not that of key {self._key[:16]}"
                return

    def notes(self) -> Iterator[str]:
        """What an auditor should know and no alteration: how much of the run was unsigned, and for how long."""
        for words, gap_ns in (("between two signed heads", self.longest_ns), ("at the end", self.tail_ns)):
            if gap_ns > WINDOW_NS:
                yield (
                    f"unsigned {words}: {gap_ns / 1e9:.1f} s of the run (usual: at most {WINDOW_NS / 1e9:.1f} s); "
                    "what was altered in there before the record was sealed would not show"
                )


def _time_of(inputs: bytes) -> int:
    """t_ns of the first message of a block."""
    if inputs[4] != JSON_TAG:
        return int(_TIME.unpack_from(inputs, _TIME_AT)[0])
    length = int.from_bytes(inputs[:4], "little")
    return int(parse_json(inputs[4 : 4 + length])["t_ns"])
