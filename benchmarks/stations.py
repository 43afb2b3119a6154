"""What eight stations cost the rig process: missed scans and processor time, live, over Modbus TCP, under surges.

Three programs, as at a bench: the simulated eight-station rig (a process of its own; each station's module is read 200
times a second), `rigd run` exactly as shipped with a specimen at every station, and here a person who answers. When all
stations surge, the rig process is watched from outside for some seconds: its processor time from the system, what its
scans missed from its own records. Its closing processes run beside it, niced, and are not counted: the figure is the
process that guards the pressure.

    python benchmarks/stations.py [--stations 8] [--seconds 30] [--watched]
"""

import argparse
import contextlib
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rigd.control import Client
from rigd.files.load import find
from rigd.model.errors import RigUnreachable
from rigd.store.archive import open_run

ROOT = Path(__file__).resolve().parents[1]
MISSED_TARGET, CPU_TARGET = 0.003, 0.40
PERSON = "benchmark"
WAIT_S = 120.0
LOADED_S = 20.0  # by then every closing process has started and loaded what it needs
PROFILE = """
profile: endless-surges
title: Surges without end, for the benchmark
method: none, invented for a benchmark
display: psi
max: 100 psi
minimum: none
peak_tolerance: 1 psi
zero_shift: 1.5 psi
signs: {drop: 8 psi, drop_fraction: 3 %, lag: 4 psi, lag_time: 300 ms, mark: 3 s}
required: [make]
arm: [Nobody is near the chamber]
skips: {mount: a benchmark, fill: a benchmark, proof: a benchmark, close_down: a benchmark}
steps:
  - surge:
      name: Surges
      medium: water
      outlet: capped
      shape: square
      shot: charge
      pressure: 85 psi
      peak_tolerance: 30 %
      charge: 86 psi
      charge_tolerance: 30 %
      sag: 50 %
      rise: 50 ms
      hold: 200 ms
      release_valve_opens: 30 ms
      blow_down: {below: 2.5 psi, within: 3 s}
      drain: 100 ms
      rest: 200 ms
      threshold: 40 psi
      blocks: [1000]
      between: rest
      between_time: 100 ms
      slug: none
      water: 0 s
      give_up: 1000
      minimum_cycles: none
      normal: {cycles: 2, departure: 30 %}
  - vent: {name: Vent}
  - ask: {name: What failed, timeout: 1 min}
"""


def rig_on(port: int) -> str:
    """The shipped rig with this port, each module a unit of its own: all are simulated behind one."""
    text, number = find("demo-surge-8", "rig").read_text(), 0

    def place(match: re.Match[str]) -> str:
        nonlocal number
        number += 1
        return f"port: {port or 502}, unit: {number}"

    text, found = re.subn(r"port: \d+, unit: 1", place, text)
    assert found == 8
    return text


def processor_s(process: int) -> float:
    """User and system time of one process so far [s]."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def attend(
    socket: Path, stations: int, until: Callable[[dict[int, dict[str, Any]]], bool]
) -> dict[int, dict[str, Any]]:
    """Answer every station's questions until the views are as wanted."""
    deadline = time.monotonic() + WAIT_S
    seen: dict[int, dict[str, Any]] = {}
    answered: set[tuple[int, int]] = set()
    while time.monotonic() < deadline:
        with contextlib.suppress(RigUnreachable), Client(socket) as client:
            while time.monotonic() < deadline:
                view = client.ask("status").view
                seen = {each["station"]: each for each in view.get("stations", [view])}
                if len(seen) == stations and until(seen):
                    return seen
                for number, each in seen.items():
                    prompt = each["prompt"]
                    if prompt and (number, prompt["prompt"]) not in answered:
                        answered.add((number, prompt["prompt"]))
                        client.ask("confirm", person=PERSON, named=True, station=number, prompt=prompt["prompt"],
                                   answer="done")  # fmt: skip
                time.sleep(0.1)
        time.sleep(0.1)
    stand = {number: (view["state"], view["first_out"], view["words"]) for number, view in seen.items()}
    raise SystemExit(f"not there within {WAIT_S:g} s: {stand}")


def missed_in(record: Path, from_ns: int, to_ns: int) -> int:
    """Scans of all devices that were not made on time, as one station's record tells."""
    told = 0
    for message in open_run(record).events():
        if getattr(message, "kind", "") == "missed" and from_ns <= message.t_ns < to_ns:
            told += int(dict(message.data)["count"])
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=8, help="with a specimen; the others are empty")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--watched", action="store_true", help="somebody looks at the rig meanwhile")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rigd-bench-") as place:
        print(json.dumps(measure(Path(place), options)))


def measure(place: Path, options: argparse.Namespace) -> dict[str, Any]:
    environment = os.environ | {"RIGD_RUNTIME": str(place / "rt"), "PYTHONPATH": str(ROOT)}
    rig, profile = place / "rig.yaml", place / "surges.yaml"
    rig.write_text(rig_on(0))
    profile.write_text(PROFILE)
    simulator = [
        sys.executable,
        "-m",
        "simulator",
        "--rig",
        str(rig),
        "--port",
        "0",
        "--body",
        ",".join(["strong"] * 8),
    ]
    words = [sys.executable, "-m", "rigd.cli.main", "run", str(profile), "--rig", str(rig), "--operator", PERSON,
             "--records", str(place / "records"), "--set", "make=K", "--json"]  # fmt: skip
    for number in range(1, options.stations + 1):
        words += ["--specimen", f"{number}=B-{number}" if options.stations else "", "--confirm", f"B-{number}"]
    with subprocess.Popen(simulator, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment) as iron:
        rig.write_text(rig_on(json.loads(iron.stdout.readline())["listening"]))
        # Lines of the window come whenever something is seen: nobody reads them here, and the pipe may not fill.
        swallow = subprocess.Popen(["cat"], stdin=iron.stdout, stdout=subprocess.DEVNULL)
        with subprocess.Popen(words, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, env=environment) as process:
            told = watch(process, place / "rt" / "demo-surge-8.sock", options)
            process.terminate()
            said = json.loads(process.communicate(timeout=300)[0])
        iron.terminate()
        swallow.wait()
    stations = said.get("stations", [said])
    missed = missed_in(Path(stations[0]["record"]), *told.pop("window_ns"))
    due = 8 * 200 * told["seconds"]
    return told | {
        "stations": options.stations, "scans_due": round(due), "missed": missed, "missed_share": round(missed / due, 5),
        "missed_target": MISSED_TARGET, "cpu_target": CPU_TARGET,
        "replay": sorted({each["replay"] for each in stations}),
    }  # fmt: skip


def watch(process: subprocess.Popen[bytes], socket: Path, options: argparse.Namespace) -> dict[str, Any]:
    """Processor time of the rig process per second of surges, and how long a cycle took meanwhile."""

    def surging(seen: dict[int, dict[str, Any]]) -> bool:
        return all(dict(view["counted"]).get("cycles_valid", 0) >= 1 for view in seen.values())

    def look() -> tuple[float, float, int, int]:
        view = attend(socket, options.stations, lambda seen: True)
        cycles = sum(dict(each["counted"])["cycles_applied"] for each in view.values())
        return time.monotonic(), processor_s(process.pid), cycles, min(each["t_ns"] for each in view.values())

    attend(socket, options.stations, surging)
    time.sleep(LOADED_S)
    began_s, used_s, cycles, from_ns = look()
    if options.watched:
        with Client(socket) as client:
            client.ask("watch")
            for _ in client.frames(1.0):
                if time.monotonic() - began_s >= options.seconds:
                    break
    else:
        time.sleep(options.seconds)
    ended_s, used_then_s, cycles_then, to_ns = look()
    seconds = ended_s - began_s
    return {
        "seconds": round(seconds, 1), "cpu_share": round((used_then_s - used_s) / seconds, 3),
        "cycles": cycles_then - cycles, "watched": options.watched, "window_ns": (from_ns, to_ns),
    }  # fmt: skip


if __name__ == "__main__":
    main()
