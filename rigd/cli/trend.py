"""The rig's own earlier walks: what a new one is judged against, and whether the last one forbids pressure.

They are looked up by whoever starts a run, never by the engine: what the engine is given becomes a file of the record.
A pass is believed of a sound record only; a failure of any, so that nobody clears a rig by altering a file.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

from rigd.cli.walks import Walk, read_walks, unverified_checks
from rigd.live.job import Job, Mounted
from rigd.model.earlier import Earlier, Figure
from rigd.model.errors import RecordAltered
from rigd.model.profile import Profile
from rigd.model.walk import KINDS, LAST_WALKS, TRENDS, CheckBladder, CheckVent

TRENDED = {CheckVent: "vent", CheckBladder: "bladder"}
DAY = 10  # characters of an ISO date


def with_earlier(job: Job) -> Job:
    """The job, with what the rig's own earlier walks found where its profile judges against them.

    They are those of a rig of this name, at the same station, sound, sealed with the key this one will be sealed with,
    made as the profile makes it, not judged failed, and not older than the profile's `since`.
    """
    from rigd.replay import earlier_bytes
    from rigd.store.keys import load_key

    steps = {TRENDED[type(step)]: step for step in job.profile.steps if type(step) in TRENDED}
    if not steps:
        return job
    walks = read_walks(job.records, job.rig, job.rig_bytes, [])
    public = load_key(job.key).public if job.key else ""
    walks = [walk for walk in walks if walk.public_key == public]

    def brought(mounted: Mounted) -> Mounted:
        own = [walk for walk in walks if walk.station == mounted.station]
        figures = [figure for check, step in steps.items() for figure in _figures(own, check, step)]
        earlier = Earlier(figures=tuple(figures))
        return replace(mounted, earlier=earlier, earlier_bytes=earlier_bytes(earlier))

    return replace(job, mounted=tuple(brought(mounted) for mounted in job.mounted))


def _figures(walks: list[Walk], check: str, step: Any) -> list[Figure]:
    """Of the newest walks that can be compared, newest first."""
    from rigd.report.checks import checks_of

    made_so = (
        {"asked_pa": step.pressure_pa} if check == "vent" else {"asked_pa": step.charge_pa, "take_ns": step.take_ns}
    )
    found = []
    for walk in walks:
        row = checks_of(walk.judgements)[check]
        measured = row["measured"]
        alike = measured and all(measured.get(name) == value for name, value in made_so.items())
        if alike and row["verdict"] != "failed" and walk.day[:DAY] >= step.trend.since:
            figure = float(measured[TRENDS[check]])
            found.append(Figure(check=check, figure=figure, run=walk.run, manifest_sha256=walk.manifest_sha256))
    return found[:LAST_WALKS]


def is_walk(profile: Profile) -> bool:
    """Whether the profile looks at the rig's tank and tests no body: what may find the tank as usual again."""
    from rigd.model.profile import CloseDown, Fill, Mount, Vent

    kinds = {type(step) for step in profile.steps}
    return CheckBladder in kinds and kinds <= {*KINDS.values(), CloseDown, Fill, Mount, Vent}


def why_not_pressurised(job: Job) -> str:
    """Why nothing may be armed on this rig, "" when nothing forbids it (SAFETY S22: more apparent air = no arm).

    The newest walk that could judge the tank decides, of whatever rig file of this name it was. A failed one is lifted
    by one that passed, or by one whose profile says that the trend begins anew on that day or later.
    """
    from rigd.store.archive import open_run
    from rigd.store.runs import list_runs

    if is_walk(job.profile):
        return ""
    anew = ""
    for run in reversed(list_runs(job.records)):
        day, row = _unverified_tank(run.path, job.rig.name) if run.state == "sealed" else ("", {})
        if row.get("verdict") == "failed":
            return "" if anew and anew >= day else _refused(job, run.number, day, row)
        if row.get("verdict") in ("passed", "measured"):
            try:
                open_run(run.path)
            except RecordAltered:
                continue
            if row["verdict"] == "passed":
                return ""
            anew = max(anew, str(row["measured"].get("since", "")))
    return ""


def _unverified_tank(record: Path, rig: str) -> tuple[str, dict[str, Any]]:
    """The day of a record and what it says of the tank, {} when it is no walk of this rig."""
    from rigd.report.checks import checks_of

    told = unverified_checks(record)
    try:
        row = checks_of(told["judgements"])["bladder"] if told.get("rig") == rig else {}
        return str(told["opened_utc"])[:DAY], row
    except (KeyError, TypeError, ValueError):
        return "", {}


def _refused(job: Job, run: int, day: str, row: dict[str, Any]) -> str:
    what = "; ".join(each["text"] for each in row["found"] if each["verdict"] == "failed")
    stiffness = row["measured"].get(TRENDS["bladder"])
    figure = f" (stiffness {stiffness / 1e9:.3g} kPa/mL)" if stiffness else ""
    again = f"rigd doctor --walk --rig {job.rig.name} --operator NAME"
    return (
        f"rig {job.rig.name} may not be armed: run {run}, walk of {day}, failed at the tank: {what}{figure}. A torn "
        "bladder turns a water test into a gas test. Let the pressure out, find the cause (gas charge, bladder), walk "
        f"again: {again}. Only where the tank was changed on purpose does its trend begin anew: write `since: DAY` "
        "under the tank's `trend:` in a walk of your own and give --profile FILE"
    )
