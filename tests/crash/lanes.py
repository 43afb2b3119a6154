"""One bench of a crash test: a simulated rig with a witness, rig processes on it, and the records they leave.

A lane knows how to bring a run under pressure as a person would, and how to compare what the rig served with what a
record holds. It refuses to believe the rig process: what the outputs did comes from the witness, what was kept comes
from the journal or the sealed record.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigd.control import Client
from rigd.files.load import find, load_rig
from rigd.model.errors import RigUnreachable
from rigd.model.messages import Scan
from rigd.store import archive
from rigd.store.journal import Ending, read_blocks
from rigd.store.runs import list_runs, verify_records

PERSON = "A. Novak"
PROFILE = """
profile: quick
title: Quick burst for crash tests
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
  - fill: {name: Fill, bleed: 0.5 s, until: 10 psi, timeout: 20 s}
  - ramp: {name: Ramp, rate: 15 psi/s, ceiling: 450 psi, rate_tolerance: 10 %}
  - vent: {name: Vent}
  - ask: {name: What failed, timeout: 1 min}
"""
DEMO = load_rig(find("demo", "rig"))
WAIT_S = 60.0  # for anything a busy machine may take its time with
LOOK_S = 0.02
NOT_OF_THE_RUN = 5
"""Reads that were served and are in no record: those that proved the device before the run, and a reply that came too
late on a busy machine. A block that was lost would be ten."""
WIRE_NS = 100_000_000  # a reply of the simulated module, on a busy machine
SWITCHES = 5  # register of the demo rig's word of bits
BITS = tuple(channel.bit for channel in DEMO.channels if channel.type == "bit")


def wait_until(true: Callable[[], Any], words: str, seconds: float = WAIT_S) -> Any:
    """Poll the world outside until something holds; returns it."""
    deadline = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < deadline, f"it did not come to pass: {words}"
        time.sleep(LOOK_S)
    return found


def counts_of(words: list[int]) -> tuple[int, ...]:
    """What a right driver makes of the demo rig's registers: five 16-bit numbers with sign and seven bits."""
    numbers = tuple(word - 65536 if word >= 32768 else word for word in words[:SWITCHES])
    return numbers + tuple((words[SWITCHES] >> bit) & 1 for bit in BITS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """One read that the rig answered."""

    at_ns: int
    counts: tuple[int, ...]


class Lane:
    """Everything of it lies under `folder`; every process ends with `stack`."""

    def __init__(self, folder: Path, stack: contextlib.ExitStack) -> None:
        folder.mkdir()
        self.folder, self._stack = folder, stack
        self.runtime, self.records = folder / "rt", folder / "records"
        self.rig, self.profile, self.witness = folder / "bench.yaml", folder / "quick.yaml", folder / "witness.jsonl"
        self.socket = self.runtime / "demo.sock"
        self.profile.write_text(PROFILE)
        self.environment = os.environ | {"RIGD_RUNTIME": str(self.runtime), "NO_COLOR": "1"}
        self.simulator: subprocess.Popen[bytes]
        self._outputs = 0

    def again(self, name: str) -> "Lane":
        """A fresh one beside it."""
        return Lane(self.folder / name, self._stack)

    # --- processes --------------------------------------------------------------------------------------------------

    def simulate(self, *options: str) -> None:
        command = [sys.executable, "-m", "simulator", "--port", "0", "--witness", str(self.witness), *options]
        self.simulator = self._stack.enter_context(
            subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        )
        self._stack.callback(self.simulator.kill)
        self._wire(json.loads(self.simulator.stdout.readline())["listening"])

    def order(self, text: str) -> None:
        """Let the simulated module misbehave (simulator.modbus_faults.BusOrders)."""
        self.simulator.stdin.write(text.encode() + b"\n")
        self.simulator.stdin.flush()

    def _wire(self, port: int) -> None:
        text = find("demo", "rig").read_text()
        for shipped, here in (("port: 5020", f"port: {port}"), ("  timeout: 20 s", "  timeout: 4 s")):
            assert text.count(shipped) == 1
            text = text.replace(shipped, here)
        self.rig.write_text(text)

    def start(self, *options: str, environment: dict[str, str] | None = None) -> subprocess.Popen[bytes]:
        """Start `rigd run`. What it says goes to files, which never make it wait."""
        command = [
            sys.executable, "-m", "rigd.cli.main", "run", str(self.profile), "--rig", str(self.rig), "--specimen",
            "K-07", "--operator", PERSON, "--records", str(self.records), *options,
        ]  # fmt: skip
        self._outputs += 1
        said = open(self.folder / f"said-{self._outputs}.txt", "wb")
        with said:
            process = self._stack.enter_context(
                subprocess.Popen(
                    command, env=self.environment | (environment or {}), stdin=subprocess.DEVNULL, stdout=said,
                    stderr=subprocess.STDOUT,
                )
            )  # fmt: skip
        self._stack.callback(end, process)
        return process

    @property
    def said(self) -> str:
        """What the newest rig process said."""
        return (self.folder / f"said-{self._outputs}.txt").read_text()

    # --- a person -----------------------------------------------------------------------------------------------------

    def client(self, process: subprocess.Popen[bytes]) -> Client:
        def connect() -> Client | None:
            if process.poll() is not None:
                raise RigUnreachable(f"it has ended and said: {self.said}")
            try:
                return Client(self.socket)
            except RigUnreachable:
                return None

        return wait_until(connect, "a rig process that answers")

    def bring_to(self, state: str, process: subprocess.Popen[bytes], *, above_pa: float = -1e9) -> int:
        """Confirm, reset, arm and start as a person would, until the run is in this state and above this pressure.
        Returns when arming was asked for, on the monotonic clock [ns], 0 when it was not."""
        asked_ns = 0
        deadline = time.monotonic() + WAIT_S
        with self.client(process) as client:
            while True:
                view = client.ask("status").view
                if view["state"] == state and (view["pressure_pa"] or -1e9) >= above_pa:
                    return asked_ns
                prompt = view["prompt"]
                if prompt and prompt["kind"] == "confirm":
                    client.ask("confirm", person=PERSON, named=True, prompt=prompt["prompt"], answer="done")
                elif view["trip_state"] == "RESETTABLE" and state != view["state"]:  # latched by the run before
                    client.ask("reset", person=PERSON, named=True)
                elif view["state"] == "UNPROVEN":  # a machine so busy that no second went by without a gap in the scans
                    client.ask("hand_check", person=PERSON, named=True)
                elif view["state"] == "READY" and state != "READY":
                    asked_ns = asked_ns or time.monotonic_ns()
                    client.ask("arm", person=PERSON, named=True)
                elif view["state"] == "ARMED":
                    client.ask("start", person=PERSON, named=True)
                assert process.poll() is None, self.said
                assert time.monotonic() < deadline, f"still {view}"
                time.sleep(LOOK_S)

    def conclude(self, process: subprocess.Popen[bytes]) -> int:
        """Answer what is asked once the run is over, as a person would who saw nothing. Returns the exit code."""
        deadline = time.monotonic() + WAIT_S
        with contextlib.suppress(RigUnreachable), self.client(process) as client:
            while time.monotonic() < deadline:
                prompt = client.ask("status").view["prompt"]
                if prompt:
                    answer = "nothing" if prompt["kind"] == "choose" else "done"
                    client.ask("confirm", person=PERSON, named=True, prompt=prompt["prompt"], answer=answer)
                time.sleep(LOOK_S)
        return self.last_words(process)

    def answer(self, process: subprocess.Popen[bytes]) -> dict[str, Any]:
        """Answer what is asked now. Returns the view before it."""
        with self.client(process) as client:
            view = client.ask("status").view
            if prompt := view["prompt"]:
                client.ask("confirm", person=PERSON, named=True, prompt=prompt["prompt"], answer="done")
            return view

    def view(self, process: subprocess.Popen[bytes]) -> dict[str, Any]:
        with self.client(process) as client:
            return client.ask("status").view

    # --- what was seen from outside -----------------------------------------------------------------------------------

    def _testimony(self) -> list[dict[str, Any]]:
        lines = self.witness.read_text().split("\n")
        return [json.loads(line) for line in lines[:-1]]  # the last one may still be being written

    def served(self, *, after_ns: int = 0, before_ns: int = 1 << 62) -> list[Served]:
        return [
            Served(at_ns=line["at_ns"], counts=counts_of(line["served"]))
            for line in self._testimony()
            if "served" in line and after_ns < line["at_ns"] <= before_ns
        ]

    def energised(self, *, after_ns: int, before_ns: int = 1 << 62) -> list[tuple[int, bool]]:
        """(time, whether any output was energised): as it stood at after_ns, and each change since."""
        changes: list[tuple[int, bool]] = []
        for line in self._testimony():
            if "energised" in line and [line["energised"]] != [energised for _, energised in changes[-1:]]:
                changes.append((line["at_ns"], line["energised"]))
        before = [change for change in changes if change[0] <= after_ns][-1:]
        return before + [change for change in changes if after_ns < change[0] <= before_ns]

    def safe_after_ns(self, dead_ns: int, *, wire_ns: int = WIRE_NS) -> int:
        """How long after this moment the last output was de-energised for good [ns]; 0: it was already. What was still
        on the wire when the process died is obeyed a little later, and then the time counts from there."""
        seen = self.energised(after_ns=dead_ns)
        assert not seen[-1][1], "something is still energised"
        obeyed = [line["at_ns"] for line in self._testimony() if "written" in line]
        assert not obeyed or obeyed[-1] <= dead_ns + wire_ns, "somebody writes who should be dead"
        return max(0, seen[-1][0] - max(dead_ns, *obeyed[-1:]))

    # --- what was kept ------------------------------------------------------------------------------------------------

    def newest(self) -> Path:
        return list_runs(self.records)[-1].path

    def last_words(self, process: subprocess.Popen[bytes], seconds: float = WAIT_S) -> int:
        """Wait for the process to end. Returns its exit code; a traceback is never what a user sees."""
        code = process.wait(seconds)
        assert "Traceback" not in self.said, self.said
        return code

    def close_what_is_left(self) -> None:
        """Start once more and end in good order: whatever was interrupted is sealed by then."""
        process = self.start()
        self.bring_to("READY", process)
        process.terminate()
        assert self.last_words(process) == 3, self.said

    def verify_all(self) -> None:
        """Every record is sealed and sound, and no number is missing."""
        each, of_folder = verify_records(self.records)
        assert of_folder == () and all(one.ok for one in each), (of_folder, [one.findings for one in each])


def end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.send_signal(signal.SIGCONT)
        process.kill()


def end_closing(folder: Path) -> None:
    """A power cut takes the closing process too. It was started for a run of this test, and is known by its folder."""
    for entry in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            words = (entry / "cmdline").read_bytes().split(b"\0")
            if b"rigd.closing" in words and os.fsencode(folder) in words:
                os.kill(int(entry.name), signal.SIGKILL)


def scans_in_journal(folder: Path) -> tuple[list[tuple[int, ...]], Ending]:
    """The counts of every scan of an open or interrupted run, and how its journal ends."""
    reader = read_blocks(folder)
    counts = [m.counts for block in reader for m in block.input_messages() if type(m) is Scan]
    assert reader.ending is not None
    return counts, reader.ending


def scans_in_record(folder: Path) -> list[tuple[int, ...]]:
    """The counts of every scan of a sealed run, verified first."""
    opened = archive.open_run(folder)
    return [m.counts for block in opened.blocks() for m in block.inputs if type(m) is Scan]


def told(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "run.json").read_text())


def match(recorded: list[tuple[int, ...]], served: list[Served]) -> list[Served]:
    """Which read each recorded scan was. Everything recorded was served, in this order, or this fails."""
    matched, left = [], iter(served)
    for counts in recorded:
        found = next((one for one in left if one.counts == counts), None)
        assert found is not None, f"recorded, and never served by the rig: {counts}"
        matched.append(found)
    return matched


def check_served(recorded: list[tuple[int, ...]], served: list[Served]) -> tuple[int, int]:
    """Returns (reads that were served and not recorded before the last recorded one, when that was served [ns])."""
    matched = match(recorded, served)
    last_ns = matched[-1].at_ns if matched else 0
    return sum(one.at_ns <= last_ns for one in served) - len(matched), last_ns
