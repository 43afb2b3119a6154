"""The row and the words say what the result says, and no cell runs in a spreadsheet."""

import io
from dataclasses import asdict, replace

import pandas as pd
import pytest

from rigd.model.messages import Result
from rigd.model.states import NOT_PROVEN
from rigd.model.verdicts import OUTCOMES, SIGNS, VERDICTS
from rigd.report.tables import SIGN_WORDS, describe, result_row, results_csv, verdict_words

PSI = 6894.757293168361  # [Pa] NIST SP 811 (2008) B.8

BURST = Result(
    seq=9, t_ns=60_000_000_000, outcome="rupture", verdict="accept", trace_class="collapse", signs=("pressure_fall",),
    observation="rupture", failure_raw_pa=311.9 * PSI, failure_pa=312.0 * PSI, failure_t_ns=36_800_000_000,
    bound_pa=0.62 * PSI, bound_up_pa=0.62 * PSI, bound_down_pa=0.31 * PSI, highest_pa=314.2 * PSI,
    highest_corrected_pa=314.4 * PSI, time_to_failure_ns=20_800_000_000, ramp_pa_per_s=14.98 * PSI, noise_pa=340.0,
    zero_pa=-120.0, zero_shift_pa=15.0, first_out="", flags=("the ramp was 0.1 % slow",),
)  # fmt: skip
NOTHING = replace(
    BURST, outcome="stopped", verdict="undecided", trace_class="", signs=(), observation="not_inspected", flags=(),
    failure_raw_pa=None, failure_pa=None, failure_t_ns=None, bound_pa=None, bound_up_pa=None, bound_down_pa=None,
    highest_pa=None, highest_corrected_pa=None, time_to_failure_ns=None, ramp_pa_per_s=None, noise_pa=None,
    zero_pa=None, zero_shift_pa=None, first_out="door",
)  # fmt: skip
WHO = {"run": 412, "specimen": "K-07"}
WHERE = {"profile": "ramped-burst", "rig": "demo", "opened_utc": "2026-11-24T21:44:33.000Z"}


def test_row_survives_a_csv_and_says_si_and_display() -> None:
    evil = {
        "make": "=1+1",
        "size": "-tall",
        "lot": "@x",
        "water_temperature": "292.8",
        "conditioning": "2 h",
        "specimen_temperature": "cold",
    }
    rows = [
        result_row(BURST, **WHO, **WHERE, facts=evil),
        result_row(asdict(NOTHING), **WHO, **WHERE, facts={}, display_unit="bar"),
    ]
    text = results_csv(rows)
    table = pd.read_csv(io.StringIO(text))
    burst, stopped = table.iloc[0], table.iloc[1]
    assert (burst["make"], burst["size"], burst["lot"]) == ("'=1+1", "'-tall", "'@x")
    assert burst["zero_pa"] == -120.0, "a negative number is a number, never text"
    assert (burst["water_temperature_k"], burst["conditioning_s"]) == (292.8, 7200.0)
    assert burst["failure_pa"] == BURST.failure_pa
    assert burst["failure_psi"] == pytest.approx(312.0, abs=1e-4)
    assert burst["ramp_psi_per_s"] == pytest.approx(14.98, rel=1e-6)
    assert burst["time_to_failure_s"] == 20.8
    assert pd.isna(stopped["conditioning_s"]) and pd.isna(burst["specimen_temperature_k"])
    assert pd.isna(stopped["failure_pa"]) and pd.isna(stopped["failure_bar"]) and stopped["first_out"] == "door"
    assert results_csv(rows) == text


def test_words_of_a_burst() -> None:
    text = describe(BURST, **WHO, minimum_pa=300 * PSI, simulated=True)
    for due in (
        "Run 412, specimen K-07, SIMULATED",
        "312.00 psi ± 0.62 psi (0.20 %), gauge",
        "between 311.69 psi and 312.62 psi",
        "as sampled 311.90 psi",
        "Highest pressure  314.20 psi as sampled, 314.40 psi corrected",
        "higher than the failure pressure",
        "the pressure fell",
        "accept: at or above the minimum of 300.0 psi",
        "the body broke open",
        "14.98 psi/s",
        "20.80 s",
        "the ramp was 0.1 % slow",
        "LINE AT ZERO: CRACK THE BLEED AND WAIT",
        "not the safety device",
    ):
        assert due in text, due


def test_a_body_that_was_not_fed_is_not_said_to_be() -> None:
    assert "higher than" not in describe(replace(BURST, highest_corrected_pa=312.5 * PSI), **WHO)


def test_words_of_a_run_without_a_failure() -> None:
    text = describe(asdict(NOTHING), **WHO, opening_words=NOT_PROVEN)
    assert "Failure pressure  none" in text and "Highest" not in text
    assert "First cause of the trip: door" in text
    assert NOT_PROVEN in text and "LINE AT ZERO" not in text


def test_every_word_of_the_closed_lists_can_be_said() -> None:
    assert set(SIGN_WORDS) == set(SIGNS)
    for verdict in VERDICTS:
        assert verdict in verdict_words(verdict, 1.0, str)
    for outcome in OUTCOMES:
        assert OUTCOMES[outcome].words in describe(replace(NOTHING, outcome=outcome), **WHO)
