"""`rigd demo leak --medium gas`, from the command line to a sealed record and back, and what the verbs say of gas."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas
import pytest

from rigd.files.load import find
from rigd.model import errors


def rigd(folder: Path, *words: str, records: bool = True) -> tuple[int, str, str]:
    where = ("--records", str(folder / "records")) if records else ()
    done = subprocess.run(
        [sys.executable, "-m", "rigd.cli.main", *words, *where],
        env=os.environ | {"RIGD_RUNTIME": str(folder / "rt")}, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout, done.stderr


def test_a_virtual_leak_of_gas_is_a_real_record(tmp_path: Path) -> None:
    code, said, _ = rigd(tmp_path, "demo", "leak", "--medium", "gas", "--seed", "5", "--virtual", "--truth", "--json")
    told = json.loads(said)
    assert code == errors.NOT_MET and (told["outcome"], told["verdict"]) == ("gas_leaking", "reject")
    found, truth = told["counted"], told["truth"]
    assert abs(found["gas_leak_sccm"] - truth["leak_sccm"]) < 2.0 * found["gas_leak_u_sccm"]
    assert found["gas_leak_mol_per_s"] == pytest.approx(truth["leak_mol_per_s"], rel=0.1)
    assert json.loads(rigd(tmp_path, "runs", "verify", "1", "--json")[1])["sound"]
    assert json.loads(rigd(tmp_path, "runs", "replay", "1", "--json")[1])["same"]
    record = Path(told["record"])
    report = (record / "report.txt").read_text()
    for words in ("sccm (0 degC, 101325 Pa)", "kPa absolute", "Uncertainty by", "mol/s", "the body's change"):
        assert words in report, words
    assert all("degC" in line for line in report.splitlines() if "sccm" in line), "never without its temperature"
    run = json.loads((record / "run.json").read_text())
    (judged,) = run["judgements"]
    assert judged["kind"] == "gas" and dict(judged["data"])["gas_leak_sccm"] == found["gas_leak_sccm"]
    again = run["gas_leak"]
    assert again["agrees_with_engine"] and run["engine_and_measured_agree"] and told["gas_leak"] == again
    assert again["mol_per_s"] == pytest.approx(found["gas_leak_mol_per_s"], rel=1e-4)
    halves = again["first_half_mol_per_s"] + again["second_half_mol_per_s"]
    assert halves / 2.0 == pytest.approx(again["mol_per_s"], rel=1e-3) and "Either half" in report
    (row,) = pandas.read_csv(record / "results.csv").to_dict("records")
    assert row["gas_leak_sccm"] == found["gas_leak_sccm"] and row["sccm_reference_k"] == 273.15
    trace = pandas.read_parquet(record / "trace")
    assert 290.0 < trace["gas_temperature_k"].min() and trace["specimen_a_pa"].max() > 95e3


def test_check_shows_the_energy_and_what_it_can_tell(tmp_path: Path) -> None:
    code, said, _ = rigd(tmp_path, "check", "demo-gas", "gas-leak", "K-21", records=False)
    assert code == errors.DONE
    for words in ("CAUTION: 1 L of gas at 15 psi hold 93", "oxygen monitor", "never by a hand", "it resolves 0.0"):
        assert words in said, words
    assert all("degC)" in line for line in said.splitlines() if "sccm" in line)
    broken = tmp_path / "hand.yaml"
    broken.write_text(find("gas-leak", "profile").read_text().replace("closure: retained_plug", "closure: hand"))
    code, said, _ = rigd(tmp_path, "check", "demo-gas", str(broken), records=False)
    assert code == errors.BAD_DATA and f"{broken}:" in said and "gas never behind a closure that a hand turns" in said


def test_what_is_refused(tmp_path: Path) -> None:
    code, _, said = rigd(tmp_path, "demo", "leak", "--medium", "steam", "--virtual")
    assert code == errors.USAGE and "water, gas" in said
    code, _, said = rigd(
        tmp_path, "run", "gas-leak", "--rig", "demo-gas", "--specimen", "K-21", "--operator", "A. Novak", "--unattended"
    )
    assert code == errors.CONFIGURATION and "oxygen monitor" in said
