"""The picture must not lie: no peak thinned away, no line across a gap, the same bytes each time."""

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pyarrow as pa
import pytest

from rigd.calc.exact.quality import FAILED_HIGH, GOOD
from rigd.report.plots import Line, find_gaps, plot_burst, read_line, thin, unbroken

PSI = 6894.757293168361  # [Pa] NIST SP 811 (2008) B.8
RATE_PSI, FAILURE_PSI, HIGHEST_PSI = 15.0, 312.0, 314.2
LIMITS = (("trip", 500 * PSI), ("profile maximum", 450 * PSI))
STEPS = ("Mount", "Fill", "Proof", "Ramp to failure", "Vent", "Ask")


def burst(interval_ms: int = 10) -> tuple[dict[str, np.ndarray], dict[str, Any]]:
    """An invented run: proof, ramp at 15 psi/s, a crack at 312 psi that is fed up to 314.2 psi, collapse, vent."""
    t_ns = np.arange(0, 60_000, interval_ms, dtype=np.int64) * 1_000_000
    t = t_ns / 1e9
    knots_s = np.array([0, 5, 8, 10, 14, 15, 16, 16 + FAILURE_PSI / RATE_PSI])
    knots_psi = np.array([0, 0, 2, 25, 25, 0, 0, FAILURE_PSI])
    failure_s = float(knots_s[-1])
    knots_s = np.concatenate((knots_s, [failure_s + 0.4, failure_s + 0.5, failure_s + 1.5, 60]))
    knots_psi = np.concatenate((knots_psi, [HIGHEST_PSI, 60, 0, 0]))
    noise = np.random.default_rng(7).normal(0, 0.05, (2, len(t)))
    a, b = np.interp(t, knots_s, knots_psi) + noise
    b = b + 0.4
    a[t_ns == 50_000_000_000] = np.nan  # its device did not answer
    step = np.searchsorted([3, 8, 16, failure_s + 0.5, failure_s + 3], t, side="right")
    target = np.where((t > 16) & (t < failure_s + 0.4), (t - 16) * RATE_PSI, np.nan)
    at = int(np.argmin(np.abs(t - failure_s)))
    trace = {"seq": np.arange(len(t)) + 1, "t_ns": t_ns, "age_us": np.full(len(t), 500), "step": step}
    trace |= {"target_pa": target * PSI, "specimen_a_pa": a * PSI, "specimen_b_pa": b * PSI}
    result = {"failure_pa": FAILURE_PSI * PSI, "failure_t_ns": int(t_ns[at]), "bound_pa": 0.62 * PSI}
    result |= {"highest_pa": np.nanmax(a) * PSI, "ramp_pa_per_s": RATE_PSI * PSI, "zero_pa": 0.0}
    return trace, result


def draw(path: Path, trace: Any, result: Any, **more: Any) -> str:
    arguments = {"primary": "specimen_a", "second": "specimen_b", "limits": LIMITS, "steps": STEPS, "title": "K-07"}
    plot_burst(trace, result, path, "psi", **{**arguments, **more})
    return path.read_text() if path.suffix == ".svg" else ""


def test_burst_figure_says_both_pressures_and_repeats_byte_for_byte(tmp_path: Path) -> None:
    trace, result = burst()
    text = draw(tmp_path / "a.svg", trace, result)
    assert draw(tmp_path / "b.svg", pa.table(trace), result) == text
    words = " ".join(node.text or "" for node in ElementTree.fromstring(text).iter() if node.tag.endswith("text"))
    at = np.flatnonzero(trace["t_ns"] == result["failure_t_ns"])[0]
    for due in (
        "failure pressure 312.0 psi ± 0.62 psi",
        f"seq {at + 1}",
        f"highest pressure {result['highest_pa'] / PSI:.1f} psi",
        "trip 500 psi",
        "Ramp to failure",
        "specimen_b",
        "target",
        "one each 10 ms",
        "15 psi/s × 10 ms = 0.15 psi",  # P1 of the handbook checks: rate x interval
    ):
        assert due in words, due
    assert "<dc:date>" not in text


@pytest.mark.parametrize("missing", ["failure", "everything"])
def test_runs_that_did_not_fail_are_drawn_too(tmp_path: Path, missing: str) -> None:
    trace, result = burst()
    none = dict.fromkeys(result) if missing == "everything" else {**result, "failure_pa": None, "failure_t_ns": None}
    text = draw(tmp_path / "a.svg", trace, none, second="", steps=(), limits=())
    assert "failure pressure" not in text
    assert ("nothing to look at closely" in text) == (missing == "everything")


def test_bad_samples_are_crosses_and_gaps_are_said(tmp_path: Path) -> None:
    trace, result = burst()
    trace["specimen_a_quality"] = np.where(np.arange(6000) == 3600, FAILED_HIGH, GOOD)
    keep = (trace["t_ns"] < 30_000_000_000) | (trace["t_ns"] >= 30_250_000_000)
    text = draw(tmp_path / "a.svg", {name: column[keep] for name, column in trace.items()}, result)
    assert "no samples for 260 ms" in text


def test_a_peak_of_one_sample_is_never_thinned_away() -> None:
    time_s = np.arange(300_000) / 1000.0
    value = np.sin(time_s)
    for at in (0, 1, 77_777, 150_000, 299_999):
        value[at] += 10.0 + at
    chosen = thin(time_s, value, columns=400)
    assert len(chosen) <= 4 * 400
    assert {0, 1, 77_777, 150_000, 299_999} <= set(chosen.tolist())
    assert value[chosen].min() == value.min()


def line_of(time_s: np.ndarray, good: np.ndarray) -> Line:
    return Line(name="a", row=np.arange(len(time_s)), time_s=time_s, value=np.arange(float(len(time_s))), good=good)


def test_no_line_is_drawn_across_what_is_missing_or_bad() -> None:
    time_s = np.array([0.0, 0.01, 0.02, 0.5, 0.51, 0.52, 0.53])
    good = np.array([True, True, True, True, True, False, True])
    drawn_s, value = unbroken(line_of(time_s, good))
    assert np.array_equal(value, [0, 1, 2, np.nan, 3, 4, np.nan, 6], equal_nan=True)
    assert drawn_s.tolist() == [0.0, 0.01, 0.02, 0.02, 0.5, 0.51, 0.51, 0.53]
    trace, _ = burst()
    line = read_line(trace, "specimen_a", pa_per_unit=PSI)
    assert find_gaps(line) == []  # one missed answer is jitter, and is still not in the line
    assert len(line.row) == len(trace["t_ns"]) - 1


def test_a_gap_in_a_long_run_survives_thinning() -> None:
    time_s = np.delete(np.arange(200_000) / 1000.0, np.arange(100_000, 100_050))
    drawn_s, value = unbroken(line_of(time_s, np.ones(len(time_s), dtype=bool)))
    assert drawn_s[np.isnan(value)].tolist() == [99.999]
    assert len(drawn_s) < 7_000
