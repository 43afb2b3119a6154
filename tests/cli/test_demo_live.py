"""`rigd demo leak` and `rigd demo flush` in real time over Modbus TCP, from the command line to the sealed record.

Both are played at once, each on a rig of its own, by shipped profiles with fewer looks and shorter times.
"""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rigd.files.load import find
from rigd.model import errors

pytestmark = pytest.mark.alone
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


def begin(kind: str, profile: str, seed: int, folder: Path) -> subprocess.Popen[str]:
    text = find(profile, "profile").read_text()
    for shipped, quicker in QUICKER[profile].items():
        assert shipped in text, shipped
        text = text.replace(shipped, quicker)
    (folder / f"{kind}.yaml").write_text(text)
    words = ["--profile", str(folder / f"{kind}.yaml"), "--records", str(folder / kind), "--seed", str(seed)]
    return subprocess.Popen(
        [sys.executable, "-m", "rigd.cli.main", "demo", kind, *words, "--truth", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, dict[str, Any]]]:
    """What each of the two said, once both have ended."""
    folder = tmp_path_factory.mktemp("demos")
    playing = {
        "leak": begin("leak", "cap-turn-quick", 1, folder), "flush": begin("flush", "flush-direction", 3, folder)
    }  # fmt: skip
    found = {}
    try:
        for kind, process in playing.items():
            said, trouble = process.communicate(timeout=LONGEST_S)
            assert process.returncode == errors.DONE, (kind, trouble)
            found[kind] = json.loads(said)
        yield found
    finally:
        for process in playing.values():
            with process:  # closes what it wrote to
                process.kill()


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


def test_a_cap_is_loosened_by_hands_at_the_simulated_rig_until_it_leaks(told: dict[str, dict[str, Any]]) -> None:
    onset, truth = told["leak"]["onset"], told["leak"]["truth"]["onset_turns"]
    assert told["leak"]["outcome"] == "leak_onset"
    assert (onset["last_tight_turns"], onset["first_leaking_turns"]) == (0.125, 0.25)
    assert 0.125 < truth <= 0.25, "an obedient hand turns to the mark"
    run = prove(told["leak"])
    looks = [dict(each["data"]) for each in run["judgements"]]
    assert [look["turns"] for look in looks] == [0.0, 0.125, 0.25]
    seen = [look["seen"] for look in looks]
    assert seen[:2] == ["tight", "tight"] and seen[2] in ("weep", "drops", "stream")


def test_a_drain_is_aimed_by_hands_at_the_simulated_rig_and_its_water_adds_up(told: dict[str, dict[str, Any]]) -> None:
    aims, bias = told["flush"]["aims"], told["flush"]["truth"]["bias_deg"]
    assert told["flush"]["outcome"] == "aimed" and aims["measured"] == len(aims["aims"]) == 2
    run = prove(told["flush"])
    for judged in run["judgements"]:
        aim = dict(judged["data"])
        assert aim["error_deg"] == pytest.approx(bias, abs=10.0), "its play and the reading of it are some degrees"
        caught_kg = aim["inside_kg"] + aim["outside_kg"] + aim["not_caught_kg"]
        assert caught_kg == pytest.approx(998.2 * aim["fed_m3"], rel=0.25) and caught_kg > 0.05
