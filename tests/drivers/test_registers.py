"""Words to integers: published bit patterns, and the bijection for every type and order."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.registers import ORDER_BYTES, WIDTHS, decode, encode, format_address, limits_of

# Row C16 of the checked trade facts: float32 big-endian words as pymodbus' own converter gives them.
C16 = ((1.0, (0x3F80, 0x0000)), (123.456, (0x42F6, 0xE979)))

# The four orders of 0x0A0B0C0D: letters name bytes, A the most significant (common practice).
FOUR_ORDERS = {"ABCD": (0x0A0B, 0x0C0D), "CDAB": (0x0C0D, 0x0A0B), "BADC": (0x0B0A, 0x0D0C), "DCBA": (0x0D0C, 0x0B0A)}


@pytest.mark.parametrize(("value", "words"), C16)
def test_float32_stays_its_bit_pattern(value, words):
    pattern = decode(words, "float32")
    assert pattern == words[0] << 16 | words[1]
    assert struct.unpack(">f", pattern.to_bytes(4, "big"))[0] == pytest.approx(value, rel=1e-7)
    assert encode(pattern, "float32") == words


@pytest.mark.parametrize(("order", "words"), FOUR_ORDERS.items())
def test_four_orders(order, words):
    assert decode(words, "uint32", order) == 0x0A0B0C0D
    assert encode(0x0A0B0C0D, "uint32", order) == words
    swapped = order in ("BADC", "DCBA")
    assert decode((0x0B0A if swapped else 0x0A0B,), "uint16", order) == 0x0A0B


def test_signs_and_edges():
    # Reply `11 04 02 FF FE` means int16 -2 (published Modbus RTU example).
    assert decode((0xFFFE,), "int16") == -2
    assert decode((0xFFFE,), "uint16") == 65534
    assert decode((0x8000, 0x0000), "int32") == -(2**31)
    assert [decode((0b1000_0000_0000_0010,), "bit", bit=bit) for bit in (0, 1, 15)] == [0, 1, 1]


@given(st.data(), st.sampled_from(sorted(WIDTHS)), st.sampled_from(sorted(ORDER_BYTES)))
def test_bijection(data, type, order):
    bit = data.draw(st.integers(0, 15)) if type == "bit" else 0
    value = data.draw(st.integers(*limits_of(type)))
    assert decode(encode(value, type, order, bit), type, order, bit) == value
    if type != "bit":
        words = tuple(data.draw(st.lists(st.integers(0, 65535), min_size=WIDTHS[type], max_size=WIDTHS[type])))
        assert encode(decode(words, type, order), type, order) == words


def test_address_in_both_forms():
    assert format_address("holding", 0) == "holding:0 (40001)"
    assert format_address("input", 107) == "input:107 (30108)"
    assert format_address("coil", 19) == "coil:19 (00020)"
    assert format_address("holding", 9998) == "holding:9998 (49999)"
    assert format_address("holding", 9999) == "holding:9999 (410000)"
    assert format_address("holding", 65535) == "holding:65535 (465536)"
