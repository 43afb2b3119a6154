"""A bench for tests of the live world: the demo rig on a port of its own, a quick profile, and processes that end."""

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from rigd.control import Client
from rigd.files.load import find, load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.live.job import Job, Mounted
from rigd.model.errors import RigUnreachable

PERSON = "A. Novak"
QUICK = """
profile: quick
title: Quick burst for tests
method: none, invented for tests
display: psi
max: 450 psi
minimum: none
peak_tolerance: 1 psi
zero_shift: 5 psi
signs: {drop: 8 psi, drop_fraction: 3 %, lag: 12 psi, lag_time: 300 ms, mark: 2 s}
required: [make, size, lot, water_temperature, specimen_temperature, conditioning, surroundings, mounting, end_closure]
arm: [Nobody is near the chamber]
skips: {mount: a test has no hands, proof: a test has no time, close_down: a test has no bench}
steps:
  - fill: {name: Fill, bleed: 1 s, until: 10 psi, timeout: 20 s}
  - ramp: {name: Ramp, rate: 15 psi/s, ceiling: 450 psi, rate_tolerance: 10 %}
  - vent: {name: Vent}
  - ask: {name: What failed, timeout: 1 min}
"""
SURGES = """
profile: few-surges
title: A few surges for tests
method: none, invented for tests
display: psi
max: 100 psi
minimum: none
peak_tolerance: 1 psi
zero_shift: 1.5 psi
signs: {drop: 8 psi, drop_fraction: 3 %, lag: 4 psi, lag_time: 300 ms, mark: 3 s}
required: [make]
arm: [Nobody is near the chamber]
skips: {mount: no hands here, fill: no time here, proof: no time here, close_down: no bench here}
steps:
  - surge:
      name: Surges
      medium: water
      outlet: capped
      shape: square
      shot: charge
      pressure: 85 psi
      peak_tolerance: 20 %
      charge: 86 psi
      charge_tolerance: 15 %
      sag: 40 %
      rise: 50 ms
      hold: 150 ms
      release_valve_opens: 30 ms
      blow_down: {below: 2.5 psi, within: 3 s}
      drain: 100 ms
      rest: 100 ms
      threshold: 40 psi
      blocks: [BLOCK]
      between: rest
      between_time: 100 ms
      slug: none
      water: 0 s
      give_up: 10
      minimum_cycles: none
      normal: {cycles: 2, departure: 30 %}
  - vent: {name: Vent}
  - ask: {name: What failed, timeout: 1 min}
"""
"""BLOCK is how many."""
WAIT_S = 40.0  # for anything a busy machine may take its time with


@pytest.fixture
def surges() -> str:
    """The text of a surge profile; BLOCK stands for how many."""
    return SURGES


@pytest.fixture
def quick_job(tmp_path: Path) -> Job:
    """The demo rig, the quick profile and the shipped specimen, as a Job of this process."""
    rig_bytes, profile_bytes = find("demo", "rig").read_bytes(), QUICK.encode()
    specimen_bytes = find("K-07", "specimen").read_bytes()
    return Job(
        rig=load_rig_bytes(rig_bytes, "demo"),
        profile=load_profile_bytes(profile_bytes, "quick"),
        mounted=(
            Mounted(
                station=0, specimen=load_specimen_bytes(specimen_bytes, "K-07"), specimen_bytes=specimen_bytes
            ),
        ),
        rig_bytes=rig_bytes, profile_bytes=profile_bytes,
        display_pa=6894.757293168361, records=tmp_path / "records", person=PERSON, named=True, confirmed=False,
    )  # fmt: skip


@dataclass
class Bench:
    """Starts a simulated rig and rig processes, each ended with the test."""

    folder: Path
    stack: contextlib.ExitStack
    rig: Path = field(init=False)

    def __post_init__(self) -> None:
        self.environment = os.environ | {"RIGD_RUNTIME": str(self.folder / "rt"), "NO_COLOR": "1", "COLUMNS": "120"}
        self.records = self.folder / "records"
        self.rig = self.folder / "bench.yaml"
        self.profile = self.folder / "quick.yaml"
        self.profile.write_text(QUICK)
        self.socket = self.folder / "rt" / "demo.sock"

    def simulate(self, *options: str) -> subprocess.Popen[bytes]:
        process = self.stack.enter_context(
            subprocess.Popen(
                [sys.executable, "-m", "simulator", "--port", "0", *options],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
            )
        )
        self.stack.callback(process.kill)
        self.wire(json.loads(process.stdout.readline())["listening"])
        return process

    def wire(self, port: int, rig: str = "demo", shipped_port: int = 5020) -> None:
        """The shipped rig on this port, and patient: no test here is about silence, and a scan that comes late on a
        busy machine must not trip it."""
        text = find(rig, "rig").read_text()
        for shipped, here in (
            (f"port: {shipped_port}", f"port: {port}"), ("  timeout: 20 s", "  timeout: 4 s"),
            ("timeout: 100 ms", "timeout: 500 ms"), ("stale: 100 ms", "stale: 500 ms"),
        ):  # fmt: skip
            assert text.count(shipped) == 1
            text = text.replace(shipped, here)
        self.rig.write_text(text)

    def simulate_stations(self, *bodies: str) -> "SurgeRig":
        """The shipped rig with four stations, and a quick profile of `block` surges."""
        process = self.stack.enter_context(
            subprocess.Popen(
                [sys.executable, "-m", "simulator", "--rig", "demo-surge", "--port", "0", "--body", ",".join(bodies)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            )
        )  # fmt: skip
        self.stack.callback(process.kill)
        self.wire(json.loads(process.stdout.readline())["listening"], "demo-surge", 5021)
        self.socket = self.folder / "rt" / "demo-surge.sock"
        return SurgeRig(process)

    def start(
        self, *options: str, under: tuple[str, ...] = (), specimens: tuple[str, ...] = ("K-07",), **popen: Any
    ) -> subprocess.Popen[str]:
        """Start `rigd run`; the simulated person confirms by flag."""
        mounted = [word for specimen in specimens for word in ("--specimen", specimen)]
        command = [
            *under, sys.executable, "-m", "rigd.cli.main", "run", str(self.profile), "--rig", str(self.rig),
            *mounted, "--operator", PERSON, "--records", str(self.records), "--json", *options,
        ]  # fmt: skip
        process = self.stack.enter_context(
            subprocess.Popen(
                command, env=self.environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                stderr=subprocess.PIPE, text=True, **popen,
            )
        )  # fmt: skip
        self.stack.callback(process.kill)
        return process

    def rigd(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Any verb, from another process."""
        return subprocess.run(
            [sys.executable, "-m", "rigd.cli.main", *words], env=self.environment, capture_output=True, text=True,
            timeout=WAIT_S, check=False,
        )  # fmt: skip

    def connect(self, process: subprocess.Popen[str]) -> Client:
        """As soon as it answers. A socket that is there may be that of a process which was killed, or be bound and not
        yet listened at."""
        deadline = time.monotonic() + WAIT_S
        while True:
            try:
                return Client(self.socket)
            except RigUnreachable:
                assert process.poll() is None, process.communicate()
                assert time.monotonic() < deadline, "nobody answers"
                time.sleep(0.02)

    def view(self, true: Callable[[dict[str, Any]], bool], process: subprocess.Popen[str]) -> dict[str, Any]:
        """Watch until a view is as wanted; answers the questions that come before pressure."""
        deadline = time.monotonic() + WAIT_S
        with self.connect(process) as client:
            client.ask("watch")
            seen: dict[str, Any] = {}
            for frame in client.frames(WAIT_S):
                if frame.kind != "view":
                    continue
                seen = frame.body
                if true(seen):
                    return seen
                prompt = seen["prompt"]
                if prompt and prompt["kind"] == "confirm":
                    client.ask("confirm", person=PERSON, named=True, prompt=prompt["prompt"], answer="done")
                assert time.monotonic() < deadline, f"still {seen}"
        raise RigUnreachable(f"no view came; the last: {seen}")


class SurgeRig:
    """The simulated rig with stations; `truth` is what each specimen says of itself, by station."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self.process = process
        self.truth: dict[int, dict[str, Any]] = {}
        threading.Thread(target=self._look, name="window", daemon=True).start()

    def _look(self) -> None:
        for line in self.process.stdout:
            told = json.loads(line)
            self.truth[told["station"]] = told["truth"]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with contextlib.ExitStack() as stack:
        yield Bench(tmp_path, stack)
