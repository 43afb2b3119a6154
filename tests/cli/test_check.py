"""`rigd check` as a person meets it: what is printed, and the exit code."""

import json
from pathlib import Path

import jsonschema
import pytest

from rigd.cli.check import check
from rigd.cli.job import load_job
from rigd.files import load
from rigd.files.document import read
from rigd.files.load import find
from rigd.model.errors import FilesRefused, UsageRefused
from rigd.model.states import LINE_AT_ZERO, SAFE_TO_OPEN

ALL = [Path("demo"), Path("ramped-burst"), Path("K-07")]


def test_sound_files_are_foretold(capsys):
    assert check(ALL) == 0
    said = capsys.readouterr().out
    for words in (
        *("SIMULATED", "holding:0 = 40001", "0 to 450 psi at 15 psi/s", "Duration", "kB/s of record"),
        *("relief set", "weakest part: hose", "watchdog relay drops out 500 ms", "UNPROVEN"),
        *("ASME PCC-2-2008", "later copies", "WITHOUT a barrier", "invented test house", "keep it outside"),
        *("smallest opening", "smallest pressure step it can make: 0.0625 psi", "gas the ramp takes: 245 L/min"),
        "Specimen K-07: 9 of 9 facts known",
    ):
        assert words in said, words
    assert said.splitlines()[-1].startswith("Caution: this software is not the safety device")
    places = [said.index(words) for words in ("vent limit", "profile max", "trip overpressure_a", "relief set")]
    assert places == sorted(places)


def test_window_and_single_files(capsys):
    assert check([Path("timed-burst")]) == 0
    said = capsys.readouterr().out
    assert "between 60 s and 70 s" in said and "4.615 psi/s" in said and "Give a rig file too" in said
    assert check([Path("demo")]) == 0
    assert "Stored energy" in capsys.readouterr().out


def test_json_is_in_si(capsys):
    assert check(ALL, as_json=True) == 0
    body = json.loads(capsys.readouterr().out)
    (foretold,) = body["forecasts"]
    assert body["ok"] and foretold["profile"] == "ramped-burst"
    assert foretold["peak_pa"] == pytest.approx(450 * 6894.757293168362)
    assert [step["kind"] for step in foretold["steps"]][3] == "ramp"
    assert body["caution"].startswith("Caution")


def test_all_faults_of_all_files(tmp_path, capsys):
    rig, profile = tmp_path / "rig.yaml", tmp_path / "profile.yaml"
    rig.write_bytes(load.find("demo", "rig").read_bytes().replace(b"set: 600 psi", b"set: 600"))
    profile.write_bytes(load.find("ramped-burst", "profile").read_bytes().replace(b"bleed: 8 s", b"bleed: 8 psi"))
    assert check([rig, profile]) == 65
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith(f"{rig}:") and "relief.set" in said[0]
    assert said[1].startswith(f"{profile}:") and "steps[1].fill.bleed" in said[1]
    assert said[2].startswith("2 faults")
    assert check([rig, profile], as_json=True) == 65
    body = json.loads(capsys.readouterr().out)
    assert not body["ok"] and [fault["key"] for fault in body["faults"]] == ["relief.set", "steps[1].fill.bleed"]


def test_a_pair_that_does_not_fit(tmp_path, capsys):
    profile = tmp_path / "profile.yaml"
    text = load.find("ramped-burst", "profile").read_bytes().replace(b"max: 450 psi", b"max: 490 psi")
    profile.write_bytes(text)
    assert check([profile]) == 0
    capsys.readouterr()
    assert check([Path("demo"), profile]) == 65
    said = capsys.readouterr().out
    assert f"{profile}:" in said and "below the trip overpressure_a" in said


def test_what_is_no_file(tmp_path, capsys):
    assert check([tmp_path / "absent.yaml", Path("demo")]) == 66
    assert "absent.yaml:1:1: found no such file" in capsys.readouterr().err
    other = tmp_path / "other.yaml"
    other.write_text("colour: blue\n")
    assert check([other]) == 65
    assert "exactly one of the keys" in capsys.readouterr().out
    assert check([tmp_path]) == 65
    assert "directory" in capsys.readouterr().out


def test_schema(capsys):
    for kind, name in (("rig", "demo"), ("profile", "timed-burst"), ("specimen", "K-07")):
        assert check([], schema=kind) == 0
        schema = json.loads(capsys.readouterr().out)
        jsonschema.Draft202012Validator(schema).validate(read(load.find(name, kind).read_bytes(), name).data)


@pytest.mark.parametrize(
    "call", [lambda: check([]), lambda: check([], schema="recipe"), lambda: check([Path("demo"), Path("demo")])]
)
def test_wrong_calls(call):
    with pytest.raises(UsageRefused, match="allowed"):
        call()


def test_a_body_whose_thread_nobody_counted_is_refused_before_anything_is_run(tmp_path, capsys):
    body = tmp_path / "Q-1.yaml"
    body.write_text("{specimen: Q-1, make: Q, size: short}")
    profile = load.find("cap-turn-leak", "profile")
    line = next(n for n, text in enumerate(profile.read_text().splitlines(), 1) if "threads:" in text)
    assert check([Path("cap-turn-leak"), body]) == 65
    said = capsys.readouterr().out
    assert said.startswith(f"{profile}:{line}:") and "{make: Q, size: short, turns: TURNS}" in said
    with pytest.raises(FilesRefused, match="make Q, size short"):
        load_job(
            profile="cap-turn-leak", rig="demo-leak", specimens=("Q-1",), facts=("make=Q", "size=short"),
            records=tmp_path, person="A. Novak", named=True,
        )  # fmt: skip


TANK = "tank water side: {sensor: tank}"
TEST = "  isolation_test:"


@pytest.mark.parametrize(
    ("written", "instead", "words"),
    [
        ("", "", f"the words may be {SAFE_TO_OPEN}"),
        (TANK, "tank water side: {hand_checked: true}", "a person checks tank water side"),
        (TEST, None, "no `isolation_test:`"),
        ("pockets:", None, "declares no `pockets:`"),
    ],
)
def test_each_pocket_is_told_with_how_it_is_proven_and_the_words_to_expect(rigd, tmp_path, written, instead, words):
    """SAFETY S27: each pocket has a sensor, a vent, or the mark hand-checked; with one for the hand the words stay."""
    text = find("demo", "rig").read_text()
    if instead is None:  # the block is left out, up to the empty line behind it
        at = text.index(f"\n{written}") + 1
        text = text[:at] + text[text.index("\n\n", at) + 1 :]
    path = tmp_path / "rig.yaml"
    path.write_text(text.replace(written, instead) if instead else text)
    told = rigd("check", path)
    assert told.code == 0 and words in told.out, told.out + told.err
    if not written:
        assert "low by the sensor specimen_a" in told.out and "let out by fill_valve, seen by fill_open" in told.out
    else:
        assert f"the words will be {LINE_AT_ZERO}" in told.out and SAFE_TO_OPEN not in told.out
