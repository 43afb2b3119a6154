"""A rig with only what a driver reads: the other fields are None, so a driver that peeks fails."""

import dataclasses
import itertools
from collections.abc import Callable, Sequence

import pytest

from rigd.model.rig import Address, Channel, Device, Output, Rig
from simulator.modbus_server import ModbusServer


def sketch(shape: type, **known: object) -> object:
    return shape(**{field.name: known.get(field.name) for field in dataclasses.fields(shape)})


class CountingRegisters:
    """Every read returns words never returned before: word k of read n is 100 n + k. So a reply that answers another
    request than the one asked is seen. Writes are kept."""

    def __init__(self) -> None:
        self.reads = itertools.count(1)
        self.written: list[tuple[str, int, tuple[int, ...]]] = []

    def read(self, table: str, offset: int, count: int) -> list[int]:
        number = next(self.reads)
        return [100 * number + place for place in range(count)]

    def write(self, table: str, offset: int, words: Sequence[int]) -> None:
        self.written.append((table, offset, tuple(words)))


@pytest.fixture
def make_channel() -> Callable[..., Channel]:
    def make(table: str, offset: int, type: str = "int16", order: str = "ABCD", bit: int = 0) -> Channel:
        address = Address(table=table, offset=offset)
        return sketch(Channel, name=f"{table}_{offset}", device=0, address=address, type=type, order=order, bit=bit)

    return make


@pytest.fixture
def make_rig(make_channel) -> Callable[..., Rig]:
    """make_rig(port, channels=[("holding", 0, ...)], outputs=[("holding", 100)], timeout_s=, **settings)"""

    def make(port: int, *, channels=(("holding", 0),), outputs=(), timeout_s: float = 30.0, **settings) -> Rig:
        given = tuple({"host": "127.0.0.1", "port": port, **settings}.items())
        timeout_ns = int(timeout_s * 1e9)
        device = Device(name="io", driver="modbus_tcp", settings=given, scan_ns=10**7, timeout_ns=timeout_ns)
        made_outputs = tuple(
            sketch(Output, name=f"o{offset}", device=0, address=Address(table=table, offset=offset))
            for table, offset in outputs
        )
        made_channels = tuple(make_channel(*channel) for channel in channels)
        return sketch(Rig, devices=(device,), channels=made_channels, outputs=made_outputs)

    return make


@pytest.fixture
async def counting():
    """(server, port, registers) with every read different."""
    registers = CountingRegisters()
    server = ModbusServer({1: registers})
    port = await server.listen()
    yield server, port, registers
    await server.close()
