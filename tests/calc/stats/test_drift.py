"""A night's drift and loading against nights made to drift, and against counts worked out by hand.

The charts themselves are held to published examples in test_charts, rainflow in tests/calc/test_cycles; here is what is
made of them. All nights are invented.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from rigd.calc import cycles
from rigd.calc.stats.charts import ADVICE
from rigd.calc.stats.drift import (
    COLUMNS,
    MEANINGS,
    TREND_LEAST,
    accepted_in,
    baseline_of,
    watch_night,
    weigh_loading,
    zeroed,
)
from rigd.files.load import find, load_profile, load_rig
from rigd.model.profile import Surge

PSI = 6894.757293168362


@pytest.fixture(scope="module")
def rig():
    return load_rig(find("demo", "rig"))


@pytest.fixture(scope="module")
def step() -> Surge:
    return next(step for step in load_profile(find("cyclic-surge", "profile")).steps if type(step) is Surge)


def night(count: int, seed: int = 1) -> dict[str, np.ndarray]:
    chance = np.random.default_rng(seed)
    told = {
        "cycle": np.arange(count) + 1.0, "peak_sampled_pa": chance.normal(85.0, 0.2, count) * PSI,
        "charge_pa": chance.normal(86.0, 0.2, count) * PSI, "blow_down_ns": chance.normal(60e6, 2e6, count),
        "return_ns": chance.normal(100e6, 5e6, count), "rise_pa_per_s": chance.normal(1.6e7, 1e5, count),
        "trough_pa": chance.normal(1.0, 0.1, count) * PSI,
    }  # fmt: skip
    told |= {name: np.zeros(count, bool) for name in ("extra", "assisted")}
    told |= {name: np.ones(count, bool) for name in ("valid", "applied")}
    return told | {"peak_zeroed_pa": np.full(count, np.nan), "trough_zeroed_pa": np.full(count, np.nan)}


def worn_night(seed: int) -> dict[str, np.ndarray]:
    """20 ms a thousand cycles, from cycle 150 on."""
    told = night(2000, seed)
    told["return_ns"] += np.maximum(0.0, told["cycle"] - 150.0) * 0.02e6
    return told


def test_a_seal_that_wears_is_seen_named_and_measured(rig) -> None:
    told = worn_night(1)
    drifts, unwatched = watch_night(told, rig)
    assert unwatched == () and [drift.column for drift in drifts] == list(COLUMNS)
    worn = next(drift for drift in drifts if drift.column == "return_ns")
    assert worn.may_mean == MEANINGS["return_ns", "up"] and "seal" in worn.may_mean and worn.advice == ADVICE
    assert (worn.baseline_first, worn.baseline_last, worn.baseline_count) == (1, 100, 100)
    assert worn.latest == pytest.approx(137e6, abs=4e6) and 14.0 < worn.false_alarms < 15.0
    line = np.polyfit(told["cycle"] / 1000.0, told["return_ns"], 1, cov=True)
    assert worn.per_thousand == pytest.approx(line[0][0], rel=1e-9), "numpy's own least squares"
    assert worn.per_thousand_error == pytest.approx(math.sqrt(line[1][0, 0]), rel=1e-6)
    still = next(drift for drift in drifts if drift.column == "blow_down_ns")
    assert abs(still.per_thousand) < 4.0 * still.per_thousand_error


def test_wear_is_seen_long_before_it_is_stuck(rig) -> None:
    """Nine nights, and the middle one: a chart has a false alarm now and then."""
    firsts = []
    for seed in range(9):
        worn = next(drift for drift in watch_night(worn_night(seed), rig)[0] if drift.column == "return_ns")
        cusum = next(chart for chart in worn.charts if chart.chart == "cusum up")
        assert cusum.outside_at_end
        firsts.append(cusum.first_cycle)
    assert 150 < np.median(firsts) < 400, "by then the part takes 5 of 100 ms longer"


def test_a_long_night_has_a_longer_baseline() -> None:
    assert [baseline_of(count) for count in (0, 20, 399, 420, 2000, 4000, 30_000)] == [20, 20, 20, 21, 100, 200, 200]


def test_only_accepted_cycles_are_charted(rig) -> None:
    told = night(60)
    for name, place in (("extra", 3), ("assisted", 4)):
        told[name][place], told["return_ns"][place] = True, 1e12
    told["valid"][5], told["return_ns"][5] = False, -1e12
    told["return_ns"][6] = np.nan  # stuck: valid, and there is no time
    assert accepted_in(told).sum() == 57
    worn = next(drift for drift in watch_night(told, rig)[0] if drift.column == "return_ns")
    assert worn.accepted == 56 and worn.baseline_last == 24 and 90e6 < worn.mean < 110e6


def test_a_short_night_or_a_rig_without_a_part_has_no_chart_of_it(rig) -> None:
    told = night(19)
    assert watch_night(told, rig) == ((), COLUMNS)
    told["return_ns"][:] = np.nan
    assert watch_night(told, rig) == ((), tuple(name for name in COLUMNS if name != "return_ns"))
    few = watch_night(night(TREND_LEAST - 1), rig)[0]
    assert all(drift.per_thousand is None and drift.per_thousand_error is None for drift in few)
    nothing = {name: column[:0] for name, column in told.items()}
    assert watch_night(nothing, rig) == ((), ())


def test_times_that_never_differ_are_not_divided_by_nothing(rig) -> None:
    """A blow-down always found by the same scan: the least that is believed to differ is a scan over the root of 12."""
    told = night(100)
    told["blow_down_ns"][:] = 50e6
    still = next(drift for drift in watch_night(told, rig)[0] if drift.column == "blow_down_ns")
    assert still.sigma == rig.devices[0].scan_ns / math.sqrt(12.0) and still.advice == ""


def test_even_loading_is_one_range_and_as_many_cycles_as_surges(rig, step) -> None:
    told = night(48)
    loading = weigh_loading(told, step, rig)
    assert (loading.counted, loading.unseen, loading.uneven) == (48, 0, False)
    assert sum(count for _, count in loading.ranges) == pytest.approx(48.0)
    assert loading.exponent is None and loading.equivalent is None, "no exponent is given, so no number is invented"
    assert weigh_loading(told, replace(step, life_exponent=8.0), rig).equivalent == pytest.approx(48.0, rel=0.6)


def test_uneven_loading_by_hand(rig, step) -> None:
    """Ten surges to 85 psi and four to 42.5 psi, all back to 0: by hand 10 of 85 and 4 of 42.5; at m = 3 the small ones
    are worth an eighth each, 10.5 in all."""
    told = night(14)
    told["peak_sampled_pa"] = np.array([85.0] * 5 + [42.5] * 4 + [85.0] * 5) * PSI
    told["trough_pa"][:] = 0.0
    told["valid"][5:9] = False  # and still the body felt them
    loading = weigh_loading(told, replace(step, life_exponent=3.0), rig)
    ranges = [(edge / PSI, count) for edge, count in loading.ranges]
    assert ranges == [(pytest.approx(42.5), 4.0), (pytest.approx(85.0), 10.0)] and loading.uneven
    assert loading.equivalent == pytest.approx(10.5, rel=1e-9)
    told["peak_sampled_pa"][2], told["applied"][12] = np.nan, False
    less = weigh_loading(told, step, rig)
    assert (less.counted, less.unseen) == (12, 1)
    told["applied"][:] = False
    assert weigh_loading(told, step, rig) is None


def test_peaks_and_troughs_of_a_trace_count_as_the_whole_trace_does(rig, step) -> None:
    """The same invented night as samples, through the filter for noise, and as a table: the same ranges."""
    told = night(60)
    told["peak_sampled_pa"][20:24] *= 0.6
    one = np.concatenate((np.linspace(0.0, 1.0, 7), np.ones(5), np.linspace(1.0, 0.0, 7)))
    trace, low = [0.0], 0.0
    for peak, trough in zip(told["peak_sampled_pa"], told["trough_pa"], strict=True):
        rise = one[:12] * (peak - low) + low
        trace += [*rise.tolist(), *(one[12:] * (peak - trough) + trough).tolist()]
        low = trough
    loading = weigh_loading(told, step, rig)
    whole = cycles.sum_by_range(cycles.find_cycles(trace, loading.dead_band_pa), loading.bin_pa)
    assert loading.ranges == whole


def test_a_zero_is_taken_off_where_it_was_read(step, rig) -> None:
    told = night(10)
    told["peak_zeroed_pa"][:9] = told["peak_sampled_pa"][:9] - 500.0
    assert zeroed(told, "peak_sampled_pa").tolist() == [
        *(told["peak_sampled_pa"][:9] - 500.0).tolist(), told["peak_sampled_pa"][9]
    ]  # fmt: skip
    assert (
        weigh_loading({**told, "trough_zeroed_pa": told["trough_pa"]}, replace(step, peak_tolerance=0.5), rig).counted
        == 10
    )
