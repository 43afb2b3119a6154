"""The record that one simulated process left: whole, chained, and true to what was said."""

import hashlib
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rigd.engine.engine import Engine
from rigd.model.messages import Reading, Result
from rigd.store import journal
from rigd.store.encode import encode, prefixed
from simulator.promises import require

if TYPE_CHECKING:
    from simulator.invariants import Watch

UNNOTICED = re.compile(r"no loss was noticed; an opening under ([0-9.]+) mm2 the rig could not have noticed")
LOST_NS = 100_000_000  # what a killed process may lose: one block


def tells_of_opening(result: Result, opening_m2: float) -> bool:
    """Whether a result in which no loss was noticed names an opening as large as the one that was there, as one that
    the rig could not have noticed."""
    named = [UNNOTICED.search(flag) for flag in result.flags]
    return any(float(found[1]) + 0.005 >= 1e6 * opening_m2 for found in named if found)


def check_record(watch: "Watch", record: Sequence[bytes]) -> None:
    """Raises Violation."""
    night = watch.night
    head = hashlib.sha256(journal.identity(run=night.runs, version="0", files=())).digest()
    due, blocks = 0, []
    for data in record:
        kind, count, first_seq, previous, payload, after = journal._parse(data, 0)
        require(after == len(data) and kind == journal.DATA, "JOURNAL_COMPLETE", f"block {len(blocks)}: kind {kind}")
        require(previous == head, "JOURNAL_COMPLETE", f"block {len(blocks)} does not continue the chain")
        require(not count or first_seq == due, "JOURNAL_COMPLETE", f"block begins with {first_seq}, due {due}")
        block = journal._take_apart(kind, count, first_seq, previous, payload, 1, 0)
        head, due = block.hash, due + count
        if night.swarm.replayed:
            blocks.append(block)
    if watch.engine.done:
        require(due == night.seq, "JOURNAL_COMPLETE", f"{due} of {night.seq} messages are in the record")
    elif night.swarm.replayed and due < night.seq:
        lost_ns = watch.messages[-1].t_ns - watch.messages[due].t_ns
        allowed_ns = LOST_NS + 3 * night.swarm.step_ns + night.longest_gap_ns
        require(lost_ns <= allowed_ns, "JOURNAL_COMPLETE", f"{lost_ns} ns are lost")
    if night.swarm.replayed:
        _replay(watch, blocks)


def _replay(watch: "Watch", blocks: Sequence[journal.Block]) -> None:
    swarm = watch.night.swarm
    engine = Engine(swarm.rig, swarm.profile, watch.night.specimen)
    at = 0
    for block in blocks:
        outputs, readings = bytearray(), hashlib.sha256()
        for message in block.input_messages():
            require(message == watch.messages[at], "JOURNAL_COMPLETE", f"message {at} is not what was sent")
            at += 1
            for output in engine.step(message):
                data = prefixed(encode(output))
                if type(output) is Reading:
                    readings.update(data)
                else:
                    outputs += data
        require(bytes(outputs) == block.outputs, "REPLAY_SAYS_THE_SAME", f"block of message {block.first_seq}")
        require(readings.digest() == block.digests[2], "REPLAY_SAYS_THE_SAME", f"readings of block {block.first_seq}")
