"""The cycles table of a long test, and what closing a night of surges costs.

Limit: a table of 1,000,000 cycles opens in under 1 s, in pandas and in pyarrow (with every page's checksum verified).
Then a night of 30,000 cycles of 20 scans each is played into a journal and closed in a process of its own, as is one of
a tenth of it: the memory of the two says whether closing holds the night or a minute of it. All data are invented.

    python benchmarks/cycles.py [--rows 1000000] [--night 30000]
"""

import argparse
import hashlib
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from rigd.engine.engine import Engine
from rigd.files.load import find, load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.loop import Loop
from rigd.model.messages import HostReport, Opened, OperatorAction, Scan
from rigd.model.profile import Surge
from rigd.store import cycles, runs
from rigd.store.journal import FOLDER, BlockBuilder, identity, segment_header, segment_path

LIMIT_S = 1.0
SCAN_NS = 50_000_000
BLOCK_SCANS = 2  # a block at most 100 ms
SEGMENT_NS = 60_000_000_000
TIMES = 3
QUICK = (
    (b"scan: 10 ms", b"scan: 50 ms"), (b"stale: 100 ms", b"stale: 250 ms"), (b"[12, 12]", b"[%d]"),
    (b"hold: 400 ms", b"hold: 300 ms"), (b"drain: 200 ms", b"drain: 100 ms"), (b"rest: 1 s", b"rest: 150 ms"),
    (b"minimum_cycles: 24", b"minimum_cycles: none")
)  # fmt: skip

SPECIMEN = b"""specimen: K-01
make: K
size: short
lot: L7
water_temperature: 20 degC
specimen_temperature: 20 degC
conditioning: 2 h
surroundings: in air
mounting: cage
end_closure: free
"""


def table_of_rows(count: int) -> pa.Table:
    """A table of so many invented cycles, in the types of the real one."""
    chance = np.random.default_rng(5)
    floats = {
        "charge_pa": chance.normal(592_000.0, 800.0, count), "peak_sampled_pa": chance.normal(586_000.0, 900.0, count),
        "trough_pa": chance.normal(2000.0, 300.0, count), "rise_pa_per_s": chance.normal(1.6e7, 2e5, count),
        "overshoot_pa": np.abs(chance.normal(0.0, 900.0, count)),
    }  # fmt: skip
    whole = {
        "seq": np.arange(count) * 160, "t_ns": np.arange(count) * 1_200_000_000, "cycle": np.arange(count) + 1,
        "block": np.arange(count) // 12, "released_ns": np.arange(count) * 1_200_000_000 - 800_000_000,
        "gap_ns": 10_000_000 + chance.integers(0, 300, count) * 1000, "above_ns": chance.integers(2e8, 3e8, count),
        "blow_down_ns": chance.integers(5e7, 6e7, count), "return_ns": chance.integers(5e7, 9e7, count),
    }  # fmt: skip
    columns = {}
    for name, (kind, _, _) in cycles.COLUMNS.items():
        if name in floats or name in whole:
            columns[name] = pa.array({**floats, **whole}[name]).cast(kind)
        elif pa.types.is_boolean(kind):
            columns[name] = pa.array(chance.random(count) < 0.99)
        elif pa.types.is_string(kind):
            columns[name] = pa.array(np.where(chance.random(count) < 0.99, "", "sagged; peak_low"))
        else:
            columns[name] = pa.nulls(count, kind)
    empty = cycles.table_of_lines(cycles.heading(), about={"run": 1})
    return pa.table(columns).cast(empty.schema)


def best_of(read, path: Path) -> float:
    """Seconds of the quickest of a few readings."""
    spent = []
    for _ in range(TIMES):
        start = time.perf_counter()
        read(path)
        spent.append(time.perf_counter() - start)
    return min(spent)


def open_table(count: int, place: Path) -> bool:
    path = place / cycles.PARQUET
    table = table_of_rows(count)
    start = time.perf_counter()
    path.write_bytes(cycles.parquet_bytes(table))
    megabytes = path.stat().st_size / 1e6
    print(f"a table of {count:,} cycles: {megabytes:.0f} MB, written in {time.perf_counter() - start:.2f} s")
    read = {
        "pandas": best_of(pd.read_parquet, path),
        "pyarrow, checksums verified": best_of(lambda p: pq.read_table(p, page_checksum_verification=True), path),
        "polars": best_of(pl.read_parquet, path),
        "duckdb, all columns": best_of(lambda p: duckdb.connect().execute(f"select * from '{p}'").fetchnumpy(), path),
    }
    for name, seconds in read.items():
        print(f"  {name:28s} {seconds:6.3f} s   limit {LIMIT_S:g}")
    assert pd.read_parquet(path).attrs["units"]["charge_pa"] == "Pa"
    return read["pandas"] < LIMIT_S and read["pyarrow, checksums verified"] < LIMIT_S


class Plant:
    """One station whose pressure goes where the valves send it, at once: what costs is engine and record."""

    def __init__(self, records: Path, count: int) -> None:
        rig_bytes, profile_bytes = find("demo", "rig").read_bytes(), find("cyclic-surge", "profile").read_bytes()
        for old, new in QUICK:
            new = new % count if b"%d" in new else new
            rig_bytes, profile_bytes = rig_bytes.replace(old, new), profile_bytes.replace(old, new)
        head, _, part = profile_bytes.partition(b"      moving_part:")
        profile_bytes = head + b"  - vent:" + part.partition(b"  - vent:")[2]
        specimen_bytes = SPECIMEN
        files = {"rig.yaml": rig_bytes, "profile.yaml": profile_bytes, "specimen.yaml": specimen_bytes}
        self.rig, profile = load_rig_bytes(rig_bytes, "rig.yaml"), load_profile_bytes(profile_bytes, "profile.yaml")
        self.engine = Engine(self.rig, profile, load_specimen_bytes(specimen_bytes, "specimen.yaml"))
        hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
        self.whose = identity(run=1, version="0", files=tuple(hashes.items()))
        given = runs.allocate(records, profile="cyclic-surge", specimen="K-01", utc_ns=10**18, files=files)
        self.folder, self.builder = given.path, BlockBuilder(self.whose)
        (self.folder / FOLDER).mkdir()
        self.loop = Loop(self.engine, self.builder, self._keep, drive=self._drive, publish=lambda said: None)
        self.out = {output.role: 0 for output in self.rig.outputs}
        self.a = self.tank = 0.0
        self.seq = self.t_ns = self.segments = 0
        self._segment, self._born_ns = [], 0
        self.send(Opened, run=1, utc_ns=10**18, version="0", rig_sha256=hashes["rig.yaml"], latched=(),
                  profile_sha256=hashes["profile.yaml"], specimen_sha256=hashes["specimen.yaml"])  # fmt: skip

    def send(self, shape: type, **fields: object) -> None:
        self.t_ns += 1_000
        self.loop.turn(shape(seq=self.seq, t_ns=self.t_ns, **fields))
        self.seq += 1

    def _drive(self, output: int, counts: int) -> None:
        self.out[self.rig.outputs[output].role] = counts

    def _keep(self, block: bytes) -> None:
        self._segment.append(block)
        if self.t_ns - self._born_ns >= SEGMENT_NS:
            self.cut()

    def cut(self) -> None:
        """A segment is full: it goes to the disk, as the journal's writer does it."""
        self.segments += 1
        header = segment_header(number=self.segments, identity=self.whose, block=self._segment[0])
        segment_path(self.folder, self.segments).write_bytes(header + b"".join(self._segment))
        self._segment, self._born_ns = [], self.t_ns

    def counts(self) -> tuple[int, ...]:
        values = {"specimen_a": self.a, "specimen_b": self.a, "tank": self.tank, "supply": 625.0}
        found = []
        for channel in self.rig.channels:
            if channel.name in values:
                found.append(round(4000 + 16 * values[channel.name] + self.seq % 3))
            elif channel.role == "read_back":
                shape = next(o for o in self.rig.outputs if o.read_back == self.rig.channels.index(channel))
                found.append(int(self.out[shape.role] != shape.counts_safe))
            else:
                found.append(2100 if channel.role == "water_temperature" else 1)
        return tuple(found)

    def turn(self) -> None:
        if self.out["supply"]:
            self.tank = self.out["set_point"] / 16
        self.a = 0.0 if not self.out["vent"] else self.tank if self.out["inlet"] else self.a
        if self.out["fill"] and self.out["vent"]:
            self.a = 40.0
        self.t_ns += SCAN_NS - 2_000
        self.send(Scan, device=0, age_us=400, width_us=600, counts=self.counts())
        if self.seq % (2 * BLOCK_SCANS + 1) == 0:
            self.loop.flush()
            self.send(HostReport, journal_lag_us=0, write_error="", free_bytes=1 << 40, missed_ticks=0,
                      inbox_full=False, utc_ns=10**18 + self.t_ns)  # fmt: skip
            self._answer()

    def _answer(self) -> None:
        prompt, state = self.engine.questions.prompt, self.engine.state
        acts = {"READY": "arm", "ARMED": "start"}
        if prompt is not None:
            answer = "nothing" if prompt.field == "observation" else prompt.choices[0] if prompt.choices else "done"
            self._act("confirm", prompt=prompt.prompt, answer=answer)
        elif state in acts:
            self._act(acts[state])

    def _act(self, act: str, **fields: object) -> None:
        self.send(OperatorAction, act=act, person="B. Bench", named=True, source="simulated person", **fields)

    def play(self) -> None:
        most = 40_000 + 40 * sum(sum(step.blocks) for step in self.engine.profile.steps if type(step) is Surge)
        for _ in range(most):
            self.turn()
            if self.engine.done:
                break
        assert self.engine.outcome == "run_out", self.engine.view()
        self.loop.flush()
        self._segment.append(self.builder.close())
        self.cut()


# VmHWM and not ru_maxrss, which a new process takes over from the one that started it.
CLOSE = """
import sys
from pathlib import Path
from rigd.closing.closer import close_run
run = close_run(Path(sys.argv[1]))
assert run["engine_and_measured_agree"] is True and run["replay"] == "identical", run["measured"]
most = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM:"))
print(int(most.split()[1]) / 1024, run["surges"]["counts"]["cycles_applied"], run["rows"])
"""


def close_night(count: int, place: Path) -> float:
    """Play and close a night. Returns the most memory its closing process had [MB]."""
    start = time.perf_counter()
    plant = Plant(place / str(count), count)
    plant.play()
    played_s = time.perf_counter() - start
    start = time.perf_counter()
    words = [sys.executable, "-c", CLOSE, str(plant.folder)]
    told = subprocess.run(words, check=True, capture_output=True, text=True).stdout.split()
    spent_s, hours = time.perf_counter() - start, plant.t_ns / 3.6e12
    megabytes, applied, rows = float(told[0]), int(told[1]), int(told[2])
    print(f"{applied:,} cycles, {rows:,} scans, {hours:.1f} h: played in {played_s:.0f} s, closed in {spent_s:.0f} s")
    print(f"  {spent_s / rows * 1e6:.0f} us a scan; most memory of the closing process {megabytes:.0f} MB")
    return megabytes


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--night", type=int, default=30_000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        quick = open_table(asked.rows, place)
        if asked.night:
            short, long = close_night(asked.night // 10, place), close_night(asked.night, place)
            print(f"  ten times the cycles: {long - short:+.0f} MB")
        for path in place.rglob("*"):
            path.chmod(0o750 if path.is_dir() else 0o640)
    sys.exit(0 if quick else 1)


if __name__ == "__main__":
    main()
