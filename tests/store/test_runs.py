"""Folders and numbers: no gap, no number twice, no name that leaves its place."""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from rigd.model.errors import CannotCreate, NoSuchRun
from rigd.store import runs
from rigd.store.disk import FolderLock

WHEN = 1_795_556_673_000_000_000


def test_a_folder_is_named_by_time_number_profile_and_specimen(tmp_path):
    """2026-11-24T214433Z is 1795556673 s after 1970 (date -u -d 2026-11-24T21:44:33Z +%s)."""
    assert runs.name_of_run(412, "ramped-burst", "K-07", WHEN) == "2026-11-24T214433Z_R0412_ramped-burst_K-07"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("K-07", "K-07"), ("../../etc/passwd", "etc-passwd"), ("", "unnamed"), ("...", "unnamed"), ("a/b\\c", "a-b-c"),
        ("x" * 300, "x" * 64), ("\x00\n", "unnamed"), ("né", "n"), ("-rf", "rf"), ("a\u202eb", "a-b"), (".git", "git"),
    ],
)  # fmt: skip
def test_hostile_names_become_safe_ones(tmp_path, text, name):
    assert runs.safe_name(text) == name
    made = runs.allocate(tmp_path, profile=text, specimen=text, utc_ns=WHEN)
    assert made.path.parent == tmp_path and made.path.is_dir() and runs.list_runs(tmp_path) == (made,)


def test_numbers_have_no_gap_even_from_many_processes(tmp_path):
    script = (
        "import sys; from pathlib import Path; from rigd.store import runs\n"
        "for n in range(5): runs.allocate(Path(sys.argv[1]), profile='p', specimen=str(n), utc_ns=0)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}

    def work(_: int) -> None:
        subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=True, env=environment, timeout=60)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, range(4)))
    assert [run.number for run in runs.list_runs(tmp_path)] == list(range(1, 21))


def test_a_crash_between_folder_and_counter_leaves_no_gap_and_no_number_is_given_twice(tmp_path):
    runs.allocate(tmp_path, profile="p", specimen="a", utc_ns=0)
    (tmp_path / runs.LAST_NUMBER).unlink()  # the crash: the folder is there, the counter was not written yet
    assert runs.allocate(tmp_path, profile="p", specimen="b", utc_ns=0).number == 2
    runs.list_runs(tmp_path)[1].path.rmdir()  # the last run vanishes: its number is not given again
    assert runs.allocate(tmp_path, profile="p", specimen="c", utc_ns=0).number == 3
    assert "run R0002 is missing" in runs.verify_records(tmp_path)[1]


def test_a_records_folder_that_cannot_be_written_is_said_in_words(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_bytes(b"")
    with pytest.raises(CannotCreate, match="cannot begin a record"):
        runs.allocate(blocked, profile="p", specimen="s", utc_ns=0)
    (tmp_path / runs.LAST_NUMBER).write_text("many")
    with pytest.raises(CannotCreate, match="where a number is due"):
        runs.allocate(tmp_path, profile="p", specimen="s", utc_ns=0)


def test_runs_are_found_by_number_name_or_path_and_by_nothing_else(tmp_path):
    first = runs.allocate(tmp_path, profile="p", specimen="a", utc_ns=0)
    second = runs.allocate(tmp_path, profile="p", specimen="b", utc_ns=0)
    for text in ("R0002", "r2", "2", second.path.name, str(second.path)):
        assert runs.find(tmp_path, text) == second.path
    for text in ("R0009", "R1x", "../x", "", "nothing", "\x00"):
        with pytest.raises(NoSuchRun):
            runs.find(tmp_path, text)
    with pytest.raises(NoSuchRun, match="it has none"):
        runs.find(tmp_path / "nowhere", "R1")
    first.path.with_name(first.path.name + "-copy").mkdir()
    with pytest.raises(NoSuchRun, match="there 2 times"):
        runs.find(tmp_path, "R0001")


def test_the_state_of_a_run_is_that_of_its_journal_and_manifest(tmp_path):
    run = runs.allocate(tmp_path, profile="p", specimen="a", utc_ns=0)
    (run.path / "journal").mkdir()
    assert runs.list_runs(tmp_path)[0].state == "unsealed"
    with FolderLock(run.path / "journal"):
        assert runs.list_runs(tmp_path)[0].state == "open"
    (run.path / "manifest.json").write_bytes(b"")
    assert runs.list_runs(tmp_path)[0].state == "sealed"
    (tmp_path / (run.path.name.replace("R0001", "R0005"))).symlink_to(run.path)
    assert len(runs.list_runs(tmp_path)) == 1  # a link is no run


def test_the_rigs_own_log_has_no_number(tmp_path):
    one = runs.allocate_rig_log(tmp_path, rig="demo", utc_ns=WHEN)
    two = runs.allocate_rig_log(tmp_path, rig="demo", utc_ns=WHEN)
    assert one.number == two.number == 0 and one.path != two.path and one.path.parent == Path(tmp_path / runs.RIG_LOG)
    assert runs.list_runs(tmp_path) == ()
