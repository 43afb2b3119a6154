"""What stands behind a record, told to people and programs: is it what was sealed, who sealed it, who answers for it.

Two things are always told apart: *sealed by rig*, which says what machine wrote the record and that it is unaltered,
and *authorised by person*, which says who performed, reviewed or approved it. Neither is ever shown as the other.
"""

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rigd.store import amendment, authorisation, inspection, manifest, runs
from rigd.store.amendment import Amendment
from rigd.store.authorisation import Authorisation
from rigd.store.inspection import Inspection
from rigd.store.unattended import read_unattended, say_unattended
from rigd.store.verification import Findings, verify

INSPECTION_FIELDS = (
    "number", "person", "utc", "mode", "counts_as", "length_m", "location", "size", "second", "blind", "invalid",
    "number_seen", "photos",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """One record, or a whole folder of them, verified."""

    each: tuple[Findings, ...]
    of_folder: tuple[str, ...]
    authorised: tuple[Authorisation, ...]
    inspected: tuple[Inspection, ...] = ()
    amended: tuple[Amendment, ...] = ()

    @property
    def sound(self) -> bool:
        return all(found.ok for found in self.each) and not self.of_folder

    def of(self, found: Findings) -> tuple[Authorisation, ...]:
        """Who answers for this record, as it was sealed."""
        return tuple(one for one in self.authorised if one.manifest_sha256 == found.manifest_sha256)

    def versions_of(self, found: Findings) -> tuple[Amendment, ...]:
        """The versions of this record after the one that was sealed."""
        return tuple(one for one in self.amended if one.manifest_sha256 == found.manifest_sha256)

    def version_of(self, found: Findings, one: Authorisation) -> int:
        """Which version of the record a person authorised, 0 for one that is not here."""
        known = {found.manifest_sha256: 1} | {each.sha256: each.version for each in self.versions_of(found)}
        return known.get(one.version_sha256, 0)


def found_on(verified: Verified, found: Findings) -> tuple[Inspection, ...]:
    """What was found on the specimen of this record, as it was sealed."""
    return tuple(one for one in verified.inspected if one.manifest_sha256 == found.manifest_sha256)


def is_records_folder(path: Path) -> bool:
    """Is this a folder of records rather than a record? Its parts decide, never its name."""
    if not os.path.isdir(path) or any(os.path.lexists(path / name) for name in (manifest.NAME, runs.journal.FOLDER)):
        return False
    return os.path.lexists(path / runs.LAST_NUMBER) or bool(runs.list_runs(path))


def verify_one(record: Path, public_key: str = "") -> Verified:
    found = verify(record, public_key=public_key)
    authorised, wrong = authorisation.of_record(found)
    inspected, odd = inspection.of_record(found)
    amended, broken = amendment.of_record(found)
    return _with_versions(
        Verified(
            each=(found,), of_folder=wrong + odd + broken, authorised=authorised, inspected=inspected, amended=amended
        )
    )


def verify_all(records: Path, public_key: str = "") -> Verified:
    """Every record, the numbers between them, and all that people said of them."""
    each, of_folder = runs.verify_records(records, public_key=public_key)
    authorised, wrong = authorisation.read_authorisations(records)
    known = {found.folder.name: found.manifest_sha256 for found in each}
    inspected, odd = inspection.of_folder(records)
    amended, broken = amendment.read_amendments(records)
    wrong += odd + broken + _walks_that_allowed(each)
    for letter, noun, statements in (
        ("A", "authorisation", authorised), ("I", "inspection", inspected), ("M", "amendment", amended),
    ):  # fmt: skip
        wrong += tuple(
            f"{noun} {letter}{one.number:04d} is of another state of {one.record}, or of a run that is not here"
            for one in statements
            if known.get(one.record) != one.manifest_sha256
        )
    return _with_versions(
        Verified(each=each, of_folder=of_folder + wrong, authorised=authorised, inspected=inspected, amended=amended)
    )


def _with_versions(verified: Verified) -> Verified:
    """With a finding for each authorisation of a version that is not here."""
    lost = tuple(
        f"authorisation A{one.number:04d} is of a version of {one.record} that is not here"
        for found in verified.each
        for one in verified.of(found)
        if not verified.version_of(found, one)
    )
    return replace(verified, of_folder=verified.of_folder + lost)


def as_json(verified: Verified) -> dict[str, Any]:
    rows = [
        {
            "record": str(found.folder), "run": found.run, "ok": found.ok, "findings": list(found.findings),
            "notes": list(found.notes), "files": found.files, "blocks": found.blocks, "seal": found.seal,
            "sealed_by_rig_key": found.public_key, "manifest_sha256": found.manifest_sha256,
            "authorised_by": [
                {
                    "person": one.person, "meaning": one.meaning, "utc": one.utc, "key": one.public_key,
                    "version": verified.version_of(found, one), "outdated": _is_outdated(verified, found, one),
                }
                for one in verified.of(found)
            ],
            "unattended": (read_unattended(found.folder) or None) if found.ok else None,
            "inspections": [
                {name: getattr(one, name) for name in INSPECTION_FIELDS} for one in found_on(verified, found)
            ],
            "amended": [version_as_json(one) for one in verified.versions_of(found)],
        }
        for found in verified.each
    ]  # fmt: skip
    return {"sound": verified.sound, "runs": rows, "folder": list(verified.of_folder)}


def version_as_json(one: Amendment) -> dict[str, Any]:
    (outcome, verdict), (outcome_now, verdict_now) = one.was, one.now
    return {
        "record": one.record, "version": one.version, "person": one.person, "utc": one.utc, "reason": one.reason,
        "changes": [{"what": what, "was": was, "now": now} for what, was, now in one.changes],
        "outcome": {"was": outcome, "now": outcome_now}, "verdict": {"was": verdict, "now": verdict_now},
        "result": one.result, "sealed_by_key": one.public_key,
    }  # fmt: skip


def as_words(verified: Verified) -> list[str]:
    lines = []
    for found in verified.each:
        state = f"as it was sealed ({found.files} files, {found.blocks} blocks)" if found.ok else "NOT as it was sealed"
        lines.append(f"{found.folder.name}: {state}")
        lines += [f"  {words}" for words in found.findings]
        lines += [f"  note: {words}" for words in found.notes]
        if found.manifest_sha256:
            lines += [f"  {words}" for version in verified.versions_of(found) for words in version.words]
            lines += [f"  {words}" for words in (*allowed_alone(found), *who(found, verified))]
            lines += [f"  inspected             {one.words}" for one in found_on(verified, found)]
    lines += verified.of_folder
    return lines or ["nothing to verify"]


def allowed_alone(found: Findings) -> list[str]:
    """Of a run that might be left alone: which walk allowed it. A record that is not sound is not asked."""
    told = read_unattended(found.folder) if found.ok else {}
    return [say_unattended(told)] if told else []


def _walks_that_allowed(each: tuple[Findings, ...]) -> tuple[str, ...]:
    """In words where the walk that allowed a run is not here, or is another one."""
    known, wrong = {found.run: found.manifest_sha256 for found in each}, []
    for found in each:
        told = read_unattended(found.folder) if found.ok else {}
        if told and known.get(told["walk"]) != told["walk_manifest_sha256"]:
            how = "was replaced" if told["walk"] in known else "is not here"
            wrong.append(f"{found.folder.name} was unattended: its walk, R{told['walk']:04d}, {how}")
    return tuple(wrong)


def _is_outdated(verified: Verified, found: Findings, one: Authorisation) -> bool:
    """Whether the record was amended after this person authorised it."""
    return verified.version_of(found, one) < 1 + len(verified.versions_of(found))


def who(found: Findings, verified: Verified) -> list[str]:
    """The two different things that stand behind a record."""
    rig = f"with key {found.public_key}" if found.public_key else "without a key, so only its hashes speak for it"
    persons = []
    for one in verified.of(found):
        version = verified.version_of(found, one)
        of = f", version {version}" if version > 1 else ""
        late = f"; OUTDATED: version {1 + len(verified.versions_of(found))} came later"
        persons.append(f"{one.words}{of}{late if _is_outdated(verified, found, one) else ''}")
    persons = persons or ["nobody yet"]
    return [f"sealed by rig         {rig}", *(f"authorised by person  {words}" for words in persons)]
