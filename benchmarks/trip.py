"""How long from a reply over the limit to the vent valve's write, through everything that lies between.

A Modbus server in a process of its own answers scans at 1 kHz; now and then the first specimen channel stands over its
trip. Its clock starts when it hands that reply to the wire and stops when the write that opens the vent arrives:
driver, inbox, journal block, engine and the writes that come before it (inlet and supply shut first, so that inlet and
vent are never told to be open together) are all inside. Beside it a niced process closes one run after another.

    python benchmarks/trip.py [--trips 10000]
"""

import argparse
import asyncio
import copy
import gc
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drivers.registry import DRIVERS
from rigd.engine.engine import Engine
from rigd.files.load import find, load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.live.devices import Device
from rigd.live.inbox import Inbox
from rigd.loop import Loop
from rigd.model.messages import HostReport, Kick, Opened, OperatorAction, Prompt, Scan, ValveCommand
from rigd.model.rig import Rig
from rigd.store.journal import BlockBuilder, identity
from simulator.modbus_server import ModbusServer
from simulator.plant import Plant

VENT = 102  # register of the demo rig's vent output
OVER = 4000 + 16 * 600  # 600 psi as the demo rig's transmitters say it
QUIET_SCANS = 3  # between arming anew and the next reply over the limit
NAMES = (("rig", "demo"), ("profile", "ramped-burst"), ("specimen", "K-07"))


class Registers:
    """Channels that stand still except for the reply that trips; remembers how long the vent's write took."""

    def __init__(self, channels: list[int]) -> None:
        self.channels, self.delays_us = channels, []
        self._outputs: dict[int, int] = {}
        self._quiet, self._over_ns = -1, 0

    def read(self, table: str, offset: int, count: int) -> list[int]:
        words = list(self.channels)
        energised = [self._outputs.get(register, 0) for register in (100, 101, 102, 103)]
        words[5] = 0b111 | sum(bit << (4 + place) for place, bit in enumerate(energised))
        if self._quiet > 0:
            self._quiet -= 1
        elif self._quiet == 0:
            self._quiet = -1
            words[0], self._over_ns = OVER, time.perf_counter_ns()
        return words[offset : offset + count]

    def write(self, table: str, offset: int, words: list[int]) -> None:
        self._outputs[offset] = words[0]
        if offset != VENT:
            return
        if words[0]:
            self._quiet = QUIET_SCANS
        elif self._over_ns:
            self.delays_us.append((time.perf_counter_ns() - self._over_ns) / 1000)
            self._over_ns = 0


async def serve(channels: list[int]) -> None:
    registers = Registers(channels)
    server = ModbusServer({1: registers})
    print(await server.listen(), flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline)  # until the parent has had enough
    print(json.dumps(registers.delays_us), flush=True)
    await server.close()


def load() -> tuple[Rig, object, object]:
    loaders = (load_rig_bytes, load_profile_bytes, load_specimen_bytes)
    texts = [find(name, kind).read_bytes() for kind, name in NAMES]
    return tuple(loader(text, name) for loader, text, (_, name) in zip(loaders, texts, NAMES, strict=True))


def run_up(rig: Rig, profile: object, specimen: object) -> tuple[Engine, Plant]:
    """An engine in mid-ramp, brought there by the plant under virtual time."""
    engine, plant = Engine(rig, profile, specimen), Plant(rig, seed=1, body="strong")
    seq, t_ns, due = 0, 0, []

    def turn(shape: type, **fields: object) -> None:
        nonlocal seq, t_ns
        for output in engine.step(shape(seq=seq, t_ns=t_ns, **fields)):
            if type(output) in (ValveCommand, Kick):
                plant.drive(output.output, output.counts)
            elif type(output) is Prompt:
                due.append(output)
        seq, t_ns = seq + 1, t_ns + 1000

    def act(act: str, **fields: object) -> None:
        turn(OperatorAction, act=act, person="nobody", named=True, source="benchmark", **fields)

    turn(Opened, run=1, utc_ns=0, version="", rig_sha256="", profile_sha256="", specimen_sha256="", latched=())
    while not (engine.state == "RUNNING" and engine.view().step_name == "Ramp to failure" and plant.specimen_pa > 1e6):
        plant.advance(0.01)
        t_ns += 10_000_000
        turn(Scan, device=0, age_us=400, width_us=600, counts=plant.counts(0))
        if seq % 10 == 0:
            turn(HostReport, journal_lag_us=0, write_error="", free_bytes=1 << 40, missed_ticks=0, inbox_full=False,
                 utc_ns=t_ns)  # fmt: skip
        if due:
            act("confirm", prompt=due.pop().prompt, answer="done")
        elif engine.state in ("READY", "ARMED"):
            act({"READY": "arm", "ARMED": "start"}[engine.state])
        assert t_ns < 120e9, engine.view()
    return engine, plant


async def measure(rig: Rig, prototype: Engine, server: subprocess.Popen, trips: int) -> None:
    """Trip again and again, each time with a fresh copy of the engine in mid-ramp."""
    tripped = asyncio.Event()
    builder = BlockBuilder(identity(run=1, version="", files=()))
    device = Device(rig, 0, DRIVERS["modbus_tcp"])
    vent = next(at for at, output in enumerate(rig.outputs) if output.role == "vent")

    def drive(output: int, counts: int) -> None:
        device.drive(output, counts)
        if output == vent and counts == 0:
            tripped.set()

    loop = Loop(prototype, builder, lambda block: None, drive=drive, publish=lambda output: None)
    inbox = Inbox(lambda message: loop.turn(message))
    shared = {id(shape): shape for shape in (prototype.rig, prototype.profile, prototype.specimen)}

    async def arm_again() -> None:
        for _ in range(trips):
            loop.engine = copy.deepcopy(prototype, dict(shared))
            inbox.last_t_ns = prototype.now_ns
            inbox.opened_ns = time.monotonic_ns() - prototype.now_ns - 1000
            loop.flush()
            tripped.clear()
            for output in range(len(rig.outputs)):
                if output != vent:
                    device.drive(output, max(prototype.outputs.commanded[output], 0))
            device.drive(vent, 1)
            async with asyncio.timeout(5):
                await tripped.wait()
            await asyncio.sleep(0.002)  # the writes of this trip reach the server

    gc.collect()
    gc.freeze()  # as the rig process does
    await device.connect()
    loop.engine = copy.deepcopy(prototype, dict(shared))
    supervising = asyncio.create_task(device.supervise(inbox))
    while device.state != "up":  # noqa: ASYNC110 - a device sets no event for a benchmark
        await asyncio.sleep(0.01)
    await arm_again()
    supervising.cancel()
    await asyncio.gather(supervising, return_exceptions=True)
    server.stdin.write("enough\n")
    server.stdin.flush()


def close_for_ever(folder: Path) -> None:
    """Close one copy of an open run after another, as the closing process beside a run does."""
    from rigd.closing.closer import close_run

    os.nice(10)
    for number in range(1_000_000):
        copied = folder.parent / f"again-{number}"
        shutil.copytree(folder, copied)
        close_run(copied)
        subprocess.run(["chmod", "-R", "u+w", str(copied)], check=True)
        shutil.rmtree(copied)


def open_run(folder: Path) -> Path:
    """A run as a killed process leaves it: recorded under virtual time, its journal not sealed."""
    from rigd.cli import demo_virtual

    async def leave(_: Path) -> str:
        return "left open on purpose"

    demo_virtual._seal = leave
    return demo_virtual.play(seed=1, body="", faults=(), records=folder).record


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trips", type=int, default=10_000)
    parser.add_argument("--serve", help=argparse.SUPPRESS)
    parser.add_argument("--close", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        asyncio.run(serve(json.loads(options.serve)))
        return
    if options.close:
        close_for_ever(Path(options.close))
        return
    rig, profile, specimen = load()
    prototype, plant = run_up(rig, profile, specimen)
    words = [*plant.counts(0)[:5], 0]
    me = [sys.executable, __file__]
    with tempfile.TemporaryDirectory() as folder:
        beside = subprocess.Popen([*me, "--close", str(open_run(Path(folder)))])
        serving = subprocess.Popen(
            [*me, "--serve", json.dumps(words)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        try:
            text = find("demo", "rig").read_text().replace("port: 5020", f"port: {int(serving.stdout.readline())}")
            fast = load_rig_bytes(text.replace("scan: 10 ms", "scan: 1 ms").encode(), "demo")
            asyncio.run(measure(fast, prototype, serving, options.trips))
            delays_us = sorted(json.loads(serving.stdout.readline()))
        finally:
            for process in (beside, serving):
                process.kill()
                process.wait()
    at = lambda share: round(delays_us[min(len(delays_us) - 1, int(share * len(delays_us)))])  # noqa: E731
    print(json.dumps({"trips": len(delays_us), "p50_us": round(statistics.median(delays_us)), "p99_us": at(0.99),
                      "p99_9_us": at(0.999), "max_us": round(delays_us[-1])}))  # fmt: skip


if __name__ == "__main__":
    main()
