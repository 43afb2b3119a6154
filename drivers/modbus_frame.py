"""What the right reply to a Modbus TCP request looks like, to the byte, and what is wrong with any other.

A reply's first bytes are known before it comes: its transaction, protocol, length, unit, function and byte count; of a
write, all of them. So a reply is judged by comparing bytes and not by believing them. Pure: no sockets, no clock. Frame
layout: Modbus messaging on TCP/IP implementation guide V1.0b, 3.1.3; PDUs: Modbus application protocol V1.1b3, 6.
"""

import struct
from dataclasses import dataclass

DATA_AT = 9
"""Where the data of a read reply begin: 7 bytes of header, function, byte count."""

EXCEPTION_LENGTH = 9
"""A whole exception reply: 7 bytes of header, function with its high bit set, code."""

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target did not answer",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """The one reply that fits a request. `head` is what follows the transaction number; `length` is of the frame."""

    head: bytes
    length: int
    question: str  # for people: what was asked


def expect_read(*, unit: int, function: int, byte_count: int, question: str) -> Expected:
    head = struct.pack(">HHBBB", 0, byte_count + 3, unit, function, byte_count)
    return Expected(head=head, length=DATA_AT + byte_count, question=question)


def expect_echo(*, unit: int, function: int, offset: int, value: int, question: str) -> Expected:
    """A single write is answered by itself."""
    head = struct.pack(">HHBBHH", 0, 6, unit, function, offset, value)
    return Expected(head=head, length=2 + len(head), question=question)


def judge(data: bytes, transaction: bytes, expected: Expected) -> tuple[str, str] | None:
    """Say what a frame that is not the right reply is: (fault, detail), or None when it may still become it."""
    right = transaction + expected.head
    if len(data) < expected.length and right.startswith(data[: len(right)]):
        return None
    unit_function = bytes((expected.head[4], expected.head[5] | 0x80))
    refusal = transaction + b"\x00\x00\x00\x03" + unit_function
    if len(data) < EXCEPTION_LENGTH and refusal.startswith(data[: len(refusal)]):
        return None
    if len(data) == EXCEPTION_LENGTH and data.startswith(refusal):
        code = data[8]
        return "exception_reply", f"{expected.question}: exception {code}, {EXCEPTIONS.get(code, 'unknown')}"
    is_echo = expected.length == len(right)
    if is_echo and len(data) == expected.length and data[:8] == right[:8]:
        return "write_failed", f"{expected.question}: echoed {data[8:].hex(' ')}, allowed {right[8:].hex(' ')}"
    return "wrong_reply", f"{expected.question}: {_misfit(data, transaction, expected)}"


def _misfit(data: bytes, transaction: bytes, expected: Expected) -> str:
    """The first field that does not fit, in words."""
    right = transaction + expected.head
    names = (("transaction", 0, 2), ("protocol", 2, 4), ("unit", 6, 7), ("function", 7, 8), ("length", 4, 6))
    for name, start, end in names + (("byte count", 8, 9),):
        if data[start:end] and not right[start:end].startswith(data[start:end]):
            return f"found {name} {data[start:end].hex()}, allowed {right[start:end].hex()}"
    return f"found {len(data)} bytes, allowed {expected.length}"
