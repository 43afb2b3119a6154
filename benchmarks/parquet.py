"""What a sealed run takes on the disk and how fast it verifies: 8 channels of int16 at 1 kHz, one minute parts.

The signal is invented: a ramp with 50 Hz hum and white noise of 0.08 psi on a 4-20 mA channel of 1000 psi full scale,
and times with the jitter of a polled bus. Targets: raw part (integers and times) <= 1.3 bytes per channel sample, whole
<= 4; a 12 h record at 100 Hz verified in <= 10 s. Run: python benchmarks/parquet.py [--night]
"""

import argparse
import math
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import pyarrow.parquet as pq

from rigd.files.load import find, load_rig
from rigd.model.messages import HostReport, Kick, Reading, Scan
from rigd.model.rig import Rig
from rigd.store import seal
from rigd.store.archive import open_run
from rigd.store.journal import BlockBuilder, identity, read_blocks, segment_header, segment_path
from rigd.store.manifest import seal_folder
from rigd.store.verification import verify

CHANNELS, FULL_SCALE_PSI, PA_PER_PSI = 8, 1000.0, 6894.757293168361
COUNTS_PER_PSI = 16_000 / FULL_SCALE_PSI
WHO = identity(run=1, version="0", files=())
NIGHT_S = 12 * 3600


def eight_channels() -> Rig:
    rig = load_rig(find("demo", "rig"))
    first = rig.channels[0]
    return replace(rig, channels=tuple(replace(first, name=f"pressure_{n}", device=0) for n in range(CHANNELS)))


def samples(seconds: float, rate_hz: int) -> Iterator[tuple[Scan, Reading]]:
    """One ramp of 15 psi/s over and over, seen by eight noisy transmitters."""
    draw = random.Random(1)
    highest = 0.0
    for n in range(1, int(seconds * rate_hz) + 1):
        t_s = n / rate_hz
        psi = (15.0 * t_s) % 420.0 + 0.2 * math.sin(2 * math.pi * 50.0 * t_s)
        counts = tuple(round(4000 + COUNTS_PER_PSI * (psi + draw.gauss(0.0, 0.08))) for _ in range(CHANNELS))
        values = tuple((c - 4000) / COUNTS_PER_PSI * PA_PER_PSI for c in counts)
        highest = max(highest, values[0])
        t_ns = n * (1_000_000_000 // rate_hz) + draw.randrange(-20, 21) * 1000
        scan = Scan(seq=n, t_ns=t_ns, device=0, age_us=280 + draw.randrange(40), width_us=560 + draw.randrange(80),
                    counts=counts)  # fmt: skip
        yield scan, Reading(seq=n, t_ns=t_ns, device=0, values=values, quality=(0,) * CHANNELS, step=3, cycle=0,
                            target_pa=15.0 * t_s % 420.0 * PA_PER_PSI, highest_pa=highest)  # fmt: skip


def host_report(seq: int, t_ns: int) -> HostReport:
    return HostReport(seq=seq, t_ns=t_ns, journal_lag_us=900, write_error="", free_bytes=10**11, missed_ticks=0,
                      inbox_full=False, utc_ns=10**18 + t_ns)  # fmt: skip


def record(folder: Path, rig: Rig, seconds: float, rate_hz: int) -> tuple[int, float]:
    """Journal, replayed Readings and sealing, a segment a minute. Returns (samples of channels, seconds of sealing)."""
    (folder / "journal").mkdir()
    builder, blocks, readings, seq, spent, number = BlockBuilder(WHO), [], [], 0, 0.0, 1
    per_block, scans = rate_hz // 10, 0
    for scan, reading in samples(seconds, rate_hz):
        seq, scans = seq + 1, scans + 1
        builder.add_input(replace(scan, seq=seq))
        readings.append(replace(reading, seq=seq))
        builder.add_output(readings[-1])
        if scans % per_block == 0:
            seq += 1
            builder.add_output(Kick(seq=seq - 1, t_ns=scan.t_ns, output=5, counts=seq % 65536))
            builder.add_input(host_report(seq, scan.t_ns + 1000))
            blocks.append(builder.take())
        if len(blocks) == 600 or (blocks and scans == int(seconds * rate_hz)):
            header = segment_header(number=number, identity=WHO, block=blocks[0])
            segment_path(folder, number).write_bytes(header + b"".join(blocks))
            start = time.perf_counter()
            read = read_blocks(folder, first=number, last=number)
            made = seal.seal_segment(read, readings, rig, folder, number)
            spent += time.perf_counter() - start
            assert not made.differing
            blocks, readings, number = [], [], number + 1
    seal.join_pieces(folder, WHO)
    (folder / "run.json").write_bytes(b"{}")
    seal_folder(folder, run=1, versions={})
    return scans * CHANNELS, spent


def column_bytes(folder: Path) -> dict[str, int]:
    found: dict[str, int] = {}
    for path in sorted((folder / "trace").glob("*.parquet")):
        group = pq.read_metadata(path).row_group(0)
        for at in range(group.num_columns):
            column = group.column(at)
            found[column.path_in_schema] = found.get(column.path_in_schema, 0) + column.total_compressed_size
    return found


def sizes(folder: Path, count: int) -> None:
    columns = column_bytes(folder)
    raw = ("seq", "t_ns", "age_us", "width_us", "device")
    raw_bytes = sum(size for name, size in columns.items() if name in raw or name.endswith("_counts"))
    parts = sum(path.stat().st_size for path in (folder / "trace").glob("*"))
    whole = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    print(f"raw part             {raw_bytes / count:5.2f} bytes per channel sample   target <= 1.3")
    print(f"whole Parquet        {parts / count:5.2f} bytes per channel sample   target <= 4")
    print(f"whole record         {whole / count:5.2f} bytes per channel sample, events and chain in it")
    print(f"raw float64 + time   {whole / (count * 8 + count / CHANNELS * 8):5.2f} of its size")
    rows = count / CHANNELS
    for name in (*raw, "pressure_0_counts", "pressure_0_pa", "pressure_0_quality", "target_pa", "highest_pa"):
        print(f"    {name:20s} {columns[name] / rows:6.3f} bytes a row")
    for path in (folder / "events.jsonl", folder / "chain.bin"):
        print(f"    {path.name:20s} {path.stat().st_size / rows:6.3f} bytes a row")


def reading_back(folder: Path, count: int, seconds: float) -> None:
    start = time.perf_counter()
    findings = verify(folder)
    spent = time.perf_counter() - start
    assert findings.ok, findings.findings
    night_s = spent * NIGHT_S / seconds
    print(f"verify               {spent:6.2f} s, so {night_s:.1f} s for 12 h   target <= 10 at 100 Hz")
    start = time.perf_counter()
    messages = sum(1 for _ in open_run(folder).inputs())
    print(f"verify and decode    {messages / (time.perf_counter() - start):10,.0f} messages/s")
    start = time.perf_counter()
    open_run_trace = pq.read_table(folder / "trace", page_checksum_verification=True)
    spent = time.perf_counter() - start
    print(f"bare pyarrow read    {count / spent / 1e6:6.1f} M channel samples/s, {open_run_trace.num_columns} columns")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--rate", type=int, default=1000)
    parser.add_argument("--night", action="store_true", help="12 h at 100 Hz (takes minutes to make)")
    asked = parser.parse_args()
    seconds, rate_hz = (NIGHT_S, 100) if asked.night else (asked.seconds, asked.rate)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "run"
        folder.mkdir()
        count, spent = record(folder, eight_channels(), seconds, rate_hz)
        print(f"{seconds:g} s at {rate_hz} Hz, {CHANNELS} channels, {count:,} channel samples")
        print(f"sealing              {seconds / spent:6.0f} x real time, one core")
        sizes(folder, count)
        reading_back(folder, count, seconds)


if __name__ == "__main__":
    main()
