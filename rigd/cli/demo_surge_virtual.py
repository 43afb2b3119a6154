"""The demo of surges under virtual time: the shipped engines, loops and `combine` in this process, minutes in seconds.

The records are real ones, a station each, and as good to verify and replay as those of a rig. Only the wire, the clock
and the person are simulated.
"""

import asyncio
import time
from hashlib import sha256
from pathlib import Path

from rigd.cli.demo_surge import PERSON, PROFILE, StationEnding, Truth, rig_of, specimen_id
from rigd.live.job import Job
from rigd.live.places import key_path
from rigd.live.record import Closing, OpenRecord
from rigd.model import errors
from rigd.store.edition import edition
from rigd.store.keys import load_key


def play(*, seed: int, stations: int, records: Path) -> tuple[StationEnding, ...]:
    """Play it to its end."""
    from rigd.cli.job import load_job
    from simulator.stations import StationsWorld
    from simulator.surge_bench import SurgeBench

    job = load_job(
        profile=PROFILE, rig=rig_of(stations), records=records, person=PERSON, named=True, key=key_path(None),
        specimens=tuple(f"{number}={specimen_id(seed, number)}" for number in range(1, stations + 1)),
    )  # fmt: skip
    bench = SurgeBench(job.rig, seed=seed)
    opened = _open_records(job)
    try:
        mounted = _mount(job, opened)
        StationsWorld(job.rig, job.profile, bench, mounted, seed=seed).run()
    except BaseException:
        for record in opened:
            record.abandon()
        raise
    for record in opened:
        record.close()
    troubles = asyncio.run(_seal([record.folder for record in opened], job.key))
    return tuple(
        _ending(one.station, one.specimen.id, record.folder, trouble, bench.truth(one.station))
        for one, record, trouble in zip(job.mounted, opened, troubles, strict=True)
    )


def _open_records(job: Job) -> list[OpenRecord]:
    key = load_key(job.key) if job.key else None
    return [
        OpenRecord(
            job.records, rig=job.rig.name, profile=job.profile.name, specimen=one.specimen.id, files=job.files(one),
            patient=True, key=key,
        )
        for one in job.mounted
    ]  # fmt: skip


def _mount(job: Job, opened: list[OpenRecord]) -> tuple[object, ...]:
    """What each station of the rig begins with, None where it is empty."""
    from simulator.stations import Mounted
    from simulator.world import Names

    mounted: list[Mounted | None] = [None] * job.rig.stations
    for one, record in zip(job.mounted, opened, strict=True):
        hashes = {
            f"{name.removesuffix('.yaml')}_sha256": sha256(data).hexdigest()
            for name, data in job.files(one).items()
            if name.endswith(".yaml")
        }
        mounted[one.station - 1] = Mounted(
            specimen=one.specimen, builder=record.builder, hand_over=record.hand_over,
            names=Names(run=record.run, utc_ns=time.time_ns(), version=edition(), **hashes),
        )  # fmt: skip
    return tuple(mounted)


async def _seal(folders: list[Path], key: Path | None) -> list[str]:
    """One after another: closing is work, and the machine may be small."""
    return [await (await Closing.start(folder, key)).finish() for folder in folders]


def _ending(station: int, specimen: str, record: Path, trouble: str, truth: object) -> StationEnding:
    from rigd.cli.result import read_result

    return StationEnding(
        station=station, specimen=specimen, record=record, trouble=trouble,
        exit_code=errors.CANNOT_WRITE if trouble else int(read_result(record)["exit_code"]),
        truth=Truth(
            cycles=truth.cycles, stuck_cycles=truth.stuck_cycles, failed_at_cycle=truth.failed_at_cycle
        ),
    )  # fmt: skip
