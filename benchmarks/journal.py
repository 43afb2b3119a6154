"""What the journal costs: encoding, building and syncing 100 ms blocks of one 8-channel device at 1 kHz.

Each figure stands beside a bare counterpart in the same run (struct.pack of the same numbers, write + fdatasync of the
same bytes), because only the ratio travels from one machine to another. Run: python benchmarks/journal.py
"""

import os
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rigd.live.journal_writer import JournalWriter
from rigd.model.messages import HostReport, Kick, Reading, Scan
from rigd.store.encode import encode
from rigd.store.journal import BlockBuilder, identity, read_blocks

BLOCKS, PER_BLOCK, CHANNELS = 300, 100, 8
COUNTS = tuple(range(4000, 4000 + CHANNELS))
BARE = struct.Struct(f"<BH{5 + CHANNELS}q")


def scan(seq: int) -> Scan:
    return Scan(seq=seq, t_ns=seq * 1_000_000, device=0, age_us=300, width_us=600, counts=COUNTS)


def reading(seq: int) -> Reading:
    return Reading(
        seq=seq, t_ns=seq * 1_000_000, device=0, values=(1.5e5,) * CHANNELS, quality=(0,) * CHANNELS, step=3, cycle=0,
        target_pa=2e5, highest_pa=1.6e5,
    )  # fmt: skip


def each_us(work: Callable, items: list) -> float:
    start = time.perf_counter()
    for item in items:
        work(item)
    return (time.perf_counter() - start) / len(items) * 1e6


def encoding() -> None:
    scans, readings = [scan(n) for n in range(20_000)], [reading(n) for n in range(20_000)]
    bare = each_us(lambda m: BARE.pack(1, 8, m.seq, m.t_ns, m.device, m.age_us, m.width_us, *m.counts), scans)
    one, two = each_us(encode, scans), each_us(encode, readings)
    print(f"encode a Scan        {one:6.2f} us   {one / bare:4.1f} x a bare struct.pack ({bare:.2f} us)")
    print(f"encode a Reading     {two:6.2f} us")
    print(f"both                 {one + two:6.2f} us   target <= 3")


def build(blocks: int) -> tuple[list[bytes], float]:
    builder, made, spent, seq = BlockBuilder(identity(run=1, version="0", files=())), [], 0.0, 0
    for number in range(blocks):
        messages = [(scan(seq + n), reading(seq + n)) for n in range(1, PER_BLOCK)]
        seq += PER_BLOCK
        host = HostReport(seq=seq, t_ns=seq * 1_000_000, journal_lag_us=500, write_error="", free_bytes=10**11,
                          missed_ticks=0, inbox_full=False, utc_ns=1_795_000_000_000_000_000)  # fmt: skip
        start = time.perf_counter()
        for one, two in messages:
            builder.add_input(one)
            builder.add_output(two)
        builder.add_input(host)
        builder.add_output(Kick(seq=seq, t_ns=seq * 1_000_000, output=5, counts=number % 65536))
        made.append(builder.take())
        spent += time.perf_counter() - start
    return made, spent


def quantiles(values: list[float]) -> str:
    ordered = sorted(values)
    at = [ordered[min(len(ordered) - 1, int(len(ordered) * share))] for share in (0.5, 0.99)]
    return f"p50 {at[0]:7.0f} us   p99 {at[1]:7.0f} us"


def syncing(blocks: list[bytes], place: Path) -> None:
    descriptor = os.open(place / "bare", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    bare = []
    for block in blocks:
        start = time.perf_counter()
        os.write(descriptor, block)
        os.fdatasync(descriptor)
        bare.append((time.perf_counter() - start) * 1e6)
    os.close(descriptor)
    lags: list[float] = []
    writer = JournalWriter(place, identity(run=1, version="0", files=()), lambda lag_us, error: lags.append(lag_us))
    writer.open()
    for block in blocks:
        writer.put(block)
        time.sleep(0.002)
    assert writer.close(), writer.error
    print(f"bare write+fdatasync {quantiles(bare)}")
    print(f"handed over to synced {quantiles(lags)}   an alarm at 250,000")


def main() -> None:
    encoding()
    blocks, spent = build(BLOCKS)
    per_block = spent / BLOCKS * 1e6
    print(f"build a block        {per_block:6.0f} us for {PER_BLOCK} scans = {per_block / 1e5:.2%} of a core at 1 kHz")
    size = len(blocks[5])
    print(f"a block              {size:6d} bytes = {size / PER_BLOCK / CHANNELS:.1f} per channel sample")
    with tempfile.TemporaryDirectory() as folder:
        syncing(blocks, Path(folder))
        start = time.perf_counter()
        reader = read_blocks(Path(folder))
        count = sum(block.counts[0] for block in reader)
        spent = time.perf_counter() - start
        print(f"read back            {count / spent:,.0f} messages/s, every checksum and link checked")


if __name__ == "__main__":
    main()
