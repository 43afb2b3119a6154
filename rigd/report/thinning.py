"""A long trace thinned, part by part, to the rows that a picture of it shows: the smallest and largest sample of each
narrow stretch, both edges of every gap, of every run of bad samples and of every step, and all rows around one moment.

What thinning takes away it also tells: `<channel>_before_s` is how long before each row the channel's last sample was,
so that a gap is told from rows that were left out. The picture knows what it shows (plots.py); this file only keeps it.
"""

from collections.abc import Mapping

import numpy as np

from rigd.report.plots import COLUMNS, before_name, read_line, thin

FINER = 2
"""Twice as many stretches as the picture has columns, because theirs begin elsewhere."""


class Thinner:
    """`thin` one part after the other, in order. `moment_ns` within `near_ns`: every row is kept."""

    def __init__(self, channels: tuple[str, ...], *, rows: int, moment_ns: int | None = None, near_ns: int = 0):
        self._channels, self._moment_ns, self._near_ns = channels, moment_ns, near_ns
        self._rows = rows  # of all parts
        self._last_s = dict.fromkeys(channels, np.nan)

    def thin(self, part: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """The rows of this part to keep, and for each channel its `before_s` [s]."""
        t_ns = part["t_ns"]
        keep = np.zeros(len(t_ns), bool)
        if self._moment_ns is not None:
            keep |= np.abs(t_ns - self._moment_ns) <= self._near_ns
        stretches = max(1, FINER * COLUMNS * len(t_ns) // self._rows)
        befores = {}
        for name in self._channels:
            line = read_line(part, name, pa_per_unit=1.0)
            before_s = np.full(len(t_ns), np.nan)
            before_s[line.row] = np.diff(line.time_s, prepend=self._last_s[name])
            befores[before_name(name)] = before_s
            if not len(line.row):
                continue
            self._last_s[name] = line.time_s[-1]
            for values, wanted in (
                (line.value, line.good),
                (line.value, ~line.good),
                (part["target_pa"][line.row], np.isfinite(part["target_pa"][line.row])),
            ):
                at = np.flatnonzero(wanted)
                if len(at):
                    keep[line.row[at[thin(line.time_s[at], values[at], stretches)]]] = True
            own_s = before_s[line.row][1:]
            edges = np.diff(line.good) | (np.diff(part["step"][line.row]) != 0)
            edges |= own_s > 2.0 * np.median(own_s) if len(own_s) else False
            at = np.flatnonzero(edges)
            keep[line.row[at]] = keep[line.row[at + 1]] = True
            keep[line.row[[0, -1]]] = True
        rows = np.flatnonzero(keep)
        return {name: column[rows] for name, column in part.items()} | {
            name: before_s[rows] for name, before_s in befores.items()
        }
