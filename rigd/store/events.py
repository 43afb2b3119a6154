"""events.jsonl: what was said in a run other than samples and readings, one canonical message a line, in order.

A line is exactly the bytes that were chained, so the file is read by people, by any JSON reader, and by the verifier
alike. Within a block inputs and outputs are merged by seq, an input before what it caused; each keeps its own order,
so they can be parted again.
"""

import re

from rigd.model.errors import RecordAltered
from rigd.store.encode import INPUTS, OUTPUTS

NAME = "events.jsonl"

# A quote inside a JSON text is always escaped, so these find the keys of a message and nothing a person typed.
_SEQ = re.compile(rb'"seq":(-?\d+)')
_TYPE = re.compile(rb'"type":"(\w+)"')
_SEQ_AND_TYPE = re.compile(rb'"seq":(-?\d+),.*?"type":"(\w+)"')  # keys are sorted: seq stands before type

_INPUTS = frozenset(name.encode() for name in INPUTS)
_OUTPUTS = frozenset(name.encode() for name in OUTPUTS)
_KNOWN = _INPUTS | _OUTPUTS


def seq_of(line: bytes) -> int:
    found = _SEQ.search(line)
    if found is None:
        raise RecordAltered((f"a message without seq: {line[:60]!r}",))
    return int(found[1])


def part(lines: list[bytes]) -> tuple[list[tuple[int, bytes]], list[bytes]]:
    """The inverse of `merge`: inputs with their seq, and outputs, without their line ends. Raises RecordAltered when
    the lines stand in an order that `merge` cannot have given, which no digest would tell."""
    inputs: list[tuple[int, bytes]] = []
    outputs: list[bytes] = []
    before = after = None  # highest seq of the inputs since the last output, and of the outputs since the last input
    for line in lines:
        found = _SEQ_AND_TYPE.search(line)
        if found is None or found[2] not in _KNOWN:
            raise RecordAltered((f"a line of no known type, or without seq: {line[:60]!r}",))
        seq = int(found[1])
        if found[2] in _INPUTS:
            if after is not None and seq <= after:
                raise _reordered(lines)
            before, after = seq if before is None or seq > before else before, None
            inputs.append((seq, line[:-1]))
        else:
            if before is not None and before > seq:
                raise _reordered(lines)
            before, after = None, seq if after is None or seq > after else after
            outputs.append(line[:-1])
    return inputs, outputs


def _reordered(lines: list[bytes]) -> RecordAltered:
    return RecordAltered((f"{NAME}: the block of seq {seq_of(lines[0])} has its lines in another order",))


def is_input(line: bytes) -> bool:
    found = _TYPE.search(line)
    if found is not None:
        if found[1] in _INPUTS:
            return True
        if found[1] in _OUTPUTS:
            return False
    raise RecordAltered((f"a line of no known type: {line[:60]!r}",))


def merge(inputs: list[bytes], outputs: list[bytes]) -> bytes:
    """The lines of one block, from its inputs that are no rows of the trace and from its outputs."""
    for line in (*inputs, *outputs):
        if line[:1] != b"{" or b"\n" in line:
            raise RecordAltered((f"a message that cannot stand on a line of its own: {line[:60]!r}",))
    lines, waiting = [], list(reversed(inputs))
    for output in outputs:
        cause = seq_of(output)
        while waiting and seq_of(waiting[-1]) <= cause:
            lines.append(waiting.pop())
        lines.append(output)
    lines += reversed(waiting)
    return b"".join(line + b"\n" for line in lines)
