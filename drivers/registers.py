"""Words on a wire to integers and back: a bijection, and nothing more.

A Modbus register is 16 bits; what a transmitter means by them depends on a type and on the order in which it sends the
bytes. This file knows types and orders. It refuses to know what the integer means: a float32 stays its 32-bit pattern
(0x3F800000, not 1.0), so that nothing a transmitter said is lost before it is recorded. No input or output here.

Every order is a permutation of bytes, so one rule serves all: put the bytes into the order A B C D, A the most
significant, then read them as one big-endian integer.
"""

import struct
from collections.abc import Sequence

WIDTHS = {"int16": 1, "uint16": 1, "bit": 1, "int32": 2, "uint32": 2, "float32": 2}
"""Registers a value takes."""

CODES = {"int16": "h", "uint16": "H", "bit": "H", "int32": "i", "uint32": "I", "float32": "I"}
"""struct codes of the big-endian integer. float32 is read as its bit pattern."""

ORDER_BYTES = {"ABCD": (0, 1, 2, 3), "CDAB": (2, 3, 0, 1), "BADC": (1, 0, 3, 2), "DCBA": (3, 2, 1, 0)}
"""Where A, B, C and D stand among the four bytes as received. Each of the four undoes itself."""

ORDER_BYTES_16 = {"ABCD": (0, 1), "CDAB": (0, 1), "BADC": (1, 0), "DCBA": (1, 0)}
"""The same for one register: only the swap of its two bytes is left."""

TABLES = {"coil": 0, "discrete": 1, "input": 3, "holding": 4}
"""Leading digit of each table in the old notation, where 40001 is the first holding register."""


def byte_places(type: str, order: str) -> tuple[int, ...]:
    """Places, among the received bytes of one value, of its bytes from the most significant down."""
    return ORDER_BYTES[order] if WIDTHS[type] == 2 else ORDER_BYTES_16[order]


def limits_of(type: str) -> tuple[int, int]:
    """Smallest and largest integer the type can carry."""
    if type == "bit":
        return 0, 1
    bits = 16 * WIDTHS[type]
    return (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if type.startswith("int") else (0, (1 << bits) - 1)


def decode(words: Sequence[int], type: str, order: str = "ABCD", bit: int = 0) -> int:
    """Read one integer from its registers, in the order received."""
    assert len(words) == WIDTHS[type], f"{type} takes {WIDTHS[type]} registers, got {len(words)}"
    received = struct.pack(f">{len(words)}H", *words)
    ordered = bytes(received[place] for place in byte_places(type, order))
    (value,) = struct.unpack(f">{CODES[type]}", ordered)
    return (value >> bit) & 1 if type == "bit" else value


def encode(value: int, type: str, order: str = "ABCD", bit: int = 0) -> tuple[int, ...]:
    """Write one integer as registers in sending order. For a bit, the other bits of its register are 0."""
    low, high = limits_of(type)
    assert low <= value <= high, f"{value} does not fit {type}, {low} to {high}"
    ordered = struct.pack(f">{CODES[type]}", value << bit if type == "bit" else value)
    sent = bytearray(len(ordered))
    for place, byte in zip(byte_places(type, order), ordered, strict=True):
        sent[place] = byte
    return struct.unpack(f">{len(sent) // 2}H", sent)


def format_address(table: str, offset: int) -> str:
    """Both ways people write an address: `holding:0 (40001)`. Above 9999 the six-digit form is due."""
    assert 0 <= offset <= 65535, f"offset {offset} is outside 0 to 65535"
    digits = 4 if offset < 9999 else 5
    return f"{table}:{offset} ({TABLES[table]}{offset + 1:0{digits}d})"
