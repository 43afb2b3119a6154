"""What people say of a sealed record, kept beside it and never in it: a numbered series of small signed statements.

A series is a folder of the records folder (authorisations, inspections). Its statements are numbered without gaps and
each names the hash of the one before, as runs do, so one that vanished shows. Each is bound to one record by the
SHA-256 of its manifest, so it is worth nothing for any other record, nor for this one once altered. It may be signed
with a key; without one it is a statement and is shown as that. None is ever changed: it is corrected by a new one.
What a statement says is the business of who uses the series.
"""

import hashlib
import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigd.model.errors import CannotWrite, RecordAltered
from rigd.store import manifest
from rigd.store.disk import DISK, READ_ONLY, Disk, FolderLock, read_file, write_file
from rigd.store.encode import parse_json
from rigd.store.keys import RigKey, is_signed

MAX_BYTES = 16_384
MAX_STATEMENTS = 100_000  # ten a day for a working life; more is no folder of ours
MAX_FINDINGS = 50
FRAME = ("manifest_sha256", "number", "previous", "record", "run", "signed")
"""Keys every statement has; the series adds its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    folder: str  # of the records folder
    letter: str  # first of a file's name
    noun: str  # what people call one
    keys: tuple[str, ...]  # of its content, beside FRAME

    @property
    def last_number(self) -> str:
        return f".last-{self.noun}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """One as read: its frame checked, its content not yet."""

    number: int
    run: int
    record: str  # name of the run's folder
    manifest_sha256: str
    content: dict[str, Any]
    public_key: str  # "" when not signed
    sha256: str  # of the file
    path: Path


def name_of(series: Series, number: int, run: int) -> str:
    return f"{series.letter}{number:04d}_R{run:04d}.json"


def append(
    series: Series,
    records: Path,
    *,
    record: str,
    run: int,
    manifest_sha256: str,
    content: dict[str, Any],
    key: RigKey | None,
    before: Callable[[Path, int], None] | None = None,
    disk: Disk = DISK,
) -> Path:
    """Write the next statement and return its file. `before` is called with the folder and the number, to put things
    there that the statement speaks of. Raises CannotWrite when the disk fails."""
    assert sorted(content) == sorted(series.keys), "a statement has the keys of its series"
    place = records / series.folder
    try:
        place.mkdir(mode=0o750, exist_ok=True)
        with FolderLock(place):
            number = _last_number(series, place) + 1
            frame = {
                "number": number, "run": run, "record": record, "manifest_sha256": manifest_sha256,
                "previous": _hash_of(series, place, number - 1),
            }  # fmt: skip
            whole = {**content, **frame}
            signed = {} if key is None else {"public_key": key.public, "signature": key.sign(manifest.render(whole))}
            if before is not None:
                before(place, number)
            path = place / name_of(series, number, run)
            write_file(path, manifest.render({**whole, "signed": signed}), disk=disk, mode=READ_ONLY)
            write_file(place / series.last_number, f"{number}\n".encode(), disk=disk)
    except OSError as error:
        raise CannotWrite(f"cannot write an {series.noun} in {place}: {error.strerror or error}") from None
    return path


def read_all(
    series: Series, records: Path, check: Callable[[dict[str, Any]], None]
) -> tuple[tuple[Statement, ...], tuple[str, ...]]:
    """All statements that hold, and in words all that do not. `check` raises ValueError for what no writer made."""
    place = records / series.folder
    if place.is_symlink():
        return (), (f"{series.folder} is a link, where a folder belongs",)
    if not place.is_dir():
        return (), ()
    try:
        last, names = _last_number(series, place), _names(series, place)
    except OSError as error:
        return (), (f"{series.folder} cannot be read: {error.strerror or error}",)
    sound, found, previous = [], [], ""
    for number in range(1, max([last, *names], default=0) + 1):
        if len(found) > MAX_FINDINGS:
            break
        if number not in names:
            found.append(f"{series.noun} {series.letter}{number:04d} is missing")
            previous = ""
            continue
        try:
            one, named = _read(series, place / names[number], number, check)
        except RecordAltered as altered:
            found += altered.findings
            previous = ""
            continue
        if named and previous and named != previous:
            was = f"{series.letter}{number - 1:04d}"
            found.append(f"{series.noun} {was} is not the one {series.letter}{number:04d} was written after")
        sound.append(one)
        previous = one.sha256
    return tuple(sound), tuple(found)


def of_record(
    everyone: tuple[Statement, ...],
    wrong: tuple[str, ...],
    *,
    series: Series,
    record: str,
    run: int,
    manifest_sha256: str,
) -> tuple[tuple[Statement, ...], tuple[str, ...]]:
    """Those of one verified record, and in words those that speak of it and do not hold."""
    own = [one for one in everyone if one.record == record]
    other = [one for one in own if one.manifest_sha256 != manifest_sha256]
    found = tuple(words for words in wrong if f"_R{run:04d}." in words)
    found += tuple(f"{series.noun} {series.letter}{one.number:04d} is of another state of this record" for one in other)
    return tuple(one for one in own if one not in other), found


def _names(series: Series, place: Path) -> dict[int, str]:
    pattern = re.compile(rf"{series.letter}(\d{{4,9}})_R\d{{4,9}}\.json")
    found: dict[int, str] = {}
    with os.scandir(place) as entries:
        for entry in entries:
            match = pattern.fullmatch(entry.name)
            if match and int(match[1]) <= MAX_STATEMENTS:
                found[int(match[1])] = entry.name
    return found


def _last_number(series: Series, place: Path) -> int:
    """The highest number ever given, by the counter or by what is there: a lost counter must not give one twice."""
    there = max(_names(series, place), default=0)
    try:
        text = read_file(place / series.last_number, limit=64).strip()
    except FileNotFoundError:
        return there
    if not text.isdigit() or int(text) > MAX_STATEMENTS:
        raise OSError(f"{series.last_number} holds {text[:20]!r} where a number is due")
    return max(int(text), there)


def _hash_of(series: Series, place: Path, number: int) -> str:
    name = _names(series, place).get(number)
    return manifest.sha256(read_file(place / name, limit=MAX_BYTES)) if name else ""


def _read(series: Series, path: Path, number: int, check: Callable[[dict[str, Any]], None]) -> tuple[Statement, str]:
    """One file, checked: its own shape, number and signature. Raises RecordAltered naming it."""
    try:
        data = read_file(path, limit=MAX_BYTES)
        content: Any = parse_json(data)
        keys = sorted((*series.keys, *FRAME))
        if not isinstance(content, dict) or sorted(content) != keys or manifest.render(content) != data:
            raise ValueError("not as it was written")
        if content["number"] != number or path.name != name_of(series, number, content["run"]):
            raise ValueError("its number or run is another")
        texts = [content[name] for name in ("record", "manifest_sha256", "previous")]
        if not all(isinstance(text, str) and text.isprintable() for text in texts):
            raise ValueError("a field has another shape")
        signed = content.pop("signed")
        public = _signer(signed, manifest.render(content))
        own = {name: content[name] for name in series.keys}
        check(own)
    except (OSError, ValueError, TypeError, KeyError) as wrong:
        words = wrong.strerror or wrong if isinstance(wrong, OSError) else wrong
        raise RecordAltered((f"{series.noun} {path.name} was altered: {words}",)) from None
    return Statement(
        number=number, run=content["run"], record=content["record"], manifest_sha256=content["manifest_sha256"],
        content=own, public_key=public, sha256=hashlib.sha256(data).hexdigest(), path=path,
    ), content["previous"]  # fmt: skip


def _signer(signed: dict[str, str], data: bytes) -> str:
    """Whose signature it is, "" for none."""
    if not signed:
        return ""
    if set(signed) != {"public_key", "signature"} or not is_signed(data, signed["signature"], signed["public_key"]):
        raise ValueError("its signature is not that of its key")
    return signed["public_key"]
