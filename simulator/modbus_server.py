"""A Modbus TCP server of our own, small enough to read, over anything that has registers.

It answers every request of a connection in order, also when many come at once, and it can misbehave on request: a
schedule names, per request, what goes wrong. It knows nothing of plants or rigs: a `Registers` reads and writes words.
Frames: Modbus messaging on TCP/IP implementation guide V1.0b, 3.1.3; functions and exceptions: Modbus application
protocol V1.1b3, 6 and 7. It has no security whatever, as Modbus has none: it is for loopback.
"""

import asyncio
import socket
import struct
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from simulator.modbus_faults import CLOSE, RESET, ModbusFault, spoil

TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input", 5: "coil", 6: "holding", 15: "coil", 16: "holding"}
"""Function to table."""

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, GATEWAY_NO_ANSWER = 1, 2, 3, 11
READ_MAX = {1: 2000, 2: 2000, 3: 125, 4: 125}
WRITE_MAX = {15: 1968, 16: 123}
LENGTH_MAX = 254
"""A frame's length field: unit and 253 bytes of PDU at most. Longer is not Modbus, and the connection is closed."""

BACKLOG_MAX = 1024
"""Replies waiting behind a delayed one; a client that asks for more without reading is cut off."""


class Registers(Protocol):
    """What the server serves. LookupError: there is no such address. ValueError: no such value."""

    def read(self, table: str, offset: int, count: int) -> Sequence[int]: ...

    def write(self, table: str, offset: int, words: Sequence[int]) -> None: ...


class Refused(Exception):
    """The request is answered by an exception reply with this code."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"exception {code}")


class ModbusServer:
    """Serves `units` (unit number to its registers). `schedule(n, function)` names the fault of the n-th request since
    start, counted from 1, or None. `requests` counts."""

    def __init__(
        self,
        units: Mapping[int, Registers],
        *,
        schedule: Callable[[int, int], ModbusFault | None] | None = None,
    ) -> None:
        self.units = units
        self.schedule = schedule
        self.requests = 0
        self.connections: set[_Connection] = set()
        self._server: asyncio.Server | None = None

    async def listen(self, host: str = "127.0.0.1", port: int = 0) -> int:
        """Start serving; returns the port."""
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Connection(self), host, port)
        return self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Stop listening and drop every connection."""
        if self._server is not None:
            self._server.close()
        for connection in tuple(self.connections):
            connection.transport.abort()
        await asyncio.sleep(0)

    def answer(self, unit: int, pdu: bytes) -> bytes:
        """The right reply to one request."""
        function = pdu[0]
        try:
            registers = self.units.get(unit)
            if registers is None:
                raise Refused(GATEWAY_NO_ANSWER)
            return _answer(registers, function, pdu)
        except Refused as refusal:
            return bytes((function | 0x80, refusal.code))
        except LookupError:
            return bytes((function | 0x80, ILLEGAL_ADDRESS))
        except (ValueError, struct.error):
            return bytes((function | 0x80, ILLEGAL_VALUE))


def _answer(registers: Registers, function: int, pdu: bytes) -> bytes:
    table = TABLES.get(function)
    if table is None:
        raise Refused(ILLEGAL_FUNCTION)
    if function in READ_MAX:
        offset, count = struct.unpack(">HH", pdu[1:])
        if not 1 <= count <= READ_MAX[function]:
            raise Refused(ILLEGAL_VALUE)
        words = registers.read(table, offset, count)
        data = struct.pack(f">{count}H", *words) if function in (3, 4) else pack_bits(words)
        return bytes((function, len(data))) + data
    if function in (5, 6):
        offset, value = struct.unpack(">HH", pdu[1:])
        if function == 5 and value not in (0x0000, 0xFF00):
            raise Refused(ILLEGAL_VALUE)
        registers.write(table, offset, [value if function == 6 else int(value == 0xFF00)])
        return pdu
    offset, count, size = struct.unpack(">HHB", pdu[1:6])
    data = pdu[6:]
    due = 2 * count if function == 16 else (count + 7) // 8
    if not 1 <= count <= WRITE_MAX[function] or size != due or len(data) != due:
        raise Refused(ILLEGAL_VALUE)
    words = struct.unpack(f">{count}H", data) if function == 16 else unpack_bits(data, count)
    registers.write(table, offset, words)
    return pdu[:5]


def pack_bits(bits: Sequence[int]) -> bytes:
    """Eight a byte, the first in the lowest place."""
    return sum(bool(bit) << place for place, bit in enumerate(bits)).to_bytes((len(bits) + 7) // 8, "little")


def unpack_bits(data: bytes, count: int) -> list[int]:
    number = int.from_bytes(data, "little")
    return [(number >> place) & 1 for place in range(count)]


class _Connection(asyncio.Protocol):
    """One client: cuts frames out of what arrives and sends replies in order, delayed ones included."""

    def __init__(self, server: ModbusServer) -> None:
        self.server = server
        self.transport: asyncio.Transport
        self.received = b""
        self.last_reply = b""
        self.waiting: deque[tuple[float, bytes | object]] = deque()
        self.timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:
        self.transport = transport
        self.server.connections.add(self)
        # asyncio does so itself for TCP; said here because a server without it stalls pipelined replies by 40 ms.
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def connection_lost(self, exc: Exception | None) -> None:
        self.server.connections.discard(self)
        if self.timer is not None:
            self.timer.cancel()

    def data_received(self, data: bytes) -> None:
        data = self.received + data if self.received else data
        start = 0
        while len(data) - start >= 8 and not self.transport.is_closing():
            transaction, protocol, length, unit = struct.unpack_from(">HHHB", data, start)
            if protocol or not 2 <= length <= LENGTH_MAX:
                self.transport.close()
                return
            end = start + 6 + length
            if len(data) < end:
                break
            self._serve(transaction, unit, data[start + 7 : end])
            start = end
        self.received = data[start:]

    def _serve(self, transaction: int, unit: int, pdu: bytes) -> None:
        server = self.server
        server.requests += 1
        fault = server.schedule(server.requests, pdu[0]) if server.schedule is not None else None
        reply = server.answer(unit, pdu)
        frame = struct.pack(">HHHB", transaction, 0, len(reply) + 1, unit) + reply
        if fault is None and not self.waiting:
            self.last_reply = frame
            self.transport.write(frame)
            return
        self.waiting.extend([(0.0, frame)] if fault is None else spoil(fault, frame, self.last_reply))
        self.last_reply = frame
        if len(self.waiting) > BACKLOG_MAX:
            self.transport.abort()
        elif self.timer is None:
            self._send_next()

    def _send_next(self) -> None:
        """Send what is due; wait for what is not. One timer a connection keeps the order."""
        self.timer = None
        while self.waiting and not self.transport.is_closing():
            delay_s, part = self.waiting[0]
            if delay_s > 0.0:
                self.waiting[0] = (0.0, part)
                self.timer = asyncio.get_running_loop().call_later(delay_s, self._send_next)
                return
            self.waiting.popleft()
            if part is CLOSE:
                self.transport.close()
            elif part is RESET:
                # Lingering for 0 s makes the kernel send RST instead of FIN.
                linger = struct.pack("ii", 1, 0)
                self.transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                self.transport.abort()
            else:
                self.transport.write(part)
