"""Commissioning walks as the records hold them: which rig file they were of, how old, and what they let a person do.

A walk counts for exactly the bytes of the rig file it was made with: a changed file has not been walked. Records are
verified before a word of them is believed, and an altered one is told, not skipped.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rigd.model.errors import RecordAltered
from rigd.model.messages import Opened
from rigd.model.rig import Rig
from rigd.model.verdicts import OUTCOMES
from rigd.model.walk import CHECKS

DAY_NS = 86_400_000_000_000
MAY_BE_OPEN = ("bladder",)
"""Checks that some rigs cannot make; of all others a rig must have passed every one."""
NO_LAYER = ("none", "no", "-", "missing")
QUICK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """One sealed, verified walk."""

    run: int
    record: Path
    rig: str
    utc_ns: int
    outcome: str
    judgements: tuple[dict[str, Any], ...]
    station: int  # 0: the rig has only one
    manifest_sha256: str
    public_key: str  # whose seal it is, "" for none
    is_this_file: bool  # of exactly the rig file asked for

    @property
    def day(self) -> str:
        return datetime.fromtimestamp(self.utc_ns / 1e9, UTC).strftime("%Y-%m-%d %H:%M UTC")

    @property
    def passed(self) -> bool:
        return self.outcome == "commissioned" and not self.missing

    @property
    def missing(self) -> list[str]:
        """Checks that did not pass, in words."""
        from rigd.report.checks import checks_of

        found = checks_of(self.judgements)
        return [
            CHECKS[check]
            for check, row in found.items()
            if row["verdict"] != "passed" and not (check in MAY_BE_OPEN and row["verdict"] in ("undecided", "measured"))
        ]


def read_walks(records: Path, rig: Rig, rig_bytes: bytes, altered: list[str]) -> list[Walk]:
    """Every walk of a rig of this name, newest first. What cannot be believed is added to `altered`, in words."""
    from rigd.replay import STATION
    from rigd.store import archive, manifest, runs

    wanted = manifest.sha256(rig_bytes)
    found = []
    for run in reversed(runs.list_runs(records)):
        if run.state != "sealed" or not unverified_checks(run.path):
            continue
        try:
            sealed = archive.open_run(run.path)
            told = sealed.run
        except RecordAltered as wrong:
            altered.append(f"{run.path.name} is not as it was sealed: {wrong.findings[0]}")
            continue
        if told["rig"] != rig.name:
            continue
        opened = next(message for message in sealed.events() if type(message) is Opened)
        found.append(
            Walk(
                run=run.number, record=run.path, rig=told["rig"], utc_ns=opened.utc_ns, outcome=told["outcome"],
                judgements=tuple(told["judgements"]), is_this_file=sealed.manifest.files["rig.yaml"][1] == wanted,
                station=int(sealed.read(STATION)) if STATION in sealed.manifest.files else 0,
                manifest_sha256=sealed.manifest_sha256, public_key=sealed.manifest.public_key,
            )
        )  # fmt: skip
    return found


def unverified_checks(record: Path) -> dict[str, Any]:
    """run.json of a record with checks of a walk, {} of any other. Quick, so read and not verified: other records need
    not be opened to find the walks among them."""
    from rigd.store.disk import read_file
    from rigd.store.encode import parse_json

    try:
        told = parse_json(read_file(record / "run.json", limit=QUICK_BYTES))
        return told if any(judged.get("kind") == "check" for judged in told.get("judgements", ())) else {}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}


def stations_of(rig: Rig) -> tuple[int, ...]:
    """The numbers of a rig's stations; that of the only one is 0."""
    return tuple(range(1, rig.stations + 1)) if rig.stations > 1 else (0,)


def newest_walks(walks: list[Walk]) -> dict[int, Walk]:
    """station -> the newest walk of exactly this rig file there. `walks`: newest first."""
    return {walk.station: walk for walk in reversed(walks) if walk.is_this_file}


def why_not_unattended(
    rig: Rig, rig_bytes: bytes, records: Path, utc_ns: int, stations: tuple[int, ...] = (0,)
) -> list[str]:
    """Everything that forbids an unattended run of these stations of this rig now, in words; empty when nothing does
    (SAFETY S1, S7)."""
    reasons = []
    if not rig.commissioned_ns:
        words = "the rig file does not say how old a commissioning walk may be: write `commissioned_within: 30 day`"
        reasons.append(words)
    walks = newest_walks(read_walks(records, rig, rig_bytes, reasons))
    for station in stations:
        where = f"station {station}: " if station else ""
        reasons += [where + words for words in _walk_reasons(rig, walks.get(station), station, records, utc_ns)]
    return [*reasons, *_relief_reasons(rig, utc_ns), *_layer_reasons(rig)]


def _walk_reasons(rig: Rig, walk: Walk | None, station: int, records: Path, utc_ns: int) -> Iterator[str]:
    command = f"rigd doctor --walk --rig RIG{f' --station {station}' if station else ''} --operator NAME"
    if walk is None:
        yield f"exactly this rig file was never walked in {records}: {command}"
        return
    if walk.outcome != "commissioned":
        words = OUTCOMES[walk.outcome].words if walk.outcome in OUTCOMES else walk.outcome
        yield f"its newest walk, run {walk.run} of {walk.day}, did not pass: {words}"
    for check in walk.missing:
        yield f"its newest walk, run {walk.run}, did not pass: {check}"
    age_days, allowed_days = (utc_ns - walk.utc_ns) / DAY_NS, rig.commissioned_ns / DAY_NS
    if rig.commissioned_ns and age_days > allowed_days:
        yield f"its newest walk is {age_days:.1f} days old, {allowed_days:g} allowed: {command}"
    if age_days < 0:
        yield f"its newest walk, of {walk.day}, is yet to come: set the clock right"


def _relief_reasons(rig: Rig, utc_ns: int) -> Iterator[str]:
    from rigd.calc.exact.days import age_days

    age, allowed = age_days(rig.relief.tested, utc_ns), rig.relief.test_every_ns // DAY_NS
    if not allowed:
        yield "the rig file does not say how often the relief valve is tested: write `test_every: 365 day` under relief"
    elif not 0 <= age <= allowed:
        yield f"the relief valve was tested on {rig.relief.tested}, {age} days ago, {allowed} allowed"


def _layer_reasons(rig: Rig) -> Iterator[str]:
    """rigd is not the safety device: without an independent layer nobody leaves a rig alone; nor without supplies."""
    for name in ("relief", "emergency_stop", "guard", "watchdog"):
        if getattr(rig.independent, name).strip().casefold() in NO_LAYER:
            yield f"the rig file declares no independent {name.replace('_', ' ')} (the block `independent`)"
    if rig.budgets is None:
        yield "the rig file states no `budgets:` of gas, water, drain and parts, so nobody knows whether they last"
