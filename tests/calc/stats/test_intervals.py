"""Interval-censored onsets, their distribution, and shares of a few repeats; the source stands beside each check.

Status words: *seen* in the source, *memory* = reproduced by computation but the source was not on hand, *computed*.
Row numbers are those of the project's lists of check values.
"""

import doctest
import itertools
import math

import numpy as np
import pytest
from scipy import optimize, stats

from rigd.calc.stats import intervals

NEVER = math.inf
# Radiotherapy arm of the breast cosmesis trial, months, (low, high]: Finkelstein & Wolfe, Biometrics 41 (1985) 933, as
# R interval::bcos has it. Entered from memory; the Weibull likelihood below, published apart, tells one wrong entry.
COSMESIS = [
    *[(45, NEVER), (6, 10), (0, 7), (46, NEVER), (46, NEVER), (7, 16), (17, NEVER), (7, 14), (37, 44), (0, 8)],
    *[(4, 11), (15, NEVER), (11, 15), (22, NEVER), (46, NEVER), (46, NEVER), (25, 37), (46, NEVER), (26, 40)],
    *[(46, NEVER), (27, 34), (36, 44), (46, NEVER), (36, 48), (37, NEVER), (40, NEVER), (17, 25), (46, NEVER)],
    *[(11, 18), (38, NEVER), (5, 12), (37, NEVER), (0, 5), (18, NEVER), (24, NEVER), (36, NEVER), (5, 11)],
    *[(19, 35), (17, 25), (24, NEVER), (32, NEVER), (33, NEVER), (19, 26), (37, NEVER), (34, NEVER), (36, NEVER)],
]


def masses(found):
    return [(float(a), float(b), float(m)) for a, b, m in zip(found.low, found.high, found.mass, strict=True)]


def weibull_likelihood(pairs):
    low, high = np.array(pairs, dtype=float).T

    def minus(logs):
        made = stats.weibull_min(math.exp(logs[0]), scale=math.exp(logs[1]))
        return -float(np.sum(np.log(made.sf(low) - made.sf(high))))

    best = optimize.minimize(minus, [0.0, math.log(30.0)], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9})
    return -best.fun


def test_distribution_of_the_first_published_example():
    # 5.1: Fay & Shaw, R `interval` vignette table 2, JSS 36(2) (seen).
    found = intervals.distribution([2, 5, 1, 1, 9, 8, 10], [3, 6, 7, 7, 12, 10, 13])
    assert (found.low.tolist(), found.high.tolist()) == ([2, 5, 9, 10], [3, 6, 10, 12])
    assert found.mass == pytest.approx([2 / 7, 2 / 7, 3 / 14, 3 / 14], abs=1e-9)
    assert found.specimens == 7


def test_distribution_of_the_cosmesis_trial():
    # 5.2: same vignette, 4.1 (seen), four digits printed.
    # The data are checked by 5.4, the Weibull log-likelihood: -64.731471 (computed).
    assert len(COSMESIS) == 46
    assert weibull_likelihood(COSMESIS) == pytest.approx(-64.731471, abs=1e-5)
    printed = [
        *[(4, 5, 0.0463), (6, 7, 0.0334), (7, 8, 0.0887), (11, 12, 0.0708), (24, 25, 0.0926), (33, 34, 0.0818)],
        *[(38, 40, 0.1209), (46, 48, 0.4656)],
    ]
    found = intervals.distribution(*zip(*COSMESIS, strict=True))
    assert [row[:2] for row in masses(found)] == [row[:2] for row in printed]
    assert found.mass == pytest.approx([row[2] for row in printed], abs=1e-4)
    # Section 0.1: printed survivals that closed intervals miss (.951 .848 .761 .654 .599 .511 .460).
    at = [5, 7, 8, 12, 25, 34, 40]
    least, most = intervals.survival(found, at)
    assert least == pytest.approx(most, abs=1e-12)
    assert least == pytest.approx([0.954, 0.920, 0.832, 0.761, 0.668, 0.586, 0.466], abs=6e-4)


def test_distribution_of_cap_turns():
    # 5.7 (computed): masses 1/6 1/6 1/2 1/6.
    found = intervals.distribution([0, 0.25, 0.5, 0.5, 2, 0.5], [0.25, 0.5, 2, 2, 3, 2])
    assert masses(found) == [
        (low, high, pytest.approx(mass, abs=1e-9))
        for low, high, mass in [(0, 0.25, 1 / 6), (0.25, 0.5, 1 / 6), (0.5, 2, 1 / 2), (2, 3, 1 / 6)]
    ]
    # 5.8 (by hand): 1/5 2/5 2/5; closed intervals would give S(1/2) = 1.0, S(1) = .667 instead of .8, .4.
    found = intervals.distribution([0.25, 0.5, 0.5, 1, 1], [0.5, 1, 1, 2, 2])
    assert found.mass == pytest.approx([0.2, 0.4, 0.4], abs=1e-9)
    assert intervals.survival(found, [0.5, 1.0])[0] == pytest.approx([0.8, 0.4], abs=1e-9)
    # L9: Turnbull 1976 for the method: 1/4 1/2 1/4, S(1/2) = .75, S(2) = .25.
    found = intervals.distribution([0.25, 0.5, 0.5, 2], [0.5, 2, 2, 3])
    assert found.mass == pytest.approx([0.25, 0.5, 0.25], abs=1e-9)
    assert intervals.survival(found, [0.5, 2.0])[1] == pytest.approx([0.75, 0.25], abs=1e-9)
    # L10 (computed by two codes): left- and right-censored among them.
    found = intervals.distribution([0, 0.25, 0.5, 0.5, 2, 3], [0.25, 0.5, 2, 3, 3, NEVER])
    assert found.mass == pytest.approx([1 / 6, 1 / 6, 1 / 4, 1 / 4, 1 / 6], abs=1e-4)
    assert found.high[-1] == NEVER


def test_no_other_mass_is_more_likely():
    # By definition: against a thousand random masses on a grid far finer than the innermost intervals (computed).
    rng = np.random.default_rng(5)
    for _ in range(20):
        low = rng.integers(0, 8, 9) / 4.0
        high = np.where(rng.random(9) < 0.2, NEVER, low + rng.integers(1, 6, 9) / 4.0)
        found = intervals.distribution(low, high)
        assert np.sum(found.mass) == pytest.approx(1.0, abs=1e-12)
        cells = np.append(np.arange(0.125, 4.0, 0.25), 99.0)  # one point in every cell between two quarters
        covers = (cells > low[:, None]) & (cells <= high[:, None])
        others = rng.dirichlet(np.full(cells.size, 0.3), 1000)
        with np.errstate(divide="ignore"):
            assert np.max(np.sum(np.log(others @ covers.T), axis=1)) <= found.log_likelihood + 1e-6
        placed = [(cells > a) & (cells <= b) for a, b, _ in masses(found)]
        chosen = sum(m * where / np.sum(where) for m, where in zip(found.mass, placed, strict=True))
        assert float(np.sum(np.log(covers @ chosen))) == pytest.approx(found.log_likelihood, abs=1e-6)


def test_onset_is_an_interval_widened_by_the_angle():
    steps = [turn / 16 for turn in range(1, 9)]
    for begins, order in itertools.product((0.03, 0.2, 0.45, 0.6), ("rising", "falling")):
        marks = [(turn, turn >= begins) for turn in (steps if order == "rising" else steps[::-1])]
        found = intervals.find_onset(marks, angle_u_turns=0.01)
        assert found.low_turns < begins <= found.high_turns
        tight, leaking = found.last_tight_turns, found.first_leaking_turns
        if begins < steps[0]:
            assert (found.censoring, tight, leaking) == ("left", None, 1 / 16)
            assert (found.low_turns, found.high_turns) == (0.0, 1 / 16 + 0.01)
        elif begins > steps[-1]:
            assert (found.censoring, tight, leaking) == ("right", 0.5, None)
            assert (found.low_turns, found.high_turns) == (0.5 - 0.01, NEVER)
        else:
            assert found.censoring == "interval" and leaking - tight == 1 / 16
            assert (found.low_turns, found.high_turns) == (tight - 0.01, leaking + 0.01)
    assert intervals.find_onset([(0.005, False), (0.5, True)], 0.01).low_turns == 0.0, "no turn is below fully tight"


def test_marks_that_contradict_each_other_make_no_onset():
    for marks in (
        [(0.25, True), (0.5, False)],
        [(0.5, False), (0.25, True), (0.75, True)],
        [(0.25, True), (0.25, False)],
    ):
        found = intervals.find_onset(marks, 0.01)
        assert isinstance(found, intervals.NoOnset) and found.reason == "not monotone"
        assert found.leaking_turns == 0.25 and "no onset is named" in found.why
    loose = intervals.find_onset([(0.0, True)], 0.01)
    assert loose.reason == "leaks fully tightened" and loose.tight_turns is None


def test_exact_interval_of_marked_hits():
    # 3.8: NIST/SEMATECH e-Handbook 7.2.4.2 (memory): 4 of 20, 90 %; four other codes agree (computed).
    assert intervals.hits_interval(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=2e-6)
    # 3.10 (computed): 3 of 8, 95 %.
    assert intervals.hits_interval(3, 8) == pytest.approx((0.08523, 0.75514), abs=1e-5)
    # Section 0.4: one-sided 95 % upper chance after no failure at all: .3123 (8), .3930 (6), .6316 (3) (computed).
    for aims, bound in ((8, 0.3123), (6, 0.3930), (3, 0.6316)):
        low, high = intervals.hits_interval(0, aims, 0.90)
        assert (low, high) == (0.0, pytest.approx(bound, abs=5e-5))
        assert intervals.hits_interval(aims, aims, 0.90) == (pytest.approx(1.0 - bound, abs=5e-5), 1.0)
    # By definition it holds the truth at least 95 times in a hundred, whatever the truth.
    for truth in (0.02, 0.3, 0.5, 0.8):
        held = [hits for hits in range(11) if (b := intervals.hits_interval(hits, 10))[0] <= truth <= b[1]]
        assert float(np.sum(stats.binom.pmf(held, 10, truth))) >= 0.95


def test_interval_of_shares_over_aims():
    # NIST TN 1297 table B.1 (seen): factors 13.97, 4.53, 2.65, 2.28 on 1, 2, 5, 10 degrees of freedom, 95.45 %.
    for aims, factor in ((2, 13.97), (3, 4.53), (6, 2.65), (11, 2.28)):
        shares = 0.5 + 0.001 * np.arange(aims)
        mean, low, high = intervals.share_interval(shares, 0.9545)
        u = float(np.std(shares, ddof=1)) / math.sqrt(aims)
        assert high - mean == pytest.approx(factor * u, rel=2e-3) and mean - low == pytest.approx(factor * u, rel=2e-3)
    assert intervals.share_interval([0.7, 1.0])[1:] == (0.0, 1.0), "cut where no share can be"


def test_impossible_input_is_refused_in_words():
    for low, high in [([], []), ([1.0], [1.0]), ([1.0], [0.5]), ([-1.0], [2.0]), ([0.0, 1], [2.0]), ([math.nan], [1])]:
        with pytest.raises(ValueError, match="0 <= low < high"):
            intervals.distribution(low, high)
    for marks, angle in [([], 0.01), ([(-0.1, True)], 0.01), ([(0.1, True)], -1.0), ([(math.nan, True)], 0.0)]:
        with pytest.raises(ValueError, match="counted from the fully tightened mark"):
            intervals.find_onset(marks, angle)
    for hits, aims in [(1, 0), (-1, 3), (4, 3), (1.5, 3)]:
        with pytest.raises(ValueError, match="whole hits"):
            intervals.hits_interval(hits, aims)
    with pytest.raises(ValueError, match="to below 1"):
        intervals.hits_interval(1, 3, 95.0)
    for shares in ([0.5], [0.5, 1.1], [0.5, math.nan]):
        with pytest.raises(ValueError, match="repeat the aim"):
            intervals.share_interval(shares)


def test_worked_cases_in_the_docstrings():
    assert doctest.testmod(intervals).failed == 0
    assert doctest.testmod(intervals).attempted >= 8
