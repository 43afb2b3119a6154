"""Our Modbus TCP server against published frames, against mbpoll (an independent client), and as its own program.

Published frames: RTU and TCP examples as printed in manuals and in the Modbus application protocol V1.1b3, collected in
the checked trade facts (section 7, Modbus RTU); a frame's CRC is checked here first, so that a slip in copying shows.
"""

import asyncio
import dataclasses
import json
import struct
import subprocess
import sys
from collections.abc import Sequence

import pytest

from drivers.modbus_tcp import ModbusTcp
from rigd.files.load import find, load_rig
from rigd.model.errors import UsageRefused
from rigd.model.rig import Rig
from simulator.io_module import STEP_NS, Module, RealTime, place_modules
from simulator.modbus_faults import ModbusFault, schedule_faults
from simulator.modbus_server import BACKLOG_MAX, ModbusServer, pack_bits, unpack_bits

SIZE = 300

PATIENCE_S = 30.0
"""No test waits this long unless it fails: then it fails instead of hanging."""


class Memory:
    """Four tables that remember."""

    def __init__(self) -> None:
        self.tables = {table: [0] * SIZE for table in ("coil", "discrete", "holding", "input")}

    def read(self, table: str, offset: int, count: int) -> list[int]:
        if offset + count > SIZE:
            raise LookupError
        return self.tables[table][offset : offset + count]

    def write(self, table: str, offset: int, words: Sequence[int]) -> None:
        if offset + len(words) > SIZE:
            raise LookupError
        self.tables[table][offset : offset + len(words)] = words


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS: start 0xFFFF, reflected polynomial 0xA001; over a whole good frame it is 0."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def pdu_of(text: str) -> bytes:
    """What stands between address and CRC of a published RTU frame."""
    frame = bytes.fromhex(text)
    assert crc16(frame) == 0, f"{text}: copied wrongly"
    return frame[1:-2]


def test_crc_and_the_frames_known_to_be_wrong():
    assert crc16(b"123456789") == 0x4B37
    # Wrong CRCs that were printed in a manual.
    for text in ("01 03 00 6B 00 03 76 87", "01 03 06 02 2B 00 00 00 64 39 80"):
        assert crc16(bytes.fromhex(text)) != 0


PUBLISHED = [
    # (request, reply, what stands where before)
    ("01 03 00 6B 00 03 74 17", "01 03 06 02 2B 00 00 00 64 05 7A", ("holding", 107, [555, 0, 100])),
    ("11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD", ("holding", 107, [0xAE41, 0x5652, 0x4340])),
    ("11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA", ("holding", 107, [555, 0, 100])),
    ("01 03 00 00 00 02 C4 0B", "01 03 04 00 0A 00 14 DA 3E", ("holding", 0, [10, 20])),
    ("11 04 00 08 00 01 B2 98", "11 04 02 FF FE B8 83", ("input", 8, [0xFFFE])),
]


@pytest.mark.parametrize(("request_text", "reply_text", "before"), PUBLISHED)
def test_published_reads(request_text, reply_text, before):
    memory = Memory()
    memory.write(*before)
    assert ModbusServer({1: memory}).answer(1, pdu_of(request_text)) == pdu_of(reply_text)


def test_published_writes_and_bits():
    memory = Memory()
    server = ModbusServer({17: memory})
    single = pdu_of("11 06 00 64 12 34 C7 F2")
    assert server.answer(17, single) == single and memory.tables["holding"][100] == 0x1234
    many = pdu_of("11 10 00 64 00 02 04 12 34 56 78 DB 80")
    assert server.answer(17, many) == pdu_of("11 10 00 64 00 02 02 87")
    assert memory.tables["holding"][100:102] == [0x1234, 0x5678]
    coil = pdu_of("11 05 00 13 FF 00 7F 6F")
    assert server.answer(17, coil) == coil and memory.tables["coil"][19] == 1
    # Coils 20 to 56 hold CD 6B B2 0E 1B and inputs 197 to 218 AC DB 35: examples of the application protocol's 6.1 and
    # 6.2 and of the frames `11 01 00 13 00 25 0E 84` and `11 02 00 C4 00 16 BA A9` (their replies from memory).
    memory.write("coil", 19, unpack_bits(bytes.fromhex("CD 6B B2 0E 1B"), 37))
    assert server.answer(17, pdu_of("11 01 00 13 00 25 0E 84")) == bytes.fromhex("01 05 CD 6B B2 0E 1B")
    memory.write("discrete", 196, unpack_bits(bytes.fromhex("AC DB 35"), 22))
    assert server.answer(17, pdu_of("11 02 00 C4 00 16 BA A9")) == bytes.fromhex("02 03 AC DB 35")
    # Ten coils from 20 as CD 01: example of the application protocol's 6.11 (from memory).
    assert server.answer(17, bytes.fromhex("0F 00 13 00 0A 02 CD 01")) == bytes.fromhex("0F 00 13 00 0A")
    assert pack_bits(memory.tables["coil"][19:29]) == bytes.fromhex("CD 01")


REFUSALS = [
    ("08 00 00 12 34", "88 01"),  # a function we do not serve
    ("03 01 2B 00 02", "83 02"),  # register 299 exists, 300 does not
    ("04 FF FF 00 01", "84 02"),
    ("06 01 2C 00 01", "86 02"),
    ("03 00 00 00 00", "83 03"),  # none
    ("03 00 00 00 7E", "83 03"),  # 126 registers: row C15 of the checked trade facts allows 125
    ("01 00 00 07 D1", "81 03"),  # 2001 bits
    ("05 00 00 12 34", "85 03"),  # neither on nor off
    ("10 00 00 00 02 04 00 01", "90 03"),  # promises four bytes, brings two
    ("10 00 00 00 02 02 00 01", "90 03"),  # two registers in two bytes
    ("03 00", "83 03"),  # cut short
    ("10 00", "90 03"),
]


@pytest.mark.parametrize(("request_text", "reply_text"), REFUSALS)
def test_refusals(request_text, reply_text):
    server = ModbusServer({1: Memory()})
    assert server.answer(1, bytes.fromhex(request_text)) == bytes.fromhex(reply_text)
    assert server.answer(9, bytes.fromhex(request_text)) == bytes((int(request_text[:2], 16) | 0x80, 11))


@pytest.fixture
async def memory_server():
    memory = Memory()
    server = ModbusServer({1: memory})
    port = await server.listen()
    yield server, port, memory
    await server.close()


def read_request(transaction: int, offset: int, count: int = 1) -> bytes:
    return struct.pack(">HHHBBHH", transaction, 0, 6, 1, 3, offset, count)


async def test_pipelined_requests_are_answered_in_order(memory_server):
    """Also when one of them is late, and when the bytes come in odd pieces."""
    server, port, memory = memory_server
    memory.write("holding", 0, range(SIZE))
    server.schedule = lambda n, function: ModbusFault(kind="slow", delay_s=0.01) if n == 20 else None
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    requests = b"".join(read_request(1000 + number, number) for number in range(50))
    for start in range(0, len(requests), 7):
        writer.write(requests[start : start + 7])
    async with asyncio.timeout(PATIENCE_S):
        for number in range(50):
            assert struct.unpack(">HHHBBBH", await reader.readexactly(11)) == (1000 + number, 0, 5, 1, 3, 2, number)
    writer.close()
    await writer.wait_closed()
    assert server.requests == 50


@pytest.mark.parametrize("words", ["00 01 00 01 00 06 01 03 00 00 00 01", "00 01 00 00 FF FF 01 03", "0A" * 40])
async def test_what_is_no_modbus_is_cut_off(memory_server, words):
    _, port, _ = memory_server
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(bytes.fromhex(words))
    async with asyncio.timeout(PATIENCE_S):
        assert await reader.read() == b""
    writer.close()
    await writer.wait_closed()


async def test_a_client_that_only_asks_is_cut_off(memory_server):
    server, port, _ = memory_server
    server.schedule = lambda n, function: ModbusFault(kind="slow", delay_s=3600.0) if n == 1 else None
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(read_request(1, 0) * (BACKLOG_MAX + 2))
    try:
        async with asyncio.timeout(PATIENCE_S):
            answered = await reader.read()
    except ConnectionResetError:
        answered = b""
    assert answered == b""
    writer.close()


async def poll(tool: str, port: int, *words: str) -> str:
    """Run mbpoll against our server, which runs in this loop."""
    command = [tool, "-m", "tcp", "-p", str(port), "-a", "1", "-0", "-q", *words]
    process = await asyncio.create_subprocess_exec(*command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    output, _ = await process.communicate()
    assert process.returncode == 0, output.decode()
    return output.decode()


def values_of(output: str) -> list[str]:
    return [line.split("\t", 1)[1].strip() for line in output.splitlines() if line.startswith("[")]


async def test_mbpoll_reads_and_writes(memory_server, require_tool):
    tool = require_tool("mbpoll")
    _, port, memory = memory_server
    memory.write("holding", 0, [0xFFFE, 4000])
    memory.write("input", 10, [0x3F80, 0x0000, 0x42F6, 0xE979])  # 1.0 and 123.456: row C16 of the checked trade facts
    memory.write("coil", 3, [1, 0, 1])
    int16 = await poll(tool, port, "-r", "0", "-c", "2", "-t", "4", "-1", "127.0.0.1")
    assert values_of(int16) == ["65534 (-2)", "4000"]
    floats = await poll(tool, port, "-r", "10", "-c", "2", "-t", "3:float", "-B", "-1", "127.0.0.1")
    assert [float(value) for value in values_of(floats)] == pytest.approx([1.0, 123.456], rel=1e-6)
    assert values_of(await poll(tool, port, "-r", "3", "-c", "3", "-t", "0", "-1", "127.0.0.1")) == ["1", "0", "1"]
    await poll(tool, port, "-r", "100", "-t", "4", "127.0.0.1", "16000")
    await poll(tool, port, "-r", "101", "-t", "4:float", "-B", "127.0.0.1", "123.456")
    await poll(tool, port, "-r", "7", "-t", "0", "127.0.0.1", "1")
    assert memory.tables["holding"][100:103] == [16000, 0x42F6, 0xE979] and memory.tables["coil"][7] == 1


def test_faults_asked_for_in_words():
    schedule = schedule_faults(["silent@3", "slow:0.05@5+", "close@7"])
    kinds = [getattr(schedule(n, 3), "kind", "") for n in range(1, 9)]
    assert kinds == ["", "", "silent", "", "slow", "slow", "close", "slow"]
    assert schedule(5, 3).delay_s == 0.05
    assert schedule_faults([]) is None
    with pytest.raises(UsageRefused, match=r"'nonsense@1'(.|\n)*'silent'(.|\n)*'silent@0'"):
        schedule_faults(["nonsense@1", "silent", "silent@0"])


class StillPlant:
    """A plant that only remembers what was done to it."""

    def __init__(self, counts: tuple[int, ...]) -> None:
        self.held, self.steps, self.driven = counts, [], []

    def advance(self, dt_s: float) -> None:
        self.steps.append(dt_s)

    def counts(self, device: int) -> tuple[int, ...]:
        return self.held

    def drive(self, output: int, counts: int) -> None:
        self.driven.append((output, counts))


@pytest.fixture(scope="module")
def demo() -> Rig:
    return load_rig(find("demo", "rig"))


def test_registers_of_the_demo_rig(demo):
    """Counts stand where the rig file says, outputs are driven by index, everything else refuses."""
    counts = tuple(-2 - n if c.type != "bit" else c.bit % 2 for n, c in enumerate(demo.channels))
    plant, now = StillPlant(counts), [0]
    module = Module(demo, 0, RealTime(plant, clock_ns=lambda: now[0]))
    image = module.read("holding", 0, 6)
    assert image[:5] == [65534, 65533, 65532, 65531, 65530]
    assert image[5] == sum(1 << c.bit for c in demo.channels if c.type == "bit" and c.bit % 2)
    plant.held = tuple(0 if c.type == "bit" else value for c, value in zip(demo.channels, counts, strict=True))
    assert module.read("holding", 5, 1) == [0], "a bit that fell is seen to fall"
    for index, output in enumerate(demo.outputs):
        module.write("holding", output.address.offset, [index])
        assert module.read("holding", output.address.offset, 1) == [index]
    assert plant.driven == [(index, index) for index in range(len(demo.outputs))]
    for offset, words in ((0, [1]), (99, [1]), (demo.outputs[-1].address.offset, [1, 1])):
        with pytest.raises(LookupError):
            module.write("holding", offset, words)
    for table, offset in (("holding", 5000), ("input", 0), ("coil", 0)):
        with pytest.raises(LookupError):
            module.read(table, offset, 1)
    assert plant.driven == [(index, index) for index in range(len(demo.outputs))]


def test_the_plant_lives_as_long_as_the_clock():
    plant, now = StillPlant(()), [0]
    world = RealTime(plant, clock_ns=lambda: now[0])
    for moment_ns in (400_000, 1_400_000, 1_900_000, 30_000_001):
        now[0] = moment_ns
        world.catch_up()
        assert len(plant.steps) == moment_ns // STEP_NS
    now[0] += 3600 * 10**9
    world.catch_up()
    assert len(plant.steps) == 30 + 1000, "after a long sleep it lives through one second and no more"
    assert set(plant.steps) == {STEP_NS / 1e9}


def on_port(rig: Rig, port: int) -> Rig:
    """The same rig, its device behind another port, with a patience no loaded machine exhausts."""
    (device,) = rig.devices
    settings = tuple((dict(device.settings) | {"host": "127.0.0.1", "port": port}).items())
    return dataclasses.replace(rig, devices=(dataclasses.replace(device, settings=settings, timeout_ns=30 * 10**9),))


async def start_program(*words: str) -> asyncio.subprocess.Process:
    command = [sys.executable, "-m", "simulator", *words]
    return await asyncio.create_subprocess_exec(
        *command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )


async def test_the_program_serves_the_demo_rig_and_drops_its_watchdog(demo):
    """Driven through the driver; without kicks the relay isolates and vents by itself; ends when its parent lets go."""
    program = await start_program("--rig", "demo", "--seed", "7", "--body", "strong")
    port = json.loads(await program.stdout.readline())["listening"]
    assert json.loads(await program.stdout.readline()) == {"seen": "nothing", "truth": {"strength_pa": None}}
    driver = ModbusTcp(on_port(demo, port), 0)
    await driver.open()
    names = [channel.name for channel in demo.channels]
    roles = {output.role: (index, output) for index, output in enumerate(demo.outputs)}
    watchdog, _ = roles["watchdog"]
    vent, vent_output = roles["vent"]
    shut = vent_output.read_back

    async def scan() -> tuple[int, ...]:
        return (await driver.scan()).counts

    at_rest = await scan()
    assert len(at_rest) == len(names) and at_rest[shut] == 0, "de-energised is open"
    # Zero gauge pressure is 4 mA, sent as microamperes (see the rig file); noise and offset are far below 1 mA.
    assert all(3000 < at_rest[names.index(name)] < 5000 for name in ("specimen_a", "specimen_b", "tank"))
    kicks = 1
    await driver.drive(watchdog, kicks)
    await driver.drive(vent, vent_output.counts_energised)
    async with asyncio.timeout(PATIENCE_S):
        while (await scan())[shut] == 0:
            kicks += 1
            await driver.drive(watchdog, kicks)
        while (await scan())[shut] == 1:  # no more kicks
            pass
    await driver.close()
    program.stdin.close()
    assert await program.wait() == 0
    assert await program.stderr.read() == b""


async def test_mbpoll_reads_the_program(require_tool):
    tool = require_tool("mbpoll")
    program = await start_program()
    port = json.loads(await program.stdout.readline())["listening"]
    seen = values_of(await poll(tool, port, "-r", "0", "-c", "3", "-t", "4", "-1", "127.0.0.1"))
    assert len(seen) == 3 and all(3000 < int(value) < 5000 for value in seen)  # zero pressure, as above
    program.stdin.close()
    assert await program.wait() == 0


async def test_the_program_ends_on_sigterm_and_refuses_in_words():
    program = await start_program("--bus-fault", "silent@1")
    port = json.loads(await program.stdout.readline())["listening"]
    second = await start_program("--port", str(port))
    _, words = await second.communicate()
    assert second.returncode == 75 and str(port).encode() in words and b"Traceback" not in words
    program.terminate()
    assert await program.wait() == 0
    assert await program.stderr.read() == b""
    program.stdin.close()
    wrong = await start_program("--body", "nonsense")
    _, words = await wrong.communicate()
    assert wrong.returncode == 2 and b"found 'nonsense'; allowed: " in words and b"Traceback" not in words


def test_two_devices_behind_one_port_need_two_units(demo):
    world = RealTime(StillPlant(()), clock_ns=lambda: 0)
    (device,) = demo.devices
    twice = dataclasses.replace(demo, devices=(device, dataclasses.replace(device, name="io2")))
    with pytest.raises(Exception, match="io2: found unit 1 twice"):
        place_modules(twice, world)
    other = dataclasses.replace(device, driver="pigeon")
    with pytest.raises(Exception, match="found driver pigeon; allowed here: modbus_tcp"):
        place_modules(dataclasses.replace(demo, devices=(other,)), world)
