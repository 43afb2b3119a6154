"""What our checks cost: `ModbusTcp.scan` against a bare pymodbus read of the same registers, in one run.

The server is a process of its own. Rounds alternate, so that a busy machine spoils both alike, and the ratio is the
median over rounds of CPU time of this process per request: the number that does not depend on who else is awake.

    python benchmarks/scan.py [--rounds 15] [--requests 2000]
"""

import argparse
import asyncio
import dataclasses
import json
import statistics
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from pymodbus.client import AsyncModbusTcpClient

from drivers.modbus_tcp import ModbusTcp
from rigd.model.rig import Address, Channel, Device, Rig
from simulator.modbus_server import ModbusServer

CHANNELS = 8


class Words:
    """Registers that hold still."""

    def read(self, table: str, offset: int, count: int) -> list[int]:
        return [1000 + place for place in range(offset, offset + count)]

    def write(self, table: str, offset: int, words: list[int]) -> None:
        raise LookupError


async def serve() -> None:
    print(await ModbusServer({1: Words()}).listen(), flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)  # until the parent goes


def sketch(shape: type, **known: object) -> object:
    """A shape with only the fields a driver reads; the rest is None."""
    return shape(**{field.name: known.get(field.name) for field in dataclasses.fields(shape)})


def make_rig(port: int) -> Rig:
    settings = (("host", "127.0.0.1"), ("port", port))
    device = Device(name="io", driver="modbus_tcp", settings=settings, scan_ns=1_000_000, timeout_ns=500_000_000)
    channels = tuple(
        sketch(
            Channel,
            name=f"c{place}",
            device=0,
            type="int16",
            order="ABCD",
            bit=0,
            address=Address(table="holding", offset=place),
        )
        for place in range(CHANNELS)
    )
    return sketch(Rig, devices=(device,), channels=channels, outputs=())


async def measure(port: int, rounds: int, requests: int) -> dict:
    bare = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=0.5, retries=0)
    assert await bare.connect()
    ours = ModbusTcp(make_rig(port), 0)
    await ours.open()
    expected = tuple(range(1000, 1000 + CHANNELS))

    async def read_bare() -> None:
        for _ in range(requests):
            assert len((await bare.read_holding_registers(0, count=CHANNELS)).registers) == CHANNELS

    async def scan_ours() -> None:
        for _ in range(requests):
            assert (await ours.scan()).counts == expected

    wall: dict[str, list[float]] = {"bare": [], "ours": []}
    cpu: dict[str, list[float]] = {"bare": [], "ours": []}
    for _ in range(rounds):
        for name, work in (("bare", read_bare), ("ours", scan_ours)):
            began, began_cpu = time.perf_counter(), time.process_time()
            await work()
            cpu[name].append((time.process_time() - began_cpu) / requests * 1e6)
            wall[name].append((time.perf_counter() - began) / requests)
    bare.close()
    await ours.close()
    ratios = [a / b for a, b in zip(cpu["ours"], cpu["bare"], strict=True)]
    return {
        "bare_per_s": round(1 / statistics.median(wall["bare"])),
        "ours_per_s": round(1 / statistics.median(wall["ours"])),
        "bare_cpu_us": round(statistics.median(cpu["bare"]), 1),
        "ours_cpu_us": round(statistics.median(cpu["ours"]), 1),
        "ratio_cpu": round(statistics.median(ratios), 3),
        "ratio_cpu_min": round(min(ratios), 3),
        "ratio_cpu_max": round(max(ratios), 3),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--requests", type=int, default=2000)
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        asyncio.run(serve())
        return
    command = [sys.executable, __file__, "--serve"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        port = int(server.stdout.readline())
        print(json.dumps(asyncio.run(measure(port, options.rounds, options.requests))))
        server.stdin.close()


if __name__ == "__main__":
    main()
