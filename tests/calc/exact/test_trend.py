"""The median and the ratio to it, against the standard library's `statistics.median`."""

from math import isnan
from random import Random
from statistics import median as reference

import pytest

from rigd.calc.exact.trend import median, ratio_to_median


@pytest.mark.parametrize("count", range(1, 12))
def test_the_median_is_that_of_the_standard_library(count):
    values = tuple(Random(count).uniform(0.1, 9.0) for _ in range(count))
    assert median(values) == reference(values)
    assert ratio_to_median(3.0, values) == 3.0 / reference(values)


def test_nothing_and_what_is_not_positive_give_no_ratio():
    assert isnan(median(())) and isnan(ratio_to_median(1.0, ())) and isnan(ratio_to_median(1.0, (0.0, 0.0, 5.0)))
