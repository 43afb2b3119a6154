"""The demo under virtual time: the shipped engine, loop and record in this process, half a minute of rig in a second.

The record is a real one: numbered, journalled, sealed by the closing process and as good to verify and replay as one
from a rig. Only the wire, the clock and the person are simulated.
"""

import asyncio
import hashlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rigd.cli.demo_body import PERSON, PROFILE, RIG, DemoEnding, specimen_id
from rigd.live.job import Job
from rigd.live.places import key_path
from rigd.live.record import Closing, OpenRecord
from rigd.model import errors
from rigd.store.edition import edition
from rigd.store.keys import load_key


def play(*, seed: int, body: str, faults: tuple[str, ...], records: Path) -> DemoEnding:
    """Play the demo to its end."""
    from simulator.person import Person
    from simulator.plant import Plant

    def place(job: Job) -> tuple[Plant, Person]:
        return Plant(job.rig, seed=seed, body=body, faults=faults), Person(PERSON, seed)

    return play_world(rig=RIG, profile=PROFILE, specimen=specimen_id(seed), records=records, place=place)


def play_world(
    *, rig: str, profile: str, specimen: str, records: Path, place: Callable[[Job], tuple[Any, Any]]
) -> DemoEnding:
    """One run of this profile on this rig under virtual time; `place` gives the plant and the person, once the files
    are read."""
    from rigd.cli.job import load_job
    from simulator.window import WINDOWS
    from simulator.world import Names, World

    job = load_job(
        profile=profile, rig=rig, specimens=(specimen,), records=records, person=PERSON, named=True,
        key=key_path(None),  # the user's, if there is one: the record is then signed as a rig's would be
    )  # fmt: skip
    (mounted,) = job.mounted
    files = job.files(mounted)
    record = OpenRecord(
        records, rig=rig, profile=profile, specimen=mounted.specimen.id, files=files, patient=True,
        key=load_key(job.key) if job.key else None,
    )  # fmt: skip
    plant, person = place(job)
    names = Names(
        run=record.run, utc_ns=time.time_ns(), version=edition(), latched=(),
        **{f"{name.removesuffix('.yaml')}_sha256": hashlib.sha256(data).hexdigest() for name, data in files.items()},
    )  # fmt: skip
    world = World(job.rig, job.profile, mounted.specimen, plant, person, record.builder, record.hand_over, names)
    try:
        world.run()
    except BaseException:
        record.abandon()
        raise
    record.close()
    trouble = asyncio.run(_seal(record.folder, job.key))
    return DemoEnding(
        exit_code=errors.CANNOT_WRITE if trouble else _exit_code(record.folder),
        record=record.folder,
        words=trouble,
        truth=WINDOWS[type(plant)](plant).sights()[0]["truth"],
    )


async def _seal(folder: Path, key: Path | None) -> str:
    return await (await Closing.start(folder, key)).finish()


def _exit_code(folder: Path) -> int:
    from rigd.cli.result import read_result

    return int(read_result(folder)["exit_code"])
