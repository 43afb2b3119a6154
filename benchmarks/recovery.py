"""What a start costs after a night that was cut off: from the command to a safe rig, and to a rig that is served.

    python benchmarks/recovery.py [--hours 12] [--seal]

Two starts of `rigd run` on the simulated rig, over Modbus TCP, each with a records folder of its own: an empty one, and
one with the journal of an interrupted run of so many hours at 100 Hz, 12 channels. The second must cost no more than
the first, because recovery is another process's work. Times are read from outside: when the simulated module obeyed the
first write, when the first scan of the run was served, when the socket told the state. `--seal` also waits until the
night is sealed. The journal is synthetic: its scans are all alike, and what an engine said about them is left out.
"""

import argparse
import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from hashlib import sha256
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rigd.control import Client
from rigd.files.load import find, load_rig
from rigd.model.errors import RigUnreachable
from rigd.model.messages import HostReport, Opened, Scan
from rigd.store.edition import edition
from rigd.store.journal import BlockBuilder, identity, segment_header, segment_path
from rigd.store.runs import allocate, list_runs

ROOT = Path(__file__).resolve().parents[1]
SCAN_NS, PER_BLOCK, BLOCKS_A_SEGMENT = 10_000_000, 10, 600
UTC_NS = 1_795_000_000_000_000_000
COUNTS = (4000, 4001, 3999, 12918, 2003, 1, 1, 1, 0, 0, 0, 0)
START_TARGET_S, SAFE_TARGET_S = 5.0, 1.0


def write_night(records: Path, hours: float) -> int:
    """The journal of a run that was killed after so many hours. Returns its size [bytes]."""
    files = {"rig.yaml": find("demo", "rig").read_bytes(), "profile.yaml": find("ramped-burst", "profile").read_bytes(),
             "specimen.yaml": find("K-07", "specimen").read_bytes()}  # fmt: skip
    given = allocate(records, profile="ramped-burst", specimen="K-07", utc_ns=UTC_NS, files=files)
    hashes = {name: sha256(data).hexdigest() for name, data in files.items()}
    whose = identity(run=given.number, version=edition(), files=tuple(hashes.items()))
    builder = BlockBuilder(whose)
    builder.add_input(
        Opened(seq=0, t_ns=0, run=given.number, utc_ns=UTC_NS, version=edition(), rig_sha256=hashes["rig.yaml"],
               profile_sha256=hashes["profile.yaml"], specimen_sha256=hashes["specimen.yaml"], latched=())
    )  # fmt: skip
    (given.path / "journal").mkdir()
    seq, t_ns, size = 1, 0, 0
    for segment in range(int(hours * 60)):
        with open(segment_path(given.path, segment + 1), "wb") as file:
            for block in range(BLOCKS_A_SEGMENT):
                for _ in range(PER_BLOCK):
                    t_ns += SCAN_NS
                    builder.add_input(Scan(seq=seq, t_ns=t_ns, device=0, age_us=400, width_us=600, counts=COUNTS))
                    seq += 1
                builder.add_input(
                    HostReport(seq=seq, t_ns=t_ns + 1000, journal_lag_us=500, write_error="", free_bytes=1 << 40,
                               missed_ticks=0, inbox_full=False, utc_ns=UTC_NS + t_ns + 1000)
                )  # fmt: skip
                seq += 1
                framed = builder.take()
                if not block:
                    file.write(segment_header(number=segment + 1, identity=whose, block=framed))
                file.write(framed)
            size += file.tell()
    return size


class Bench:
    """A simulated rig with a witness, and a start of the rig process on it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.witness, self.rig = folder, folder / "witness.jsonl", folder / "rig.yaml"
        command = [sys.executable, "-m", "simulator", "--port", "0", "--witness", str(self.witness)]
        self.simulator = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        port = json.loads(self.simulator.stdout.readline())["listening"]
        self.rig.write_text(find("demo", "rig").read_text().replace("port: 5020", f"port: {port}"))
        self.environment = os.environ | {"RIGD_RUNTIME": str(folder / "rt")}

    def start(self, records: Path, name: str) -> subprocess.Popen[bytes]:
        self.witness.write_text("")
        began_ns = time.monotonic_ns()
        process = subprocess.Popen(
            [sys.executable, "-m", "rigd.cli.main", "run", "ramped-burst", "--rig", str(self.rig), "--specimen", "K-07",
             "--operator", "Bench", "--records", str(records)],
            cwd=ROOT, env=self.environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        self._wait_for_answer(process)
        answered_ns = time.monotonic_ns()
        while sum(b"served" in line for line in self.witness.read_bytes().splitlines()) < 3:
            time.sleep(0.01)
        seen = [json.loads(line) for line in self.witness.read_text().splitlines()[:-1]]
        safe_ns = next(line["at_ns"] for line in seen if "written" in line)
        scans = [line["at_ns"] for line in seen if "served" in line]
        print(
            f"{name:28} safe after {(safe_ns - began_ns) / 1e9:5.2f} s (target {SAFE_TARGET_S:g})   "
            f"served after {(scans[1] - began_ns) / 1e9:5.2f} s (target {START_TARGET_S:g})   "
            f"answers after {(answered_ns - began_ns) / 1e9:5.2f} s"
        )
        return process

    def _wait_for_answer(self, process: subprocess.Popen[bytes]) -> None:
        socket = self.folder / "rt" / "demo.sock"
        while process.poll() is None:
            with contextlib.suppress(RigUnreachable), Client(socket) as client:
                client.ask("status")
                return
            time.sleep(0.01)
        sys.exit("the rig process ended")

    def close(self) -> None:
        self.simulator.stdin.close()
        self.simulator.wait()


def end(process: subprocess.Popen[bytes]) -> None:
    process.send_signal(signal.SIGKILL)
    process.wait()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--seal", action="store_true", help="wait until the night is sealed")
    options = parser.parse_args()
    assert len(COUNTS) == len(load_rig(find("demo", "rig")).channels)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        night = folder / "night"
        size = write_night(night, options.hours)
        print(f"the journal of {options.hours:g} h has {size / 1e6:,.0f} MB")
        bench = Bench(folder)
        for again in ("", ", again"):
            end(bench.start(folder / f"empty{again}", f"nothing to recover{again}"))
        process = bench.start(night, f"{options.hours:g} h to recover")
        began_s = time.monotonic()
        if options.seal:
            while list_runs(night)[0].state != "sealed":
                time.sleep(1.0)
            print(f"the night was sealed, beside the rig, in {time.monotonic() - began_s:,.0f} s")
        end(process)
        end_closing(night)
        bench.close()


def end_closing(records: Path) -> None:
    """What still seals the night has no use any more. Only what was started here: it names our folder."""
    for entry in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if str(records).encode() in (entry / "cmdline").read_bytes():
                os.kill(int(entry.name), signal.SIGKILL)


if __name__ == "__main__":
    main()
