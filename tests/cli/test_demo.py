"""The demo under virtual time, from the command line to the sealed record and back; the live one is marked `live`."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas
import pytest

from rigd.model import errors
from rigd.store.keys import make_key

DUE = (
    "run", "record", "outcome", "verdict", "failure_pa", "failure_signs", "highest_pa", "bound_pa",
    "pressure_reference", "time_to_failure_s", "ramp_pa_per_s", "truth",
)  # fmt: skip


def rigd(folder: Path, *words: str) -> tuple[int, dict, str]:
    done = subprocess.run(
        [sys.executable, "-m", "rigd.cli.main", *words, "--records", str(folder / "records"), "--json"],
        env=os.environ | {"RIGD_RUNTIME": str(folder / "rt")}, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, json.loads(done.stdout), done.stderr


def test_a_virtual_burst_is_a_real_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Signed too, where the user has a key."""
    key = make_key(tmp_path / "rig.key")
    monkeypatch.setenv("RIGD_KEY", str(tmp_path / "rig.key"))
    code, told, _ = rigd(tmp_path, "demo", "burst", "--seed", "1", "--virtual", "--truth")
    assert code == errors.DONE and set(DUE) <= set(told)
    assert told["outcome"] == "rupture" and told["pressure_reference"] == "gauge"
    assert abs(told["failure_pa"] - told["truth"]["strength_pa"]) <= told["bound_pa"]
    verified = rigd(tmp_path, "runs", "verify", "1")[1]
    assert verified["sound"] and verified["runs"][0]["sealed_by_rig_key"] == key.public
    assert rigd(tmp_path, "runs", "replay", "1")[1]["same"]
    assert rigd(tmp_path, "runs", "show", "1")[1]["failure_pa"] == told["failure_pa"]
    trace = pandas.read_parquet(Path(told["record"]) / "trace")
    assert len(trace) > 3000 and "specimen_a_counts" in trace


@pytest.mark.parametrize(
    ("words", "outcome", "code"),
    [
        (("--body", "end_closure_leak"), "end_closure_leak", errors.INVALID),
        (("--body", "strong"), "ceiling", errors.DONE),
        (("--fault", "door_opened"), "tripped", errors.TRIPPED),
    ],
)
def test_other_ends_have_their_own_words_and_codes(
    words: tuple[str, ...], outcome: str, code: int, tmp_path: Path
) -> None:
    found, told, _ = rigd(tmp_path, "demo", "burst", "--seed", "4", "--virtual", *words)
    assert (found, told["outcome"]) == (code, outcome), told


@pytest.mark.live
def test_the_live_demo_bursts_over_modbus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, told, trouble = rigd(tmp_path, "demo", "burst", "--seed", "9", "--truth")
    assert code == errors.DONE, trouble
    assert told["failure_signs"] and told["failure_pa"] is not None
    assert abs(told["failure_pa"] - told["truth"]["strength_pa"]) <= told["bound_pa"]
    assert rigd(tmp_path, "runs", "verify")[1]["sound"]
    for hash_seed in ("0", "1", "12345"):  # a run recorded live over the wire replays byte for byte, whatever the seed
        monkeypatch.setenv("PYTHONHASHSEED", hash_seed)
        assert rigd(tmp_path, "runs", "replay", "1")[1]["same"]
