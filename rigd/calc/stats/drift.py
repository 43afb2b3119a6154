"""How a night of surges drifted, and how even its loading was: the cycles table through `charts` and `cycles`.

Advice for a person, never an interlock, and nothing here can become one: it is worked out when the run is over. One
number a cycle is charted, of accepted cycles only, against the first of them. A chart says that something differs from
them by more than they differed among themselves; what that may mean is said in words, as a list of things to look at
and not as a finding. Where the loading was uneven its ranges are counted by rainflow; how many even cycles would have
done the same damage is worked out only where somebody has given the exponent of the material's life curve.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rigd.calc import cycles
from rigd.calc.stats import charts
from rigd.model.profile import Surge
from rigd.model.rig import Rig

LATEST = 20  # cycles: what "at the end" is the mean of
BASELINE_SHARE, BASELINE_MOST = 20, 200  # house rule
BIN_SHARE = 0.05  # of the pressure asked for: how finely ranges are gathered
DEAD_BAND_STEPS = 4.0  # of the transducer's resolution: less is no turn (common practice: four deviations of the noise)
TREND_LEAST = 30  # accepted cycles: with fewer a slope is little but noise (house rule)
MOST_COUNTED = 2_000_000  # cycles; rainflow takes some 5 us each, and a night has tens of thousands

MEANINGS = {
    ("peak_sampled_pa", "up"): "a regulator that creeps up, a release valve that opens faster, a body grown stiffer",
    ("peak_sampled_pa", "down"): "a regulator or supply that runs down, air in the line, a leak, a body grown softer",
    ("charge_pa", "up"): "a regulator that creeps up, or less taken from the charge by neighbours",
    ("charge_pa", "down"): "a supply that runs down, a regulator that creeps down, a leak behind the release valve",
    ("blow_down_ns", "up"): "a vent or drain that gets narrower, a slower vent valve, more air in the line or body",
    ("blow_down_ns", "down"): "a vent that got freer, or less water and air behind it",
    ("return_ns", "up"): "a moving part that sticks more: a worn or swollen seal, dirt, cold water, a tired spring",
    ("return_ns", "down"): "a moving part that runs freer than when new: a seal that wears in or leaks",
    ("rise_pa_per_s", "up"): "a release valve that opens faster, less air in the line or body",
    ("rise_pa_per_s", "down"): "a release valve that opens slower, a filter that clogs, air in the line or body",
}
COLUMNS = tuple(dict.fromkeys(name for name, _ in MEANINGS))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSignals:
    chart: str
    cycles_outside: int  # after the baseline
    first_cycle: int | None  # number of the first of them
    outside_at_end: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """One column of the cycles table over the night, in the column's own unit."""

    column: str
    accepted: int
    baseline_first: int  # cycle numbers
    baseline_last: int
    baseline_count: int
    mean: float
    sigma: float
    latest: float  # mean of the last accepted ones
    charts: tuple[ChartSignals, ...]
    false_alarms: float  # to expect if nothing drifted at all, all charts together
    per_thousand: float | None  # slope a thousand cycles, None with too few
    per_thousand_error: float | None  # its standard error
    advice: str  # "" without a signal
    may_mean: str  # "" likewise


def accepted_in(told: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return which cycles are charted (n,): valid, and neither extra nor the first after a hand freed the part."""
    return told["valid"] & ~told["extra"] & ~told["assisted"]


def watch_night(
    told: Mapping[str, np.ndarray], rig: Rig, *, count: int | None = None
) -> tuple[tuple[Drift, ...], tuple[str, ...]]:
    """Chart what a night of surges should have kept even.

    Parameters
    ----------
    told : mapping of arrays, each (n,)
        Columns of the cycles table: float64 with NaN where there is nothing, bool.
    rig : Rig
        Resolution of the transducers and the time between two scans are the least that is believed to differ.
    count : int, optional
        Accepted cycles that make the baseline [cycle]; without it `baseline_of` those with a value.

    Returns
    -------
    drifts : tuple of Drift
    unwatched : tuple of str
        Columns that have a value, but in fewer accepted cycles than the baseline takes.

    Source
    ------
    `charts.watch`: NIST/SEMATECH e-Handbook 6.3.2.2 and 6.3.2.4, Montgomery.
    """
    least = _least_sigmas(rig)
    accepted = accepted_in(told)
    drifts, unwatched = [], []
    for column in COLUMNS:
        values = told[column]
        usable = accepted & np.isfinite(values)
        wanted = count or baseline_of(int(np.count_nonzero(usable)))
        seen = charts.watch(values, usable, wanted, least[column]) if usable.any() else None
        if seen is not None:
            drifts.append(_drift(column, values, told["cycle"], seen))
        elif usable.any():
            unwatched.append(column)
    return tuple(drifts), tuple(unwatched)


def baseline_of(accepted: int) -> int:
    """Return how many of so many accepted cycles make the baseline: 20, of a long night a twentieth, at most 200.

    The limits of few cycles are themselves uncertain, and a long night finds every limit that is a little too narrow.
    """
    return max(charts.BASELINE_CYCLES, min(accepted // BASELINE_SHARE, BASELINE_MOST))


def _least_sigmas(rig: Rig) -> dict[str, float]:
    """A value read in steps differs by chance by the step over the root of 12 (rectangular, GUM 4.3.7)."""
    specimen = next(channel for channel in rig.channels if channel.role == "specimen")
    feed = next((channel for channel in rig.channels if channel.role == "feed"), specimen)
    scan_ns = rig.devices[specimen.device].scan_ns
    steps = {
        "peak_sampled_pa": specimen.resolution,
        "charge_pa": feed.resolution,
        "blow_down_ns": float(scan_ns),
        "return_ns": float(scan_ns),
        "rise_pa_per_s": specimen.resolution / (scan_ns / 1e9),
    }
    return {column: step / math.sqrt(12.0) for column, step in steps.items()}


def _drift(column: str, values: np.ndarray, number: np.ndarray, seen: charts.DriftWatch) -> Drift:
    places = np.array(seen.cycles)
    baseline = seen.baseline
    latest = float(np.mean(values[places[-LATEST:]]))
    slope, error = _trend(number[places], values[places])
    direction = "up" if latest > baseline.mean else "down"
    return Drift(
        column=column,
        accepted=len(places),
        baseline_first=int(number[baseline.cycles[0]]),
        baseline_last=int(number[baseline.cycles[-1]]),
        baseline_count=len(baseline.cycles),
        mean=baseline.mean,
        sigma=baseline.sigma,
        latest=latest,
        charts=tuple(_signals(chart, places, number, len(baseline.cycles)) for chart in seen.charts),
        false_alarms=seen.false_alarms,
        per_thousand=slope,
        per_thousand_error=error,
        advice=seen.advice,
        may_mean=MEANINGS[column, direction] if seen.advice else "",
    )


def _signals(chart: charts.Chart, places: np.ndarray, number: np.ndarray, count: int) -> ChartSignals:
    outside = [at for at in chart.signals if at >= count]
    return ChartSignals(
        chart=chart.name,
        cycles_outside=len(outside),
        first_cycle=int(number[places[outside[0]]]) if outside else None,
        outside_at_end=bool(outside) and outside[-1] == len(places) - 1,
    )


def _trend(number: np.ndarray, values: np.ndarray) -> tuple[float | None, float | None]:
    """Least-squares slope a thousand cycles and its standard error, as if cycles were independent of each other."""
    count = len(number)
    if count < TREND_LEAST:
        return None, None
    x = (number - np.mean(number)) / 1000.0
    square = float(np.sum(x * x))
    slope = float(np.sum(x * (values - np.mean(values)))) / square
    rest = values - np.mean(values) - slope * x
    return slope, math.sqrt(float(np.sum(rest * rest)) / (count - 2) / square)


def zeroed(told: Mapping[str, np.ndarray], column: str) -> np.ndarray:
    """Return a pressure at the specimen (n,) [Pa] with its zero taken off, as sampled where none was read."""
    less = told[f"{column.removesuffix('_pa').removesuffix('_sampled')}_zeroed_pa"]
    return np.where(np.isfinite(less), less, told[column])


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """What the body felt, as closed cycles of a range each."""

    counted: int  # surges whose peak was seen
    unseen: int  # applied ones whose peak was not: they are in no figure here
    dead_band_pa: float
    bin_pa: float
    ranges: tuple[tuple[float, float], ...]  # (upper edge [Pa], cycles)
    uneven: bool  # the ranges of applied surges differ by more than the tolerance of the peak to either side
    exponent: float | None  # of the life curve, None: nobody has given one
    source: str  # whose curve
    equivalent: float | None  # even cycles of the pressure asked for that do the same damage; None without an exponent


def weigh_loading(told: Mapping[str, np.ndarray], step: Surge, rig: Rig) -> Loading | None:
    """Count what the body felt by rainflow, from each surge's peak and trough.

    Parameters
    ----------
    told : mapping of arrays, each (n,)
        As `watch_night`; every applied cycle counts here, valid or not, zeroed where a zero was read.
    step : Surge
        With the exponent of the material's life curve [-]; there is never a default, for the result leans on it.
    rig : Rig

    Returns
    -------
    Loading or None
        None when no surge was seen, or there are more than `MOST_COUNTED`.

    Assumes
    -------
    The line at zero before the first surge. What the pressure did between a peak and the trough after it is no cycle
    of its own, so ripple on top of a surge is not counted.

    Source
    ------
    ASTM E1049 by `cycles`; Palmgren-Miner for the equivalent.
    """
    peak, trough = zeroed(told, "peak_sampled_pa"), zeroed(told, "trough_pa")
    seen = told["applied"] & np.isfinite(peak) & np.isfinite(trough)
    if not 0 < np.count_nonzero(seen) <= MOST_COUNTED:
        return None
    felt = np.concatenate(([0.0], np.column_stack((peak[seen], trough[seen])).ravel()))
    specimen = next(channel for channel in rig.channels if channel.role == "specimen")
    dead_band_pa, bin_pa = DEAD_BAND_STEPS * specimen.resolution, BIN_SHARE * step.pressure_pa
    ranges = cycles.sum_by_range(cycles.each_cycle(felt, dead_band_pa), bin_pa)
    spans = (peak - trough)[seen]
    equivalent, exponent = None, step.life_exponent or None
    if exponent is not None:
        equivalent = cycles.equivalent_cycles(ranges, reference_range=step.pressure_pa, exponent=exponent)
    return Loading(
        counted=int(np.count_nonzero(seen)),
        unseen=int(np.count_nonzero(told["applied"] & ~seen)),
        dead_band_pa=dead_band_pa,
        bin_pa=bin_pa,
        ranges=ranges,
        uneven=bool(np.ptp(spans) > 2.0 * step.peak_tolerance * step.pressure_pa),
        exponent=exponent,
        source=step.life_source,
        equivalent=equivalent,
    )
