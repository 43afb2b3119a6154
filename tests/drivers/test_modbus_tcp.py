"""The driver on real sockets: right values from right peers, the right fault from wrong ones, never a wrong value."""

import asyncio
import socket
import struct

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from pyModbusTCP.server import DataBank
from pyModbusTCP.server import ModbusServer as PeerServer

from drivers.modbus_tcp import ModbusTcp
from drivers.protocol import DriverFault
from drivers.registry import DRIVERS
from rigd.model.errors import Misconfigured
from rigd.model.messages import DEVICE_FAULTS
from simulator.modbus_faults import FAULTS, ModbusFault

SHORT_S = 0.06
"""A time-out that is meant to pass. The others are 30 s: a test that needs one of those to pass is seen at once."""

WIDE = (("holding", 0), ("holding", 1), ("holding", 2), ("holding", 5))
READ_FAULTS = {
    "silent": "timeout",
    "half_then_silent": "timeout",
    "last_byte_missing": "timeout",
    "close": "reset",
    "reset": "reset",
    "half_then_close": "reset",
    "half_then_reset": "reset",
    "exception": "exception_reply",
    "slow": "",
    "bytewise": "",
    "halves": "",
} | {
    kind: "wrong_reply"
    for kind in FAULTS
    if kind.startswith(("exception_", "transaction", "protocol", "unit", "function", "length", "byte_count", "babble"))
    or kind in ("fewer", "more", "odd", "empty", "trailing", "previous", "twice", "flood")
}
WRITE_FAULTS = {kind: READ_FAULTS[kind] for kind in READ_FAULTS if not kind.startswith("byte_count")} | {
    "other_value": "write_failed",
    "other_address": "write_failed",
    "byte_count_low": "write_failed",  # no byte count in an echo: there it is part of the address
}


def test_every_fault_is_covered():
    assert set(FAULTS) == set(READ_FAULTS) | {"other_value", "other_address"}
    assert (set(READ_FAULTS.values()) | set(WRITE_FAULTS.values())) - {""} < set(DEVICE_FAULTS)
    assert len(READ_FAULTS) >= 25
    assert DRIVERS == {"modbus_tcp": ModbusTcp}


@pytest.mark.parametrize(("kind", "fault"), READ_FAULTS.items())
async def test_hostile_reads(counting, make_rig, kind, fault):
    """The second of four requests is spoilt: every value given is right, and the fault is the right one."""
    server, port, _ = counting
    delay_s = 0.01 if kind == "slow" else 0.0
    server.schedule = lambda n, function: ModbusFault(kind=kind, delay_s=delay_s) if n == 2 else None
    driver = ModbusTcp(make_rig(port, channels=WIDE, timeout_s=SHORT_S if fault == "timeout" else 30.0), 0)
    await driver.open()
    found = ""
    for number in range(1, 5):
        try:
            reply = await driver.scan()
        except DriverFault as trouble:
            found = trouble.fault
            assert f"127.0.0.1:{port} unit 1" in trouble.detail
            break
        assert reply.counts == tuple(100 * number + place for place in (0, 1, 2, 5))
        assert reply.sent_ns < reply.arrived_ns
    assert found == fault
    if fault:
        with pytest.raises(DriverFault) as again:
            await driver.scan()
        assert again.value.fault == fault, "a driver keeps its first fault"
    await driver.close()

    fresh = ModbusTcp(make_rig(port, channels=WIDE), 0)
    await fresh.open()
    number = server.requests + 1
    assert (await fresh.scan()).counts == tuple(100 * number + place for place in (0, 1, 2, 5))
    await fresh.close()


@pytest.mark.parametrize(("kind", "fault"), WRITE_FAULTS.items())
async def test_hostile_writes(counting, make_rig, kind, fault):
    server, port, registers = counting
    server.schedule = lambda n, function: ModbusFault(kind=kind) if n == 2 else None
    rig = make_rig(port, outputs=[("holding", 100)], timeout_s=SHORT_S if fault == "timeout" else 30.0)
    driver = ModbusTcp(rig, 0)
    await driver.open()
    found = ""
    for number in range(1, 5):
        try:
            await driver.drive(0, 1000 + number)
        except DriverFault as trouble:
            found = trouble.fault
            break
        assert registers.written[-1] == ("holding", 100, (1000 + number,))
    assert found == fault
    await driver.close()


async def test_late_answer_never_answers_a_later_request(counting, make_rig):
    """Each late answer arrives while a later request of a fresh connection waits."""
    server, port, _ = counting
    server.schedule = lambda n, function: ModbusFault(kind="slow", delay_s=2 * SHORT_S if n % 2 else SHORT_S / 2)
    for _ in range(3):
        late = ModbusTcp(make_rig(port, timeout_s=SHORT_S), 0)
        await late.open()
        with pytest.raises(DriverFault) as trouble:
            await late.scan()
        assert trouble.value.fault == "timeout"
        fresh = ModbusTcp(make_rig(port), 0)
        await fresh.open()
        assert (await fresh.scan()).counts == (100 * server.requests,)
        await late.close()
        await fresh.close()


@pytest.mark.parametrize("act", ["scan", "drive"])
async def test_cancelled_in_mid_request(counting, make_rig, act):
    server, port, _ = counting
    asked = asyncio.Event()

    def schedule(n: int, function: int) -> ModbusFault | None:
        asked.set()
        return ModbusFault(kind="slow", delay_s=0.02) if n == 1 else None

    server.schedule = schedule
    rig = make_rig(port, outputs=[("holding", 100)])
    driver = ModbusTcp(rig, 0)
    await driver.open()
    task = asyncio.create_task(driver.scan() if act == "scan" else driver.drive(0, 1))
    await asked.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    with pytest.raises(DriverFault) as trouble:
        await driver.scan()
    assert trouble.value.fault == "reset"
    await driver.close()
    fresh = ModbusTcp(rig, 0)
    await fresh.open()
    counts = (await fresh.scan()).counts
    assert counts == ((200,) if act == "scan" else (100,)), "its own read, not the cancelled one's"
    await fresh.close()


async def test_absent_full_and_deaf_devices(make_rig):
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    with pytest.raises(DriverFault, match="no connection") as trouble:
        await ModbusTcp(make_rig(port), 0).open()
    assert trouble.value.fault == "absent"

    with socket.create_server(("127.0.0.1", 0), backlog=0) as deaf:
        port = deaf.getsockname()[1]
        rig = make_rig(port, timeout_s=SHORT_S)
        silent = ModbusTcp(rig, 0)  # connected by the kernel, answered by nobody
        await silent.open()
        with pytest.raises(DriverFault) as trouble:
            await silent.scan()
        assert trouble.value.fault == "timeout"
        full = ModbusTcp(rig, 0)  # the queue is full: not even the kernel answers
        with pytest.raises(DriverFault) as trouble:
            await full.open()
        assert trouble.value.fault == "absent"
        await silent.close()
        await full.close()


async def test_closing_is_noticed_while_idle(counting, make_rig):
    server, port, _ = counting
    driver = ModbusTcp(make_rig(port), 0)
    await driver.open()
    await driver.scan()
    await server.close()
    with pytest.raises(DriverFault) as trouble:
        await driver.scan()
    assert trouble.value.fault == "reset"
    await driver.close()
    await driver.close()  # once more does no harm


async def test_scans_and_writes_share_a_connection(counting, make_rig):
    server, port, registers = counting
    driver = ModbusTcp(make_rig(port, channels=[("holding", 0), ("input", 7)], outputs=[("holding", 100)]), 0)
    await driver.open()

    async def drive() -> None:
        for counts in range(30):
            await driver.drive(0, counts)

    writing = asyncio.create_task(drive())
    for number in range(1, 31):
        assert (await driver.scan()).counts == (100 * (2 * number - 1), 100 * 2 * number)
    await writing
    assert [words for _, _, words in registers.written] == [(counts,) for counts in range(30)]
    assert server.requests == 90
    await driver.close()


@pytest.mark.parametrize("kind", ["close", "babble", "exception"])
async def test_a_fault_ends_those_who_wait_their_turn(counting, make_rig, kind):
    """A write queued behind a scan that fails must not wait for its own time-out, 30 s here."""
    server, port, registers = counting
    server.schedule = lambda n, function: ModbusFault(kind=kind, delay_s=0.01)
    driver = ModbusTcp(make_rig(port, outputs=[("holding", 100)]), 0)
    await driver.open()
    async with asyncio.timeout(20):
        outcomes = await asyncio.gather(driver.scan(), driver.drive(0, 1), driver.drive(0, 2), return_exceptions=True)
    assert [outcome.fault for outcome in outcomes] == [READ_FAULTS[kind]] * 3
    assert server.requests == 1 and not registers.written
    await driver.close()


async def test_coils_and_negative_words_are_written(counting, make_rig):
    _, port, registers = counting
    driver = ModbusTcp(make_rig(port, channels=[], outputs=[("coil", 3), ("holding", 9)]), 0)
    await driver.open()
    await driver.drive(0, 1)
    await driver.drive(0, 0)
    await driver.drive(1, -2)
    assert registers.written == [("coil", 3, (1,)), ("coil", 3, (0,)), ("holding", 9, (0xFFFE,))]
    assert (await driver.scan()).counts == ()
    await driver.close()


async def test_published_frames_on_the_wire(make_rig):
    """Request and reply as printed: TCP example of the Modbus application protocol V1.1b3, 6.3, transaction 3."""
    seen = []

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for number in (1, 2, 3):
            seen.append(await reader.readexactly(12))
            writer.write(bytes((0, number)) + bytes.fromhex("00 00 00 09 01 03 06 02 2B 00 00 00 64"))
        await reader.read()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    driver = ModbusTcp(
        make_rig(server.sockets[0].getsockname()[1], channels=[("holding", 107 + n) for n in range(3)]), 0
    )
    await driver.open()
    for _ in range(3):
        assert (await driver.scan()).counts == (555, 0, 100)
    assert seen[2] == bytes.fromhex("00 03 00 00 00 06 01 03 00 6B 00 03")
    await driver.close()
    server.close()
    await server.wait_closed()


FLOAT_BITS = 0x42F6E979  # 123.456, row C16 of the checked trade facts
PEER_CHANNELS = (
    ("holding", 0),
    ("holding", 10, "float32"),
    ("holding", 12, "float32", "CDAB"),
    ("input", 3, "uint16"),
    ("coil", 5, "bit"),
    ("discrete", 6, "bit"),
    ("holding", 1, "bit", "ABCD", 15),
)
PEER_COUNTS = (-2, FLOAT_BITS, FLOAT_BITS, 65534, 1, 1, 1)


async def test_reads_a_pymodbustcp_server(make_rig):
    """An independent server (pyModbusTCP) and our driver agree on values, writes and refusals."""
    bank = DataBank(h_regs_size=200)
    bank.set_holding_registers(0, [0xFFFE, 0x8000])
    bank.set_holding_registers(10, [0x42F6, 0xE979, 0xE979, 0x42F6])
    bank.set_input_registers(3, [65534])
    bank.set_coils(5, [True])
    bank.set_discrete_inputs(6, [True])
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    server = PeerServer("127.0.0.1", port, no_block=True, data_bank=bank)
    server.start()
    try:
        driver = ModbusTcp(make_rig(port, channels=PEER_CHANNELS, outputs=[("holding", 100), ("coil", 8)]), 0)
        await driver.open()
        assert (await driver.scan()).counts == PEER_COUNTS
        await driver.drive(0, 16000)
        await driver.drive(1, 1)
        assert bank.get_holding_registers(100) == [16000] and bank.get_coils(8) == [True]
        await driver.close()
        beyond = ModbusTcp(make_rig(port, channels=[("holding", 4000)]), 0)
        await beyond.open()
        with pytest.raises(DriverFault, match="exception 2, illegal data address"):
            await beyond.scan()
        await beyond.close()
    finally:
        server.stop()


async def test_reads_a_pymodbus_server(make_rig):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    bits = SimData(0, values=[False] * 5 + [True] * 2 + [False] * 9, datatype=DataType.BITS)
    words = [0xFFFE, 0x8000] + [0] * 8 + [0x42F6, 0xE979, 0xE979, 0x42F6] + [0] * 100
    holding = SimData(0, values=words, datatype=DataType.REGISTERS)
    inputs = SimData(0, values=[65534] * 4, datatype=DataType.REGISTERS)
    device = SimDevice(id=1, simdata=([bits], [bits], [holding], [inputs]))
    server = ModbusTcpServer(device, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    driver = ModbusTcp(make_rig(port, channels=PEER_CHANNELS, outputs=[("holding", 100)]), 0)
    await driver.open()
    assert (await driver.scan()).counts == PEER_COUNTS
    await driver.drive(0, 16000)
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=5, retries=0)
    assert await client.connect()
    assert (await client.read_holding_registers(100, count=1)).registers == [16000]
    client.close()
    await driver.close()
    await server.shutdown()


async def test_largest_reply_arrives_whole(counting, make_rig):
    _, port, _ = counting
    driver = ModbusTcp(make_rig(port, channels=[("input", place, "uint16") for place in range(125)]), 0)
    await driver.open()
    assert (await driver.scan()).counts == tuple(100 + place for place in range(125))
    await driver.close()


def test_settings_that_do_not_fit(make_rig):
    with pytest.raises(Misconfigured) as caught:
        ModbusTcp(make_rig(70000, unit="one", colour="green", host=5), 0)
    for part in ("device io", "port 70000", "unit 'one'", "colour", "host 5"):
        assert part in str(caught.value)
    with pytest.raises(Misconfigured, match="found table input; allowed: holding, coil"):
        ModbusTcp(make_rig(502, outputs=[("input", 3)]), 0)


def test_float_bits_are_123_456():
    assert struct.unpack(">f", FLOAT_BITS.to_bytes(4, "big"))[0] == pytest.approx(123.456, rel=1e-7)
