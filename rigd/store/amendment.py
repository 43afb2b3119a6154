"""A later version of what a sealed record says, for what a person may have got wrong: a fact of the specimen, or what
was found on it. Never for anything measured, and never in the record.

The old version stays as it was sealed; the new one stands beside it, numbered, bound to the record's manifest and by
hash to the version before, and says who amended what, when and why (ISO/IEC 17025:2017 7.5.2: amendments are traced to
previous versions, and both are kept). Outcomes and verdicts of all versions are shown side by side. How it is kept: see
`beside`. What follows from another observation is worked out by whoever amends, from the record's own inputs (replay).
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigd.model.errors import RecordAltered, UsageRefused
from rigd.model.messages import Result
from rigd.model.specimen import FACTS
from rigd.model.verdicts import OUTCOMES, VERDICTS
from rigd.store import beside
from rigd.store.authorisation import check_person, stamp
from rigd.store.disk import DISK, Disk
from rigd.store.keys import RigKey
from rigd.store.verification import Findings

OBSERVATION = "observation"
AMENDABLE = (*FACTS, OBSERVATION)
FORMAT = 1
SERIES = beside.Series(
    folder="amendments", letter="M", noun="amendment",
    keys=("amends", "changes", "format", "person", "reason", "result", "utc", "version", "was"),
)  # fmt: skip
MAX_REASON = 400
MAX_VALUE = 200

Change = tuple[str, str, str]  # what, was, now


def _check(content: dict[str, Any]) -> None:
    changes, result = content["changes"], content["result"]
    if content["format"] != FORMAT:
        raise ValueError("its format is another")
    texts = [content[name] for name in ("amends", "reason", "person", "utc")]
    texts += [change[key] for change in changes for key in ("was", "now")]
    if not all(isinstance(text, str) and text.isprintable() for text in texts):
        raise ValueError("a text has another shape")
    if not changes or any(change["what"] not in AMENDABLE or len(change) != 3 for change in changes):
        raise ValueError("it changes nothing, or what may not be amended")
    if result.keys() != Result.__dataclass_fields__.keys() or type(content["version"]) is not int:
        raise ValueError("its result has another shape")
    for outcome, verdict in ((result["outcome"], result["verdict"]), content["was"]):
        if outcome not in OUTCOMES or verdict not in VERDICTS:
            raise ValueError("its outcome or verdict is none")


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment:
    """One version of a record after the first, as read and checked."""

    number: int
    record: str  # name of the run's folder
    manifest_sha256: str
    version: int  # 2 for the first amendment of a record
    amends: str  # SHA-256 of the version before: of its manifest or of its amendment
    person: str
    reason: str
    utc: str
    changes: tuple[Change, ...]
    was: tuple[str, str]  # outcome and verdict of the version before
    result: dict[str, Any]  # as in run.json, of this version
    public_key: str  # of who sealed it, "" for none
    sha256: str

    @property
    def now(self) -> tuple[str, str]:
        return self.result["outcome"], self.result["verdict"]

    @property
    def words(self) -> list[str]:
        sealed = f"sealed with key {self.public_key}" if self.public_key else "sealed without a key"
        lines = [f"version {self.version}             amended by {self.person} at {self.utc} ({sealed})"]
        lines.append(f"  why                 {self.reason}")
        lines += [f"  {what:18}  was {was or 'not known'}, now {now}" for what, was, now in self.changes]
        (outcome, verdict), (outcome_now, verdict_now) = self.was, self.now
        lines.append(f"  outcome             was {outcome}, now {outcome_now}")
        lines.append(f"  verdict             was {verdict}, now {verdict_now}")
        return lines


def amend(
    findings: Findings, earlier: tuple[Amendment, ...], *, changes: tuple[Change, ...], was: tuple[str, str],
    result: dict[str, Any], reason: str, person: str, utc_ns: int, key: RigKey | None = None, disk: Disk = DISK,
) -> Path:  # fmt: skip
    """Write the next version of a record that was just verified, after these. Returns its file.

    Raises UsageRefused or RecordAltered in words, CannotWrite when the disk fails.
    """
    if not reason.strip() or len(reason) > MAX_REASON or not reason.isprintable():
        raise UsageRefused(f"--reason {reason!r:.100}: allowed: why, on one line of at most {MAX_REASON} characters")
    if not changes:
        raise UsageRefused("nothing would change: what is given is what the record says already")
    if not findings.ok:
        raise RecordAltered(("it is not what was sealed, so there can be no later version of it", *findings.findings))
    check_person("--operator", person)
    said = {
        "format": FORMAT, "person": person.strip(), "utc": stamp(utc_ns),
        "version": 2 + len(earlier), "amends": earlier[-1].sha256 if earlier else findings.manifest_sha256,
        "reason": reason.strip(), "changes": [{"what": what, "was": was, "now": now} for what, was, now in changes],
        "was": list(was), "result": result,
    }  # fmt: skip
    try:
        _check(said)
    except ValueError as wrong:
        raise RecordAltered((f"the record's own result cannot be carried over: {wrong}",)) from None
    record = findings.folder.resolve()
    return beside.append(
        SERIES, record.parent, record=record.name, run=findings.run, manifest_sha256=findings.manifest_sha256, key=key,
        content=said, disk=disk,
    )  # fmt: skip


def read_amendments(records: Path) -> tuple[tuple[Amendment, ...], tuple[str, ...]]:
    """All versions after the first in a records folder that hold, and in words all that do not."""
    sound, found = beside.read_all(SERIES, records, _check)
    amendments = tuple(map(_as_amendment, sound))
    return amendments, found + _out_of_order(amendments)


def of_record(findings: Findings) -> tuple[tuple[Amendment, ...], tuple[str, ...]]:
    """The versions of one verified record after its first, and in words what of them does not hold."""
    record = findings.folder.resolve()
    everyone, wrong = beside.read_all(SERIES, record.parent, _check)
    own, found = beside.of_record(
        everyone, wrong, series=SERIES, record=record.name, run=findings.run or 0,
        manifest_sha256=findings.manifest_sha256,
    )  # fmt: skip
    amendments = tuple(map(_as_amendment, own))
    return amendments, found + _out_of_order(amendments)


def _out_of_order(amendments: tuple[Amendment, ...]) -> tuple[str, ...]:
    """In words where a version does not follow the one before it."""
    found, last = [], {}
    for one in amendments:
        version, sha256 = last.get(one.record, (1, one.manifest_sha256))
        if (one.version, one.amends) != (version + 1, sha256):
            found.append(
                f"amendment M{one.number:04d} is version {one.version} of {one.record} and does not follow version "
                f"{version} of it"
            )
        last[one.record] = (one.version, one.sha256)
    return tuple(found)


def _as_amendment(one: beside.Statement) -> Amendment:
    told = one.content
    return Amendment(
        number=one.number, record=one.record, manifest_sha256=one.manifest_sha256, sha256=one.sha256,
        public_key=one.public_key, was=tuple(told["was"]),
        changes=tuple((change["what"], change["was"], change["now"]) for change in told["changes"]),
        **{name: told[name] for name in ("version", "amends", "person", "reason", "utc", "result")},
    )  # fmt: skip
