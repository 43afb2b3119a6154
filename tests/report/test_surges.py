"""What is said of a surge test, and the picture of one: two counts, two pressures, advice that says it is advice."""

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from rigd.model.observations import WHY_NOT_VALID
from rigd.model.states import NOT_PROVEN
from rigd.model.verdicts import CYCLE_RESULTS, VERDICTS
from rigd.report.surge_plot import plot_surges
from rigd.report.surges import cycle_verdict_words, describe_surges, surge_columns

PSI = 6894.757293168361  # [Pa] NIST SP 811 (2008) B.8

COUNTS = dict.fromkeys(CYCLE_RESULTS, 0) | {
    "cycles_owed": 240, "cycles_applied": 233, "cycles_valid": 228, "cycles_partial": 1, "cycles_extra": 3,
    "cycles_assisted": 1, "stuck_cycles": 4, "first_stuck_cycle": 101, "failed_at_cycle": 233,
}  # fmt: skip
SPREAD = {"least": 80.0 * PSI, "median": 85.1 * PSI, "most": 86.0 * PSI}
DRIFT = {
    "column": "return_ns", "accepted": 220, "baseline_first": 1, "baseline_last": 21, "baseline_count": 20,
    "mean": 60e6, "sigma": 3e6, "latest": 145e6, "false_alarms": 1.6, "per_thousand": 380e6,
    "per_thousand_error": 9e6, "advice": "x", "may_mean": "a moving part that sticks more",
    "charts": [
        {"chart": "ewma", "cycles_outside": 150, "first_cycle": 52, "outside_at_end": True},
        {"chart": "individuals", "cycles_outside": 1, "first_cycle": 88, "outside_at_end": False},
        {"chart": "cusum up", "cycles_outside": 0, "first_cycle": None, "outside_at_end": False},
    ],
}  # fmt: skip
LOADING = {
    "counted": 233, "unseen": 2, "dead_band_pa": 500.0, "bin_pa": 4.25 * PSI, "exponent": None, "source": "",
    "equivalent": None,
    "ranges": [[4.25 * PSI * n, float(n)] for n in range(1, 21)], "uneven": True,
}  # fmt: skip


def run_of(**different: Any) -> dict[str, Any]:
    surges = {
        "counts": COUNTS, "begun_in_this_run": 133, "not_ended": 1, "first_cycle": 101, "last_cycle": 233,
        "why_not_valid": {"sagged": 3, "partial": 1}, "asked_pressure_pa": 85 * PSI, "asked_charge_pa": 92 * PSI,
        "minimum_cycles": 240, "peak_at_specimen_pa": SPREAD, "medium": "air over water",
        "specimen_volume_known": False,
        "charge_pressure_pa": {name: value + 7 * PSI for name, value in SPREAD.items()},
        "blow_down_s": {"least": 0.05, "median": 0.06, "most": 0.2}, "return_s": None,
        "resolved": {"yes": 0, "no": 0, "unknown": 233},
        "energy_j": {"gas_at_specimen": 123.4, "gas_behind": 2940.0, "water": 0.0161},
    }  # fmt: skip
    result = {
        "outcome": "parted", "verdict": "reject", "observation": "parted", "signs": ("back_pressure",), "first_out": "",
        "flags": ("looked twice",), "failure_pa": None,
    }  # fmt: skip
    advice = {"words": "Advice only", "baseline_cycles": 20, "drift": [DRIFT], "too_few_cycles_for": ["charge_pa"],
              "loading": LOADING}  # fmt: skip
    made = {
        "run": 412, "specimen": "K-07", "station": 3, "resumed_from_run": 411, "simulated": True, "result": result,
        "pressure_reference": "gauge", "surges": surges, "advice": advice, "engine_and_measured_agree": True,
        "measured": {"surges": 133, "first_differing_cycle": {}},
    }  # fmt: skip
    return made | different


def test_words_keep_counts_and_pressures_apart() -> None:
    text = describe_surges(run_of())
    for due in (
        "Run 412, specimen K-07, station 3, resumed from run 411, SIMULATED",
        "228 valid of 240 owed; 233 applied: the body felt them",
        "1 partial, 3 extra, 1 assisted",
        "1 begun when the record was cut off, counted as partial",
        f"3: {WHY_NOT_VALID['sagged']}",
        "Failed at cycle   233",
        "4 times, first at cycle 101",
        "Peak at specimen  85.1 psi (median; 80.0 psi to 86.0 psi), gauge, as sampled less the zero; asked for 85.0",
        "Charge pressure   92.1 psi (median; 87.0 psi to 93.0 psi), behind the release valve; asked for 92.0 psi",
        "reject: it failed at cycle 233, before the 240 asked for",
        "the body no longer held back the pressure",
        "Medium            air over water",
        "Stored at most    gas in line and specimen 123 J, gas behind 2.94e+03 J, water 0.0161 J",
        "its volume is not known",
        "no line is declared",
        "133 surges in the trace: the same counts",
        "Remark: looked twice",
        "not the safety device",
    ):
        assert due in text, (due, text)
    assert "Failure pressure" not in text
    assert NOT_PROVEN in describe_surges(run_of(), opening_words=NOT_PROVEN)


def test_advice_says_that_it_is_advice_with_its_baseline_and_what_chance_does() -> None:
    text = describe_surges(run_of())
    for due in (
        "Drift watch. Advice only",
        "return time of the moving part: 60.0 ms in the 20 cycles of the baseline (1 to 21), 145.0 ms at the end",
        "trend 380.0 ms a thousand cycles, standard error 9.0 ms, over 220 cycles",
        "ewma: 150 cycles outside, the first cycle 52, still so at the end",
        "individuals: 1 cycle outside, the first cycle 88, not at the end",
        "about 1.6 alarms come by chance alone",
        "may mean: a moving part that sticks more",
        "charge pressure: too few accepted cycles",
        "The loading was uneven",
        "up to     85.0 psi   20 cycles",
        "and 8 lower ranges: run.json has them",
        "2 applied surges are not in it",
        "no damage-equivalent number is worked out",
    ):
        assert due in text, (due, text)
    assert "cusum" not in text
    weighed = {**LOADING, "exponent": 8.0, "source": "curve X", "equivalent": 199.6}
    advice = run_of()["advice"]
    told = describe_surges(run_of(advice={**advice, "loading": weighed}))
    assert "200 even cycles by exponent 8 (curve X; " in told and "not a count of anything that happened" in told
    quiet = describe_surges(
        run_of(advice={**advice, "drift": [{**DRIFT, "advice": "", "charts": []}], "loading": None})
    )
    assert "nothing left its limits" in quiet and "uneven" not in quiet
    none = describe_surges(run_of(advice={**advice, "drift": []}))
    assert "too few accepted cycles for a baseline of 20" in none


def test_what_calc_found_otherwise_is_not_hidden() -> None:
    run = run_of(
        engine_and_measured_agree=False, measured={"surges": 133, "first_differing_cycle": {"peak_sampled_pa": 120}}
    )
    assert "NOT the same as was told: peak_sampled_pa at cycle 120" in describe_surges(run)


def test_a_run_that_was_surged_and_then_burst_has_a_failure_pressure_too() -> None:
    names = ("bound_pa", "bound_up_pa", "bound_down_pa", "failure_raw_pa", "highest_pa", "highest_corrected_pa")
    result = run_of()["result"] | dict.fromkeys(names) | {"failure_pa": 312.0 * PSI}
    assert "Failure pressure  312.00 psi" in describe_surges(run_of(result=result))


def test_every_verdict_has_words_and_the_row_has_every_count() -> None:
    for verdict in VERDICTS:
        assert cycle_verdict_words(verdict, run_of()["surges"]).startswith(verdict.split()[0])
    row = surge_columns(run_of(), display_unit="psi")
    assert all(row[name] == COUNTS[name] for name in CYCLE_RESULTS)
    assert row["peak_at_specimen_median_psi"] == pytest.approx(85.1, rel=1e-6)
    assert row["charge_pressure_median_pa"] == 92.1 * PSI and row["return_median_s"] is None
    assert row["not_valid_sagged"] == 3 and row["not_valid_peak_low"] == 0
    assert (row["station"], row["resumed_from_run"], row["energy_gas_at_specimen_j"]) == (3, 411, 123.4)


# --- the picture ---------------------------------------------------------------------------------------------------


def invented(count: int, *, part: bool = True) -> dict[str, np.ndarray]:
    chance = np.random.default_rng(3)
    number = np.arange(count)
    told = {
        "cycle": number + 101.0, "block": (number // 12).astype(float), "valid": number % 50 != 7,
        "peak_sampled_pa": (85.0 + chance.normal(0.0, 0.3, count)) * PSI, "charge_pa": np.full(count, 86.0 * PSI),
        "blow_down_ns": chance.normal(60e6, 2e6, count), "return_ns": chance.normal(100e6, 8e6, count),
        "returned": number % 70 != 20, "has_returned": np.full(count, part),
    }  # fmt: skip
    told["return_ns"][~told["returned"]] = np.nan
    told["peak_sampled_pa"][7] = np.nan
    return told


def draw(path: Path, told: dict[str, np.ndarray], **more: Any) -> str:
    plot_surges(told, path, "psi", **({"asked_pa": 85 * PSI, "asked_charge_pa": 86 * PSI, "title": "K-07"} | more))
    return path.read_text()


def words_in(text: str) -> str:
    return " ".join(node.text or "" for node in ElementTree.fromstring(text).iter() if node.tag.endswith("text"))


def test_the_figure_marks_what_failed_and_stuck_and_repeats_byte_for_byte(tmp_path: Path) -> None:
    text = draw(tmp_path / "a.svg", invented(30), failed_at=130)
    assert draw(tmp_path / "b.svg", invented(30), failed_at=130) == text and "<dc:date>" not in text
    words = words_in(text)
    for due in (
        "failed at cycle 130", "stuck first at cycle 121, 1 in all", "Peak at the specimen, as sampled",
        "not valid (1)",
        "Charge pressure, behind the release valve; asked for 86.0 psi", "Blow-down time", "Return time",
    ):  # fmt: skip
        assert due in words, due


def test_a_night_of_cycles_is_thinned_and_no_peak_with_it(tmp_path: Path) -> None:
    told = invented(100_000)
    told["peak_sampled_pa"][77_777] = 99.0 * PSI
    text = draw(tmp_path / "a.svg", told)
    assert len(text) < 700_000 and "the smallest and the largest are drawn" in words_in(text)
    assert "not valid (2000)" in words_in(text)
    whole = draw(tmp_path / "b.svg", {name: column[:90_000] for name, column in told.items()})
    told["peak_sampled_pa"][77_777] = 85.0 * PSI
    assert draw(tmp_path / "c.svg", {name: column[:90_000] for name, column in told.items()}) != whole


def test_a_run_of_no_cycle_or_without_a_moving_part_is_drawn_too(tmp_path: Path) -> None:
    assert "Return time" not in words_in(draw(tmp_path / "a.svg", invented(30, part=False)))
    nothing = {name: column[:0] for name, column in invented(30).items()}
    assert "no cycle was ended" in words_in(draw(tmp_path / "b.svg", nothing))
    one = {name: column[:1] for name, column in invented(30).items()}
    assert "Blow-down" in words_in(draw(tmp_path / "c.svg", one))
    unseen = {**invented(30), "peak_sampled_pa": np.full(30, np.nan), "charge_pa": np.full(30, np.nan)}
    assert "Blow-down" in words_in(draw(tmp_path / "d.svg", unseen))
