"""The rows of a trace, as many as somebody needs at a time: a night has millions, and reading them all at once takes
gigabytes of a computer that guards a pressure.

Parts are read one after the other and in the columns asked for; what is kept of each is the rows of one step, the
extent of the run, or what a picture shows. This file decides nothing about what the rows mean.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa

from rigd.calc.exact.quality import GOOD
from rigd.model.rig import Rig
from rigd.report.thinning import Thinner
from rigd.store import seal
from rigd.store.disk import read_file
from rigd.store.trace import columns_of, read_parquet

Columns = dict[str, np.ndarray]
Parts = Callable[[list[str]], Iterable[pa.Table]]
"""The parts of a trace in order, of these columns (of those it has)."""

WHOLE_ROWS = 250_000
"""So many rows (40 minutes at 100 Hz) are drawn from all their samples; of more, the picture shows what thinning
leaves, which is the same picture."""
NEAR_NS = 1_500_000_000  # around the moment a picture looks at closely, every sample is kept


@dataclass(slots=True, kw_only=True)
class Extent:
    rows: int = 0
    last_ns: int = 0
    highest_pa: float = -np.inf  # of the trace's own column

    def add(self, table: pa.Table) -> None:
        self.rows += table.num_rows
        if table.num_rows:
            self.last_ns = table.column("t_ns")[-1].as_py()
            highest = as_arrays(table.select(["highest_pa"]))["highest_pa"]
            self.highest_pa = max(self.highest_pa, highest[np.isfinite(highest)].max(initial=-np.inf))


def unsealed_parts(folder: Path) -> Parts:
    """Of a run that is being closed."""
    paths = sorted((folder / seal.TRACE).glob("part-*.parquet"))
    return lambda columns: (read_parquet(read_file(path), columns=columns, name=path.name) for path in paths)


def as_arrays(table: pa.Table) -> Columns:
    """The columns of a trace as arrays; -1 is the device of a tick."""
    columns = {}
    for name in table.column_names:
        column = table[name].combine_chunks()
        if name == "device" or name.endswith(("_counts", "_us")):
            column = column.fill_null(-1 if name == "device" else 0)
        columns[name] = column.to_numpy(zero_copy_only=False)
    return columns


def joined(parts: Iterable[Columns]) -> Columns:
    """The rows of these parts as one; at least one part."""
    first, *others = parts
    return {name: np.concatenate([first[name], *(other[name] for other in others)]) for name in first}


def watched_columns(rig: Rig) -> list[str]:
    """The columns of a trace that failure is found in; reading only them is most of its speed."""
    counts = {c.channel.name: c.counts for device in columns_of(rig) for c in device}
    watched = [counts[channel.name] for channel in rig.channels if channel.role in ("specimen", "feed")]
    return ["t_ns", "age_us", "device", "step", "target_pa", *watched]


def rows_of_step(parts: Iterable[Columns], step: int) -> Columns:
    """The rows from the first to the last of this step, behind the newest row of each device before it: what a channel
    of a slower device said then still held."""
    before: dict[int, Columns] = {}
    kept: list[Columns] = []
    last: Columns = {}
    for part in parts:
        at = np.flatnonzero(part["step"] == step)
        last = last or cut(part, slice(0, 0))
        first_row, end = (int(at[0]), int(at[-1]) + 1) if len(at) else (len(part["t_ns"]), 0)
        if not kept:
            for device in np.unique(part["device"][:first_row]).tolist():
                row = int(np.flatnonzero(part["device"][:first_row] == device)[-1])
                before[device] = cut(part, slice(row, row + 1))
        if len(at):
            if not kept:
                kept = sorted(before.values(), key=lambda row: int(row["t_ns"][0]))
            else:
                first_row = 0  # rows without a step stand between: they are of it, too
            kept.append(cut(part, slice(first_row, end)))
    return joined(kept or [last])


def cut(part: Columns, rows: slice | np.ndarray) -> Columns:
    return {name: column[rows].copy() for name, column in part.items()}


def nearest_ns(parts: Parts, channel: str, pressure_pa: float) -> int | None:
    """When the first good sample of this channel came that is nearest to a pressure [Pa]."""
    nearest, off_pa = None, np.inf
    for table in parts(["t_ns", f"{channel}_pa", f"{channel}_quality"]):
        part = as_arrays(table)
        off = np.where(part[f"{channel}_quality"] == GOOD, np.abs(part[f"{channel}_pa"] - pressure_pa), np.inf)
        if len(off) and (least := np.nanmin(off)) < off_pa:
            nearest, off_pa = int(part["t_ns"][np.nanargmin(off)]), least
    return nearest


def thinned(parts: Iterable[Columns], channels: tuple[str, ...], *, rows: int, moment_ns: int | None) -> Columns:
    """What a picture shows of these channels in a run of so many rows."""
    thinner = Thinner(channels, rows=rows, moment_ns=moment_ns, near_ns=NEAR_NS)
    return joined([thinner.thin(part) for part in parts])
