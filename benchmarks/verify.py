"""How long it takes to verify a night: 12 h at 100 Hz, 8 channels, signed; the target is 10 s.

The record is built straight into its sealed files (no engine: the verifier has none either), block by block as a rig
would have written it, with ten samples, a report of the host and two kicks a block. Beside it stands what no verifier
can do without: reading all files and their SHA-256 by plain hashlib.

    python benchmarks/verify.py [--hours 12]
"""

import argparse
import hashlib
import json
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import pyarrow as pa

from rigd.files.load import find, load_rig_bytes
from rigd.model.messages import HostReport, Kick, Reading, Scan
from rigd.model.rig import Rig
from rigd.store import chain, events, heads, manifest, seal
from rigd.store.encode import encode, join
from rigd.store.journal import CLOSED, DATA, Block, identity, link
from rigd.store.keys import RigKey
from rigd.store.trace import parquet_bytes, row_bytes, table_of
from rigd.store.verification import verify

CHANNELS, RATE_HZ, PER_BLOCK, PART_S = 8, 100, 10, 60
KEY = RigKey(bytes(range(32)))
TARGET_S = 10.0


def eight_channels() -> tuple[bytes, Rig]:
    data = find("demo", "rig").read_bytes()
    rig = load_rig_bytes(data, "rig")
    keep = rig.channels[:CHANNELS]
    return data, Rig(**{name: getattr(rig, name) for name in rig.__slots__} | {"channels": keep})


def one_part(rig: Rig) -> pa.Table:
    """Sixty seconds of a ramp, as the columns hold them."""
    rng, rows = np.random.default_rng(1), RATE_HZ * PART_S
    walk = 8000 + np.cumsum(rng.integers(-3, 4, (rows, CHANNELS)), axis=0)
    scans = [(Scan, (at + at // PER_BLOCK, at * 10_000_000, 0, 400, 600, *walk[at].tolist())) for at in range(rows)]
    readings = [
        Reading(seq=numbers[0], t_ns=numbers[1], device=0, values=tuple(float(v) for v in numbers[5:]),
                quality=(0,) * CHANNELS, step=3, cycle=0, target_pa=1e5, highest_pa=1e6)
        for _, numbers in scans
    ]  # fmt: skip
    return table_of(scans, readings, rig, {"run": 1, "part": 1})


def shifted(table: pa.Table, seq: int, t_ns: int) -> pa.Table:
    for name, by in (("seq", seq), ("t_ns", t_ns)):
        at = table.column_names.index(name)
        moved = pa.array(table.column(name).to_numpy() + by)
        table = table.set_column(at, table.schema.field(name), moved)
    return table


def build(folder: Path, hours: float) -> int:
    rig_bytes, rig = eight_channels()
    (folder / "trace").mkdir(parents=True)
    (folder / "rig.yaml").write_bytes(rig_bytes)
    files = (("rig.yaml", hashlib.sha256(rig_bytes).hexdigest()),)
    whose = identity(run=1, version="0", files=files, key=KEY.public)
    part, head, signed, unsigned = one_part(rig), hashlib.sha256(whose).digest(), [], 0
    parts = max(1, round(hours * 3600 / PART_S))
    seqs = RATE_HZ * PART_S // PER_BLOCK * (PER_BLOCK + 1)
    with open(folder / events.NAME, "wb") as lines, open(folder / chain.NAME, "wb") as rows:
        rows.write(chain.heading(whose))
        for number in range(parts):
            table = shifted(part, number * seqs, number * PART_S * 1_000_000_000)
            (folder / "trace" / f"part-{number + 1:05d}.parquet").write_bytes(parquet_bytes(table))
            made = row_bytes(table)
            for at in range(0, table.num_rows, PER_BLOCK):
                if unsigned == heads.EVERY:
                    signed.append((head, heads.sign(KEY, head)))
                    unsigned = 0
                unsigned += 1
                head = block(made, at, head, lines, rows)
        signed.append((head, heads.sign(KEY, head)))
        rows.write(chain.row_bytes(empty(head), 0))
    (folder / heads.NAME).write_bytes(heads.MAGIC + heads.rows(signed))
    manifest.seal_folder(folder, run=1, versions={}, key=KEY)
    return parts * RATE_HZ * PART_S


def block(made, at: int, previous: bytes, lines, rows) -> bytes:
    """One block of ten samples, its two lines of kicks and its report. Returns its hash."""
    data = made.data[made.offsets[at] : made.offsets[at + PER_BLOCK]]
    first = int(made.seq[at])
    seq, t_ns = first + PER_BLOCK, (first + PER_BLOCK) * 9_000_000
    report = encode(HostReport(seq=seq, t_ns=t_ns, journal_lag_us=731, write_error="", free_bytes=10**12,
                               missed_ticks=0, inbox_full=False, utc_ns=1_795_000_000_000_000_000 + t_ns))  # fmt: skip
    kicks = [encode(Kick(seq=first + n, t_ns=t_ns - n, output=5, counts=(first + n) % 65536)) for n in (2, 7)]
    inputs, outputs = data + join([report]), join(kicks)
    digests = (hashlib.sha256(inputs).digest(), hashlib.sha256(outputs).digest(), hashlib.sha256(data).digest())
    counts = (PER_BLOCK + 1, len(kicks), PER_BLOCK)
    hash = link(kind=DATA, first_seq=first, counts=counts, previous=previous, digests=digests)
    lines.write(events.merge([report], kicks))
    rows.write(chain.row_bytes(_as_block(DATA, first, counts, digests, previous, hash), PER_BLOCK))
    return hash


def empty(previous: bytes) -> Block:
    nothing = (hashlib.sha256(b"").digest(),) * 3
    hash = link(kind=CLOSED, first_seq=0, counts=(0, 0, 0), previous=previous, digests=nothing)
    return _as_block(CLOSED, 0, (0, 0, 0), nothing, previous, hash)


def _as_block(kind, first_seq, counts, digests, previous, hash) -> Block:
    return Block(kind=kind, first_seq=first_seq, counts=counts, digests=digests, inputs=b"", outputs=b"",
                 previous=previous, hash=hash, segment=1, offset=0)  # fmt: skip


def bare(folder: Path) -> float:
    start = time.perf_counter()
    for path in folder.rglob("*"):
        if path.is_file():
            hashlib.sha256(path.read_bytes()).digest()
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=12.0)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "run"
        start = time.perf_counter()
        rows = build(folder, hours)
        size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        print(f"built {hours:g} h, {rows} rows, {size / 1e6:.0f} MB in {time.perf_counter() - start:.1f} s")
        start, cpu = time.perf_counter(), time.process_time()
        found = verify(folder, public_key=KEY.public)
        took_s, cpu_s = time.perf_counter() - start, time.process_time() - cpu
        assert found.ok, found.findings
        floor_s = bare(folder)
        scaled = "" if hours == 12.0 else f" ({took_s * 12.0 / hours:.1f} s for 12 h)"
        print(f"verify {found.blocks} blocks   {took_s:6.2f} s{scaled}   target <= {TARGET_S:g} s for 12 h")
        print(f"of it CPU               {cpu_s:6.2f} s   what it takes where nothing else runs")
        print(f"bare read and SHA-256   {floor_s:6.2f} s   ratio {took_s / floor_s:.1f}")
        told = {"verify_s": took_s, "cpu_s": cpu_s, "bare_s": floor_s, "hours": hours, "blocks": found.blocks}
        print(json.dumps(told))
        manifest_unlock(folder)


def manifest_unlock(folder: Path) -> None:
    """Sealed folders are read-only; a temporary one must go all the same."""
    for path in (folder, folder / seal.TRACE):
        path.chmod(0o750)


if __name__ == "__main__":
    main()
