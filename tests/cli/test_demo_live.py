"""`rigd demo leak` and `rigd demo flush` in real time over Modbus TCP, from the command line to the sealed record.

Each is played on a rig of its own, by a shipped profile with fewer looks and shorter times.
"""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rigd.files.load import find
from rigd.model import errors

pytestmark = pytest.mark.live
LONGEST_S = 240
QUICKER = {
    "cap-turn-quick": {
        "bleed: 8 s": "bleed: 5 s",
        "rate: 5 psi/s": "rate: 20 psi/s",
        "hold: 3 s": "hold: 1 s",
        "turns: [1/8, 1/4, 3/8, 1/2, 5/8]": "turns: [1/8, 1/4]",
        "beyond: 1": "beyond: 0",
        "settle: 3 s": "settle: 500 ms",
        "dwell: 10 s": "dwell: 2 s",
        "      stiffness: {step: 3 psi, takes_at_most: 0.5 mL}\n": "",
        "        make_up: {limit: 0.5 mL/min}\n": "",
        "        catch: {limit: 1 mL/min, read_by: channel}\n": "",
    },
    "flush-direction": {
        "rate: 5 psi/s": "rate: 20 psi/s",
        "hold: 3 s": "hold: 1 s",
        "azimuths: [0 deg, 90 deg, 180 deg, 270 deg]": "azimuths: [0 deg, 90 deg]",
        "repeats: 3": "repeats: 1",
        "duration: 10 s": "duration: 4 s",
    },
}


def play(kind: str, profile: str, seed: int, folder: Path) -> dict[str, Any]:
    """What the demo said once it has ended."""
    text = find(profile, "profile").read_text()
    for shipped, quicker in QUICKER[profile].items():
        assert shipped in text, shipped
        text = text.replace(shipped, quicker)
    (folder / f"{kind}.yaml").write_text(text)
    words = ["--profile", str(folder / f"{kind}.yaml"), "--records", str(folder / kind), "--seed", str(seed)]
    done = subprocess.run(
        [sys.executable, "-m", "rigd.cli.main", "demo", kind, *words, "--truth", "--json"],
        capture_output=True, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    assert done.returncode == errors.DONE, done.stderr
    return json.loads(done.stdout)


def prove(told: dict[str, Any]) -> dict[str, Any]:
    """The record is sound and replays byte for byte; gives back its run.json."""
    record = Path(told["record"])
    for verb, key in (("verify", "sound"), ("replay", "same")):
        done = subprocess.run(
            [sys.executable, "-m", "rigd.cli.main", "runs", verb, str(record), "--json"],
            env=os.environ, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert json.loads(done.stdout)[key], done.stderr
    return json.loads((record / "run.json").read_text())


def test_a_cap_is_loosened_by_hands_at_the_simulated_rig_until_it_leaks(tmp_path: Path) -> None:
    told = play("leak", "cap-turn-quick", 1, tmp_path)
    onset, truth = told["onset"], told["truth"]["onset_turns"]
    assert told["outcome"] == "leak_onset"
    assert (onset["last_tight_turns"], onset["first_leaking_turns"]) == (0.125, 0.25)
    assert 0.125 < truth <= 0.25, "an obedient hand turns to the mark"
    run = prove(told)
    looks = [dict(each["data"]) for each in run["judgements"]]
    assert [look["turns"] for look in looks] == [0.0, 0.125, 0.25]
    seen = [look["seen"] for look in looks]
    assert seen[:2] == ["tight", "tight"] and seen[2] in ("weep", "drops", "stream")


def test_a_drain_is_aimed_by_hands_at_the_simulated_rig_and_its_water_adds_up(tmp_path: Path) -> None:
    told = play("flush", "flush-direction", 3, tmp_path)
    aims, bias = told["aims"], told["truth"]["bias_deg"]
    assert told["outcome"] == "aimed" and aims["measured"] == len(aims["aims"]) == 2
    run = prove(told)
    for judged in run["judgements"]:
        aim = dict(judged["data"])
        assert aim["error_deg"] == pytest.approx(bias, abs=10.0), "its play and the reading of it are some degrees"
        caught_kg = aim["inside_kg"] + aim["outside_kg"] + aim["not_caught_kg"]
        assert caught_kg == pytest.approx(998.2 * aim["fed_m3"], rel=0.25) and caught_kg > 0.05
