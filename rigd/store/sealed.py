"""The sealed files of a record read back as the blocks they were made of, byte for byte.

Parts of the trace give Scans and Ticks, lines of events.jsonl give all other inputs and the outputs, rows of
chain.bin say how many of each make a block; where each input stood is its seq. Verifying compares what comes out with
the digests of the chain, replaying decodes it: both read the same bytes. Nothing here trusts what it reads or writes
anything.
"""

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from rigd.model.errors import RecordAltered
from rigd.store import events
from rigd.store.chain import Chain, ChainRow
from rigd.store.encode import prefixed
from rigd.store.trace import RowBytes, read_parquet, row_bytes

PartReader = Callable[[int], tuple[str, bytes] | None]
"""Name and bytes of part n (from 1), None after the last."""


@dataclass(slots=True, kw_only=True)
class SealedBlock:
    """One block as rebuilt. Not frozen: half a million of them are made in a row."""

    number: int
    row: ChainRow
    inputs: bytes
    outputs: bytes
    part: str


class _Rows:
    """The rows of the parts, one after the other."""

    def __init__(self, parts: PartReader) -> None:
        self._parts = parts
        self._number = 0
        self.part, self._at = "", 0
        self._rows: RowBytes | None = None
        self._seq: list[int] = []
        self._offsets: list[int] = []

    def _turn(self) -> bool:
        """To the next part that has rows; False when there is none."""
        while self._rows is None or self._at >= len(self._seq):
            self._number += 1
            found = self._parts(self._number)
            if found is None:
                return False
            self.part, data = found
            self._rows = row_bytes(read_parquet(data, for_bytes=True, name=self.part), self.part)
            self._seq, self._offsets = self._rows.seq.tolist(), self._rows.offsets.tolist()
            self._at = 0
            if np.any(np.diff(self._rows.seq) <= 0):
                raise RecordAltered((f"{self.part}: rows are not in order of seq",))
        return True

    def take(self, count: int, others: list[tuple[int, bytes]], block: str) -> bytes:
        """The bytes of the next `count` rows with the other inputs (seq, line) set between them by seq."""
        pieces: list[bytes] = []
        waiting = others[::-1]
        while count:
            if not self._turn():
                raise RecordAltered((f"{block}: {count} rows of the trace are missing at its end",))
            end = min(self._at + count, len(self._seq))
            count -= end - self._at
            while waiting and waiting[-1][0] < self._seq[end - 1]:
                seq, line = waiting.pop()
                cut = self._at
                while self._seq[cut] < seq:
                    cut += 1
                pieces += (self._slice(self._at, cut), prefixed(line))
                self._at = cut
            pieces.append(self._slice(self._at, end))
            self._at = end
        pieces += (prefixed(line) for _, line in reversed(waiting))
        return b"".join(pieces)

    def _slice(self, start: int, end: int) -> bytes:
        return self._rows.data[self._offsets[start] : self._offsets[end]]

    def left(self) -> bool:
        return self._turn()


def rebuild(chain: Chain, lines: bytes, parts: PartReader) -> Iterator[SealedBlock]:
    """The blocks in order. Raises RecordAltered where the files cannot make the block the chain tells of."""
    rows, stream = _Rows(parts), io.BytesIO(lines)
    for number, row in enumerate(chain):
        name = f"block {number} (seq {row.first_seq})"
        own = [stream.readline() for _ in range(row.lines)]
        if own and own[-1][-1:] != b"\n":
            raise RecordAltered((f"{events.NAME} ends within {name}",))
        inputs, outputs = events.part(own)
        made = rows.take(row.rows, inputs, name)
        yield SealedBlock(number=number, row=row, inputs=made, outputs=b"".join(map(prefixed, outputs)), part=rows.part)
    if stream.read(1):
        raise RecordAltered((f"{events.NAME} has lines after the last block",))
    if rows.left():
        raise RecordAltered((f"{rows.part} has rows after the last block",))
