"""`rigd doctor --walk` and `rigd doctor --rig`: a rig's own checks made, and when each last passed.

The walk is `rigd run` of the profile that the rig file names, or of a lab's own, and nothing more; what it found is
read back from the sealed record, so that a person sees what an auditor will see. Of several stations each has its own.
"""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from rigd.cli.options import person, print_json
from rigd.model import errors
from rigd.model.walk import CHECKS

SPECIMEN = "blank"
MOUNTING = "specimen port blanked off"


def walk(
    rig: str, profile: str, station: int, operator: str, records: Path | None, key: Path | None, as_json: bool
) -> int:
    """Run the walk, then print the table of its checks. Returns the exit code. `profile` "": the rig file's own."""
    from rigd.cli.run import serve
    from rigd.live.job import gravest
    from rigd.live.places import RigLock, key_path, records_folder

    name, named = person(operator)
    job = _job(rig, profile, station, records_folder(records), name, named, key_path(key))
    lock = RigLock(job.rig.name)
    lock.take()
    try:
        endings = serve(job, as_json)
    finally:
        lock.release()
    code = gravest(endings)
    ending = endings[0]
    if ending.trouble:
        typer.echo(f"rigd: {ending.words}. {ending.opening}. {ending.trouble}", err=True)
        return code
    return _tell_walk(job, ending.record, code, as_json)


def _job(rig: str, profile: str, station: int, records: Path, name: str, named: bool, key: Path | None) -> Any:
    from rigd.cli.job import load_job
    from rigd.cli.trend import with_earlier
    from rigd.files import load

    shape = load.load_rig(load.find(rig, "rig"))
    stations = shape.stations
    if not 1 <= station <= stations:
        raise errors.UsageRefused(f"--station {station}: this rig has {stations}; allowed: 1 to {stations}")
    at = f"{station}=" if stations > 1 else ""
    fact = f"{station}:mounting={MOUNTING}" if stations > 1 else f"mounting={MOUNTING}"
    job = load_job(
        profile=profile or shape.walk, rig=rig, specimens=(f"{at}{SPECIMEN}",), facts=(fact,), records=records,
        person=name, named=named, key=key,
    )  # fmt: skip
    return with_earlier(job)


def _tell_walk(job: Any, record: Path, code: int, as_json: bool) -> int:
    from rigd.cli.walks import read_walks
    from rigd.report.checks import checks_of, describe_checks

    altered: list[str] = []
    walks = read_walks(job.records, job.rig, job.rig_bytes, altered)
    this = next((walk for walk in walks if walk.record == record), None)
    judgements = this.judgements if this else ()
    if as_json:
        outcome = this.outcome if this else "not_commissioned"
        print_json({"record": str(record), "outcome": outcome, "checks": checks_of(judgements), "exit_code": code})
        return code
    passed = this is not None and this.passed
    station = job.mounted[0].station
    where = f"rig {job.rig.name}{f', station {station}' if station else ''}, run {_number(record)}"
    typer.echo(f"\n{'COMMISSIONED' if passed else 'NOT COMMISSIONED'}: {where}")
    for line in describe_checks(judgements) or ["  no check was made"]:
        typer.echo(line)
    typer.echo(f"\nRecord: {record}")
    return code


def _number(record: Path) -> str:
    return record.name.split("_")[1] if "_" in record.name else record.name


def show(rig: str, records: Path | None, as_json: bool) -> int:
    """When each check of exactly this rig file last passed, at each station. Exit code 1 unless all of them may run
    unattended now."""
    from rigd.cli.walks import read_walks, stations_of, why_not_unattended
    from rigd.files import load
    from rigd.live.places import records_folder

    path = load.find(rig, "rig")
    data = load.read_bytes(path)
    shape, folder, now_ns = load.load_rig_bytes(data, str(path)), records_folder(records), time.time_ns()
    altered: list[str] = []
    walks = read_walks(folder, shape, data, altered)
    these = [walk for walk in walks if walk.is_this_file]
    stations = stations_of(shape)
    own = {station: [walk for walk in these if walk.station == station] for station in stations}
    last = {station: _last_passed(walks) for station, walks in own.items()}
    reasons = why_not_unattended(shape, data, folder, now_ns, stations)
    if as_json:
        told = {"last_passed": last[0]} if 0 in last else {"stations": {str(at): each for at, each in last.items()}}
        print_json({"rig": shape.name, "walks": len(these), **told, "altered": altered, "not_unattended": reasons})
        return errors.NOT_MET if reasons else errors.DONE
    typer.echo(f"Rig {shape.name}, exactly this file: {len(these)} walk{'s' if len(these) != 1 else ''} in {folder}")
    others = len(walks) - len(these)
    if others:
        typer.echo(f"  {others} more of a rig of this name with another file: a changed file has not been walked")
    for station in stations:
        if station:
            typer.echo(f"station {station}{'' if own[station] else ': never walked'}")
        for line in _table(own[station], last[station]) if own[station] or not station else ():
            typer.echo(line)
    may = "May run unattended" + (", any of its stations." if len(stations) > 1 else ".")
    typer.echo("May NOT run unattended:" if reasons else may)
    for reason in reasons:
        typer.echo(f"  {reason}")
    return errors.NOT_MET if reasons else errors.DONE


def _last_passed(walks: list[Any]) -> dict[str, Any]:
    """check -> the newest of these walks that passed it, None where none did."""
    from rigd.report.checks import checks_of

    last: dict[str, Any] = {}
    for check in CHECKS:
        walk = next((walk for walk in walks if checks_of(walk.judgements)[check]["verdict"] == "passed"), None)
        last[check] = None if walk is None else {"run": walk.run, "utc_ns": walk.utc_ns, "day": walk.day}
    return last


def _table(walks: list[Any], last: dict[str, Any]) -> Iterator[str]:
    """A line a check. `walks`: newest first."""
    from rigd.report.checks import checks_of

    newest = checks_of(walks[0].judgements) if walks else {}
    for check, found in last.items():
        when = f"passed {found['day']}, run {found['run']}" if found else "never passed"
        if newest and not found and newest[check]["verdict"] == "undecided":
            when = newest[check]["found"][0]["text"]
        yield f"  {CHECKS[check]:36} {when}"
