"""Flush direction: circular means and intervals against textbooks and scipy, shares of one aim by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from rigd.calc.exact.aim import shares_of, wrapped_deg
from rigd.calc.flush import hit_share, mean_direction, mean_share


@pytest.mark.parametrize(
    ("angles", "mean_deg", "resultant"),
    [
        # Mardia and Jupp, Directional Statistics (2000), example 2.1, a roulette wheel; from memory.
        ((43, 45, 52, 61, 75, 88, 88, 279, 357), 51.0, 0.711),
        # Zar, Biostatistical Analysis, example 26.4; from memory.
        ((45, 55, 81, 96, 110, 117, 132, 154), 99.0, 0.82522),
    ],
)
def test_the_mean_direction_is_that_of_the_textbooks(angles, mean_deg, resultant):
    found = mean_direction(angles)
    assert found.mean_deg == pytest.approx(mean_deg, abs=0.5) and found.resultant == pytest.approx(resultant, abs=5e-4)
    assert found.aims == len(angles)


def test_the_mean_direction_is_that_of_scipy_wherever_it_points():
    rng = np.random.default_rng(6)
    for centre in range(-180, 181, 30):
        angles = centre + rng.normal(0.0, 12.0, 9)
        expected = stats.circmean(angles, high=180.0, low=-180.0)
        found = mean_direction(angles)
        assert abs(wrapped_deg(found.mean_deg - expected)) < 1e-9
        assert found.low_deg < found.mean_deg < found.high_deg


def test_close_to_zero_the_interval_of_errors_is_students_t():
    """Errors of a few degrees lie on a line: mean +- t s / sqrt(k) with t = 2.776 for k = 5 (any table of t)."""
    errors = [3.0, 5.0, 4.0, 6.0, 2.0]
    found = mean_direction(errors)
    assert found.mean_deg == pytest.approx(4.0, abs=1e-3)
    assert found.high_deg - found.mean_deg == pytest.approx(2.776 * math.sqrt(2.5) / math.sqrt(5.0), rel=1e-3)


def test_the_interval_of_a_mean_direction_holds_it_as_often_as_it_says():
    rng, held = np.random.default_rng(27), 0
    for _ in range(2000):
        found = mean_direction(7.0 + rng.normal(0.0, 5.0, 6))
        held += found.low_deg <= 7.0 <= found.high_deg
    assert 0.935 <= held / 2000 <= 0.965


def test_what_points_nowhere_or_everywhere_is_not_told():
    with pytest.raises(ValueError, match="cancel out"):
        mean_direction([0.0, 180.0])
    with pytest.raises(ValueError, match="finite"):
        mean_direction([0.0, math.nan])
    with pytest.raises(ValueError, match="at least one"):
        mean_direction([])
    wide = mean_direction([0.0, 60.0, 170.0])
    assert wide.low_deg is None and wide.high_deg is None
    assert mean_direction([12.0]).low_deg is None


def test_shares_have_students_t_and_hits_have_the_exact_binomial():
    """NIST TN 1297 table B.1: 4.53 for two degrees of freedom at 95.45 %. NIST/SEMATECH e-Handbook 7.2.4.2: four of
    twenty, 90 %."""
    found = mean_share([0.80, 0.82, 0.84], level=0.9545)
    assert found.high - found.mean == pytest.approx(4.53 * 0.02 / math.sqrt(3.0), rel=1e-3) and found.aims == 3
    assert mean_share([0.5]).low is None
    hits = hit_share(4, 20, level=0.90)
    assert (hits.low, hits.high) == pytest.approx((0.071354, 0.401029), abs=2e-6)
    with pytest.raises(ValueError, match="from 0 to 1"):
        mean_share([1.2, 0.4])


def test_the_uncertainty_of_one_share_is_that_of_many_weighings():
    """JCGM 101: by drawing the three weighings many times (propagation of distributions)."""
    rng = np.random.default_rng(1)
    inside, outside, lost = (mass + rng.normal(0.0, 2e-3, 200_000) for mass in (0.180, 0.050, 0.020))
    drawn = inside / (inside + outside + lost)
    found = shares_of(0.180, 0.050, 0.020, 2e-3)
    assert found.inside == pytest.approx(0.72) and found.inside_u == pytest.approx(np.std(drawn), rel=0.01)
    assert found.inside + found.outside + found.not_caught == pytest.approx(1.0)
    assert shares_of(0.0, 0.0, 0.0, 1e-3) is None
