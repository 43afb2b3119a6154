"""The picture of a burst: the whole run, and every raw sample at the moment of failure.

Two pressures are drawn and never confused: the failure pressure, at the onset, and the highest pressure, wherever it
was.
Nothing is smoothed. The whole run is thinned to the smallest and largest sample of each narrow column, so that a peak
can never be thinned away; the zoom shows every sample as a dot; samples that are missing are drawn as a gap, and bad
ones as crosses. The same input gives the same bytes, so that a figure can be hashed with its record. This file knows
arrays and a result, and refuses to know where they are stored.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from rigd.calc.exact.quality import GOOD
from rigd.files.units import PRESSURE, parse

NS_PER_S = 1e9
ZOOM_S = 1.0  # either side of the failure: a ramp is straight over this time, and an onset fits in it many times
COLUMNS = 1500  # the whole run is thinned to so many columns: more than a printed page can show
GAP_INTERVALS = 3.5  # a sample later than so many usual intervals is a gap, not jitter
WIDTH_IN, HEIGHT_IN = 11.0, 8.2

# Colours that stay apart on white for every kind of colour vision, each also told apart by its dashes and its label.
BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
TEXT, MUTED, BAND = "#1F2326", "#52585E", "#F0F1F2"

STYLE = {
    "svg.hashsalt": "rigd",
    "svg.fonttype": "none",
    "font.family": ["DejaVu Sans"],  # ships with matplotlib, so that widths are the same everywhere
    "font.size": 9.0,
    "text.color": TEXT,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": TEXT,
    "axes.facecolor": "white",
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "figure.facecolor": "white",
    "path.simplify": False,  # matplotlib's own thinning could take a peak away
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One channel, ready to draw: only the rows in which its device answered."""

    name: str
    row: np.ndarray  # index into the trace [-], shape (n,)
    time_s: np.ndarray  # since the record opened, at the sample, shape (n,)
    value: np.ndarray  # display unit, zeroed, shape (n,)
    good: np.ndarray  # bool, shape (n,)
    before_s: np.ndarray | None = None  # since the sample before, shape (n,); None: every sample is here

    @property
    def since_s(self) -> np.ndarray:
        """Since the sample before [s], shape (n,); NaN at the first."""
        return np.diff(self.time_s, prepend=np.nan) if self.before_s is None else self.before_s

    @property
    def interval_s(self) -> float:
        return float(np.nanmedian(self.since_s)) if len(self.time_s) > 1 else 0.0

    @property
    def after_gap(self) -> np.ndarray:
        """Are samples missing just before this one? bool, shape (n,)"""
        longest = GAP_INTERVALS * self.interval_s
        return self.since_s > longest if longest > 0.0 else np.zeros(len(self.time_s), bool)


def before_name(channel: str) -> str:
    """The column that a thinned trace has for this channel: how long before each row its last sample was [s]."""
    return f"{channel}_before_s"


def read_line(trace: Mapping[str, Any], name: str, *, pa_per_unit: float, zero_pa: float = 0.0) -> Line:
    """Take the channel `name` out of a trace, leaving out the rows in which its device said nothing."""
    value = as_floats(trace[f"{name}_pa"])
    row = np.flatnonzero(np.isfinite(value))
    age_us = as_floats(trace["age_us"])[row] if "age_us" in trace else np.zeros(len(row))
    quality = trace.get(f"{name}_quality")
    good = as_floats(quality)[row] == GOOD if quality is not None else np.ones(len(row), dtype=bool)
    time_s = as_floats(trace["t_ns"])[row] / NS_PER_S - np.nan_to_num(age_us) / 1e6
    before = trace.get(before_name(name))
    return Line(
        name=name, row=row, time_s=time_s, value=(value[row] - zero_pa) / pa_per_unit, good=good,
        before_s=None if before is None else before[row],
    )  # fmt: skip


def as_floats(column: Any) -> np.ndarray:
    """A column of numpy, pandas or pyarrow as float64; what is missing becomes NaN."""
    if hasattr(column, "to_numpy"):
        try:
            column = column.to_numpy(zero_copy_only=False)
        except TypeError:  # pandas has no such choice
            column = column.to_numpy()
    return np.asarray(column, dtype=np.float64)


def thin(time_s: np.ndarray, value: np.ndarray, columns: int = COLUMNS) -> np.ndarray:
    """Which samples to draw: first, last, smallest and largest of each of `columns` equal stretches of time.

    Source: Jugel et al., PVLDB 7(10):797-808, 2014 (M4): a line through these samples covers the same pixels.
    """
    if len(time_s) <= 4 * columns:
        return np.arange(len(time_s))
    edges = np.searchsorted(time_s, np.linspace(time_s[0], time_s[-1], columns + 1)[1:-1])
    starts = np.unique(np.concatenate(([0], edges)))
    starts = starts[starts < len(time_s)]
    column = np.searchsorted(starts, np.arange(len(time_s)), side="right")
    order = np.lexsort((value, column))  # within each column from smallest to largest
    ends = np.concatenate((starts[1:], [len(time_s)])) - 1
    return np.unique(np.concatenate((starts, ends, order[starts], order[ends])))


def unbroken(line: Line) -> tuple[np.ndarray, np.ndarray]:
    """Times and values to draw as a line: thinned, with a NaN wherever samples are missing or bad."""
    good = np.flatnonzero(line.good)
    time_s, value = line.time_s[good], line.value[good]
    cut = np.flatnonzero(line.after_gap[good][1:] | (np.diff(good) > 1))
    chosen = np.union1d(thin(time_s, value), np.union1d(cut, cut + 1)).astype(int)
    at = np.searchsorted(chosen, cut) + 1
    return np.insert(time_s[chosen], at, time_s[cut]), np.insert(value[chosen], at, np.nan)


def find_gaps(line: Line) -> list[tuple[float, float]]:
    """From and to of each stretch [s] in which samples are missing."""
    at = np.flatnonzero(line.after_gap)
    return [(float(line.time_s[i] - line.since_s[i]), float(line.time_s[i])) for i in at]


def plot_burst(
    trace: Mapping[str, Any],
    result: Any,
    path: Path,
    display_unit: str = "psi",
    *,
    primary: str,
    second: str = "",
    limits: tuple[tuple[str, float], ...] = (),
    steps: tuple[str, ...] = (),
    title: str = "",
) -> None:
    """Draw the run and its failure into `path`, as SVG or, by its suffix, PNG.

    Parameters
    ----------
    trace : mapping of columns
        `t_ns` [ns], `<channel>_pa` [Pa] with NaN or null where the device said nothing, and where there are such:
        `age_us` [us], `step` [-], `target_pa` [Pa], `<channel>_quality` [-]; each of shape (n,).
    result : Result or mapping
        With the fields of model.messages.Result.
    path : Path
    display_unit : str
        Unit of pressure on the axes.
    primary, second : str
        Channel names; the first is the one the result speaks of, "" for no second one.
    limits : tuple of (words, pressure [Pa])
    steps : tuple of str
        Step names by number in `step`.
    title : str

    Raises
    ------
    KeyError
        If the trace lacks `t_ns` or the primary channel.
    """
    import matplotlib
    from matplotlib.figure import Figure

    columns = {name: trace[name] for name in column_names(trace)}
    found = result if isinstance(result, Mapping) else {name: getattr(result, name) for name in result.__slots__}
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), layout="constrained")
        sheet = Sheet(figure=figure, trace=columns, result=found, unit=display_unit, primary=primary, second=second)
        whole, zoom = figure.subplots(2, 1, height_ratios=(3, 2))
        sheet.draw_run(whole, limits, steps)
        sheet.draw_zoom(zoom)
        if title:
            figure.suptitle(title, fontsize=11, fontweight="bold", x=0.01, ha="left")
        metadata = {"Date": None, "Creator": "rigd"} if path.suffix == ".svg" else {"Software": "rigd"}
        figure.savefig(path, metadata=metadata, dpi=110)


def column_names(trace: Any) -> list[str]:
    return list(trace.column_names) if hasattr(trace, "column_names") else list(trace)


class Sheet:
    """One figure being drawn: its lines in display units, and what the result says about them."""

    def __init__(
        self, *, figure: Any, trace: Mapping[str, Any], result: Mapping[str, Any], unit: str, primary: str, second: str
    ) -> None:
        self.figure, self.trace, self.result, self.unit = figure, trace, result, unit
        self.scale = parse(f"1 {unit}", PRESSURE)
        zero_pa = result.get("zero_pa") or 0.0
        self.line = read_line(trace, primary, pa_per_unit=self.scale, zero_pa=zero_pa)
        self.other = read_line(trace, second, pa_per_unit=self.scale) if second else None
        self.failure = self._find_failure()
        self.highest = self._find_highest()

    def _find_failure(self) -> int | None:
        """Which sample of the primary line is the onset."""
        if self.result.get("failure_t_ns") is None or not len(self.line.row):
            return None
        t_ns = as_floats(self.trace["t_ns"])[self.line.row]
        return int(np.argmin(np.abs(t_ns - self.result["failure_t_ns"])))

    def _find_highest(self) -> int | None:
        """Which good sample is the highest: the first that is as high as the result says."""
        if self.result.get("highest_pa") is None or not len(self.line.row):
            return None
        off = np.abs(self.line.value - self.result["highest_pa"] / self.scale)
        return int(np.argmin(np.where(self.line.good, off, np.inf)))

    def say(self, value_pa: float, decimals: int = 1) -> str:
        return f"{value_pa / self.scale:.{decimals}f} {self.unit}"

    # --- the whole run ---

    def draw_run(self, axes: Any, limits: tuple[tuple[str, float], ...], steps: tuple[str, ...]) -> None:
        top = self._top(limits)
        axes.set_ylim(min(0.0, float(self.line.value.min(initial=0.0))) - 0.02 * top, top)
        if len(self.line.time_s) > 1:
            axes.set_xlim(self.line.time_s[0], self.line.time_s[-1])
        self._shade_steps(axes, steps)
        self._mark_gaps(axes)
        for words, limit_pa in limits:
            axes.axhline(limit_pa / self.scale, color=VERMILLION, linewidth=0.9, linestyle=(0, (6, 3)), zorder=2)
            axes.annotate(
                f"{words} {self.say(limit_pa, 0)}", (0.005, limit_pa / self.scale), xycoords=("axes fraction", "data"),
                xytext=(0, 2), textcoords="offset points", ha="left", color=VERMILLION, fontsize=8,
            )  # fmt: skip
        self._draw_target(axes)
        if self.other is not None:
            self._draw_whole(axes, self.other, GREEN, (0, (4, 2)))
        self._draw_whole(axes, self.line, BLUE, "solid")
        self._name_lines(axes)
        self._mark_results(axes, run=True)
        axes.set_ylabel(f"pressure [{self.unit}]")
        axes.set_xlabel("time since the record opened [s]")
        axes.set_title("Whole run", loc="left", fontsize=9, color=MUTED)

    def _top(self, limits: tuple[tuple[str, float], ...]) -> float:
        highest = float(self.line.value[self.line.good].max(initial=0.0))
        return 1.12 * max([highest, 1e-9, *(limit / self.scale for _, limit in limits)])

    def _shade_steps(self, axes: Any, steps: tuple[str, ...]) -> None:
        """Bands from step to step with their names on top; a name too wide for its band stands upright."""
        if "step" not in self.trace or len(self.line.row) < 2:
            return
        step = as_floats(self.trace["step"])[self.line.row]
        starts = np.concatenate(([0], np.flatnonzero(np.diff(step)) + 1))
        ends = np.concatenate((starts[1:], [len(step) - 1]))
        whole_s = self.line.time_s[-1] - self.line.time_s[0]
        for order, (start, end) in enumerate(zip(starts, ends, strict=True)):
            left, right = self.line.time_s[start], self.line.time_s[end]
            if order % 2 == 0:
                axes.axvspan(left, right, color=BAND, linewidth=0, zorder=0)
            number, share = int(step[start]), (right - left) / whole_s
            if not steps or number >= len(steps) or share < 0.015:
                continue
            name = steps[number] if number >= 0 else "no step"
            upright = share < 0.008 * len(name)  # a character is about 0.8 % of the axis wide
            axes.annotate(
                name, ((left + right) / 2, 0.985), xycoords=("data", "axes fraction"), ha="center", va="top",
                rotation=90 if upright else 0, color=MUTED, fontsize=8,
            )  # fmt: skip

    def _mark_gaps(self, axes: Any) -> None:
        for left, right in find_gaps(self.line):
            axes.axvspan(left, right, facecolor="none", edgecolor=MUTED, hatch="////", linewidth=0, zorder=1)
            axes.annotate(
                f"no samples for {1e3 * (right - left):.0f} ms", (right, 0.03), xycoords=("data", "axes fraction"),
                xytext=(3, 0), textcoords="offset points", fontsize=8, color=MUTED,
            )  # fmt: skip

    def _draw_target(self, axes: Any) -> None:
        if "target_pa" not in self.trace:
            return
        target = as_floats(self.trace["target_pa"])[self.line.row] / self.scale
        called_for = replace(self.line, value=target, good=np.isfinite(target))
        axes.plot(*unbroken(called_for), color=PURPLE, linewidth=1.0, linestyle=(0, (1, 1.5)), zorder=3)

    def _draw_whole(self, axes: Any, line: Line, color: str, dashes: Any) -> None:
        axes.plot(*unbroken(line), color=color, linewidth=1.1, linestyle=dashes, zorder=4)
        bad = ~line.good
        if bad.any():
            axes.plot(line.time_s[bad], line.value[bad], "x", color=TEXT, markersize=4, zorder=5)

    def _name_lines(self, axes: Any) -> None:
        """Each line's name stands at the line, on the rise, where there is white to its left."""
        until = self.failure if self.failure is not None else self.highest
        if until is None or self.line.value[until] <= 0.0:
            return
        names: list[tuple[str, str, float]] = [(self.line.name, BLUE, 0.72)]
        if self.other is not None:
            names.append((self.other.name, GREEN, 0.60))
        if "target_pa" in self.trace:
            names.append(("target", PURPLE, 0.48))
        for name, color, height in names:
            below = np.flatnonzero(self.line.value[:until] <= height * self.line.value[until])
            if not len(below):
                continue
            at = below[-1]
            axes.annotate(
                name, (self.line.time_s[at], self.line.value[at]), xytext=(-6, 0), textcoords="offset points",
                ha="right", va="center", color=color, fontsize=8.5, fontweight="bold",
            )  # fmt: skip

    # --- the moment of failure ---

    def draw_zoom(self, axes: Any) -> None:
        at = self.failure if self.failure is not None else self.highest
        if at is None:
            axes.set_axis_off()
            axes.text(0.5, 0.5, "no pressure was reached, so there is nothing to look at closely", ha="center")
            return
        centre = self.line.time_s[at]
        axes.set_xlim(-ZOOM_S, ZOOM_S)
        seen = np.abs(self.line.time_s - centre) <= ZOOM_S
        if self.other is not None:
            self._draw_dots(axes, self.other, centre, GREEN, "s", 2.0)
        self._draw_dots(axes, self.line, centre, BLUE, "o", 2.6)
        low, high = float(self.line.value[seen].min()), float(self.line.value[seen].max())
        room = max(high - low, 1e-9)
        axes.set_ylim(low - 0.06 * room, high + 0.30 * room)
        self._mark_results(axes, run=False, centre=centre)
        named = "failure" if self.failure is not None else "highest pressure"
        axes.set_xlabel(f"time from the {named} [s], which is at {centre:.4f} s")
        axes.set_ylabel(f"pressure [{self.unit}]")
        axes.set_title(f"At the {named}: {self._sampling_words()}", loc="left", fontsize=9, color=MUTED)

    def _draw_dots(self, axes: Any, line: Line, centre: float, color: str, marker: str, size: float) -> None:
        near = np.abs(line.time_s - centre) <= ZOOM_S
        shown = near & line.good
        dots = {"color": color, "markersize": size, "markeredgewidth": 0}
        axes.plot(line.time_s[shown] - centre, line.value[shown], marker, **dots)
        bad = near & ~line.good
        if bad.any():
            axes.plot(line.time_s[bad] - centre, line.value[bad], "x", color=TEXT, markersize=5)
        if shown.any():
            last = np.flatnonzero(shown)[-1]
            lift = 7 if line is self.line else 17
            axes.annotate(
                line.name, (line.time_s[last] - centre, line.value[last]), xytext=(-2, lift),
                textcoords="offset points", ha="right", color=color, fontsize=8.5, fontweight="bold",
            )  # fmt: skip

    def _sampling_words(self) -> str:
        interval = self.line.interval_s
        words = f"every raw sample a dot, one each {1e3 * interval:.3g} ms"
        rate = self.result.get("ramp_pa_per_s")
        if rate is None:
            return words
        missed = rate * interval
        return (
            f"{words}; the peak may be missed by up to ramp rate × interval = {rate / self.scale:.3g} {self.unit}/s × "
            f"{1e3 * interval:.3g} ms = {missed / self.scale:.2g} {self.unit}"
        )

    # --- both ---

    def _mark_results(self, axes: Any, *, run: bool, centre: float = 0.0) -> None:
        """Failure pressure and highest pressure, each with its own mark and words."""
        if self.highest is not None:
            x, y = self.line.time_s[self.highest] - centre, self.line.value[self.highest]
            axes.plot([x], [y], "^", color=TEXT, markersize=6, markerfacecolor="none", zorder=7)
            words = f"highest pressure {self.say(self.result['highest_pa'])} as sampled"
            offset: tuple[float, float] = (-2.0, 42.0) if run else (10.0, 18.0)
            self._point_out(axes, words, x, y, offset, TEXT)
        if self.failure is not None and self.result.get("failure_pa") is not None:
            x, y = self.line.time_s[self.failure] - centre, self.result["failure_pa"] / self.scale
            axes.plot([x], [y], "D", color=VERMILLION, markersize=6, markeredgecolor=TEXT, zorder=8)
            self._point_out(axes, self._failure_words(run), x, y, (-12.0, 16.0) if run else (-10.0, 18.0), VERMILLION)

    def _failure_words(self, run: bool) -> str:
        bound = self.result.get("bound_pa")
        words = f"failure pressure {self.say(self.result['failure_pa'])}"
        if bound is not None:
            words += f" ± {self.say(bound, 2)}"
        assert self.failure is not None
        if run:
            words += f"\nat {self.line.time_s[self.failure]:.3f} s"
            if "seq" in self.trace:
                words += f", seq {int(as_floats(self.trace['seq'])[self.line.row[self.failure]])}"
        return words

    def _point_out(self, axes: Any, words: str, x: float, y: float, offset: tuple[float, float], color: str) -> None:
        left = axes.get_xlim()[0]
        share = (x - left) / (axes.get_xlim()[1] - left)
        leaves = (offset[0] > 0 and share > 0.75) or (offset[0] < 0 and share < 0.25)
        dx = -offset[0] if leaves else offset[0]  # words stay inside the axes
        axes.annotate(
            words, (x, y), xytext=(dx, offset[1]), textcoords="offset points", va="center",
            ha="left" if dx > 0 else "right", color=color, fontsize=8.5, fontweight="bold",
            arrowprops={"arrowstyle": "-", "color": color, "linewidth": 0.7, "relpos": (0 if dx > 0 else 1, 0.2)},
        )  # fmt: skip
