"""The planned block reads give, for any layout, what reading each channel alone would give."""

import struct

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.plan import BIT_TABLES, BITS_MAX, REGISTERS_MAX, plan_scan
from drivers.registers import ORDER_BYTES, WIDTHS, decode
from rigd.model.errors import Misconfigured
from simulator.modbus_server import pack_bits


def word_at(table: str, offset: int) -> int:
    """A memory in which every address holds something else."""
    return (40503 * offset + 7919 * len(table)) % 65536


def reply_to(block) -> bytes:
    words = [word_at(block.table, block.offset + place) for place in range(block.count)]
    if block.table in BIT_TABLES:
        return pack_bits([word & 1 for word in words])
    return struct.pack(f">{block.count}H", *words)


layout = st.one_of(
    st.tuples(st.sampled_from(BIT_TABLES), st.integers(0, 65535), st.just("bit")),
    st.tuples(st.sampled_from(("holding", "input")), st.integers(0, 300), st.sampled_from(sorted(WIDTHS))),
)
channel = st.tuples(layout, st.sampled_from(sorted(ORDER_BYTES)), st.integers(0, 15))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(drawn=st.lists(channel, max_size=40), gap=st.integers(0, 20), skip=st.integers(0, 9))
def test_any_layout(make_channel, drawn, gap, skip):
    channels = [make_channel(*place, order, bit) for place, order, bit in drawn]
    scanning = plan_scan(channels, gap=gap, skip=skip)
    for block in scanning.blocks:
        assert 1 <= block.count <= (BITS_MAX if block.table in BIT_TABLES else REGISTERS_MAX)
        assert block.byte_count == len(reply_to(block))
    counts = scanning.decode([bytes(skip) + reply_to(block) for block in scanning.blocks])
    assert type(counts) is tuple and len(counts) == len(channels)
    for value, made in zip(counts, channels, strict=True):
        table, offset = made.address.table, made.address.offset
        if table in BIT_TABLES:
            assert value == word_at(table, offset) & 1
        else:
            words = [word_at(table, offset + place) for place in range(WIDTHS[made.type])]
            assert value == decode(words, made.type, made.order, made.bit)


def test_blocks_of_the_demo_layout_are_one(make_channel):
    channels = [make_channel("holding", place) for place in range(5)]
    channels += [make_channel("holding", 5, "bit", "ABCD", bit) for bit in (0, 1, 2, 4, 5, 6, 7)]
    (block,) = plan_scan(channels).blocks
    assert (block.function, block.offset, block.count, block.byte_count) == (3, 0, 6, 12)


def test_gap_limit_and_whole_values(make_channel):
    far = [make_channel("holding", 0), make_channel("holding", 10)]
    assert [block.count for block in plan_scan(far, gap=8).blocks] == [1, 1]
    assert [block.count for block in plan_scan(far, gap=9).blocks] == [11]
    # Row C15 of the checked trade facts: at most 125 registers a read. The 32-bit value at 124 must not be split.
    full = [make_channel("input", place) for place in range(124)] + [make_channel("input", 124, "float32")]
    assert [(block.offset, block.count) for block in plan_scan(full).blocks] == [(0, 124), (124, 2)]


def test_all_complaints_at_once(make_channel):
    wrong = [
        make_channel("holding", 65535, "float32"),
        make_channel("coil", 3, "int16"),
        make_channel("input", 0, "bit", "ABCD", 16),
        make_channel("cupboard", 0),
        make_channel("input", 1, "int24"),
    ]
    with pytest.raises(Misconfigured) as caught:
        plan_scan(wrong)
    words = str(caught.value)
    for part in ("holding:65535", "int16 in table coil", "bit 16", "table cupboard", "type int24"):
        assert part in words
