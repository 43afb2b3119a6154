"""What can go wrong with one Modbus TCP reply: a closed list, each a small pure function on the right frame.

A fault turns the right reply into parts to send, each with the time to wait before it [s]. The server sends them; this
file knows neither sockets nor clocks, so a campaign can draw faults and a test can name them.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rigd.model.errors import UsageRefused

CLOSE = object()
"""In place of a part: close the connection in good order."""

RESET = object()
"""In place of a part: reset the connection."""

BYTE_GAP_S = 0.0005
"""Between the bytes of a reply sent byte by byte: long enough that each arrives alone."""

BABBLE = bytes((37 * place + 11) % 256 for place in range(64))
"""Bytes that are no frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusFault:
    """kind: a key of FAULTS. delay_s: before the first byte. code: of an exception."""

    kind: str
    delay_s: float = 0.0
    code: int = 4


Parts = list[tuple[float, bytes | object]]


def spoil(fault: ModbusFault, frame: bytes, previous: bytes) -> Parts:
    """The parts to send in place of `frame`; `previous` is the right reply to the request before."""
    parts = FAULTS[fault.kind](fault, frame, previous)
    if parts and fault.delay_s:
        parts[0] = (parts[0][0] + fault.delay_s, parts[0][1])
    return parts


def _sized(frame: bytes) -> bytes:
    """The frame with its length field made right again."""
    return frame[:4] + (len(frame) - 6).to_bytes(2, "big") + frame[6:]


def _with_byte(frame: bytes, place: int, value: int) -> bytes:
    return frame[:place] + bytes((value & 0xFF,)) + frame[place + 1 :]


def _exception(fault: ModbusFault, frame: bytes, _: bytes) -> Parts:
    return [(0.0, _sized(frame[:7] + bytes((frame[7] | 0x80, fault.code))))]


def _exception_to_other(fault: ModbusFault, frame: bytes, _: bytes) -> Parts:
    return [(0.0, _sized(frame[:7] + bytes(((frame[7] ^ 7) | 0x80, fault.code))))]


def _exception_long(fault: ModbusFault, frame: bytes, _: bytes) -> Parts:
    return [(0.0, _sized(frame[:7] + bytes((frame[7] | 0x80, fault.code, 0))))]


def _fewer(_: ModbusFault, frame: bytes, __: bytes) -> Parts:
    return [(0.0, _sized(_with_byte(frame, 8, frame[8] - 2)[:-2]))]


def _more(_: ModbusFault, frame: bytes, __: bytes) -> Parts:
    return [(0.0, _sized(_with_byte(frame, 8, frame[8] + 2) + b"\x01\x02"))]


def _odd(_: ModbusFault, frame: bytes, __: bytes) -> Parts:
    return [(0.0, _sized(_with_byte(frame, 8, frame[8] + 1) + b"\x01"))]


def _previous(_: ModbusFault, frame: bytes, previous: bytes) -> Parts:
    return [(0.0, previous or frame)]


def _bytewise(_: ModbusFault, frame: bytes, __: bytes) -> Parts:
    return [(BYTE_GAP_S, frame[place : place + 1]) for place in range(len(frame))]


def _replace(change: Callable[[bytes], bytes]) -> Callable[[ModbusFault, bytes, bytes], Parts]:
    return lambda fault, frame, previous: [(0.0, change(frame))]


FAULTS: dict[str, Callable[[ModbusFault, bytes, bytes], Parts]] = {
    "slow": lambda fault, frame, previous: [(0.0, frame)],  # right, after delay_s
    "bytewise": _bytewise,  # right, one byte at a time
    "halves": lambda fault, frame, previous: [(0.0, frame[:8]), (BYTE_GAP_S, frame[8:])],  # right, in two parts
    "silent": lambda fault, frame, previous: [],  # no reply, connection open
    "close": lambda fault, frame, previous: [(0.0, CLOSE)],
    "reset": lambda fault, frame, previous: [(0.0, RESET)],
    "half_then_close": lambda fault, frame, previous: [(0.0, frame[: len(frame) // 2]), (0.0, CLOSE)],
    "half_then_reset": lambda fault, frame, previous: [(0.0, frame[: len(frame) // 2]), (BYTE_GAP_S, RESET)],
    "half_then_silent": lambda fault, frame, previous: [(0.0, frame[: len(frame) // 2])],
    "last_byte_missing": lambda fault, frame, previous: [(0.0, frame[:-1])],
    "exception": _exception,
    "exception_to_other": _exception_to_other,  # refuses a function nobody asked for
    "exception_long": _exception_long,  # with a byte too many
    "transaction": _replace(lambda frame: _with_byte(frame, 1, frame[1] ^ 1)),
    "transaction_zero": _replace(lambda frame: b"\x00\x00" + frame[2:]),
    "protocol": _replace(lambda frame: _with_byte(frame, 3, 1)),
    "unit": _replace(lambda frame: _with_byte(frame, 6, frame[6] + 1)),
    "function": _replace(lambda frame: _with_byte(frame, 7, frame[7] ^ 7)),  # 3 for 4 and 4 for 3
    "function_unknown": _replace(lambda frame: _with_byte(frame, 7, 0x65)),
    "length_long": _replace(lambda frame: _with_byte(frame, 5, frame[5] + 2)),  # promises more than comes
    "length_short": _replace(lambda frame: _with_byte(frame, 5, frame[5] - 2)),
    "length_zero": _replace(lambda frame: _with_byte(frame, 5, 0)),
    "fewer": _fewer,  # one register too few, well formed
    "more": _more,  # one too many, well formed
    "odd": _odd,  # an odd number of data bytes
    "byte_count_high": _replace(lambda frame: _with_byte(frame, 8, frame[8] + 1)),
    "byte_count_low": _replace(lambda frame: _with_byte(frame, 8, frame[8] - 1)),
    "byte_count_zero": _replace(lambda frame: _with_byte(frame, 8, 0)),
    "empty": _replace(lambda frame: _sized(frame[:8])),  # function and nothing more
    "trailing": _replace(lambda frame: frame + b"\x00"),
    "previous": _previous,  # always one reply behind
    "twice": _replace(lambda frame: frame + frame),
    "babble": _replace(lambda frame: BABBLE),
    "babble_before": _replace(lambda frame: BABBLE + frame),
    "babble_after": lambda fault, frame, previous: [(0.0, frame), (BYTE_GAP_S, BABBLE)],
    "flood": _replace(lambda frame: BABBLE * 1024),
    "other_value": _replace(lambda frame: _with_byte(frame, len(frame) - 1, frame[-1] ^ 1)),  # for writes: wrong echo
    "other_address": _replace(lambda frame: _with_byte(frame, 9, frame[9] ^ 1)),  # for writes: wrong echo
}


def schedule_faults(texts: Sequence[str]) -> Callable[[int, int], ModbusFault | None] | None:
    """What a person asked for as a schedule of the server: KIND[:DELAY]@N[+], N the request since start, counted from
    1, `+` for every later one too. None when nothing was asked. Tells everything wrong at once."""
    once: dict[int, ModbusFault] = {}
    lasting: list[tuple[int, ModbusFault]] = []
    wrong = []
    for text in texts:
        match = re.fullmatch(r"([a-z_]+)(?::([0-9]*\.?[0-9]+))?@([1-9][0-9]{0,8})(\+?)", text)
        if match is None or match[1] not in FAULTS:
            wrong.append(f"bus fault: found {text!r}; allowed: KIND[:SECONDS]@REQUEST[+], KIND of {', '.join(FAULTS)}")
            continue
        fault, number = ModbusFault(kind=match[1], delay_s=float(match[2] or 0.0)), int(match[3])
        if match[4]:
            lasting.append((number, fault))
        else:
            once[number] = fault
    if wrong:
        raise UsageRefused("\n".join(wrong))
    if not texts:
        return None
    return lambda n, function: once.get(n) or next((fault for start, fault in lasting if n >= start), None)


ORDER = re.compile(r"(?:(read|write) )?([a-z_]+)(?::([0-9]*\.?[0-9]+))?(\+?)")
READS = range(1, 5)
"""Functions that read; those that write begin at 5."""


class BusOrders:
    """A schedule that takes orders while the server runs: KIND[:SECONDS] spoils the next reply, with + each one until
    `heal`; `read ` or `write ` before it: of such a request only. `before` is the schedule it stands in front of."""

    def __init__(self, before: Callable[[int, int], ModbusFault | None] | None = None) -> None:
        self._before = before
        self._orders: list[tuple[str, ModbusFault, bool]] = []

    def take(self, text: str) -> None:
        """One order. Raises UsageRefused."""
        if text == "heal":
            self._orders.clear()
            return
        match = ORDER.fullmatch(text)
        if match is None or match[2] not in FAULTS:
            raise UsageRefused(f"order: found {text!r}; allowed: heal, or [read |write ]KIND[:SECONDS][+]")
        self._orders.append(
            (match[1] or "", ModbusFault(kind=match[2], delay_s=float(match[3] or 0.0)), bool(match[4]))
        )

    def __call__(self, number: int, function: int) -> ModbusFault | None:
        kind = "read" if function in READS else "write"
        for order in self._orders:
            of, fault, lasts = order
            if of in ("", kind):
                if not lasts:
                    self._orders.remove(order)
                return fault
        return None if self._before is None else self._before(number, function)
