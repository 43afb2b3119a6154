"""`rigd demo leak --virtual`, from the command line to a sealed record and back."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas
import pytest

from rigd.model import errors


def rigd(folder: Path, *words: str) -> tuple[int, dict, str]:
    done = subprocess.run(
        [sys.executable, "-m", "rigd.cli.main", *words, "--records", str(folder / "records"), "--json"],
        env=os.environ | {"RIGD_RUNTIME": str(folder / "rt")}, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, json.loads(done.stdout) if done.stdout else {}, done.stderr


def test_a_virtual_cap_turn_test_is_a_real_record(tmp_path: Path) -> None:
    code, told, _ = rigd(tmp_path, "demo", "leak", "--seed", "1", "--virtual", "--truth")
    assert code == errors.DONE and told["outcome"] == "leak_onset"
    onset, truth = told["onset"], told["truth"]["onset_turns"]
    assert onset["last_tight_turns"] < truth <= onset["first_leaking_turns"], "an obedient hand turns to the mark"
    assert onset["first_leaking_turns"] - onset["last_tight_turns"] == pytest.approx(1 / 16)
    assert rigd(tmp_path, "runs", "verify", "1")[1]["sound"]
    assert rigd(tmp_path, "runs", "replay", "1")[1]["same"]
    shown = rigd(tmp_path, "runs", "show", "1")[1]
    assert shown["onset"] == onset and shown["failure_pa"] is None
    trace = pandas.read_parquet(Path(told["record"]) / "trace")
    assert trace["make_up_m3_per_s"].max() > 1e-9 and trace["scale_kg"].max() > 0.0
    (row,) = pandas.read_csv(Path(told["record"]) / "results.csv").to_dict("records")
    assert (row["last_tight_turns"], row["first_leaking_turns"]) == (
        onset["last_tight_turns"], onset["first_leaking_turns"],
    )  # fmt: skip
    run = json.loads((Path(told["record"]) / "run.json").read_text())
    turns = [dict(judged["data"])["turns"] for judged in run["judgements"]]
    assert turns[0] == 0.0 and turns[1:] == sorted(turns[1:]) and run["judgements"][0]["kind"] == "turn"
    report = (Path(told["record"]) / "report.txt").read_text()
    assert "Onset of leak" in report and "claims no safety rating" in report


def test_a_test_by_decay_tells_leak_creep_and_warming_of_each_look_or_why_not(tmp_path: Path) -> None:
    code, told, _ = rigd(tmp_path, "demo", "leak", "--seed", "3", "--virtual", "--decay", "--truth")
    assert code == errors.DONE and told["outcome"] == "leak_onset"
    decay = told["decay"]
    assert (decay["of"], decay["told"], decay["refused"], decay["contradicted"]) == (3, 2, 1, [])
    for look in decay["looks"][:2]:  # tight at both: no leak is what is told
        assert look["told"] and look["low_m3_per_s"] <= 0.1 * 1e-6 / 60.0 * 0.05 and look["engine"] == "tight"
        assert 0.0 < look["creep_u_m3"] < 1e-7 and 0.0 < look["temperature_u_m3"] < 1e-7
        assert look["until_s"] - look["from_s"] == pytest.approx(120.0, abs=0.5)
    assert not decay["looks"][2]["told"] and "the look was over before" in decay["looks"][2]["why"]
    assert rigd(tmp_path, "runs", "show", "1")[1]["decay"] == decay
    assert rigd(tmp_path, "runs", "verify", "1")[1]["sound"]
    report = (Path(told["record"]) / "report.txt").read_text()
    assert "told apart in 2 of 3 looks, refused in 1" in report and "not told: the line was not shut" in report


def test_what_the_leak_demo_cannot_do_it_says(tmp_path: Path) -> None:
    code, _, said = rigd(tmp_path, "demo", "leak", "--virtual", "--technician", "sleepy")
    assert code == errors.USAGE and "obedient, human, careless" in said
