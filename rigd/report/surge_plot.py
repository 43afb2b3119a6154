"""The picture of a surge test: peak, charge, blow-down time and return time against the number of the cycle.

The peak at the specimen and the charge behind the release valve are two pressures and have an axis each. Cycles that
are not valid are crossed, a stuck part and a failure are marked where they were. A night is thinned to the smallest and
largest of each narrow column of cycles, so that no peak can vanish. The same input gives the same bytes. This file
knows columns of the cycles table and refuses to know where they are stored.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from rigd.report.plots import BAND, BLUE, GREEN, MUTED, PURPLE, STYLE, TEXT, VERMILLION, thin
from rigd.report.tables import pa_per

WIDTH_IN, ROW_IN, BETWEEN_IN = 11.0, 1.15, 0.35  # and the first row twice as high
TOP_IN, BOTTOM_IN, LEFT_IN, RIGHT_IN = 0.65, 0.5, 0.8, 0.15
"""Margins are laid down: matplotlib's own layout solver differs in the last digit from one drawing to the next."""
DOTS_UP_TO = 400  # cycles that can still be told apart as dots
MOST_MARKS = 600  # crosses, or bars, that a page can show; of more every column of cycles has one
MOST_BLOCKS = 60  # that are still seen as bands
COLUMNS = 1000

Told = Mapping[str, np.ndarray]


def plot_surges(
    told: Told,
    path: Path,
    display_unit: str = "psi",
    *,
    asked_pa: float,
    asked_charge_pa: float,
    failed_at: int | None = None,
    title: str = "",
) -> None:
    """Draw the cycles into `path`, as SVG or, by its suffix, PNG.

    Parameters
    ----------
    told : mapping of columns (n,)
        Of the cycles table, as `store.cycles.as_arrays` gives them [Pa, ns, bool].
    path : Path
    display_unit : str
        Unit of pressure on the axis.
    asked_pa, asked_charge_pa : float
        Peak and charge the profile asks for [Pa].
    failed_at : int or None
        Number of the cycle at which the body failed.
    title : str
    """
    import matplotlib
    from matplotlib.figure import Figure

    has_part = bool(told["has_returned"].any())
    heights = (2.2, 1.1, 1.0, 1.0)[: 4 if has_part else 3]
    with matplotlib.rc_context(STYLE):
        height_in = TOP_IN + BOTTOM_IN + (ROW_IN + BETWEEN_IN) * sum(heights)
        figure = Figure(figsize=(WIDTH_IN, height_in))
        rows = figure.subplots(
            len(heights), 1, sharex=True, height_ratios=heights,
            gridspec_kw={
                "left": LEFT_IN / WIDTH_IN, "right": 1.0 - RIGHT_IN / WIDTH_IN, "bottom": BOTTOM_IN / height_in,
                "top": 1.0 - TOP_IN / height_in, "hspace": BETWEEN_IN / ROW_IN,
            },
        )  # fmt: skip
        sheet = CycleSheet(told, pa_per(display_unit), display_unit)
        sheet.draw_peak(rows[0], asked_pa, failed_at)
        sheet.draw_charge(rows[1], asked_charge_pa)
        sheet.draw_time(rows[2], "blow_down_ns", "Blow-down time", "[ms]", GREEN)
        if has_part:
            sheet.draw_time(rows[3], "return_ns", "Return time of the moving part", "[ms]", PURPLE)
            sheet.mark_stuck(rows[3])
        for axes in rows:
            sheet.shade_blocks(axes)
            if failed_at is not None:
                axes.axvline(failed_at, color=TEXT, linewidth=1.2, zorder=5)
        rows[-1].set_xlabel(f"cycle{sheet.thinned_words()}")
        if title:
            figure.suptitle(title, fontsize=11, fontweight="bold", x=0.01, y=0.985, ha="left")
        metadata = {"Date": None, "Creator": "rigd"} if path.suffix == ".svg" else {"Software": "rigd"}
        figure.savefig(path, metadata=metadata, dpi=110)


class CycleSheet:
    """One figure being drawn."""

    def __init__(self, told: Told, scale: float, unit: str) -> None:
        self.told, self.scale, self.unit = told, scale, unit
        self.number = told["cycle"]
        self.count = len(self.number)
        self.dots = self.count <= DOTS_UP_TO

    def thinned_words(self) -> str:
        if self.count <= 4 * COLUMNS:
            return ""
        return f" ({self.count} of them: of each narrow column the smallest and the largest are drawn)"

    def draw_peak(self, axes: Any, asked_pa: float, failed_at: int | None) -> None:
        peak = self.told["peak_sampled_pa"] / self.scale
        self._draw(axes, peak, BLUE, "o")
        bad = self._cross_invalid(axes, peak)
        self._mark_asked(axes, peak, asked_pa / self.scale, BLUE)
        words = f"; × not valid ({bad})" if bad else ""
        self._name(axes, f"Peak at the specimen, as sampled{self._asked(asked_pa)}{words}", f"[{self.unit}]", BLUE)
        if failed_at is not None:
            axes.set_title(f"failed at cycle {failed_at}", loc="right", fontsize=9, fontweight="bold", color=VERMILLION)

    def draw_charge(self, axes: Any, asked_pa: float) -> None:
        charge = self.told["charge_pa"] / self.scale
        self._draw(axes, charge, MUTED, "s")
        self._mark_asked(axes, charge, asked_pa / self.scale, TEXT)
        words = f"Charge pressure, behind the release valve{self._asked(asked_pa)}"
        self._name(axes, words, f"[{self.unit}]", TEXT)

    def _asked(self, value_pa: float) -> str:
        return f"; asked for {value_pa / self.scale:.1f} {self.unit}, dotted"

    def draw_time(self, axes: Any, column: str, name: str, unit: str, color: str) -> None:
        values = self.told[column] / 1e6
        self._draw(axes, values, color, "o")
        self._make_room(axes, values)
        self._name(axes, name, unit, color)

    def _name(self, axes: Any, words: str, unit: str, color: str) -> None:
        axes.set_title(words, loc="left", fontsize=9, color=color)
        axes.set_ylabel(unit)

    def _mark_asked(self, axes: Any, values: np.ndarray, asked: float, color: str) -> None:
        self._make_room(axes, np.append(values, asked))
        axes.axhline(asked, color=color, linewidth=0.8, linestyle=(0, (1, 2)), zorder=5)

    def _draw(self, axes: Any, values: np.ndarray, color: str, marker: str) -> None:
        """A line that has a gap where a cycle has no value, as long as single cycles can be told apart."""
        style: dict[str, Any] = {"color": color, "linewidth": 0.9, "zorder": 4}
        if self.dots:
            axes.plot(self.number, values, marker=marker, markersize=3.0, markeredgewidth=0, **style)
            return
        seen = np.flatnonzero(np.isfinite(values))
        chosen = seen[thin(self.number[seen], values[seen], COLUMNS)]
        axes.plot(self.number[chosen], values[chosen], **style)

    def _cross_invalid(self, axes: Any, peak: np.ndarray) -> int:
        """Not valid: a cross on its peak, or on the foot of the axis where nobody saw one. Returns how many."""
        bad = np.flatnonzero(~self.told["valid"])
        shown = self._few(bad)
        seen = shown[np.isfinite(peak[shown])]
        unseen = shown[~np.isfinite(peak[shown])]
        size = 6 if self.dots else 4.5
        marks = {"color": TEXT, "linestyle": "none", "marker": "x", "markersize": size, "zorder": 6}
        axes.plot(self.number[seen], peak[seen], **marks)
        if len(unseen):  # an empty line that is not clipped has no extent, and upsets the layout
            foot, height = axes.get_xaxis_transform(), np.full(len(unseen), 0.03)
            axes.plot(self.number[unseen], height, transform=foot, clip_on=False, **marks)
        return len(bad)

    def _few(self, places: np.ndarray) -> np.ndarray:
        """Not more than a page can show: the first of each column of cycles."""
        if len(places) <= MOST_MARKS:
            return places
        column = (self.number[places] - self.number[0]) * MOST_MARKS // max(self.number[-1] - self.number[0] + 1, 1)
        return places[np.unique(column, return_index=True)[1]]

    def mark_stuck(self, axes: Any) -> None:
        stuck = np.flatnonzero(self.told["has_returned"] & ~self.told["returned"])
        if not len(stuck):
            return
        top = axes.get_ylim()[1]
        shown = self._few(stuck)
        axes.plot(
            self.number[shown], np.full(len(shown), top), color=VERMILLION, linestyle="none", marker="v", markersize=6,
            clip_on=False, zorder=7,
        )  # fmt: skip
        words = f"stuck first at cycle {self.number[stuck[0]]:.0f}, {len(stuck)} in all"
        axes.set_title(words, loc="right", fontsize=9, fontweight="bold", color=VERMILLION)

    def shade_blocks(self, axes: Any) -> None:
        """Every other block is shaded, as long as there are few enough to be told apart."""
        if not self.count:
            axes.text(0.5, 0.5, "no cycle was ended", ha="center", transform=axes.transAxes)
            return
        axes.set_xlim(self.number[0] - 0.5, self.number[-1] + 0.5)
        starts = np.concatenate(([0], np.flatnonzero(np.diff(self.told["block"])) + 1))
        if not 1 < len(starts) <= MOST_BLOCKS:
            return
        ends = np.append(starts[1:], self.count) - 1
        for start, end in zip(starts, ends, strict=True):
            if int(self.told["block"][start]) % 2 == 0:
                axes.axvspan(self.number[start] - 0.5, self.number[end] + 0.5, color=BAND, linewidth=0, zorder=0)

    def _make_room(self, axes: Any, values: np.ndarray) -> None:
        seen = values[np.isfinite(values)]
        if not len(seen):
            return
        low, high = float(seen.min()), float(seen.max())
        room = max(high - low, 0.02 * abs(high), 1e-9)
        axes.set_ylim(low - 0.12 * room, high + 0.12 * room)
