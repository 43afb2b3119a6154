"""The records that ship replay here byte for byte, and measure to the last bit what they measured when they were made.

The truth they are also held to, the strength of the body at the first loss of containment, is the simulated plant's own
(`profiles/reference/expected.json`); no engine and no calc has seen it.
"""

import json
import shutil
import zipfile
from importlib import resources
from pathlib import Path

import pytest

from rigd.cli.validation import EXPECTED, PLACE, keep, validate
from rigd.model import errors
from rigd.replay import replay
from rigd.store.archive import open_run

SHIPPED = Path(str(resources.files("profiles"))) / PLACE
HINT = "the engine says something else than when the references were made; if on purpose: make references"


def test_every_shipped_record_replays_and_measures_the_same(tmp_path: Path) -> None:
    outcome = validate()
    assert outcome.passed, f"{HINT}: {[check.words for check in outcome.checks if not check.passed]}"
    assert [check.record for check in outcome.checks] == ["mark", "not-following", "rupture", "trip"]
    assert all(path.stat().st_size < 150_000 for path in SHIPPED.iterdir())
    first, second = keep(outcome, tmp_path), keep(outcome, tmp_path)
    assert first != second and json.loads(first.read_bytes())["valid"] is True
    assert json.loads(first.read_bytes())["versions"]["numpy"]


def test_the_shipped_ends_are_four_different_ones(tmp_path: Path) -> None:
    signs = {}
    for path in SHIPPED.glob("*.zip"):
        with zipfile.ZipFile(path) as packed:
            packed.extractall(tmp_path / path.stem)
        (record,) = (tmp_path / path.stem).iterdir()
        archive = open_run(record)
        signs[path.stem] = archive.run["result"]["signs"], archive.run["outcome"]
        assert [o for o in replay(archive) if type(o).__name__ == "Difference"] == []
    assert signs["rupture"] == (["pressure_fall"], "rupture") and signs["not-following"] == (["not_following"], "weep")
    assert signs["mark"][0] == ["operator_mark"] and signs["trip"] == ([], "tripped")


def spoil(place: Path, name: str, change) -> None:
    with zipfile.ZipFile(place / name) as packed:
        files = {entry.filename: packed.read(entry) for entry in packed.infolist()}
    change(files)
    with zipfile.ZipFile(place / name, "w") as packed:
        for file, data in files.items():
            packed.writestr(file, data)


def only(files: dict[str, bytes], end: str) -> str:
    return next(name for name in files if name.endswith(end))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda files: files.update({only(files, "run.json"): b"{}"}), "run.json was altered"),
        (lambda files: files.pop(only(files, "chain.bin")), "chain.bin is missing"),
        (lambda files: files.update({"../../outside": b""}), "no file of a record"),
        (lambda files: files.update({"/tmp/outside": b""}), "no file of a record"),
        (lambda files: files.clear(), "has 0 files"),
    ],
)
def test_a_reference_that_was_altered_is_told_and_nothing_is_written_outside(tmp_path: Path, change, words) -> None:
    place = tmp_path / "a" / "b"
    shutil.copytree(SHIPPED, place)
    spoil(place, "trip.zip", change)
    outcome = validate(place)
    (bad,) = [check for check in outcome.checks if not check.passed]
    assert bad.record == "trip" and words in bad.words and outcome.exit_code == errors.BAD_DATA
    assert {path.name for path in tmp_path.rglob("outside")} == set()


def test_a_number_that_comes_out_differently_fails_the_validation(tmp_path: Path) -> None:
    shutil.copytree(SHIPPED, tmp_path / "reference")
    path = tmp_path / "reference" / EXPECTED
    expected = json.loads(path.read_bytes())
    expected["rupture"]["failure_pa"] += 1e-9 * expected["rupture"]["failure_pa"]
    path.write_text(json.dumps(expected))
    outcome = validate(tmp_path / "reference")
    assert outcome.exit_code == errors.NOT_MET
    assert [check.record for check in outcome.checks if not check.passed] == ["rupture"]
    (tmp_path / "reference" / "mark.zip").write_bytes(b"no zip")
    assert validate(tmp_path / "reference").exit_code == errors.BAD_DATA
