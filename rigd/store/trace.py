"""The trace: one row a Scan or Tick, and the way between rows and the exact bytes that were chained.

Columns, for each channel of the rig: `<channel>_counts` (the integer the device said, null in rows of other devices,
in the integer type of the rig file), `<channel>_pa`, `_k`, `_m3_per_s` or `_m` (float32; the float64 truth is proven
by replay) or `_state` for a switch (int8), and `<channel>_quality` (int8, 0 is good). For each row: seq, t_ns,
age_us, width_us, device, step, cycle, target_pa, highest_pa. Units stand in the column's name, in its metadata and in
PANDAS_ATTRS.

Integers are DELTA_BINARY_PACKED, floats BYTE_STREAM_SPLIT, all zstd, no dictionaries; every page has a checksum, and
reading checks it, because a flipped bit otherwise reads as data. Only counts, times and device are needed to make the
bytes again.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from rigd.model.errors import RecordAltered
from rigd.model.messages import Reading, Scan, Tick
from rigd.model.rig import Channel, Rig
from rigd.store.encode import TAGS, canonical_json, layout, parse_json

FORMAT = 1
META = b"rigd"
ZSTD_LEVEL = 6
"""4 % smaller than level 1 for half as much time again; 15 takes six times as long for another 6 %."""

COUNT_TYPES = {
    "int16": pa.int16(),
    "uint16": pa.uint16(),
    "int32": pa.int32(),
    "uint32": pa.uint32(),
    "float32": pa.uint32(),  # its bit pattern
    "bit": pa.int8(),
}
QUANTITIES = {  # quantity: suffix of the column, unit, UCUM code
    "pressure": ("_pa", "Pa", "Pa"),
    "temperature": ("_k", "K", "K"),
    "flow": ("_m3_per_s", "m3/s", "m3/s"),
    "position": ("_m", "m", "m"),
    "mass": ("_kg", "kg", "kg"),
    "switch": ("_state", "1", "1"),
}
ROW_COLUMNS = {  # name: type, unit, words
    "seq": (pa.int64(), "1", "number of the message in its record"),
    "t_ns": (pa.int64(), "ns", "monotonic time since the record opened"),
    "age_us": (pa.int64(), "us", "arrival of the reply minus midpoint of the request"),
    "width_us": (pa.int64(), "us", "request to reply"),
    "device": (pa.int16(), "1", "index of the device in the rig file; null: a tick, nothing came"),
    "step": (pa.int32(), "1", "index of the step in the profile, -1: none"),
    "cycle": (pa.int64(), "1", "cycles done"),
    "target_pa": (pa.float32(), "Pa", "pressure called for"),
    "highest_pa": (pa.float32(), "Pa", "highest good sample so far"),
}
BYTES_COLUMNS = ("seq", "t_ns", "age_us", "width_us", "device")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelColumns:
    """The three columns of one channel."""

    counts: str
    value: str
    quality: str
    channel: Channel


def columns_of(rig: Rig) -> tuple[tuple[ChannelColumns, ...], ...]:
    """For each device its channels' columns, in rig-file order. A channel whose name would make a column of another
    meaning (a pressure called `target`) has its columns prefixed."""
    devices: list[list[ChannelColumns]] = [[] for _ in rig.devices]
    for channel in rig.channels:
        suffix = QUANTITIES[channel.quantity][0]
        stem = f"channel_{channel.name}" if channel.name + suffix in ROW_COLUMNS else channel.name
        columns = ChannelColumns(
            counts=f"{stem}_counts", value=f"{stem}{suffix}", quality=f"{stem}_quality", channel=channel
        )
        devices[channel.device].append(columns)
    return tuple(tuple(device) for device in devices)


def table_of(scans: list[tuple[type, tuple]], readings: list[Reading | None], rig: Rig, about: dict) -> pa.Table:
    """Rows from packed numbers (shape, numbers in layout order) and the Reading of each, None where there is none."""
    count = len(scans)
    devices = columns_of(rig)
    is_scan = np.fromiter((shape is Scan for shape, _ in scans), bool, count)
    device = np.fromiter((numbers[2] if shape is Scan else -1 for shape, numbers in scans), np.int64, count)
    if count and not -1 <= device.min() <= device.max() < len(devices):
        raise RecordAltered((f"a scan of device {device.max()}; the rig has {len(devices)}",))
    arrays = {
        "seq": pa.array(np.fromiter((numbers[0] for _, numbers in scans), np.int64, count)),
        "t_ns": pa.array(np.fromiter((numbers[1] for _, numbers in scans), np.int64, count)),
        "age_us": _scan_scalars(scans, 3, ~is_scan),
        "width_us": _scan_scalars(scans, 4, ~is_scan),
        "device": pa.array(device.astype(np.int16), mask=~is_scan),
    }
    arrays |= _reading_scalars(readings)
    for index, channels in enumerate(devices):
        rows = np.flatnonzero(device == index)
        arrays |= _counts(scans, rows, channels, count)
        arrays |= _values(readings, rows, channels, count)
    order = [*ROW_COLUMNS, *(name for device in devices for c in device for name in (c.counts, c.value, c.quality))]
    fields = _fields(rig, devices)
    schema = pa.schema([fields[name].with_type(arrays[name].type) for name in order], metadata=_about(devices, about))
    return pa.table([arrays[name] for name in order], schema=schema)


def _scan_scalars(scans: list[tuple[type, tuple]], at: int, mask: np.ndarray) -> pa.Array:
    values = np.fromiter((numbers[at] if shape is Scan else 0 for shape, numbers in scans), np.int64, len(scans))
    return pa.array(values, mask=mask)


def _reading_scalars(readings: list[Reading | None]) -> dict[str, pa.Array]:
    mask = np.fromiter((reading is None for reading in readings), bool, len(readings))
    arrays = {}
    for name in ("step", "cycle", "target_pa", "highest_pa"):
        kind = ROW_COLUMNS[name][0]
        numbers = np.fromiter((0 if r is None else getattr(r, name) for r in readings), np.float64, len(readings))
        arrays[name] = pa.array(_to(kind, numbers), mask=mask)
    return arrays


def _to(kind: pa.DataType, numbers: np.ndarray) -> np.ndarray:
    with np.errstate(over="ignore"):  # what float32 cannot hold becomes infinite, and reads as such
        return numbers.astype(kind.to_pandas_dtype())


def _counts(scans: list, rows: np.ndarray, channels: tuple[ChannelColumns, ...], count: int) -> dict[str, pa.Array]:
    n = len(channels)
    if any(len(scans[row][1]) != 5 + n for row in rows.tolist()):
        raise RecordAltered((f"a scan whose number of counts is not the {n} channels of its device",))
    matrix = np.array([scans[row][1][5:] for row in rows.tolist()], np.int64).reshape(len(rows), n)
    mask = _mask(rows, count)
    arrays = {}
    for at, columns in enumerate(channels):
        kind = COUNT_TYPES[columns.channel.type]
        column = np.zeros(count, np.int64)
        column[rows] = matrix[:, at]
        limits = np.iinfo(kind.to_pandas_dtype())
        if count and not (limits.min <= column.min() and column.max() <= limits.max):
            kind = pa.int64()  # a count its type cannot hold is a bug elsewhere, and still the truth
        arrays[columns.counts] = pa.array(column.astype(kind.to_pandas_dtype()), mask=mask)
    return arrays


def _values(readings: list, rows: np.ndarray, channels: tuple[ChannelColumns, ...], count: int) -> dict[str, pa.Array]:
    n = len(channels)
    there = [row for row in rows.tolist() if readings[row] is not None]
    if any(len(readings[row].values) != n or len(readings[row].quality) != n for row in there):
        raise RecordAltered((f"a reading whose number of values is not the {n} channels of its device",))
    values = np.array([readings[row].values for row in there], np.float64).reshape(len(there), n)
    quality = np.array([readings[row].quality for row in there], np.int8).reshape(len(there), n)
    mask = _mask(np.array(there, np.int64), count)
    arrays = {}
    for at, columns in enumerate(channels):
        column = np.zeros(count, np.float64)
        column[there] = values[:, at]
        if columns.channel.quantity == "switch":
            odd = ~np.isfinite(column)
            arrays[columns.value] = pa.array(np.where(odd, 0.0, column).astype(np.int8), mask=mask | odd)
        else:
            arrays[columns.value] = pa.array(_to(pa.float32(), column), mask=mask)
        marks = np.zeros(count, np.int8)
        marks[there] = quality[:, at]
        arrays[columns.quality] = pa.array(marks, mask=mask)
    return arrays


def as_row(reading: Reading, rig: Rig) -> dict[str, int | float | None]:
    """What the columns of the trace hold of this Reading, in their own types."""
    row: dict[str, int | float | None] = {"step": reading.step, "cycle": reading.cycle}
    row |= {name: float(_to(pa.float32(), np.float64(getattr(reading, name)))) for name in ("target_pa", "highest_pa")}
    for at, columns in enumerate(columns_of(rig)[reading.device]):
        value = reading.values[at]
        if columns.channel.quantity == "switch":
            row[columns.value] = int(value) if np.isfinite(value) else None
        else:
            row[columns.value] = float(_to(pa.float32(), np.float64(value)))
        row[columns.quality] = reading.quality[at]
    return row


def _mask(rows: np.ndarray, count: int) -> np.ndarray:
    mask = np.ones(count, bool)
    mask[rows] = False
    return mask


def _fields(rig: Rig, devices: tuple[tuple[ChannelColumns, ...], ...]) -> dict[str, pa.Field]:
    fields = {}
    for name, (kind, unit, words) in ROW_COLUMNS.items():
        fields[name] = pa.field(name, kind, metadata=_text(unit=unit, ucum=unit, long_name=words))
    for index, channels in enumerate(devices):
        for columns in channels:
            fields |= _channel_fields(columns, rig.devices[index].name)
    return fields


def _channel_fields(columns: ChannelColumns, device: str) -> dict[str, pa.Field]:
    channel = columns.channel
    _, unit, ucum = QUANTITIES[channel.quantity]
    words = channel.name.replace("_", " ")
    place = f"{channel.address.table}:{channel.address.offset}"
    instrument = ", ".join(part for part in (device, place, channel.tapping, channel.module) if part)
    common = {"instrument": instrument, "calibration": channel.certificate}
    bits = ", the bit pattern of a float32" if channel.type == "float32" else ""
    return {
        columns.counts: pa.field(
            columns.counts,
            COUNT_TYPES[channel.type],
            metadata=_text(unit="1", ucum="1", long_name=f"{words}, counts as the device said{bits}", **common),
        ),
        columns.value: pa.field(
            columns.value,
            pa.int8() if channel.quantity == "switch" else pa.float32(),
            metadata=_text(unit=unit, ucum=ucum, long_name=words, reference=channel.reference, **common),
        ),
        columns.quality: pa.field(
            columns.quality,
            pa.int8(),
            metadata=_text(unit="1", ucum="1", long_name=f"{words}, quality: 0 is good", **common),
        ),
    }


def _text(**pairs: str) -> dict[str, str]:
    return {name: text for name, text in pairs.items() if text}


def _about(devices: tuple[tuple[ChannelColumns, ...], ...], about: dict) -> dict[bytes, bytes]:
    units = {name: unit for name, (_, unit, _) in ROW_COLUMNS.items()}
    for channels in devices:
        for columns in channels:
            units[columns.value] = QUANTITIES[columns.channel.quantity][1]
    counts = [[columns.counts for columns in channels] for channels in devices]
    return {
        META: canonical_json({"format": FORMAT, "devices": counts, **about}),
        b"PANDAS_ATTRS": canonical_json({"units": units, **about}),
    }


def parquet_bytes(table: pa.Table) -> bytes:
    """The table as a Parquet file. The same table gives the same bytes."""
    is_float = {field.name: pa.types.is_floating(field.type) for field in table.schema}
    encoding = {name: "BYTE_STREAM_SPLIT" if odd else "DELTA_BINARY_PACKED" for name, odd in is_float.items()}
    sink = pa.BufferOutputStream()
    pq.write_table(
        table,
        sink,
        row_group_size=max(1, table.num_rows),
        compression="zstd",
        compression_level=ZSTD_LEVEL,
        use_dictionary=False,
        column_encoding=encoding,
        write_page_checksum=True,
        write_page_index=True,
        store_schema=True,
    )
    return sink.getvalue().to_pybytes()


def read_parquet(
    data: bytes, *, for_bytes: bool = False, columns: list[str] | None = None, name: str = "trace"
) -> pa.Table:
    """The table of these bytes, every page checked; only `columns`, or `for_bytes` those that `row_bytes` needs.

    Raises RecordAltered in words.
    """
    try:
        file = pq.ParquetFile(pa.BufferReader(data), page_checksum_verification=True)
        if for_bytes:
            columns = [*BYTES_COLUMNS, *(c for device in count_columns(file.schema_arrow, name) for c in device)]
        return file.read(columns=columns, use_threads=False)
    except (pa.ArrowException, OSError, ValueError, KeyError) as error:
        words = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise RecordAltered((f"{name} cannot be read: {words:.200}",)) from None


def count_columns(schema: pa.Schema, name: str = "trace") -> list[list[str]]:
    """For each device the names of its count columns, from the file's own metadata."""
    try:
        about = parse_json((schema.metadata or {})[META])
        version, devices = about["format"], [[str(column) for column in device] for device in about["devices"]]
    except (KeyError, ValueError, TypeError):
        raise RecordAltered((f"{name} does not say which columns are counts",)) from None
    if version != FORMAT:
        raise RecordAltered((f"{name} is of format {version!r:.40}; allowed: {FORMAT}",))
    return devices


@dataclass(frozen=True, slots=True, kw_only=True)
class RowBytes:
    """Rows as the canonical bytes of their messages, each behind its length: row k is data[offsets[k]:offsets[k+1]]."""

    seq: np.ndarray
    offsets: np.ndarray
    data: bytes


def row_bytes(table: pa.Table, name: str = "trace") -> RowBytes:
    """Make the chained bytes of every row again. Raises RecordAltered when the columns cannot be what was written."""
    devices = count_columns(table.schema, name)
    needed = (*BYTES_COLUMNS, *(column for columns in devices for column in columns))
    missing = set(needed) - set(table.column_names)
    if missing:
        raise RecordAltered((f"{name} lacks columns: {', '.join(sorted(missing))}",))
    numbers = {column: _numbers(table, column, name) for column in needed}
    device, is_tick = numbers["device"]
    sizes, pieces = np.zeros(table.num_rows, np.int64), []
    for index, columns in enumerate(devices):
        rows = np.flatnonzero((device == index) & ~is_tick)
        _check_nulls(numbers, rows, columns, table.num_rows, name)
        pieces.append((rows, _records(Scan, numbers, rows, columns)))
    pieces.append((np.flatnonzero(is_tick), _records(Tick, numbers, np.flatnonzero(is_tick), [])))
    for rows, records in pieces:
        sizes[rows] = records.shape[1]
    if not sizes.all():
        raise RecordAltered((f"{name} has rows of a device that is not in it",))
    offsets = np.concatenate(([0], np.cumsum(sizes)))
    return RowBytes(seq=numbers["seq"][0], offsets=offsets, data=_interleave(pieces, offsets))


def _numbers(table: pa.Table, column: str, name: str) -> tuple[np.ndarray, np.ndarray]:
    array = table.column(column).combine_chunks()
    if not pa.types.is_integer(array.type):
        raise RecordAltered((f"{name}: column {column} is {array.type} where integers were written",))
    nulls = array.is_null().to_numpy(zero_copy_only=False)
    return array.fill_null(0).to_numpy(zero_copy_only=False).astype(np.int64), nulls


def _check_nulls(numbers: dict, rows: np.ndarray, columns: list[str], count: int, name: str) -> None:
    mask = _mask(rows, count)
    for column in columns:
        if not np.array_equal(numbers[column][1], mask):
            raise RecordAltered((f"{name}: column {column} has counts where its device was silent, or none where not",))


def _records(shape: type, numbers: dict, rows: np.ndarray, columns: list[str]) -> np.ndarray:
    """The packed messages of these rows as a matrix of bytes, one row each (see encode: tag, n, scalars, tuples)."""
    n = len(columns)
    fields: list[tuple] = [("length", "<u4"), ("tag", "u1"), ("n", "<u2")]
    fields += [(name, "<i8", (count,)) if name == "counts" else (name, "<i8") for name, _, count in layout(shape, n)]
    records = np.zeros(len(rows), np.dtype(fields))
    records["length"] = records.dtype.itemsize - 4
    records["tag"], records["n"] = TAGS[shape], n
    for name, _, _ in layout(shape, n):
        if name != "counts":
            records[name] = numbers[name][0][rows]
    for at, column in enumerate(columns):
        records["counts"][:, at] = numbers[column][0][rows]
    return records.view(np.uint8).reshape(len(rows), records.dtype.itemsize)


def _interleave(pieces: list[tuple[np.ndarray, np.ndarray]], offsets: np.ndarray) -> bytes:
    filled = [(rows, records) for rows, records in pieces if len(rows)]
    if len(filled) == 1:
        return filled[0][1].tobytes()
    data = np.zeros(int(offsets[-1]), np.uint8)
    for rows, records in filled:
        data[offsets[rows][:, None] + np.arange(records.shape[1])] = records
    return data.tobytes()
