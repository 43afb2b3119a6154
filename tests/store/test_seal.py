"""Sealing and reading back: the exact bytes of every block out of Parquet, lines and rows; one line opens the trace."""

import errno
import json
from dataclasses import replace

import duckdb
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from rigd.model.errors import RecordAltered
from rigd.model.messages import Scan, Tick
from rigd.store import archive, chain, events, seal
from rigd.store.archive import open_run
from rigd.store.disk import Disk
from rigd.store.encode import encode, join
from rigd.store.journal import read_blocks, segment_path
from rigd.store.manifest import DAMAGED, WORKING, clear_up
from rigd.store.trace import read_parquet
from rigd.store.verification import verify


def test_a_sealed_run_gives_back_every_block_byte_for_byte(run_maker):
    run = run_maker()
    journal = list(read_blocks(run.folder))
    run.seal()
    opened = open_run(run.folder)
    blocks = list(opened.blocks())
    assert len(blocks) == len(journal)
    for block, written in zip(blocks, journal, strict=True):
        assert join([encode(m) for m in block.inputs]) == written.inputs
        assert block.output_bytes == written.outputs
        assert block.row.hash == written.hash and block.row.readings_digest == written.digests[2]
    assert [encode(m) for m in opened.inputs()] == [encode(m) for m in run.inputs]
    assert [encode(m) for m in opened.outputs()] == [encode(m) for m in run.outputs if type(m).__name__ != "Reading"]
    assert opened.run == {"run": 7} and opened.identity["run"] == 7
    assert not (run.folder / "journal").exists() and not (run.folder / "pieces").exists()
    assert all(path.stat().st_mode & 0o222 == 0 for path in run.folder.rglob("*"))


def test_the_trace_says_what_the_device_said_and_what_it_meant(run_maker):
    run = run_maker()
    run.seal()
    rows = open_run(run.folder).trace().to_pylist()
    hot = [m for m in run.inputs if type(m) in (Scan, Tick)]
    meant = {r.seq: r for r in run.readings}
    assert [row["seq"] for row in rows] == [m.seq for m in hot]
    for row, message in zip(rows, hot, strict=True):
        assert row["t_ns"] == message.t_ns
        if type(message) is Tick:
            assert row["device"] is None and row["specimen_a_counts"] is None and row["step"] is None
            continue
        reading = meant[message.seq]
        own, other = ("specimen_a", "flow") if message.device == 0 else ("flow", "specimen_a")
        suffix = {"specimen_a": "_pa", "flow": "_m3_per_s"}
        assert row[own + "_counts"] == message.counts[0] and row[other + "_counts"] is None
        assert row[other + suffix[other]] is None and row[other + "_quality"] is None
        value = row[own + suffix[own]]
        assert value == pytest.approx(reading.values[0], rel=1e-7, nan_ok=True)
        assert (row["cycle"], row["highest_pa"]) == (reading.cycle, pytest.approx(reading.highest_pa, rel=1e-7))
        if message.device == 0:
            assert row["door_state"] == message.counts[1] and row["door_quality"] == 4
        else:
            assert row["channel_target_counts"] == message.counts[1] and row["target_pa"] != row["target_pa"]


def test_events_are_one_canonical_line_each_in_order_of_seq(run_maker):
    run = run_maker()
    run.seal()
    lines = (run.folder / events.NAME).read_bytes().splitlines()
    parsed = [json.loads(line) for line in lines]
    assert [p["seq"] for p in parsed[:-1]] == sorted(p["seq"] for p in parsed[:-1])
    assert {p["type"] for p in parsed} == {
        "Opened", "OperatorAction", "DeviceFault", "HostReport", "ValveCommand", "Kick", "Prompt", "Event", "Result"
    }  # fmt: skip
    assert all(b.isascii() and b.decode().isprintable() for b in lines)


def test_sealing_again_gives_the_same_bytes_and_finishes_what_was_left(run_maker):
    """The closing process may die anywhere; whoever comes next finishes, and nobody can tell."""
    run, twin = run_maker("one"), run_maker("two")
    blocks = list(read_blocks(twin.folder, first=1, last=1))
    seal.seal_segment(blocks, twin.readings, twin.rig, twin.folder, 1)
    assert seal.sealed_segments(twin.folder) == (1,)
    (twin.folder / "trace" / ".unfinished-part-00002.parquet").write_bytes(b"half")
    run.seal()
    twin.seal()
    names = sorted(path.relative_to(run.folder) for path in run.folder.rglob("*") if path.is_file())
    assert names == sorted(path.relative_to(twin.folder) for path in twin.folder.rglob("*") if path.is_file())
    assert all((run.folder / name).read_bytes() == (twin.folder / name).read_bytes() for name in names)
    (twin.folder).chmod(0o750)
    (twin.folder / "journal").mkdir()
    (twin.folder / "journal" / "seg-00001.bin").write_bytes(b"left behind after the manifest")
    assert not verify(twin.folder).ok
    clear_up(twin.folder)
    assert open_run(twin.folder).run == {"run": 7}


class FailsAt(Disk):
    """The real disk until call number n, when it is full, broken or its process is killed."""

    def __init__(self, n: int, error: BaseException) -> None:
        self.n, self.calls, self.error = n, 0, error

    def _call(self) -> None:
        self.calls += 1
        if self.calls >= self.n:
            raise self.error

    def create(self, path):
        self._call()
        return super().create(path)

    def write(self, descriptor, data):
        if self.calls + 1 >= self.n:
            super().write(descriptor, bytes(data)[: len(data) // 2])
        self._call()
        return super().write(descriptor, data)

    def sync(self, descriptor):
        self._call()
        super().sync(descriptor)

    def rename(self, source, target):
        self._call()
        super().rename(source, target)

    def remove(self, path):
        self._call()
        super().remove(path)

    def sync_folder(self, path):
        self._call()
        super().sync_folder(path)


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "full"), OSError(errno.EIO, "broken"), KeyboardInterrupt()])
def test_closing_that_fails_at_its_nth_call_is_finished_by_the_next_with_the_same_bytes(run_maker, error):
    whole = run_maker("whole", count=12, per_block=4, per_segment=2)
    whole.seal()
    n = 0
    while True:
        n += 1
        run, disk = run_maker(f"run-{n}", count=12, per_block=4, per_segment=2), FailsAt(n, error)
        try:
            run.seal(disk=disk)
        except (OSError, KeyboardInterrupt) as raised:
            assert raised is error
            half = any((run.folder / name).exists() for name in WORKING)
            assert verify(run.folder).ok is not half  # half a record is never taken for one
            run.seal()
        assert verify(run.folder).ok
        for path in whole.folder.rglob("*"):
            if path.is_file():
                assert (run.folder / path.relative_to(whole.folder)).read_bytes() == path.read_bytes()
        if disk.calls < n:
            break
    assert n > 60


def test_a_damaged_journal_is_sealed_with_the_record_and_not_thrown_away(run_maker):
    """What lies behind the damage is evidence too, for somebody with better tools."""
    run = run_maker(count=24, per_block=4, per_segment=3)
    path = segment_path(run.folder, 2)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    reader = read_blocks(run.folder)
    found = list(reader)
    assert reader.ending.kind == "damaged" and found
    run.seal(keep_journal=True)
    assert open_run(run.folder).manifest.closed is False
    assert (run.folder / DAMAGED / path.name).read_bytes() == data and not path.exists()
    assert f"{DAMAGED}/{path.name}" in open_run(run.folder).manifest.files


def test_readings_that_are_not_those_chained_are_told_by_block_and_sealed_all_the_same(run_maker):
    run = run_maker()
    wrong = [replace(r, highest_pa=r.highest_pa + 1e-9) if r.seq == 19 else r for r in run.readings]
    blocks = list(read_blocks(run.folder, first=1, last=1))
    made = seal.seal_segment(blocks, wrong, run.rig, run.folder, 1)
    assert made.differing == (17,) and made.rows > 0
    assert seal.seal_segment(blocks, run.readings, run.rig, run.folder, 1).differing == ()


def test_counts_beyond_their_type_are_kept_and_a_foreign_rig_is_refused(run_maker):
    run = run_maker()
    run.rig = replace(run.rig, channels=tuple(replace(c, type="bit") for c in run.rig.channels))
    run.seal()
    inputs = list(open_run(run.folder).inputs())
    assert [encode(m) for m in inputs] == [encode(m) for m in run.inputs]
    other = run_maker("other")
    other.rig = replace(other.rig, channels=other.rig.channels[:2])
    with pytest.raises(RecordAltered, match="not the 0 channels"):
        other.seal()


def test_a_run_without_a_single_scan_is_a_record_too(run_maker):
    run = run_maker(count=1)
    run.seal()
    opened = open_run(run.folder)
    assert [encode(m) for m in opened.inputs()] == [encode(m) for m in run.inputs]
    assert opened.trace().num_rows == 0


def test_one_line_opens_the_trace_with_units_in_pandas_polars_duckdb_and_pyarrow(run_maker):
    run = run_maker()
    run.seal()
    folder = run.folder / "trace"
    part = folder / "part-00001.parquet"

    frame = pd.read_parquet(folder)
    assert frame.attrs["units"]["specimen_a_pa"] == "Pa" and len(frame) > 0
    assert pl.read_parquet(folder / "*.parquet").height == len(frame)
    assert json.loads(pl.read_parquet_metadata(part)["PANDAS_ATTRS"])["units"]["flow_m3_per_s"] == "m3/s"
    highest = duckdb.connect().execute(f"select max(seq), count(specimen_a_pa) from '{folder}/*.parquet'").fetchone()
    assert highest == (frame["seq"].max(), frame["specimen_a_pa"].notna().sum() + frame_nans(frame))
    kept = duckdb.connect().execute(f"select value from parquet_kv_metadata('{part}') where key = 'PANDAS_ATTRS'")
    assert json.loads(bytes(kept.fetchone()[0]))["units"]["t_ns"] == "ns"
    field = pq.read_table(folder).schema.field("specimen_a_pa")
    assert field.metadata[b"unit"] == field.metadata[b"ucum"] == b"Pa"
    assert (field.metadata[b"reference"], field.metadata[b"long_name"]) == (b"gauge", b"specimen a")
    assert b"T1" in field.metadata[b"instrument"] and field.metadata[b"calibration"] == b"C-1"


def frame_nans(frame: pd.DataFrame) -> int:
    """pandas shows null and NaN alike; DuckDB counts a NaN as a value. These rows have a quality and no number."""
    return int((frame["specimen_a_pa"].isna() & frame["specimen_a_quality"].notna()).sum())


def test_the_file_is_encoded_as_promised_and_a_flipped_bit_in_a_page_is_noticed(run_maker):
    """Only the bodies of pages have a checksum in Parquet; for the rest of the file the manifest's SHA-256 answers."""
    run = run_maker(count=600, per_block=50, per_segment=99)
    run.seal()
    data = (run.folder / "trace" / "part-00001.parquet").read_bytes()
    group = pq.ParquetFile(pa.BufferReader(data)).metadata.row_group(0)
    for at in range(group.num_columns):
        column = group.column(at)
        wanted = "BYTE_STREAM_SPLIT" if column.physical_type == "FLOAT" else "DELTA_BINARY_PACKED"
        assert wanted in column.encodings and column.compression == "ZSTD" and not column.has_dictionary_page
    whole, silent, noticed = repr(read_parquet(data).to_pydict()), 0, 0
    columns = [group.column(n) for n in range(group.num_columns)]
    big = [
        (column.data_page_offset + column.total_compressed_size, column.total_compressed_size)
        for column in columns
        if column.total_compressed_size > 300
    ]
    for at in [at for end, size in big for at in range(end - size // 2, end, 11)]:
        flipped = bytearray(data)
        flipped[at] ^= 4
        try:
            silent += repr(read_parquet(bytes(flipped)).to_pydict()) != whole
        except RecordAltered:
            noticed += 1
    assert silent == 0 and noticed > 50


def test_a_chain_file_that_is_none_is_refused(run_maker):
    run = run_maker()
    run.seal()
    data = (run.folder / chain.NAME).read_bytes()
    assert list(chain.Chain(data).broken_links()) == [] and chain.Chain(data).closed
    for wrong in (b"", data[:11], data[:-1], b"X" + data[1:], data[:8] + b"\xff" * 4 + data[12:]):
        with pytest.raises(RecordAltered):
            chain.Chain(wrong)
    with pytest.raises(archive.NoSuchRun):
        open_run(run.folder / "nowhere")
