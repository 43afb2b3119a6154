"""A long run is drawn from few of its rows, and the picture does not show it."""

import numpy as np

from rigd.report.plots import find_gaps, read_line, unbroken
from rigd.report.thinning import Thinner

ROWS, PART = 360_000, 6_000  # an hour at 100 Hz, in minutes


def hour() -> dict[str, np.ndarray]:
    """Waves under a slow rise, two peaks and a dip of one sample, bad samples here and there, two gaps, two steps."""
    at = np.arange(ROWS)
    value = 1e5 * np.sin(at / 3000.0) + at
    value[[70_001, 200_000]] += 5e6
    value[300_017] -= 5e6
    quality = np.zeros(ROWS, np.int8)
    quality[[10, 11, 12, 90_000, 150_000]] = 2
    trace = {
        "seq": at, "t_ns": at * 10_000_000, "age_us": np.full(ROWS, 400), "step": np.where(at < 100_500, 0, 1),
        "target_pa": np.where(at < 100_500, np.nan, at * 1.0), "a_pa": value, "a_quality": quality,
    }  # fmt: skip
    keep = ((at < 50_000) | (at > 50_050)) & ((at < 119_990) | (at > 120_010))  # the second across two parts
    return {name: column[keep] for name, column in trace.items()}


def thinned(trace: dict[str, np.ndarray], moment_ns: int) -> dict[str, np.ndarray]:
    thinner = Thinner(("a",), rows=len(trace["t_ns"]), moment_ns=moment_ns, near_ns=1_500_000_000)
    starts = range(0, len(trace["t_ns"]), PART)
    parts = [thinner.thin({name: column[at : at + PART] for name, column in trace.items()}) for at in starts]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def test_peaks_gaps_bad_samples_and_steps_stay() -> None:
    trace = hour()
    few = thinned(trace, 2_000_000_000_000)
    assert len(few["t_ns"]) < 0.1 * len(trace["t_ns"])
    whole, line = read_line(trace, "a", pa_per_unit=1.0), read_line(few, "a", pa_per_unit=1.0)
    assert find_gaps(line) == find_gaps(whole) and len(find_gaps(whole)) == 2
    assert {70_001, 200_000, 300_017, 10, 11, 12, 90_000, 150_000} <= set(few["seq"].tolist())
    assert {100_499, 100_500} <= set(few["seq"].tolist())
    near = np.abs(trace["t_ns"] - 2_000_000_000_000) <= 1_500_000_000
    assert set(trace["seq"][near].tolist()) <= set(few["seq"].tolist())
    assert line.interval_s == whole.interval_s


def test_the_line_of_the_few_covers_the_line_of_all() -> None:
    """In each of 500 columns of the picture the smallest and the largest value drawn are the same, but for a
    thousandth of its height: stretches begin elsewhere."""
    trace = hour()
    lines = [unbroken(read_line(rows, "a", pa_per_unit=1.0)) for rows in (trace, thinned(trace, 0))]
    edges = np.linspace(0.0, 3600.0, 501)
    drawn = []
    for time_s, value in lines:
        column = np.searchsorted(edges, time_s[~np.isnan(value)], side="right")
        value = value[~np.isnan(value)]
        drawn.append([(value[column == c].min(), value[column == c].max()) for c in range(2, 499)])
    assert np.allclose(drawn[0], drawn[1], rtol=0, atol=1e4)
    assert np.isnan(lines[0][1]).sum() == np.isnan(lines[1][1]).sum()
