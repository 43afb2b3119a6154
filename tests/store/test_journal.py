"""The journal cut at every byte and with every bit flipped: never a block that was not written, never damage unnoticed.

The idea of telling torn tails from damage is that of etcd's log (its wal/decoder.go): only what a power cut can leave,
at the very end, is normal.
"""

import shutil

import pytest

from rigd.store.encode import encode
from rigd.store.journal import (
    BlockBuilder,
    finished_segments,
    identity,
    read_blocks,
    segment_header,
    segment_path,
    segments,
)


def hashes(reader):
    return [block.hash for block in reader]


def small_run(run_maker, closed=True):
    """Two segments; the last has a header and two or three frames."""
    return run_maker("small", count=4, per_block=2, per_segment=2, closed=closed)


def test_what_was_said_comes_back_in_order_across_segments(run_maker):
    run = run_maker(count=60, per_block=8, per_segment=3)
    reader = read_blocks(run.folder)
    blocks = list(reader)
    assert [m for block in blocks for m in map(encode, block.input_messages())] == [encode(m) for m in run.inputs]
    said = [encode(m) for m in run.outputs if type(m).__name__ != "Reading"]
    assert [encode(m) for block in blocks for m in block.output_messages()] == said
    assert sum(block.counts[2] for block in blocks) == len(run.readings)
    assert (reader.ending.kind, reader.ending.lost_bytes, reader.identity) == ("clean", 0, run.identity)
    assert finished_segments(run.folder) == (1, 2, 3) and len(segments(run.folder)) == 4
    one = read_blocks(run.folder, first=2, last=2, previous=blocks[2].hash)
    assert hashes(one) == [block.hash for block in blocks[3:6]] and one.ending is None


def test_cut_at_every_byte_the_prefix_survives_and_the_cut_is_called_torn(run_maker):
    run = small_run(run_maker, closed=False)
    whole = hashes(read_blocks(run.folder))
    last = segments(run.folder)[-1]
    data = last.read_bytes()
    before = len(hashes(read_blocks(run.folder, last=len(segments(run.folder)) - 1)))
    seen = set()
    for length in range(len(data)):
        last.write_bytes(data[:length])
        reader = read_blocks(run.folder)
        found = hashes(reader)
        assert found == whole[: len(found)] and len(found) >= before, length
        assert reader.ending.kind == "torn", (length, reader.ending)
        assert reader.ending.offset + reader.ending.lost_bytes == length
        seen.add(len(found))
    assert seen == set(range(before, len(whole)))  # each block but the last was lost by some cut, and no more than that


def test_every_single_bit_flip_is_damage_and_nothing_false_is_read(run_maker):
    run = small_run(run_maker)
    whole = hashes(read_blocks(run.folder))
    flips = 0
    for path in segments(run.folder):
        data = bytearray(path.read_bytes())
        for bit in range(len(data) * 8):
            data[bit // 8] ^= 1 << bit % 8
            path.write_bytes(data)
            reader = read_blocks(run.folder)
            found = hashes(reader)
            assert found == whole[: len(found)] and len(found) < len(whole), (path.name, bit)
            assert reader.ending.kind == "damaged", (path.name, bit, reader.ending)
            data[bit // 8] ^= 1 << bit % 8
            flips += 1
        path.write_bytes(data)
    assert flips > 10_000


def test_a_sector_of_zeros_at_the_end_is_torn_and_in_the_middle_is_damage(run_maker):
    """A power cut can leave the length of a file without its bytes."""
    run = run_maker(count=60, per_block=20, per_segment=9, closed=False)
    path = segments(run.folder)[-1]
    data = path.read_bytes()
    blocks = list(read_blocks(run.folder))
    tail, middle = blocks[-1].offset, blocks[1].offset
    path.write_bytes(data[:tail] + bytes(len(data) - tail))
    reader = read_blocks(run.folder)
    assert len(list(reader)) == len(blocks) - 1 and reader.ending.kind == "torn"
    start = (middle // 512 + 1) * 512
    path.write_bytes(data[:start] + bytes(512) + data[start + 512 :])
    reader = read_blocks(run.folder)
    assert len(list(reader)) == 1 and reader.ending.kind == "damaged"


@pytest.mark.parametrize(
    "damage",
    [
        "first missing",
        "middle missing",
        "swapped",
        "frame dropped",
        "frames swapped",
        "foreign",
        "empty",
        "after close",
    ],
)
def test_blocks_missing_moved_or_foreign_are_damage(run_maker, damage):
    run = run_maker(count=60, per_block=8, per_segment=3)
    one, two, three, four = segments(run.folder)
    if damage == "first missing":
        one.unlink()
    elif damage == "middle missing":
        two.unlink()
    elif damage == "swapped":
        data = two.read_bytes()
        two.write_bytes(three.read_bytes())
        three.write_bytes(data)
    elif damage == "foreign":
        other = run_maker("other", number=8, per_block=8, per_segment=3)
        shutil.copy(segments(other.folder)[1], two)
    elif damage == "empty":
        two.write_bytes(b"")
    elif damage == "after close":
        four.write_bytes(four.read_bytes() + run.blocks[0])
    else:
        header = segment_header(number=2, identity=run.identity, block=run.blocks[3])
        order = (3, 5) if damage == "frame dropped" else (3, 5, 4)
        two.write_bytes(header + b"".join(run.blocks[n] for n in order))
    reader = read_blocks(run.folder)
    list(reader)
    assert reader.ending.kind == "damaged" and reader.ending.words


def test_no_journal_at_all_and_links_are_told(tmp_path, run_maker):
    reader = read_blocks(tmp_path)
    assert list(reader) == [] and reader.ending.words == "there is no journal"
    run = small_run(run_maker)
    path = segments(run.folder)[1]
    moved = tmp_path / "elsewhere"
    path.rename(moved)
    path.symlink_to(moved)
    reader = read_blocks(run.folder)
    list(reader)
    assert reader.ending.kind == "damaged" and "cannot be read" in reader.ending.words


def test_the_builder_refuses_what_only_a_bug_can_do(run_maker):
    run = run_maker()
    builder = BlockBuilder(identity(run=1, version="0", files=()))
    with pytest.raises(AssertionError):
        builder.take()
    builder.add_input(run.inputs[0])
    with pytest.raises(AssertionError):
        builder.add_input(run.inputs[2])  # a seq is missing
    with pytest.raises(AssertionError):
        builder.close()  # something is still in it
    builder.take()
    builder.close()
    with pytest.raises(AssertionError):
        builder.add_input(run.inputs[1])
    assert segment_path(run.folder, 1).name == "seg-00001.bin"
