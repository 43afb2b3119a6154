"""The cycles table: lines that survive a kill, and the same columns as Parquet that one line opens with their units."""

import io
from dataclasses import replace

import duckdb
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from rigd.model.errors import RecordAltered
from rigd.model.messages import Cycle
from rigd.model.observations import WHY_NOT_VALID
from rigd.store import cycles
from rigd.store.cells import cell

CYCLE = Cycle(
    seq=41, t_ns=9_000_000_000_001_000, cycle=1, block=0, released_ns=8_999_999_999_001_000, applied=True, valid=True,
    why=(), partial=False, extra=False, assisted=False, charge_pa=592518.2048816561, peak_sampled_pa=0.1 + 0.2,
    peak_held_pa=None, gap_ns=10_135_000, trough_pa=-5e-324, rise_pa_per_s=26511758.96140496, overshoot_pa=0.0,
    above_ns=256_280_246, blow_down_ns=69_540_000, returned=None, return_ns=None,
)  # fmt: skip
CUT = replace(
    CYCLE, seq=42, cycle=2, valid=False, why=("sagged", "partial"), partial=True, peak_sampled_pa=None, trough_pa=None,
    rise_pa_per_s=None, overshoot_pa=None, blow_down_ns=None, returned=False,
)  # fmt: skip
ABOUT = {"run": 412, "specimen": "K-07", "station": None}


def lines() -> bytes:
    rows = [cycles.row_of(CYCLE, zero_pa=-120.0, resolved=False), cycles.row_of(CUT, zero_pa=None, resolved=None)]
    return cycles.heading() + b"".join(map(cycles.line_of, rows))


def test_lines_and_parquet_hold_the_message_bit_for_bit() -> None:
    assert cycles.heading().decode().strip().split(",")[: len(cycles.TOLD)] == list(Cycle.__dataclass_fields__)
    table = cycles.table_of_lines(lines(), about=ABOUT)
    data = cycles.parquet_bytes(table)
    assert cycles.parquet_bytes(cycles.table_of_lines(lines(), about=ABOUT)) == data
    read = pq.read_table(io.BytesIO(data), page_checksum_verification=True).to_pylist()
    for row, cycle in zip(read, (CYCLE, CUT), strict=True):
        for name in cycles.TOLD:
            told = "; ".join(cycle.why) if name == "why" else getattr(cycle, name)
            assert row[name] == told, name
    assert (read[0]["resolved"], read[1]["resolved"]) == (False, None)
    assert read[0]["peak_zeroed_pa"] == CYCLE.peak_sampled_pa + 120.0 and read[1]["peak_zeroed_pa"] is None
    assert read[0]["charge_pa"] == CYCLE.charge_pa, "a charge is of another transducer, whose zero was not read"


def test_one_line_opens_the_table_with_units_in_pandas_polars_duckdb_and_pyarrow(tmp_path) -> None:
    path = tmp_path / cycles.PARQUET
    path.write_bytes(cycles.parquet_bytes(cycles.table_of_lines(lines(), about=ABOUT)))
    frame = pd.read_parquet(path)
    assert frame.attrs["units"]["charge_pa"] == "Pa" and frame.attrs["units"]["blow_down_ns"] == "ns"
    assert frame.attrs["specimen"] == "K-07" and "station" not in frame.attrs
    assert frame["applied"].dtype == bool and frame["cycle"].tolist() == [1, 2]
    assert pl.read_parquet(path)["why"].to_list() == ["", "sagged; partial"]
    counted = duckdb.connect().execute(f"select count(*), sum(gap_ns) from '{path}' where applied").fetchone()
    assert counted == (2, 2 * CYCLE.gap_ns)
    field = pq.read_schema(path).field("peak_sampled_pa")
    assert field.metadata[b"unit"] == b"Pa" and b"specimen" in field.metadata[b"long_name"]
    assert b"release valve" in pq.read_schema(path).field("charge_pa").metadata[b"long_name"]
    group = pq.read_metadata(path).row_group(0)
    assert all("DICTIONARY" not in str(group.column(at).encodings) for at in range(group.num_columns))
    assert pd.read_csv(io.BytesIO(lines()))["rise_pa_per_s"][0] == CYCLE.rise_pa_per_s


def test_a_flipped_bit_of_the_parquet_file_does_not_read_as_data(tmp_path) -> None:
    data = bytearray(cycles.parquet_bytes(cycles.table_of_lines(lines() + lines().splitlines(True)[1] * 500, about={})))
    data[data.index(b"PAR1", 0) + 60] ^= 4
    with pytest.raises((pa.ArrowException, OSError)):
        pq.read_table(pa.BufferReader(bytes(data)), page_checksum_verification=True)


@pytest.mark.parametrize("kept", [0, 1, 30, 400, 700, 10_000])
def test_a_killed_closing_is_gone_on_with_to_the_same_bytes(tmp_path, kept: int) -> None:
    """The file is cut anywhere, or has something foreign in it; whoever closes next puts the same lines again."""
    head, *rest = lines().splitlines(True)
    pieces = [head, *(line.replace(b"41", b"%d" % (40 + n)) for n, line in enumerate(rest * 3))]
    whole = b"".join(pieces)
    path = tmp_path / cycles.LINES
    for torn in (whole[:kept], whole[:kept] + b"foreign\n" * 40, whole + b"more,than\nours\n"):
        path.write_bytes(torn)
        growing = cycles.GrowingLines(tmp_path)
        for at, piece in enumerate(pieces, start=1):
            growing.put(piece)
            assert path.read_bytes().startswith(b"".join(pieces[:at]))
        growing.end()
        assert path.read_bytes() == whole
    path.unlink()
    growing = cycles.GrowingLines(tmp_path)
    growing.put(whole)
    growing.put(b"")
    growing.end()
    assert path.read_bytes() == whole


def test_what_is_no_cycles_table_is_refused_in_words() -> None:
    for data in (b"", b"cycle,why\n1,\n", lines()[:-1], lines().replace(b"592518", b"x"), lines() + b"1,2\n"):
        with pytest.raises(RecordAltered, match=r"cycles\.csv"):
            cycles.table_of_lines(data, about={})


def test_no_reason_could_run_in_a_spreadsheet_and_text_that_could_is_marked() -> None:
    for words in WHY_NOT_VALID:
        assert cell(words) == words and "," not in words and cycles.BETWEEN not in words
    assert [cell(text) for text in ("=1+1", "-tall", "@x", "+1", "\tx", "plain", -1.0, None)] == [
        "'=1+1", "'-tall", "'@x", "'+1", "'\tx", "plain", -1.0, ""
    ]  # fmt: skip
    with pytest.raises(AssertionError):
        cycles.line_of(cycles.row_of(replace(CYCLE, why=("a,b",)), zero_pa=None, resolved=None))
