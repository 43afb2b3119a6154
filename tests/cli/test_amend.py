"""What a person got wrong is put right beside the record: old and new stand side by side, and neither can be altered
unseen (ISO/IEC 17025:2017 7.5.2)."""

import hashlib
import json
import zipfile
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import pytest

from rigd.model import errors
from rigd.replay import conclude_anew
from rigd.store import amendment, manifest
from rigd.store.archive import open_run
from rigd.store.keys import make_key

WHO = ("--operator", "B. Kim", "--reason", "seen again under the lamp")


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """A records folder of one shipped run, a rupture of a body without a minimum, and a key of the rig."""
    with zipfile.ZipFile(Path(str(resources.files("profiles"))) / "reference" / "rupture.zip") as packed:
        packed.extractall(tmp_path / "records")
    make_key(tmp_path / "rig.key")
    return tmp_path / "records"


def run_of(records: Path) -> Path:
    return next(path for path in records.iterdir() if "_R0001_" in path.name)


def bytes_of(record: Path) -> str:
    parts = [hashlib.sha256(p.read_bytes()).hexdigest() + p.name for p in sorted(record.rglob("*")) if p.is_file()]
    return hashlib.sha256("".join(parts).encode()).hexdigest()


def amended(rigd: Callable, records: Path, *more: str) -> dict:
    told = rigd("runs", "amend", "1", *WHO, *more, "--records", records, "--json")
    assert told.code == 0, told.err
    return json.loads(told.out)


def test_both_versions_stand_side_by_side(rigd: Callable, shelf: Path) -> None:
    record = run_of(shelf)
    before, measured = bytes_of(record), open_run(record).run["result"]
    key = ("--key", str(shelf.parent / "rig.key"))
    second = amended(rigd, shelf, "--set", "lot=L-52", "--set", "conditioning=2 h", *key)
    assert [(c["what"], c["now"]) for c in second["changes"]] == [("lot", "L-52"), ("conditioning", "7200.0")]
    assert second["outcome"] == {"was": "rupture", "now": "rupture"} and second["version"] == 2
    third = amended(rigd, shelf, "--observation", "end_closure_leak")
    assert third["outcome"] == {"was": "rupture", "now": "end_closure_leak"} and third["version"] == 3
    assert third["verdict"] == {"was": "none", "now": "invalid"}  # ASTM D1599-99(2005) 5.4: not a failure of the item
    assert second["sealed_by_key"] and not third["sealed_by_key"]
    for name in ("highest_pa", "noise_pa", "zero_pa", "trace_class", "signs", "ramp_pa_per_s"):
        assert third["result"][name] == measured[name], name
    assert bytes_of(record) == before and open_run(record).run["outcome"] == "rupture"
    shown = rigd("runs", "show", "1", "--records", shelf).out
    for due in (
        "rupture: the body broke open", "version 2 ", "version 3 ", "was none, now invalid", "B. Kim", "under the lamp",
        "lot                 was C03, now L-52",
    ):  # fmt: skip
        assert due in shown, due
    assert "(version 3: end_closure_leak, verdict invalid)" in rigd("runs", "list", "--records", shelf).out
    (row,) = json.loads(rigd("runs", "list", "--records", shelf, "--json").out)
    assert (row["outcome"], row["verdict"]) == ("rupture", "none")
    assert (row["version"], row["amended_outcome"], row["amended_verdict"]) == (3, "end_closure_leak", "invalid")
    for what in ("1", str(shelf)):
        told = rigd("runs", "verify", what, "--records", shelf)
        assert told.code == 0 and "version 3 " in told.out


def test_the_same_answer_gives_the_same_result(shelf: Path) -> None:
    archive = open_run(run_of(shelf))
    again = conclude_anew(archive, "rupture", "B. Kim")
    (stored,) = [message for message in archive.outputs() if type(message).__name__ == "Result"]
    assert again == stored


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--set", "failure_pa=1"), "FACT one of make"),
        (("--set", "lot="), "FACT one of make"),
        (("--set", "conditioning=2"), "unit"),
        (("--set", "end_closure=glued"), "free, restrained"),
        (("--observation", "exploded"), "allowed: rupture"),
        (("--set", "lot=C03"), "nothing would change"),
        ((), "nothing would change"),
        (("--set", "lot=\u202ex"), "cannot be carried over"),
    ],
)
def test_what_may_not_be_amended_is_refused_in_words(rigd: Callable, shelf: Path, words: tuple, said: str) -> None:
    told = rigd("runs", "amend", "1", *WHO, *words, "--records", shelf)
    assert told.code in (errors.USAGE, errors.BAD_DATA) and said in told.err
    assert not (shelf / amendment.SERIES.folder).exists()


def test_a_run_that_was_tripped_stays_tripped(rigd: Callable, records: Path) -> None:
    told = json.loads(rigd("runs", "amend", "2", *WHO, "--observation", "rupture", "--records", records, "--json").out)
    assert told["outcome"] == {"was": "tripped", "now": "tripped"} and told["result"]["observation"] == "rupture"


def edit(old: bytes, new: bytes) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        path.chmod(0o640)
        data = path.read_bytes()
        assert old in data
        path.write_bytes(data.replace(old, new, 1))

    return change


def renumber(path: Path) -> None:
    """The second version taken away, and the third made to look like it."""
    content = json.loads((path.parent / "M0002_R0001.json").read_bytes()) | {"number": 1, "previous": ""}
    (path.parent / "M0002_R0001.json").unlink()
    path.unlink()
    path.write_bytes(manifest.render(content))
    (path.parent / amendment.SERIES.last_number).write_text("1\n")


def second(change: Callable[[Path], None]) -> Callable[[Path], None]:
    return lambda path: change(path.parent / "M0002_R0001.json")


FOLLOWS = "does not follow version"
TAMPERING = {  # what is done, what verifying the folder says, and the record alone
    "reason": (edit(b"under the lamp", b"in a dream...."), "not that of its key", "not that of its key"),
    "result": (edit(b'"verdict": "none"', b'"verdict": "accept"'), "not that of its key", "not that of its key"),
    "cut": (edit(b'"was"', b'"w'), "M0001_R0001.json was altered", "M0001_R0001.json was altered"),
    "measured": (second(edit(b'"what": "observation"', b'"what": "noise"')), "not be amended", "not be amended"),
    "removed": (Path.unlink, "amendment M0001 is missing", FOLLOWS),
    "a version taken out": (renumber, FOLLOWS, FOLLOWS),
    "person, unsigned": (second(edit(b"B. Kim", b"C. Ito")), "not the one M0003 was written after", FOLLOWS),
}


@pytest.mark.parametrize("name", TAMPERING)
def test_an_altered_version_is_named(rigd: Callable, shelf: Path, name: str) -> None:
    amended(rigd, shelf, "--set", "lot=L-52", "--key", str(shelf.parent / "rig.key"))
    amended(rigd, shelf, "--observation", "weep")
    amended(rigd, shelf, "--observation", "parted")
    change, of_folder, of_record = TAMPERING[name]
    change(shelf / amendment.SERIES.folder / "M0001_R0001.json")
    for what, said in (("1", of_record), (str(shelf), of_folder)):
        told = rigd("runs", "verify", what, "--records", shelf)
        assert told.code == errors.BAD_DATA and said in told.out, told.out
    assert rigd("runs", "amend", "1", *WHO, "--set", "lot=X", "--records", shelf).code == errors.BAD_DATA


def test_an_altered_record_has_no_sound_version(rigd: Callable, shelf: Path) -> None:
    amended(rigd, shelf, "--set", "lot=L-52")
    edit(b'"lot": "C03"', b'"lot": "C04"')(run_of(shelf) / "run.json")
    told = rigd("runs", "verify", "1", "--records", shelf)
    assert told.code == errors.BAD_DATA and "run.json was altered" in told.out
    assert rigd("runs", "amend", "1", *WHO, "--set", "lot=X", "--records", shelf).code == errors.BAD_DATA


def authorised(rigd: Callable, records: Path) -> list[tuple[str, int, bool]]:
    told = json.loads(rigd("runs", "show", "1", "--records", records, "--json").out)["evidence"]
    return [(each["meaning"], each["version"], each["outdated"]) for each in told["authorised_by"]]


def test_a_person_authorises_the_newest_version_and_a_later_one_outdates_it(rigd: Callable, shelf: Path) -> None:
    who = ("runs", "authorise", "1", "--person", "B. Kim", "--records", shelf)
    assert rigd(*who, "--meaning", "reviewed").code == 0
    assert authorised(rigd, shelf) == [("reviewed", 1, False)]
    amended(rigd, shelf, "--set", "lot=L-52")
    assert rigd(*who, "--meaning", "approved").code == 0
    assert authorised(rigd, shelf) == [("reviewed", 1, True), ("approved", 2, False)]
    shown = rigd("runs", "show", "1", "--records", shelf).out
    first, second = [line for line in shown.splitlines() if line.startswith("authorised by person")]
    assert "OUTDATED: version 2 came later" in first and ", version 2" in second and "OUTDATED" not in second
    amended(rigd, shelf, "--set", "lot=L-53")
    assert [outdated for _, _, outdated in authorised(rigd, shelf)] == [True, True]
    assert rigd("runs", "verify", "--records", shelf).code == 0, "outdated is not unsound"
    for path in (shelf / amendment.SERIES.folder).glob("M0002_*"):
        path.unlink()
    (shelf / amendment.SERIES.folder / "M0001_R0001.json").unlink()
    (shelf / amendment.SERIES.folder / amendment.SERIES.last_number).unlink()
    for what in ((), ("1",)):
        told = rigd("runs", "verify", *what, "--records", shelf)
        assert told.code == errors.BAD_DATA and "A0002 is of a version of" in told.out, "a trace of what was taken away"


def test_nobody_authorises_a_record_whose_versions_do_not_hold(rigd: Callable, shelf: Path) -> None:
    amended(rigd, shelf, "--set", "lot=L-52")
    path = shelf / amendment.SERIES.folder / "M0001_R0001.json"
    path.chmod(0o640)
    path.write_bytes(path.read_bytes()[:-20])
    told = rigd("runs", "authorise", "1", "--person", "B. Kim", "--meaning", "approved", "--records", shelf)
    assert told.code == errors.BAD_DATA and "its versions do not hold" in told.err
