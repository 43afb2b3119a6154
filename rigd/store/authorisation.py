"""A person's word on a sealed record: who, when, and what it means. Beside the record, never in it (store.beside).

A seal is the rig's and says which machine wrote the record; an authorisation is a person's and says what that person
did: performed, reviewed or approved (21 CFR 11.50: name, date and time, meaning). It is bound to the record by the
SHA-256 of its manifest (11.70), and to the version of it that was the newest then, which a later amendment outdates. It
may be signed with a key of the person's own; without one it is a statement, and is shown as that. The rig's key is
refused: a rig cannot be a person. One is withdrawn or corrected by a new one beside it.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rigd.model.errors import NotPermitted, RecordAltered, UsageRefused
from rigd.store import beside
from rigd.store.disk import DISK, Disk
from rigd.store.keys import RigKey
from rigd.store.verification import Findings

FOLDER = "authorisations"
MEANINGS = ("performed", "reviewed", "approved")
FORMAT = 2
MAX_PERSON = 80
TEXTS = ("person", "utc", "version_sha256")
SERIES = beside.Series(folder=FOLDER, letter="A", noun="authorisation", keys=("format", "meaning", *TEXTS))


@dataclass(frozen=True, slots=True, kw_only=True)
class Authorisation:
    """One as read and checked."""

    number: int
    run: int
    record: str  # name of the run's folder
    manifest_sha256: str
    version_sha256: str  # of the version of the record it is about: of its manifest, or of an amendment
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
    findings: Findings, *, person: str, meaning: str, utc_ns: int, version_sha256: str = "",
    key: RigKey | None = None, disk: Disk = DISK,
) -> Path:  # fmt: skip
    """Write a person's authorisation of a record that was just verified. Returns its file. `version_sha256`: the hash
    of its newest amendment, "" when it has none.

    Raises UsageRefused, NotPermitted (the rig's key) or RecordAltered in words, CannotWrite when the disk fails.
    """
    if meaning not in MEANINGS:
        raise UsageRefused(f"--meaning {meaning!r}: allowed: {', '.join(MEANINGS)}")
    check_person("--person", person)
    if not findings.ok:
        raise RecordAltered(("it is not what was sealed, so nobody can authorise it", *findings.findings))
    if key is not None and key.public == findings.public_key:
        raise NotPermitted("this is the rig's own key: a person signs with a key of their own, or without one")
    record = findings.folder.resolve()
    return beside.append(
        SERIES, record.parent, record=record.name, run=findings.run, manifest_sha256=findings.manifest_sha256, key=key,
        content={
            "format": FORMAT, "person": person.strip(), "meaning": meaning, "utc": stamp(utc_ns),
            "version_sha256": version_sha256 or findings.manifest_sha256,
        }, disk=disk,
    )  # fmt: skip


def check_person(option: str, person: str) -> None:
    """Refuse what is no name."""
    if not person.strip() or len(person) > MAX_PERSON or not person.isprintable():
        raise UsageRefused(f"{option} {person!r:.100}: allowed: a name on one line of at most {MAX_PERSON} characters")


def stamp(utc_ns: int) -> str:
    return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def read_authorisations(records: Path) -> tuple[tuple[Authorisation, ...], tuple[str, ...]]:
    """All authorisations of a records folder that hold, and in words all that do not."""
    sound, found = beside.read_all(SERIES, records, _check)
    return tuple(_authorisation(one) for one in sound), found


def of_record(findings: Findings) -> tuple[tuple[Authorisation, ...], tuple[str, ...]]:
    """The authorisations of one verified record, and in words those that speak of it and do not hold."""
    record = findings.folder.resolve()
    everyone, wrong = beside.read_all(SERIES, record.parent, _check)
    own, found = beside.of_record(
        everyone, wrong, series=SERIES, record=record.name, run=findings.run or 0,
        manifest_sha256=findings.manifest_sha256,
    )  # fmt: skip
    return tuple(_authorisation(one) for one in own), found


def _check(content: dict[str, Any]) -> None:
    if content["format"] != FORMAT or content["meaning"] not in MEANINGS:
        raise ValueError("format or meaning is another")
    if not all(isinstance(content[name], str) and content[name].isprintable() for name in TEXTS):
        raise ValueError("a field has another shape")


def _authorisation(one: beside.Statement) -> Authorisation:
    return Authorisation(
        number=one.number, run=one.run, record=one.record, manifest_sha256=one.manifest_sha256,
        meaning=one.content["meaning"], **{name: one.content[name] for name in TEXTS},
        public_key=one.public_key, sha256=one.sha256,
    )  # fmt: skip
