"""One rig is one lock, and its socket lives where nobody else can put one."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from rigd.live import places
from rigd.live.places import RigLock, find_socket, is_held, lock_path, records_folder, rigs_held, runtime_folder
from rigd.model.errors import Misconfigured, RigBusy, RigUnreachable, UsageRefused


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(places.RUNTIME, str(tmp_path / "rt"))
    return tmp_path / "rt"


def test_a_second_taker_is_refused_until_the_first_lets_go_or_dies(runtime: Path) -> None:
    code = (
        "import sys; from rigd.live.places import RigLock; RigLock('demo').take(); print('has it', flush=True); input()"
    )
    holder = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert holder.stdout.readline() == "has it\n"
    with pytest.raises(RigBusy, match=str(holder.pid)):
        RigLock("demo").take()
    assert rigs_held() == ("demo",) and is_held(lock_path("demo"))
    RigLock("other").take()
    holder.kill()
    holder.communicate()
    lock = RigLock("demo")
    lock.take()
    lock.release()
    assert not is_held(lock_path("demo"))


def test_the_socket_is_found_by_name_or_when_there_is_only_one() -> None:
    with pytest.raises(RigUnreachable, match="no rig process"):
        find_socket("")
    one, two = RigLock("bench 1"), RigLock("bench 2")
    one.take()
    assert find_socket("") == find_socket("bench 1") and find_socket("").name == "bench-1.sock"
    two.take()
    with pytest.raises(UsageRefused, match="several rigs"):
        find_socket("")
    one.release()
    two.release()


def test_a_runtime_folder_others_can_write_is_refused(runtime: Path) -> None:
    runtime.mkdir()
    runtime.chmod(0o777)
    with pytest.raises(Misconfigured, match="0700"):
        runtime_folder()


def test_a_runtime_folder_that_is_a_link_is_refused(runtime: Path, tmp_path: Path) -> None:
    runtime.symlink_to(tmp_path)
    with pytest.raises(Misconfigured):
        runtime_folder()


@pytest.mark.parametrize("name", ["../../etc/passwd", "a/b", ".", "", "x" * 300, "ärg\nlich"])
def test_no_rig_name_leaves_the_folder(name: str, runtime: Path) -> None:
    assert places.socket_path(name).parent == runtime
    assert len(os.fsencode(places.socket_path(name).name)) < 80


def test_the_records_folder_is_as_said_else_by_the_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(places.RECORDS, str(tmp_path / "here"))
    assert records_folder(Path("/there")) == Path("/there")
    assert records_folder(None) == tmp_path / "here"
    monkeypatch.delenv(places.RECORDS)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert records_folder(None) == tmp_path / "rigd" / "records"
