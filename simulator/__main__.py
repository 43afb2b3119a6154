"""The simulated rig as a program of its own: a plant in real time behind a Modbus TCP server on loopback.

    python -m simulator --rig demo --port 0 --seed 1 --body rupture

Point any Modbus client at it. The first line on standard output is JSON, {"listening": PORT}; each later line is what a
person at the window would see, written when it changes, and lines on standard input are orders to that person's hands
(simulator.window tells both) or orders that spoil replies (simulator.modbus_faults.BusOrders). It ends on SIGTERM, on
Ctrl-C, and when its standard input closes, so that it never outlives the program that started it.

A rig with several stations is a surge bench (simulator.surge_bench): its bodies are kinds with commas between, and its
faults name their station. With --profile the bench has what this profile needs: a cap that is turned
(simulator.cap_bench), a drain and its cups (simulator.drain_bench) or gas (simulator.gas_bench). Everything
it simulates is invented.
"""

import argparse
import asyncio
import contextlib
import json
import os
import signal
import sys
from typing import TextIO

from rigd.model import errors
from rigd.model.rig import Rig
from simulator.benches import Iron, place_bench
from simulator.bodies import KINDS
from simulator.faults import FAULTS
from simulator.gas_bench import GasPlant, shipped_step
from simulator.io_module import RealTime, place_modules
from simulator.modbus_faults import BusOrders, schedule_faults
from simulator.modbus_server import ModbusServer
from simulator.plant import Plant
from simulator.surge_bench import SurgeBench
from simulator.surge_bodies import KINDS as SURGE_KINDS
from simulator.surge_faults import FAULTS as SURGE_FAULTS
from simulator.window import WINDOWS, Hands, Window
from simulator.witness import Witness

BEAT_S = 0.02
"""The plant lives on at least so often without being asked, so that its relay drops out and its body fails on time."""


def main() -> int:
    options = parse_options()
    try:
        return asyncio.run(serve(load(options.rig), options))
    except errors.RigdError as error:
        print(error, file=sys.stderr)
        return error.exit_code


def parse_options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m simulator",
        description="A simulated pressure rig behind Modbus TCP on 127.0.0.1. Everything it simulates is invented.",
        epilog=f"Bodies: {', '.join(KINDS)}. Faults: {', '.join(FAULTS)}. On a rig with several stations, bodies: "
        f"{', '.join(SURGE_KINDS)}; faults: {', '.join(SURGE_FAULTS)}.",
    )
    parser.add_argument("--rig", default="demo", help="rig file, or the bare name of one that comes with rigd")
    parser.add_argument("--port", type=int, default=0, help="0 takes a free one, printed on the first line")
    parser.add_argument("--seed", type=int, default=1, help="draws the body, the iron and the noise")
    parser.add_argument("--profile", default="", help="one with a leak test or a flush: serves its bench")
    parser.add_argument("--body", default="", metavar="KIND", help="how the body ends; drawn from the seed if left out")
    parser.add_argument("--fault", action="append", default=[], metavar="KIND[@SECONDS]", help="may be given again")
    parser.add_argument(
        "--bus-fault",
        action="append",
        default=[],
        metavar="KIND[:SECONDS]@REQUEST[+]",
        help="spoil the reply to this request, and with + to every later one; may be given again",
    )
    parser.add_argument("--witness", default="", metavar="FILE", help="append what an outsider saw, as JSON lines")
    return parser.parse_args()


def load(name: str) -> Rig:
    """The rig file of this path, or the shipped one of this bare name."""
    # Imported here: reading files costs more than everything else this program needs.
    from rigd.files.load import find, load_rig

    return load_rig(find(name, "rig"))


async def serve(rig: Rig, options: argparse.Namespace) -> int:
    plant = place_iron(rig, options)
    world = RealTime(plant)
    units = place_modules(rig, world)
    if options.witness:
        if not isinstance(plant, Plant):
            raise errors.UsageRefused("--witness: found stations, a cap or a drain; allowed: a rig with one body")
        witness = Witness(plant, open_witness(options.witness))
        world.after_step = witness.look
        units = witness.over(units)
    orders = BusOrders(schedule_faults(options.bus_fault))
    server = ModbusServer(units, schedule=orders)
    try:
        port = await server.listen(port=options.port)
    except (OSError, OverflowError) as error:
        raise errors.RigBusy(f"port {options.port} on 127.0.0.1: {error}; allowed: a free one, 0 finds it") from error
    stopped = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stopped.set)
    window = WINDOWS[type(plant)](plant)
    watch_parent(loop, stopped, Hands(plant, window, orders))
    tell({"listening": port})
    await live(world, window, stopped)
    await server.close()
    return 0


def place_iron(rig: Rig, options: argparse.Namespace) -> Iron:
    faults, seed = tuple(options.fault), options.seed
    if options.profile:
        from rigd.files.load import find, load_profile

        return place_bench(rig, load_profile(find(options.profile, "profile")), seed=seed, faults=faults)
    if rig.stations == 1 and not any(volume.water_m3 for volume in rig.volumes):
        if options.body:
            raise errors.UsageRefused(f"--body {options.body}: found a rig of gas; allowed: none, its bodies only leak")
        return GasPlant(rig, shipped_step(), seed=seed, faults=faults)
    if rig.stations == 1:
        return Plant(rig, seed=seed, body=options.body, faults=faults)
    return SurgeBench(rig, seed=seed, bodies=tuple(options.body.split(",")), faults=faults)


def open_witness(path: str) -> TextIO:
    """The file a witness writes to, until this program ends."""
    try:
        return open(path, "a", encoding="ascii")
    except OSError as error:
        raise errors.CannotCreate(f"--witness {path}: {error.strerror}; allowed: a file that can be written") from None


async def live(world: RealTime, window: Window, stopped: asyncio.Event) -> None:
    """Keep the plant alive between requests, and say what there is to see whenever it changes."""
    told: dict[int, dict] = {}
    while not stopped.is_set():
        world.catch_up()
        for at, sight in enumerate(window.sights()):
            if sight != told.get(at):
                tell(sight)
                told[at] = sight
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(BEAT_S):
                await stopped.wait()


def watch_parent(loop: asyncio.AbstractEventLoop, stopped: asyncio.Event, orders: Hands) -> None:
    """Take orders from standard input, and stop when it closes. A file or /dev/null there is nobody's hand: then only
    a signal ends us."""
    if sys.stdin is None:
        return
    fd, received = sys.stdin.fileno(), bytearray()

    def read() -> None:
        try:
            data = os.read(fd, 4096)
        except OSError:
            data = b""
        if not data:
            loop.remove_reader(fd)
            stopped.set()
        received.extend(data)
        *lines, rest = bytes(received).split(b"\n")
        received[:] = rest
        for line in lines:
            try:
                orders.take(line.decode("ascii", "replace"))
            except errors.UsageRefused as refused:
                print(refused, file=sys.stderr)

    with contextlib.suppress(PermissionError):  # the kernel cannot watch a file
        loop.add_reader(fd, read)


def tell(line: dict) -> None:
    """One JSON line, at once. Whoever does not read any more has no use for us: standard input will say so."""
    with contextlib.suppress(BrokenPipeError):
        os.write(sys.stdout.fileno(), json.dumps(line).encode() + b"\n")


if __name__ == "__main__":
    sys.exit(main())
