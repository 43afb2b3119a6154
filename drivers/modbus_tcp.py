"""A Modbus TCP device behind the Driver protocol, through pymodbus.

pymodbus carries bytes, counts transactions and waits. It does not check that an answer fits the question (function,
byte count, register count), to it an answer to transaction 0 fits everything, and a peer that closes goes unnoticed
until the time-out. So every byte that arrives passes `_inspect` first, and only the one frame that fits goes on.
Whatever else comes ends this connection at once: a driver is used until its first fault and then thrown away, which is
why an answer that comes late finds nobody to mislead. What the integers mean, and whether to try again, is decided
elsewhere.

Relied on, of pymodbus 3.16: the trace hooks, `register`, `execute`, and of `client.ctx` its `response_future`,
`transport` and `max_buffer_size`. tests/drivers hold each of these; the bounds in pyproject.toml are those tested.
"""

import asyncio
import logging
import time
from collections.abc import Iterable
from typing import Any

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest, WriteSingleCoilRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteSingleRegisterRequest,
)

from drivers.modbus_frame import DATA_AT, Expected, expect_echo, expect_read, judge
from drivers.plan import GAP_REGISTERS, Block, plan_scan
from drivers.protocol import DriverFault, Reply
from drivers.registers import format_address
from rigd.model.errors import Misconfigured
from rigd.model.rig import Output, Rig

# What pymodbus would print we raise, and say better; developers may still listen to the logger.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

SETTINGS = {"host": str, "port": int, "unit": int, "gap": int}
PORT = 502
UNIT = 1
READ_MAX = 1 << 20
"""Bytes pymodbus may collect before it silently forgets them. Above what one read from the socket can bring (256 KiB),
so that babble reaches `_inspect`, which keeps none of it."""

READ_REQUESTS = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}
COIL_ON, COIL_OFF = 0xFF00, 0x0000


class _Inspected(ModbusPDU):
    """A read reply whose frame has been inspected and kept: pymodbus need not take it apart once more."""

    def __str__(self) -> str:
        # pymodbus words every reply for a log line, also when nobody reads the log.
        return "inspected reply"


_REPLIES = tuple(type(f"_Inspected{code}", (_Inspected,), {"function_code": code}) for code in READ_REQUESTS)


class ModbusTcp:
    """One device of a rig. `open` it once, use it until the first DriverFault, `close` it."""

    def __init__(self, rig: Rig, device: int) -> None:
        settings = _read_settings(rig, device)
        self._host, self._port, self._unit = settings["host"], settings["port"], settings["unit"]
        self._timeout_s = rig.devices[device].timeout_ns / 1e9
        channels = [channel for channel in rig.channels if channel.device == device]
        scanning = plan_scan(channels, gap=settings["gap"], skip=DATA_AT)
        self._decode = scanning.decode
        self._reads = tuple(self._build_read(block) for block in scanning.blocks)
        self._outputs = {index: output for index, output in enumerate(rig.outputs) if output.device == device}
        _check_outputs(self._outputs.values())
        self._client: AsyncModbusTcpClient | None = None
        self._trouble: tuple[str, str] | None = None
        self._expected: Expected | None = None  # of the request under way
        self._transaction = b""
        self._frame = b""

    async def open(self) -> None:
        """Connect. Raises DriverFault absent."""
        assert self._client is None, "a driver is opened once"
        client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            # Every wait here stands under a time-out of ours; a second one inside would cost and add nothing.
            timeout=None,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._inspect,
            trace_pdu=self._note_request,
            trace_connect=self._note_connection,
        )
        for reply in _REPLIES:
            client.register(reply)
        client.ctx.max_buffer_size = READ_MAX
        self._client = client
        try:
            async with asyncio.timeout(self._timeout_s):
                connected = await client.connect()
        except TimeoutError:
            connected = False
        except asyncio.CancelledError:
            self._give_up("reset", "cancelled while connecting")
            raise
        if not connected:
            raise self._give_up("absent", f"no connection: refused, unreachable or not within {self._timeout_s:g} s")

    async def scan(self) -> Reply:
        """Read every channel once. All blocks share one time-out."""
        frames = []
        sent_ns = time.monotonic_ns()
        try:
            async with asyncio.timeout(self._timeout_s):
                for request in self._reads:
                    frames.append(await self._ask(request))
        except TimeoutError:
            raise self._time_out(self._reads[len(frames)]) from None
        except asyncio.CancelledError:
            self._give_up("reset", "cancelled in mid-request")
            raise
        arrived_ns = time.monotonic_ns()
        return Reply(self._decode(frames), sent_ns, arrived_ns)

    async def drive(self, output: int, counts: int) -> None:
        """Write one output and see it echoed."""
        assert output in self._outputs, f"output {output} is not of this device"
        request = self._build_write(self._outputs[output], counts)
        try:
            async with asyncio.timeout(self._timeout_s):
                await self._ask(request)
        except TimeoutError:
            raise self._time_out(request) from None
        except asyncio.CancelledError:
            self._give_up("reset", "cancelled in mid-request")
            raise

    async def close(self) -> None:
        """End the connection, whatever is under way on it."""
        self._give_up("reset", "closed here")
        await asyncio.sleep(0)  # the transport closes its socket in the next turn of the loop

    async def _ask(self, request: ModbusPDU) -> bytes:
        """One request and the frame that fits it."""
        assert self._client is not None, "open the driver first"
        if self._trouble is not None:
            raise DriverFault(*self._trouble)
        try:
            await self._client.execute(False, request)
        except ModbusException as error:
            raise self._give_up("reset", f"{request.expected.question}: {error}") from error
        return self._frame

    def _time_out(self, request: ModbusPDU) -> DriverFault:
        return self._give_up("timeout", f"{request.expected.question}: no reply within {self._timeout_s:g} s")

    def _give_up(self, fault: str, detail: str) -> DriverFault:
        """Remember the first trouble, drop the connection, and let whoever waits know at once."""
        if self._trouble is None:
            self._trouble = (fault, f"{self._host}:{self._port} unit {self._unit}: {detail}")
        trouble = DriverFault(*self._trouble)
        expected, self._expected = self._expected, None
        if self._client is not None:
            waiting = self._client.ctx.response_future
            if expected is not None and not waiting.done():
                waiting.set_exception(DriverFault(*self._trouble))
            if self._client.ctx.transport is not None:
                self._client.ctx.transport.abort()
            self._client.close()
        return trouble

    # What pymodbus calls, in the order of a request's life.

    def _note_connection(self, connected: bool) -> None:
        if not connected:
            self._give_up("reset", "the device closed the connection")

    def _note_request(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        if sending:
            if self._trouble is not None:
                # This request waited its turn behind the one that failed; pymodbus would now send it into the void.
                raise DriverFault(*self._trouble)
            self._expected = pdu.expected
        return pdu

    def _inspect(self, sending: bool, data: bytes) -> bytes:
        """Let through the frame that fits, hold what may become it, end the connection at anything else."""
        if sending:
            self._transaction = data[:2]
            return data
        expected = self._expected
        if expected is None:
            self._give_up("wrong_reply", f"found {len(data)} bytes that nobody asked for")
            return b""
        if len(data) == expected.length and data.startswith(self._transaction + expected.head):
            self._expected = None
            self._frame = data
            return data
        trouble = judge(data, self._transaction, expected)
        if trouble is not None:
            self._give_up(*trouble)
            return b""
        return data

    def _build_read(self, block: Block) -> ModbusPDU:
        request = READ_REQUESTS[block.function](address=block.offset, count=block.count, dev_id=self._unit)
        request.expected = expect_read(
            unit=self._unit, function=block.function, byte_count=block.byte_count, question=f"read {block}"
        )
        return request

    def _build_write(self, output: Output, counts: int) -> ModbusPDU:
        table, offset = output.address.table, output.address.offset
        if table == "coil":
            assert counts in (0, 1), f"coil {output.name} takes 0 or 1, not {counts}"
            value, function = (COIL_ON if counts else COIL_OFF), 5
            request = WriteSingleCoilRequest(address=offset, bits=[bool(counts)], dev_id=self._unit)
        else:
            assert -32768 <= counts <= 65535, f"{counts} does not fit the register of {output.name}"
            value, function = counts & 0xFFFF, 6
            request = WriteSingleRegisterRequest(address=offset, registers=[value], dev_id=self._unit)
        question = f"write {counts} to {output.name} at {format_address(table, offset)}"
        request.expected = expect_echo(
            unit=self._unit, function=function, offset=offset, value=value, question=question
        )
        return request


def _read_settings(rig: Rig, device: int) -> dict[str, Any]:
    """The device's settings with what is left out filled in. Raises Misconfigured with all that is wrong."""
    name, given = rig.devices[device].name, dict(rig.devices[device].settings)
    settings = {"port": PORT, "unit": UNIT, "gap": GAP_REGISTERS} | given
    wrong = [f"found {key}; allowed: {', '.join(SETTINGS)}" for key in given if key not in SETTINGS]
    if "host" not in given:
        wrong.append("found no host; allowed: a host name or address")
    wrong += [
        f"found {key} {settings[key]!r}; allowed: {kind.__name__}"
        for key, kind in SETTINGS.items()
        if key in settings and type(settings[key]) is not kind
    ]
    for key, low, high in (("port", 1, 65535), ("unit", 0, 255), ("gap", 0, 125)):
        if type(settings[key]) is int and not low <= settings[key] <= high:
            wrong.append(f"found {key} {settings[key]}; allowed: {low} to {high}")
    if wrong:
        raise Misconfigured("\n".join(f"device {name}: {words}" for words in wrong))
    return settings


def _check_outputs(outputs: Iterable[Output]) -> None:
    wrong = [
        f"output {output.name}: found table {output.address.table}; allowed: holding, coil"
        for output in outputs
        if output.address.table not in ("holding", "coil")
    ]
    if wrong:
        raise Misconfigured("\n".join(wrong))
