"""Going on with a specimen whose surges were broken off: `rigd run --resume RUN`.

What it brings along is worked out from the sealed record, never from what somebody remembers: the record is verified,
replayed through the engine it was made by, and the engine's own count is what the new run begins with. A surge that was
begun and whose end nobody recorded is partial. It refuses what would count twice or mix two specimens: another
specimen, station, profile or rig, a body that failed or has all its cycles, a run that was gone on with already.
"""

import asyncio
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from rigd.live.job import Job, Mounted
from rigd.model.carried import Carried
from rigd.model.errors import NotPermitted, RecordAltered, RigBusy, UsageRefused
from rigd.model.observations import BODY_FAILURES
from rigd.store.archive import Archive

GOES_ON = ("interrupted", "tripped", "stopped", "supply_exhausted", "sensor", "given_up", "no_blow_down")
"""Outcomes that something other than the specimen brought about."""


def resume_runs(job: Job, runs: tuple[str, ...]) -> Job:
    """The job with what its specimens bring along. Raises NotPermitted in words when a run cannot be gone on with."""
    from rigd.store.runs import find

    mounted = {each.specimen.id: each for each in job.mounted}
    resumed: set[str] = set()
    for text in runs:
        archive = _open_sealed(job, find(job.records, text))
        name = str(archive.run["specimen"])
        if name not in mounted:
            raise UsageRefused(
                f"--resume {text}: that run's specimen is {name}; allowed: a run of {', '.join(mounted)}"
            )
        if name in resumed:
            raise UsageRefused(f"--resume {text}: {name} is gone on with by another --resume already; one run each")
        resumed.add(name)
        mounted[name] = _resume(job, mounted[name], archive, f"--resume {text}: run R{archive.run['run']:04d}")
    return replace(job, mounted=tuple(mounted[each.specimen.id] for each in job.mounted))


def _resume(job: Job, mounted: Mounted, archive: Archive, whose: str) -> Mounted:
    from rigd.replay import carried_bytes

    _check_same(job, mounted, archive, whose)
    _check_can_go_on(archive, whose)
    if later := _resumed_by(job.records, archive.run["run"]):
        raise NotPermitted(f"{whose} was gone on with by {later} already; its count goes on there: --resume that one")
    carried = carried_of(archive, whose)
    return replace(mounted, carried=carried, carried_bytes=carried_bytes(carried))


def _open_sealed(job: Job, folder: Path) -> Archive:
    """The run's record, verified; sealed first where a killed process left it, with the rig written safe before."""
    from rigd.store.archive import open_run
    from rigd.store.runs import list_runs

    if folder.parent.resolve() != job.records.resolve():
        raise UsageRefused(f"{folder} is not in {job.records}, where runs that go on with it would be looked for")
    state = next((run.state for run in list_runs(job.records) if run.path == folder), "sealed")
    if state == "open":
        raise RigBusy(f"{folder.name} is still being written: it cannot be gone on with before it has ended")
    if state == "unsealed":
        print(f"{folder.name} was interrupted: sealing it, so that its count can be trusted", file=sys.stderr)
        asyncio.run(_make_safe_and_seal(job, folder))
    return open_run(folder)


async def _make_safe_and_seal(job: Job, folder: Path) -> None:
    """A night's journal takes minutes to seal. The rig stands safe meanwhile, whatever the killed process had asked."""
    from drivers.registry import DRIVERS
    from rigd.live.devices import Device
    from rigd.live.record import seal_runs

    devices = [Device(job.rig, at, DRIVERS[shape.driver]) for at, shape in enumerate(job.rig.devices)]
    await asyncio.gather(*(device.make_safe() for device in devices))  # who cannot be reached stops the run later
    async for _, trouble in seal_runs((folder,), job.key):
        if trouble:
            raise NotPermitted(f"cannot be gone on with: {trouble}")


def _check_same(job: Job, mounted: Mounted, archive: Archive, whose: str) -> None:
    """Everything that makes two runs one test must be the same, to the byte where it is a file."""
    from rigd.files.load import load_specimen_bytes
    from rigd.replay import PROFILE, RIG, SPECIMEN, STATION

    station = int(archive.read(STATION)) if STATION in archive.manifest.files else 0
    if station != mounted.station:
        raise NotPermitted(f"{whose} was at station {station}, not {mounted.station}: mount it where it was")
    for name, data, what in ((RIG, job.rig_bytes, "rig"), (PROFILE, job.profile_bytes, "profile")):
        if archive.read(name) != data:
            raise NotPermitted(f"{whose} has another {what} file ({archive.folder / name}); its count is of that one")
    before, now = dict(load_specimen_bytes(archive.read(SPECIMEN), SPECIMEN).facts), dict(mounted.specimen.facts)
    differing = [fact for fact in before if fact in now and before[fact] != now[fact]]
    if differing:
        told = ", ".join(f"{fact} was {before[fact]!r}, now {now[fact]!r}" for fact in differing)
        raise NotPermitted(f"{whose} knows the specimen otherwise: {told}. Is it the same one?")


def _check_can_go_on(archive: Archive, whose: str) -> None:
    run: dict[str, Any] = archive.run
    outcome, observed = str(run["outcome"]), str(run["result"]["observation"])
    if outcome not in GOES_ON:
        raise NotPermitted(f"{whose} ended with {outcome}; allowed: {', '.join(GOES_ON)}")
    if observed in BODY_FAILURES:
        raise NotPermitted(f"{whose}: somebody saw {observed}; a body that failed is not gone on with")


def _resumed_by(records: Path, number: int) -> str:
    """The run that goes on with this one already, "" when none does. Open and interrupted ones count as well."""
    from rigd.replay import CARRIED, carried_from
    from rigd.store.runs import list_runs

    for run in list_runs(records):
        path = run.path / CARRIED
        if path.is_file():
            try:
                before = carried_from(path.read_bytes()).run
            except RecordAltered as altered:
                raise RecordAltered((f"{run.path.name}: {altered}: nobody can say what it goes on with",)) from None
            if before == number:
                return f"R{run.number:04d}"
    return ""


def carried_of(archive: Archive, whose: str = "the run") -> Carried:
    """What the specimen of a sealed run brings along. Raises NotPermitted when the count cannot be trusted or is done.

    The record is replayed to its end: the engine that comes out has counted what the one on the rig counted.
    """
    from rigd.engine.cycles import CycleCount
    from rigd.engine.endings import carry
    from rigd.replay import Replay

    replay = Replay(archive)
    for played in replay:
        if played.difference is not None:
            raise NotPermitted(f"{whose} does not replay ({played.difference.words}): its count cannot be gone on with")
    engine = replay.engine
    count = engine.findings.tally if engine.findings is not None else None
    if not isinstance(count, CycleCount):  # it never came to its surges
        return replace(engine.carried, run=engine.run, manifest_sha256=archive.manifest_sha256)
    if count.failed_at:
        raise NotPermitted(f"{whose} failed at cycle {count.failed_at}; a body that failed is not gone on with")
    if count.valid >= count.owed:
        raise NotPermitted(f"{whose} has its {count.owed} valid cycles already: nothing is owed")
    return carry(engine, archive.manifest_sha256)
