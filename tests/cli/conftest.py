"""A laboratory whose records are signed and authorised, a command line to ask, and a forger's two tools.

The records are the shipped trip, played again into a journal that is signed as it is written.
"""

import hashlib
import json
import shutil
import sys
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib import resources
from pathlib import Path
from types import SimpleNamespace

import pytest

from rigd.cli import main as command_line
from rigd.closing.closer import close_run
from rigd.live.record import OpenRecord
from rigd.loop import Loop
from rigd.model.messages import HostReport, Opened
from rigd.replay import PROFILE, RIG, SPECIMEN, engine_of
from rigd.store import authorisation, manifest
from rigd.store.archive import open_run
from rigd.store.keys import RigKey, make_key
from rigd.store.verification import verify


@pytest.fixture(scope="session")
def laboratory(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A records folder of three signed runs, the middle one authorised twice. Nobody changes it; tests take copies."""
    place = tmp_path_factory.mktemp("laboratory")
    rig_key, own_key = make_key(place / "rig.key"), make_key(place / "own.key")
    make_key(place / "other.key")
    with zipfile.ZipFile(Path(str(resources.files("profiles"))) / "reference" / "trip.zip") as packed:
        packed.extractall(place / "shipped")
    (shipped,) = (place / "shipped").iterdir()
    for specimen in ("K-01", "K-02", "K-03"):
        close_run(record_again(shipped, place / "records", rig_key, specimen), place / "rig.key", with_plot=False)
    found = verify(record_in(place / "records", 2))
    authorisation.authorise(found, person="A. Novak", meaning="performed", utc_ns=10**18)
    authorisation.authorise(found, person="B. Kim", meaning="reviewed", utc_ns=10**18, key=own_key)
    yield place


def record_again(shipped: Path, records: Path, key: RigKey, specimen: str) -> Path:
    """Play a shipped record's inputs into a new, open, signed record, as the rig process would have written it."""
    archive = open_run(shipped)
    files = {name: archive.read(name) for name in (RIG, PROFILE, SPECIMEN)}
    record = OpenRecord(
        records, rig="r", profile="ramped-burst", specimen=specimen, files=files, patient=True, key=key
    )  # fmt: skip
    body = Loop(
        engine_of(files), record.builder, record.hand_over, drive=lambda output, counts: None, publish=lambda said: None
    )
    for message in archive.inputs():
        body.turn(replace(message, run=record.run) if type(message) is Opened else message)
        if type(message) is HostReport:
            body.flush()
    body.flush()
    record.close()
    return record.folder


def record_in(records: Path, number: int) -> Path:
    return next(path for path in records.iterdir() if f"_R{number:04d}_" in path.name)


@pytest.fixture
def records(laboratory: Path, tmp_path: Path) -> Path:
    """A copy to tamper with."""
    shutil.copytree(laboratory / "records", tmp_path / "records")
    for path in [tmp_path / "records", *(tmp_path / "records").rglob("*")]:
        path.chmod(0o750 if path.is_dir() else 0o640)
    return tmp_path / "records"


class Told:
    """What the command line said and its exit code."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err
        assert "Traceback" not in out + err and "a fault of rigd itself" not in err, err


@pytest.fixture
def rigd(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Callable[..., Told]:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("RIGD_KEY", raising=False)

    def call(*words: object) -> Told:
        monkeypatch.setattr(sys, "argv", ["rigd", *map(str, words)])
        code = command_line.main()
        said = capsys.readouterr()
        return Told(code, said.out, said.err)

    return call


def rewrite(path: Path, change: Callable[[bytes], bytes]) -> None:
    data = path.read_bytes()
    assert change(data) != data
    path.write_bytes(change(data))


def reseal(record: Path, key: RigKey | None = None, **changes: object) -> None:
    """Make the manifest fit the files again."""
    content = json.loads((record / manifest.NAME).read_bytes())
    content.pop("seal")
    files = {p.relative_to(record).as_posix(): p.read_bytes() for p in record.rglob("*") if p.is_file()}
    files.pop(manifest.NAME)
    content["files"] = {
        name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()} for name, data in files.items()
    }
    content |= changes
    made = manifest.render({**content, "seal": manifest._seal_of(manifest.render(content), key)})
    (record / manifest.NAME).write_bytes(made)


@pytest.fixture(scope="session")
def forge() -> SimpleNamespace:
    """What tampering is done with, for tests in other files."""
    return SimpleNamespace(rewrite=rewrite, reseal=reseal, record_in=record_in, record_again=record_again)
