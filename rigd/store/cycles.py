"""The cycles table: one row a surge, as lines that grow while the run goes on and as Parquet when it is over.

Both hold the same columns, those of `messages.Cycle` in its order and what was worked out beside it; numbers are SI,
and the unit stands in the column's name. The lines are the truth of the two: the Parquet file is made of them, with
units in each field's metadata and in PANDAS_ATTRS. A float is written so that the same bits come back.

Charge pressure and peak are never one: the first stood behind the release valve, the second at the specimen. Where a
zero of the specimen was read, `peak_zeroed_pa` and `trough_zeroed_pa` have it taken off; every other pressure is as
sampled. This file knows nothing of what a cycle is worth.
"""

import io
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from pyarrow import csv

from rigd.model.errors import RecordAltered
from rigd.model.messages import Cycle
from rigd.store.cells import cell
from rigd.store.disk import DISK, Disk, write_all
from rigd.store.encode import canonical_json
from rigd.store.trace import META, ZSTD_LEVEL

FORMAT = 1
LINES, PARQUET = "cycles.csv", "cycles.parquet"
BETWEEN = "; "  # two reasons in one cell
ROWS_PER_GROUP = 1 << 20  # a million cycles are one group: opened in one read

COLUMNS = {  # name: type, unit, words
    "seq": (pa.int64(), "1", "number of the message in its record"),
    "t_ns": (pa.int64(), "ns", "monotonic time since the record opened, when the cycle was over"),
    "cycle": (pa.int64(), "1", "number of the cycle, from 1 through every resume"),
    "block": (pa.int32(), "1", "index of the block"),
    "released_ns": (pa.int64(), "ns", "when the release valve was told to open"),
    "applied": (pa.bool_(), "1", "the body felt it"),
    "valid": (pa.bool_(), "1", "it was the surge the profile asks for"),
    "why": (pa.string(), "", "why it is not valid"),
    "partial": (pa.bool_(), "1", "cut short"),
    "extra": (pa.bool_(), "1", "given to free a moving part, not owed"),
    "assisted": (pa.bool_(), "1", "the first after a hand freed the moving part"),
    "charge_pa": (pa.float64(), "Pa", "charge pressure behind the release valve at the release, as sampled"),
    "peak_sampled_pa": (pa.float64(), "Pa", "highest good sample at the specimen"),
    "peak_held_pa": (pa.float64(), "Pa", "the device's own peak register at the specimen"),
    "gap_ns": (pa.int64(), "ns", "longest gap between two samples of the surge"),
    "trough_pa": (pa.float64(), "Pa", "lowest good sample at the specimen from the peak to the end of the blow-down"),
    "rise_pa_per_s": (pa.float64(), "Pa/s", "from a tenth to nine tenths of the pressure asked for"),
    "overshoot_pa": (pa.float64(), "Pa", "peak above the pressure asked for, 0 when below"),
    "above_ns": (pa.int64(), "ns", "time above the threshold, by sampled trapezoids"),
    "blow_down_ns": (pa.int64(), "ns", "from the end of the hold until measured below the limit"),
    "returned": (pa.bool_(), "1", "the moving part came back in time"),
    "return_ns": (pa.int64(), "ns", "from pressure below the limit until the part was back"),
    "resolved": (pa.bool_(), "1", "sampled often enough for the period of the line; null: no line declared"),
    "peak_zeroed_pa": (pa.float64(), "Pa", "peak_sampled less the specimen's zero"),
    "trough_zeroed_pa": (pa.float64(), "Pa", "trough less the specimen's zero"),
}
TOLD = tuple(Cycle.__dataclass_fields__)  # the columns that stand in the message


def row_of(cycle: Cycle, *, zero_pa: float | None, resolved: bool | None) -> dict[str, Any]:
    """One row, in column order. `zero_pa` is the specimen's, None where none was read [Pa]."""
    row = {name: getattr(cycle, name) for name in TOLD}
    row["why"] = BETWEEN.join(cycle.why)
    return row | {
        "resolved": resolved,
        "peak_zeroed_pa": _zeroed(cycle.peak_sampled_pa, zero_pa),
        "trough_zeroed_pa": _zeroed(cycle.trough_pa, zero_pa),
    }


def _zeroed(pressure_pa: float | None, zero_pa: float | None) -> float | None:
    return None if pressure_pa is None or zero_pa is None else pressure_pa - zero_pa


def heading() -> bytes:
    return (",".join(COLUMNS) + "\n").encode("ascii")


def line_of(row: Mapping[str, Any]) -> bytes:
    """One line of cycles.csv. No text of a cycle has a comma or a line feed: reasons are of a closed list."""
    cells = [_text(row[name]) for name in COLUMNS]
    assert not any("," in text or "\n" in text or '"' in text for text in cells), cells
    return (",".join(cells) + "\n").encode("ascii")


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(cell(value))


class GrowingLines:
    """cycles.csv while it grows. Whoever closes after a kill puts the same lines again: what is there already is left,
    what is torn or foreign is cut off, so the file is whole lines and never loses one it rightly has."""

    def __init__(self, folder: Path, *, disk: Disk = DISK) -> None:
        self._path, self._disk, self._at = folder / LINES, disk, 0

    def put(self, lines: bytes) -> None:
        """Whole lines, behind those put before, durably and in one write."""
        self._write(lines, is_last=False)

    def end(self) -> None:
        """No line follows: what lies beyond was never ours."""
        self._write(b"", is_last=True)

    def _write(self, lines: bytes, *, is_last: bool) -> None:
        disk, is_new = self._disk, not os.path.lexists(self._path)
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
        descriptor = os.open(self._path, flags, 0o640)
        try:
            there = os.pread(descriptor, len(lines), self._at)
            same = len(lines) if there == lines else _common(there, lines)
            at = self._at + same
            if same < len(there) or (is_last and os.fstat(descriptor).st_size > at):
                disk.truncate(descriptor, at)
            if same < len(lines):
                os.lseek(descriptor, at, os.SEEK_SET)
                write_all(disk, descriptor, lines[same:])
            disk.sync(descriptor)
        finally:
            disk.close(descriptor)
        if is_new:
            disk.sync_folder(self._path.parent)
        self._at += len(lines)


def _common(a: bytes, b: bytes) -> int:
    """How many bytes two texts begin with alike."""
    return next((at for at, (one, other) in enumerate(zip(a, b, strict=False)) if one != other), min(len(a), len(b)))


def table_of_lines(data: bytes, *, about: Mapping[str, Any]) -> pa.Table:
    """The table of cycles.csv, bit for bit. `about` is said in the file: run, specimen, station.

    Raises RecordAltered when the lines are not of this table.
    """
    if not data.startswith(heading()) or not data.endswith(b"\n"):
        raise RecordAltered((f"{LINES} has other columns than this version writes, or ends within a line",))
    types = {name: kind for name, (kind, _, _) in COLUMNS.items()}
    try:
        table = csv.read_csv(
            io.BytesIO(data),
            convert_options=csv.ConvertOptions(
                column_types=types, null_values=[""], true_values=["true"], false_values=["false"]
            ),
        )
    except pa.ArrowInvalid as error:
        raise RecordAltered((f"{LINES} cannot be read: {str(error).splitlines()[0]:.200}",)) from None
    return table.combine_chunks().cast(_schema(about))


def _schema(about: Mapping[str, Any]) -> pa.Schema:
    said = {name: value for name, value in about.items() if value is not None}
    units = {name: unit for name, (_, unit, _) in COLUMNS.items() if unit}
    fields = []
    for name, (kind, unit, words) in COLUMNS.items():
        marks = {"unit": unit, "ucum": unit, "long_name": words} if unit else {"long_name": words}
        fields.append(pa.field(name, kind, metadata=marks))
    return pa.schema(
        fields,
        metadata={
            META: canonical_json({"format": FORMAT, "table": "cycles", **said}),
            b"PANDAS_ATTRS": canonical_json({"units": units, **said}),
        },
    )


def parquet_bytes(table: pa.Table) -> bytes:
    """The table as a Parquet file, as the trace is written. The same table gives the same bytes."""
    sink = pa.BufferOutputStream()
    pq.write_table(
        table, sink, row_group_size=ROWS_PER_GROUP, compression="zstd", compression_level=ZSTD_LEVEL,
        use_dictionary=False, column_encoding={name: _encoding(kind) for name, (kind, _, _) in COLUMNS.items()},
        write_page_checksum=True, write_page_index=True, store_schema=True,
    )  # fmt: skip
    return sink.getvalue().to_pybytes()


def _encoding(kind: pa.DataType) -> str:
    if pa.types.is_boolean(kind):
        return "RLE"
    if pa.types.is_string(kind):
        return "DELTA_BYTE_ARRAY"
    return "BYTE_STREAM_SPLIT" if pa.types.is_floating(kind) else "DELTA_BINARY_PACKED"


def as_arrays(table: pa.Table, names: Iterable[str] | None = None) -> dict[str, np.ndarray]:
    """Columns as numpy arrays: whole numbers and floats as float64 with NaN where there is nothing, truths as bool
    (a missing one is False, see `has_` beside it), reasons as text."""
    found: dict[str, np.ndarray] = {}
    for name in names or COLUMNS:
        column, kind = table[name].combine_chunks(), COLUMNS[name][0]
        if pa.types.is_boolean(kind):
            found[name] = column.fill_null(False).to_numpy(zero_copy_only=False)
            found[f"has_{name}"] = column.is_valid().to_numpy(zero_copy_only=False)
        elif pa.types.is_string(kind):
            found[name] = column.fill_null("").to_numpy(zero_copy_only=False)
        else:
            found[name] = column.cast(pa.float64()).to_numpy(zero_copy_only=False)
    return found
