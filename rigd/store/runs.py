"""The records folder: one folder a run, numbers without gaps, and finding a run again.

A number is given under a lock and before anything is recorded; the highest number ever given is kept beside the runs,
so a removed run leaves a gap that shows, also when it was the last. A record is sealed once it has a manifest; before
that it has a journal, held by the lock of the process that writes it.
"""

import os
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from rigd.model.errors import CannotCreate, NoSuchRun, RecordAltered
from rigd.store import journal, manifest
from rigd.store.disk import DISK, TEMPORARY, Disk, FolderLock, is_locked, make_folder, read_file, write_file

if TYPE_CHECKING:
    from rigd.store.verification import Findings

LAST_NUMBER = ".last-run"
RIG_LOG = "rig-log"
"""Where the records of a rig without a run lie; their run number is 0."""

MAX_NAME = 64
PREVIOUS_LOOKED_AT = 50
"""How far back a new manifest looks for sealed runs that no other manifest vouches for yet."""

MAX_GAPS = 50

_FOLDER = re.compile(r"\d{4}-\d{2}-\d{2}T\d{6}Z_R(\d{4,9})_[A-Za-z0-9._-]{1,64}_[A-Za-z0-9._-]{1,64}")
_NUMBER = re.compile(r"[Rr]?(\d{1,9})")
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFolder:
    """One run in the records folder. state: "sealed", "open" (a process writes it), "unsealed" (waits for closing)."""

    number: int
    path: Path
    state: str


def safe_name(text: str) -> str:
    """A name any file system and shell takes: letters, digits, `.`, `_`, `-`; 1 to 64 of them, no dot first."""
    return _UNSAFE.sub("-", text)[:MAX_NAME].strip("-.") or "unnamed"


def name_of_run(number: int, profile: str, specimen: str, utc_ns: int) -> str:
    """Such as 2026-11-24T214433Z_R0412_ramped-burst_K-07."""
    when = datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H%M%SZ")
    return f"{when}_R{number:04d}_{safe_name(profile)}_{safe_name(specimen)}"


def allocate(
    records: Path,
    *,
    profile: str,
    specimen: str,
    utc_ns: int,
    files: Mapping[str, bytes] = MappingProxyType({}),
    disk: Disk = DISK,
) -> RunFolder:
    """The next number and its new folder with these files in it: all of it or nothing, so that whatever has a number
    can be sealed. Raises CannotCreate: no folder, no run."""
    try:
        records.mkdir(parents=True, exist_ok=True)
        with FolderLock(records):
            _remove_unfinished(records)
            number = 1 + max(_last_number(records), *(run.number for run in _folders(records)), 0)
            path = records / name_of_run(number, profile, specimen, utc_ns)
            _make_whole(path, files, disk)
            write_file(records / LAST_NUMBER, f"{number}\n".encode(), disk=disk)
    except OSError as error:
        raise CannotCreate(
            f"cannot begin a record in {records}: {error.strerror or error}; allowed: a folder rigd may "
            "write to with free space. Nothing was started"
        ) from None
    return RunFolder(number=number, path=path, state="unsealed")


def _make_whole(path: Path, files: Mapping[str, bytes], disk: Disk) -> None:
    """A folder that is either not there or has all its files."""
    temporary = path.with_name(TEMPORARY + path.name)
    try:
        make_folder(temporary, disk=disk)
        for name, data in files.items():
            write_file(temporary / name, data, disk=disk)
        disk.rename(temporary, path)
    except OSError:
        shutil.rmtree(temporary, ignore_errors=True)  # on a full disk it would only be in the way
        raise
    disk.sync_folder(path.parent)


def _remove_unfinished(records: Path) -> None:
    """What a process that died in `_make_whole` left: it had no number."""
    for path in records.glob(f"{TEMPORARY}*"):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)  # one that cannot be removed is only untidy


def allocate_rig_log(records: Path, *, rig: str, utc_ns: int, disk: Disk = DISK) -> RunFolder:
    """A new folder for what a rig says while no run is open. It has no number and cannot make a gap."""
    place = records / RIG_LOG
    name = name_of_run(0, "rig", rig, utc_ns)
    try:
        place.mkdir(parents=True, exist_ok=True)
        path = place / name
        for again in range(1, 1000):
            if not os.path.lexists(path):
                break
            path = place / f"{name}.{again}"
        make_folder(path, disk=disk)
    except OSError as error:
        raise CannotCreate(f"cannot begin the rig's log in {place}: {error.strerror or error}") from None
    return RunFolder(number=0, path=path, state="unsealed")


def number_of(folder: Path) -> int:
    """The run number a folder's name carries, for a record that was cut before it said so; 0 when it has none."""
    return next((run.number for run in list_runs(folder.parent) if run.path == folder), 0)


def opened_at(folder: Path) -> int:
    """When a run folder was made, as its name says, for a run that died before it said so [ns since 1970 UTC]."""
    stamp = folder.name[:18]
    if _FOLDER.fullmatch(folder.name) is None:
        return 0
    return int(datetime.strptime(stamp, "%Y-%m-%dT%H%M%SZ").replace(tzinfo=UTC).timestamp()) * 1_000_000_000


def _last_number(records: Path) -> int:
    path = records / LAST_NUMBER
    if not os.path.lexists(path):
        return 0
    text = read_file(path, limit=64).strip()
    if not text.isdigit():
        raise OSError(f"{path.name} holds {text[:20]!r} where a number is due; write the highest run number into it")
    return int(text)


def _folders(records: Path) -> list[RunFolder]:
    found = []
    with os.scandir(records) as entries:
        for entry in entries:
            match = _FOLDER.fullmatch(entry.name)
            if match and entry.is_dir(follow_symlinks=False):
                path = Path(entry.path)
                found.append(RunFolder(number=int(match[1]), path=path, state=_state(path)))
    return sorted(found, key=lambda run: (run.number, run.path.name))


def _state(path: Path) -> str:
    if (path / manifest.NAME).is_file():
        return "sealed"
    place = path / journal.FOLDER
    return "open" if place.is_dir() and is_locked(place) else "unsealed"


def list_runs(records: Path) -> tuple[RunFolder, ...]:
    """All runs, lowest number first, also those that never came to be sealed."""
    return tuple(_folders(records)) if records.is_dir() else ()


def find(records: Path, text: str) -> Path:
    """A run by number (`R0412`, `412`), by folder name, or by path. Raises NoSuchRun in words."""
    number = _NUMBER.fullmatch(text)
    known = list_runs(records)
    if number:
        paths = [run.path for run in known if run.number == int(number[1])]
        if len(paths) > 1:
            names = " or ".join(path.name for path in paths)
            raise NoSuchRun(f"run {text} is there {len(paths)} times in {records}; say which: {names}")
    else:
        paths = [run.path for run in known if run.path.name == text] or [
            Path(text) for _ in (0,) if text and os.path.isdir(text)
        ]
    if not paths:
        last = f"the last is R{known[-1].number:04d}" if known else "it has none"
        raise NoSuchRun(f"there is no run {text!r} in {records} ({last}); see: rigd runs list")
    return paths[0]


def previous_manifests(records: Path, number: int) -> tuple[tuple[int, str], ...]:
    """(run, SHA-256 of its manifest) of the runs before this one that no manifest vouches for yet; the newest always.

    A run that was interrupted is sealed late, after its successors; the next run to be sealed vouches for it.
    """
    sealed = [run for run in list_runs(records) if run.state == "sealed" and run.number != number]
    hashes, vouched = {}, set()
    for run in sealed[-PREVIOUS_LOOKED_AT:]:
        try:
            data = manifest.manifest_bytes(run.path)
            vouched |= {n for n, _ in manifest.parse(data).previous}
        except RecordAltered:
            continue  # verifying the folder names it; a new run must not fail for an old one's sake
        hashes[run.number] = manifest.sha256(data)
    before = [n for n in hashes if n < number]
    newest = {max(before)} if before else set()
    return tuple((n, hashes[n]) for n in sorted((set(hashes) - vouched) | newest))


def verify_records(records: Path, *, public_key: str = "") -> tuple[tuple["Findings", ...], tuple[str, ...]]:
    """Every run by itself, and the folder as a whole: numbers missing or twice, runs replaced after others vouched."""
    from rigd.store.verification import verify  # what only verifies need not be loaded by a rig process that starts

    runs = list_runs(records)
    each = tuple(verify(run.path, public_key=public_key) for run in runs if run.state == "sealed")
    found = [f"{run.path.name} is {run.state}: nothing vouches for it yet" for run in runs if run.state != "sealed"]
    numbers = [run.number for run in runs]
    try:
        last = max([_last_number(records) if records.is_dir() else 0, *numbers], default=0)
    except OSError as error:
        found.append(str(error))
        last = max(numbers, default=0)
    found += [f"run R{n:04d} is missing" for n in _gaps(numbers, last)]
    found += [f"run R{n:04d} is there twice" for n in sorted(set(numbers)) if numbers.count(n) > 1]
    hashes = {findings.run: findings.manifest_sha256 for findings in each}
    for findings in each:
        for number, sha256 in findings.previous:
            if number in hashes and hashes[number] != sha256:
                found.append(f"run R{number:04d} was replaced: it is not the one run R{findings.run:04d} vouches for")
    return each, tuple(found)


def _gaps(numbers: list[int], last: int) -> list[int]:
    """The missing numbers, no more than a person can use however wild the highest number is."""
    there, missing = set(numbers), []
    for number in range(1, last + 1):
        if number not in there:
            missing.append(number)
            if len(missing) == MAX_GAPS:
                break
    return missing
