"""A person's word on a sealed record: who, when, and what it means. Beside the record, never in it.

A seal is the rig's and says which machine wrote the record; an authorisation is a person's and says what that person
did: performed, reviewed or approved (21 CFR 11.50: name, date and time, meaning). It is bound to the record by the
SHA-256 of its manifest (11.70), so it is worth nothing for any other record, nor for this one once altered. It may be
signed with a key of the person's own; without one it is a statement, and is shown as that. The rig's key is refused: a
rig cannot be a person.

Authorisations of a records folder are numbered without gaps, and each names the hash of the one before, as runs do.
One is withdrawn or corrected by a new one beside it; none is ever changed.
"""

import hashlib
import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rigd.model.errors import CannotWrite, NotPermitted, RecordAltered, UsageRefused
from rigd.store import manifest
from rigd.store.disk import DISK, READ_ONLY, Disk, FolderLock, read_file, write_file
from rigd.store.encode import parse_json
from rigd.store.keys import RigKey, is_signed
from rigd.store.verification import Findings

FOLDER = "authorisations"
LAST_NUMBER = ".last-authorisation"
MEANINGS = ("performed", "reviewed", "approved")
FORMAT = 1
MAX_BYTES = 4096
MAX_PERSON = 80
MAX_AUTHORISATIONS = 100_000  # ten a day for a working life; more is no folder of ours
MAX_FINDINGS = 50
KEYS = ("format", "manifest_sha256", "meaning", "number", "person", "previous", "record", "run", "signed", "utc")

_NAME = re.compile(r"A(\d{4,9})_R\d{4,9}\.json")


@dataclass(frozen=True, slots=True, kw_only=True)
class Authorisation:
    """One as read and checked."""

    number: int
    run: int
    record: str  # name of the run's folder
    manifest_sha256: str
    person: str
    meaning: str
    utc: str
    public_key: str  # of the person, "" when not signed
    sha256: str  # of the file

    @property
    def words(self) -> str:
        signed = f"signed with key {self.public_key}" if self.public_key else "a statement, NOT SIGNED with a key"
        return f"{self.meaning} by {self.person} at {self.utc} ({signed})"


def authorise(
    findings: Findings, *, person: str, meaning: str, utc_ns: int, key: RigKey | None = None, disk: Disk = DISK
) -> Path:
    """Write a person's authorisation of a record that was just verified. Returns its file.

    Raises UsageRefused, NotPermitted (the rig's key) or RecordAltered in words, CannotWrite when the disk fails.
    """
    if meaning not in MEANINGS:
        raise UsageRefused(f"--meaning {meaning!r}: allowed: {', '.join(MEANINGS)}")
    if not person.strip() or len(person) > MAX_PERSON or not person.isprintable():
        raise UsageRefused(f"--person {person!r:.100}: allowed: a name on one line of at most {MAX_PERSON} characters")
    if not findings.ok:
        raise RecordAltered(("it is not what was sealed, so nobody can authorise it", *findings.findings))
    if key is not None and key.public == findings.public_key:
        raise NotPermitted("this is the rig's own key: a person signs with a key of their own, or without one")
    record = findings.folder.resolve()
    place = record.parent / FOLDER
    try:
        place.mkdir(mode=0o750, exist_ok=True)
        with FolderLock(place):
            number = _last_number(place) + 1
            content = {
                "format": FORMAT, "number": number, "run": findings.run, "record": record.name,
                "manifest_sha256": findings.manifest_sha256, "person": person.strip(), "meaning": meaning,
                "utc": datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
                "previous": _hash_of(place, number - 1),
            }  # fmt: skip
            signed = {} if key is None else {"public_key": key.public, "signature": key.sign(manifest.render(content))}
            path = place / f"A{number:04d}_R{findings.run:04d}.json"
            write_file(path, manifest.render({**content, "signed": signed}), disk=disk, mode=READ_ONLY)
            write_file(place / LAST_NUMBER, f"{number}\n".encode(), disk=disk)
    except OSError as error:
        raise CannotWrite(f"cannot write an authorisation in {place}: {error.strerror or error}") from None
    return path


def read_authorisations(records: Path) -> tuple[tuple[Authorisation, ...], tuple[str, ...]]:
    """All authorisations of a records folder that hold, and in words all that do not."""
    place = records / FOLDER
    if not place.is_dir() or place.is_symlink():
        return (), ()
    try:
        last, names = _last_number(place), _names(place)
    except OSError as error:
        return (), (f"{FOLDER} cannot be read: {error.strerror or error}",)
    sound, found, previous = [], [], ""
    for number in range(1, max([last, *names], default=0) + 1):
        if len(found) > MAX_FINDINGS:
            break
        if number not in names:
            found.append(f"authorisation A{number:04d} is missing")
            previous = ""
            continue
        try:
            one, before = _read(place / names[number], number)
        except RecordAltered as altered:
            found += altered.findings
            previous = ""
            continue
        if before and previous and before != previous:
            found.append(f"authorisation A{number - 1:04d} is not the one A{number:04d} was written after")
        sound.append(one)
        previous = one.sha256
    return tuple(sound), tuple(found)


def of_record(findings: Findings) -> tuple[tuple[Authorisation, ...], tuple[str, ...]]:
    """The authorisations of one verified record, and in words those that speak of it and do not hold."""
    record = findings.folder.resolve()
    everyone, found = read_authorisations(record.parent)
    own = [one for one in everyone if one.record == record.name]
    mismatched = [one for one in own if one.manifest_sha256 != findings.manifest_sha256]
    found = tuple(words for words in found if f"_R{findings.run or 0:04d}." in words)
    found += tuple(f"authorisation A{one.number:04d} is of another state of this record" for one in mismatched)
    return tuple(one for one in own if one not in mismatched), found


def _names(place: Path) -> dict[int, str]:
    found: dict[int, str] = {}
    with os.scandir(place) as entries:
        for entry in entries:
            match = _NAME.fullmatch(entry.name)
            if match and int(match[1]) <= MAX_AUTHORISATIONS:
                found[int(match[1])] = entry.name
    return found


def _last_number(place: Path) -> int:
    """The highest number ever given, by the counter or by what is there: a lost counter must not give one twice."""
    there = max(_names(place), default=0)
    try:
        text = read_file(place / LAST_NUMBER, limit=64).strip()
    except FileNotFoundError:
        return there
    if not text.isdigit() or int(text) > MAX_AUTHORISATIONS:
        raise OSError(f"{LAST_NUMBER} holds {text[:20]!r} where a number is due")
    return max(int(text), there)


def _hash_of(place: Path, number: int) -> str:
    name = _names(place).get(number)
    return manifest.sha256(read_file(place / name, limit=MAX_BYTES)) if name else ""


def _read(path: Path, number: int) -> tuple[Authorisation, str]:
    """One file, checked: its own shape, number and signature. Raises RecordAltered naming it."""
    try:
        data = read_file(path, limit=MAX_BYTES)
        content: Any = parse_json(data)
        if not isinstance(content, dict) or tuple(sorted(content)) != KEYS or manifest.render(content) != data:
            raise ValueError("not as it was written")
        if (content["format"], content["number"]) != (FORMAT, number) or content["meaning"] not in MEANINGS:
            raise ValueError("format, number or meaning is another")
        texts = [content[name] for name in ("record", "manifest_sha256", "person", "utc", "previous")]
        if not all(isinstance(text, str) and text.isprintable() for text in texts) or type(content["run"]) is not int:
            raise ValueError("a field has another shape")
        signed = content.pop("signed")
        public = _signer(signed, manifest.render(content))
    except (OSError, ValueError, TypeError, KeyError) as wrong:
        words = wrong.strerror or wrong if isinstance(wrong, OSError) else wrong
        raise RecordAltered((f"authorisation {path.name} was altered: {words}",)) from None
    return Authorisation(
        number=number, run=content["run"], record=content["record"], manifest_sha256=content["manifest_sha256"],
        person=content["person"], meaning=content["meaning"], utc=content["utc"], public_key=public,
        sha256=hashlib.sha256(data).hexdigest(),
    ), content["previous"]  # fmt: skip


def _signer(signed: dict[str, str], data: bytes) -> str:
    """Whose signature it is, "" for none."""
    if not signed:
        return ""
    if set(signed) != {"public_key", "signature"} or not is_signed(data, signed["signature"], signed["public_key"]):
        raise ValueError("its signature is not that of its key")
    return signed["public_key"]
