"""Does rigd give on this machine what it gave where it was made? The shipped reference records decide.

Each is unpacked, verified, replayed byte for byte and measured again with calc, and what comes out is held against what
is stored in the record and against what is written beside it: outcome, failure pressure to the last bit, and the true
strength that only the simulator knows, within the bound that was claimed. The outcome is kept with date and versions.
"""

import json
import platform
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib import metadata, resources
from pathlib import Path
from typing import Any

from rigd.closing.results import measured_again
from rigd.model import errors
from rigd.model.errors import CannotWrite, Misconfigured, RecordAltered
from rigd.replay import Replay
from rigd.store.archive import Archive, open_run
from rigd.store.disk import write_file
from rigd.store.encode import parse_json

PLACE, EXPECTED = "reference", "expected.json"
KEPT = "validations"
PACKAGES = ("rigd", "numpy", "pyarrow", "scipy", "pint", "pydantic", "PyYAML", "cryptography")
MAX_FILES, MAX_BYTES = 64, 1 << 22  # of one reference: forty times what ships


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    record: str
    passed: bool
    altered: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    checks: tuple[Check, ...]
    versions: dict[str, str]
    utc: str

    @property
    def passed(self) -> bool:
        return bool(self.checks) and all(check.passed for check in self.checks)

    @property
    def exit_code(self) -> int:
        if any(check.altered for check in self.checks):
            return errors.BAD_DATA
        return errors.DONE if self.passed else errors.NOT_MET

    @property
    def versions_words(self) -> str:
        return ", ".join(f"{name} {number}" for name, number in self.versions.items())

    def told(self) -> dict[str, Any]:
        return {
            "utc": self.utc, "valid": self.passed, "versions": self.versions,
            "checks": [asdict(check) for check in self.checks],
        }  # fmt: skip


def validate(place: Path | None = None) -> Outcome:
    """Check every reference record; `place`: another folder of them than the shipped one."""
    place = place or Path(str(resources.files("profiles"))) / PLACE
    try:
        expected = parse_json((place / EXPECTED).read_bytes())
        names = sorted(expected)
    except (OSError, ValueError, TypeError) as wrong:
        raise Misconfigured(f"{place / EXPECTED} cannot be read ({wrong}): install rigd again") from None
    checks = tuple(_check(place / f"{name}.zip", name, expected[name]) for name in names)
    return Outcome(
        checks=checks, versions=_versions(), utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    )  # fmt: skip


def keep(outcome: Outcome, records: Path) -> Path:
    """Write the outcome down, dated, never over another one."""
    place = records / KEPT
    stamp = outcome.utc.replace(":", "")
    data = (json.dumps(outcome.told(), indent=1) + "\n").encode()
    try:
        place.mkdir(mode=0o750, parents=True, exist_ok=True)
        number = 1
        while (path := place / f"{stamp}{'' if number == 1 else f'.{number}'}.json").exists():
            number += 1
        write_file(path, data)
    except OSError as error:
        raise CannotWrite(f"cannot keep the outcome in {place}: {error.strerror or error}") from None
    return path


def _check(packed: Path, name: str, expected: dict[str, Any]) -> Check:
    with tempfile.TemporaryDirectory(prefix="rigd-reference-") as folder:
        try:
            archive = open_run(_unpack(packed, Path(folder)))
            if archive.manifest_sha256 != expected["manifest_sha256"]:
                raise RecordAltered(("it is not the record that ships with this version",))
        except RecordAltered as altered:
            return Check(record=name, passed=False, altered=True, words="; ".join(altered.findings))
        wrong = list(_differences(archive, expected))
    bound = "" if expected["true_strength_pa"] is None else ", within its bound of the truth"
    told = f"{expected['outcome']}, replayed byte for byte, measured again to the last bit{bound}"
    return Check(record=name, passed=not wrong, altered=False, words="; ".join(wrong) or told)


def _differences(archive: Archive, expected: dict[str, Any]) -> Iterator[str]:
    for played in Replay(archive):
        if played.difference is not None:
            yield f"replay differs: {played.difference.words}"
    run, again = archive.run, json.loads(json.dumps(measured_again(archive)))
    if again != run["measured"]:
        yield f"measured again {again}, stored {run['measured']}"
    for field in ("outcome", "verdict", "failure_pa"):
        if run["result"][field] != expected[field]:
            yield f"{field}: stored {run['result'][field]!r}, shipped {expected[field]!r}"
    truth = expected["true_strength_pa"]
    if truth is not None:
        off_pa = truth - expected["failure_pa"]
        if not -expected["bound_down_pa"] <= off_pa <= expected["bound_up_pa"]:
            yield f"the failure pressure is {off_pa:.0f} Pa off the true strength, which is beyond its bound"


def _unpack(packed: Path, folder: Path) -> Path:
    """The record of a packed reference. Only plain files inside one folder are taken."""
    try:
        with zipfile.ZipFile(packed) as archive:
            entries = archive.infolist()
            if not 0 < len(entries) <= MAX_FILES or sum(entry.file_size for entry in entries) > MAX_BYTES:
                raise RecordAltered((f"{packed.name} has {len(entries)} files or too many bytes",))
            for entry in entries:
                parts = entry.filename.split("/")
                if entry.is_dir() or "\\" in entry.filename or any(part in ("", ".", "..") for part in parts):
                    raise RecordAltered((f"{packed.name} holds {entry.filename!r:.80}, which is no file of a record",))
                path = folder.joinpath(*parts)
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(archive.read(entry))
    except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError) as wrong:
        raise RecordAltered((f"{packed.name} cannot be unpacked: {wrong}",)) from None
    return folder / entries[0].filename.split("/")[0]


def _versions() -> dict[str, str]:
    found = {"python": platform.python_version(), "machine": f"{platform.system()} {platform.machine()}"}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found
