"""Rainflow and damage against the standard's worked history and arithmetic by hand.

Status words: *quoted* = the source's number is quoted by a third party that is named; *memory*; *by hand*. Row numbers
are those of the project's list of check values.
"""

import doctest
from fractions import Fraction

import numpy as np
import pytest
import rainflow
from hypothesis import given, settings
from hypothesis import strategies as st

from rigd.calc import cycles

FIGURE_6 = [-2, 1, -3, 5, -1, 3, -4, 4, -2]  # ASTM E1049-85, 5.4.4


def found_in(trace, dead_band=0.0):
    return [(c.range, c.mean, c.count, c.first, c.last) for c in cycles.find_cycles(trace, dead_band)]


def test_the_worked_history_of_the_standard():
    # 6.1: ASTM E1049-85 (2023) 5.4.4, quoted in rainflow's issue 4 and tests.
    counted = cycles.sum_by_range(cycles.find_cycles(FIGURE_6, 0.0))
    assert counted == ((3.0, 0.5), (4.0, 1.5), (6.0, 0.5), (8.0, 1.0), (9.0, 0.5))
    # 6.2: range, mean, count and places; quoted from rainflow's tests.
    assert found_in(FIGURE_6) == [
        (3, -0.5, 0.5, 0, 1),
        (4, -1, 0.5, 1, 2),
        (4, 1, 1.0, 4, 5),
        (8, 1, 0.5, 2, 3),
        (9, 0.5, 0.5, 3, 6),
        (8, 0, 0.5, 6, 7),
        (6, 1, 0.5, 7, 8),
    ]
    # 6.4: the same as a repeating history, from its maximum; ASTM E1049 5.4.5 (memory).
    repeating = cycles.from_highest(FIGURE_6)
    assert repeating.tolist() == [5, -1, 3, -4, 4, -2, -2, 1, -3, 5]
    assert cycles.sum_by_range(cycles.find_cycles(repeating, 0.0)) == ((3.0, 1.0), (4.0, 1.0), (7.0, 1.0), (9.0, 1.0))
    # 6.6: Miner's sum with N = 1e6 S^-3 (by hand): (.5*27 + 1.5*64 + .5*216 + 512 + .5*729)/1e6.
    by_hand = Fraction(27, 2) + 96 + 108 + 512 + Fraction(729, 2)
    assert cycles.miner_sum(counted, constant=1e6, exponent=3.0) == pytest.approx(0.001094, rel=1e-12)
    assert cycles.miner_sum(counted, constant=1e6, exponent=3.0) == pytest.approx(float(by_hand / 10**6), rel=1e-12)
    assert cycles.equivalent_cycles(counted, reference_range=8.0, exponent=3.0) == pytest.approx(1094 / 512, rel=1e-12)


def test_twenty_even_surges_are_twenty_cycles():
    # 6.5: 0, then 20 x (100, 0) psi: 100 psi, 20.0 (by hand).
    trace = [0.0] + [100.0, 0.0] * 20
    assert cycles.sum_by_range(cycles.find_cycles(trace, 0.0)) == ((100.0, 20.0),)
    assert cycles.equivalent_cycles(((100.0, 20.0),), reference_range=100.0, exponent=7.0) == 20.0


def test_noise_makes_thousands_of_cycles_and_the_dead_band_none():
    """Forty surges of 85 psi, held and rested, at 200 Hz with 0.3 psi of gauge noise (invented): section 6's trap."""
    chance = np.random.default_rng(5)
    one = np.concatenate((np.zeros(100), np.linspace(0.0, 85.0, 20), np.full(100, 85.0), np.linspace(85.0, 0.0, 20)))
    clean = np.tile(one, 40)
    noisy = clean + chance.normal(0.0, 0.3, clean.size)
    assert len(cycles.find_cycles(noisy, 0.0)) > 2500
    filtered = cycles.find_cycles(noisy, 4.0)
    assert sum(cycle.count for cycle in filtered) == 40.0
    for cycle in filtered:
        assert abs(cycle.range - 85.0) < 3.0
        assert abs(noisy[cycle.last] - noisy[cycle.first]) == cycle.range, "places are those of the trace"
    ((edge, count),) = cycles.sum_by_range(filtered, bin_size=90.0)
    assert (edge, count) == (90.0, 40.0)


def test_bins_close_at_their_upper_edge_in_spite_of_floats():
    def bin_of(span, size):
        one = cycles.Cycle(range=span, mean=0.0, count=1.0, first=0, last=1)
        return cycles.sum_by_range([one], bin_size=size)[0][0]

    assert bin_of(10.0, 10.0) == 10.0 and bin_of(10.0000001, 10.0) == 20.0 and bin_of(9.9, 10.0) == 10.0
    assert np.ceil(0.1 * 3 / 0.1) == 4, "the trap: plain division lifts a range from its own edge into the next bin"
    assert bin_of(0.1 * 3, 0.1) == pytest.approx(0.3) and bin_of(0.7, 0.1) == pytest.approx(0.7)
    upper = cycles.sum_by_range(cycles.find_cycles(FIGURE_6, 0.0), bin_size=4.0)
    assert upper == ((4.0, 2.0), (8.0, 1.5), (12.0, 0.5))  # by hand from 6.1
    assert upper == tuple((float(edge), count) for edge, count in rainflow.count_cycles(FIGURE_6, binsize=4))


def test_turning_points_at_the_edges():
    def points(trace, dead_band=0.0):
        made = cycles.turning_points(trace, dead_band)
        assert made.values.tolist() == [float(trace[at]) for at in made.indices]
        return made.indices.tolist()

    assert points([7.0]) == [0] and found_in([7.0]) == []
    assert points([7.0, 7.0, 7.0]) == [0] and found_in([7.0] * 3) == []
    assert points([0, 1]) == [0, 1] and found_in([0, 1]) == [(1.0, 0.5, 0.5, 0, 1)], "one swing is one half"
    assert points([0, 5, 5, 5, 0]) == [0, 1, 4], "of a flat top its first sample"
    assert points([5, 5, 0, 0, 5]) == [0, 2, 4]
    assert points([0, 1, 0, 1, 0], dead_band=1.0) == [0], "as much as the dead band is not more than it"
    assert points([0, 10, 9.5], dead_band=1.0) == [0, 1], "a last piece within the dead band is noise"
    assert points([0, 10, 8.5], dead_band=1.0) == [0, 1, 2]
    assert points([3, 2.5, 10, 0], dead_band=1.0) == [0, 2, 3]


WAVE = st.lists(st.integers(-20, 20), min_size=1, max_size=60)


@settings(max_examples=150, deadline=None)
@given(trace=WAVE, dead_band=st.integers(0, 6))
def test_whatever_the_trace(trace, dead_band):
    made = cycles.turning_points(trace, dead_band)
    swings = np.diff(made.values)
    assert np.all(np.abs(swings) > dead_band) and np.all(swings[1:] * swings[:-1] < 0.0)
    assert np.all(np.diff(made.indices) > 0)
    if max(trace) - min(trace) > 2 * dead_band:
        assert made.values.max() >= max(trace) - dead_band and made.values.min() <= min(trace) + dead_band
    counted = cycles.find_cycles(trace, dead_band)
    # Every swing is half of a cycle and is counted once: the ranges, by their counts, are the way gone.
    assert sum(2 * cycle.count for cycle in counted) == len(swings)
    if dead_band == 0:
        package = rainflow.count_cycles(trace) if len(trace) > 2 else []
        assert len(trace) <= 2 or list(cycles.sum_by_range(counted)) == [(float(r), n) for r, n in package if r]


@pytest.mark.parametrize(
    "bad",
    [
        lambda: cycles.turning_points([], 0.0),
        lambda: cycles.turning_points([[1.0, 2.0]], 0.0),
        lambda: cycles.turning_points([1.0, float("nan")], 0.0),
        lambda: cycles.turning_points([1.0, 2.0], -1.0),
        lambda: cycles.from_highest([]),
        lambda: cycles.sum_by_range([], bin_size=0.0),
        lambda: cycles.miner_sum([], constant=0.0, exponent=3.0),
        lambda: cycles.miner_sum([], constant=1.0, exponent=float("nan")),
        lambda: cycles.equivalent_cycles([], reference_range=0.0, exponent=3.0),
        lambda: cycles.equivalent_cycles([], reference_range=1.0, exponent=0.0),
    ],
)
def test_nonsense_is_refused_with_words(bad):
    with pytest.raises(ValueError, match="allowed"):
        bad()


def test_worked_cases_in_the_docstrings():
    assert doctest.testmod(cycles) == (0, 8)
