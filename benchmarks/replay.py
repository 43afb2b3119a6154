"""How fast a record replays, and how fast its failure is found again from the trace alone.

A burst on the simulated rig, scanned at 100 Hz and at 1 kHz, is recorded and sealed, then replayed: every input is
decoded, through the engine, every output encoded and compared. The figure is seconds of rig a second; the targets for
eight channels are 400 at 100 Hz and 40 at 1 kHz, and the demo rig has twelve. Beside it how the time is split, from the
same minute: the engine's steps alone on the same decoded inputs, reading the record back into messages, and the rest.
Loading the record's files (7 ms) counts in.

Then failure analysis: the trace read from Parquet, page checksums verified, and `calc.burst` over it, beside a bare
pyarrow read of the same file with one numpy running maximum; target 0.6 of the bare speed.

    python benchmarks/replay.py
"""

import json
import re
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from rigd.calc.burst import find_failure, watched_in
from rigd.closing.closer import close_run
from rigd.closing.rows import as_arrays, watched_columns
from rigd.closing.story import read_story
from rigd.files.load import find, load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.replay import PROFILE, RIG, SPECIMEN, Replay, engine_of
from rigd.store import events, seal
from rigd.store.archive import open_run
from rigd.store.journal import FOLDER, BlockBuilder, identity, segment_header, segment_path
from rigd.store.trace import read_parquet
from simulator.person import Person
from simulator.plant import Plant
from simulator.world import Names, World

TARGETS = {100: 400.0, 1000: 40.0}
ANALYSIS_TARGET = 0.6
FEW, ALL = 8, 12  # channels: those the targets are for, and those of the demo rig
LEFT_OUT = (  # channels, and the rows that watch them
    "water_temperature:", "supply:", "supply_present:", "supply_low:", "relief: {", "relief_lifted:", "tank:",
    "tank_overpressure:",
)  # fmt: skip
ROUNDS = 7


def rig_bytes(rate_hz: int, channels: int) -> bytes:
    """The demo rig at this rate, with all its channels or without those of LEFT_OUT."""
    text = find("demo", "rig").read_text(encoding="utf-8").replace("scan: 10 ms", f"scan: {1000 // rate_hz} ms")
    if channels == FEW:
        for name in LEFT_OUT:
            text = re.sub(rf"(?m)^  {re.escape(name)}.*\n(?:    .*\n)*", "", text)
    assert len(load_rig_bytes(text.encode(), "rig").channels) == channels
    return text.encode()


def record(folder: Path, rate_hz: int, channels: int) -> Path:
    """One burst under virtual time, sealed."""
    profile, specimen = find("ramped-burst", "profile").read_bytes(), b"specimen: bench\n"
    files = {RIG: rig_bytes(rate_hz, channels), PROFILE: profile, SPECIMEN: specimen}
    rig = load_rig_bytes(files[RIG], "rig")
    run = folder / f"burst-{rate_hz}-{channels}"
    (run / FOLDER).mkdir(parents=True)
    for name, data in files.items():
        (run / name).write_bytes(data)
    whose = identity(run=1, version="0", files=())
    builder, blocks = BlockBuilder(whose), []
    world = World(
        rig, load_profile_bytes(profile, "profile"), load_specimen_bytes(specimen, "specimen"),
        Plant(rig, seed=1, body="rupture"), Person("bench", 1), builder, blocks.append,
        Names(run=1, utc_ns=10**18, version="0"),
    )  # fmt: skip
    world.run()
    blocks.append(builder.close())
    segment_path(run, 1).write_bytes(segment_header(number=1, identity=whose, block=blocks[0]) + b"".join(blocks))
    close_run(run, with_plot=False)
    return run


def best(work) -> float:
    """CPU seconds of the best round: what else the machine does is not counted."""
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def replaying(run: Path, rate_hz: int, channels: int) -> dict[str, float]:
    archive = open_run(run)
    assert archive.run["outcome"] == "rupture", "a run that stood still would replay too well"
    lasted_s = archive.run["duration_s"]

    def whole() -> None:
        assert not [played for played in Replay(archive) if played.difference]

    files = {name: archive.read(name) for name in (RIG, PROFILE, SPECIMEN)}
    inputs = list(archive.inputs())

    def steps() -> None:
        engine = engine_of(files)
        for message in inputs:
            engine.step(message)

    def taking_apart() -> None:
        for _ in archive.blocks():
            pass

    took_s, alone_s, apart_s = best(whole), best(steps), best(taking_apart)
    times = lasted_s / took_s
    print(f"replay at {rate_hz:4} Hz x {channels:2}  {times:7.0f} x real time   target >= {TARGETS[rate_hz]:g}   "
          f"engine {alone_s / took_s:.2f} of it (alone {lasted_s / alone_s:.0f} x), reading {apart_s / took_s:.2f}, "
          f"encoding and comparing {1.0 - (alone_s + apart_s) / took_s:.2f}")  # fmt: skip
    return {"times_real": times, "engine": alone_s / took_s, "reading": apart_s / took_s}


def analysing(run: Path) -> float:
    """Failure analysis against a bare read of the same file with a running maximum."""
    archive = open_run(run)
    engine = engine_of({name: archive.read(name) for name in (RIG, PROFILE, SPECIMEN)})
    story = read_story(archive.read(events.NAME).splitlines(), engine.profile)
    path = seal.part_path(run, 1)

    def whole() -> None:
        table = read_parquet(path.read_bytes(), columns=watched_columns(engine.rig))
        watched = watched_in(as_arrays(table), engine.rig, story.watched_step)
        assert find_failure(watched, engine.profile.signs).sign

    def bare() -> None:
        table = pq.read_table(pa.BufferReader(path.read_bytes()))
        np.maximum.accumulate(table.column("specimen_a_pa").to_numpy())

    def bare_columns() -> None:
        table = pq.read_table(pa.BufferReader(path.read_bytes()), columns=watched_columns(engine.rig))
        np.maximum.accumulate(table.column("target_pa").to_numpy())

    took_s, bare_s, same_s = best(whole), best(bare), best(bare_columns)
    print(f"failure analysis      {took_s * 1e3:7.1f} ms   {bare_s / took_s:.2f} of bare speed ({bare_s * 1e3:.1f} ms)"
          f"   target >= {ANALYSIS_TARGET:g}   ({same_s / took_s:.2f} of a bare read of its own columns)")  # fmt: skip
    return bare_s / took_s


def main() -> None:
    told: dict[str, object] = {}
    with tempfile.TemporaryDirectory() as place:
        for rate_hz in TARGETS:
            for channels in (FEW, ALL):
                run = record(Path(place), rate_hz, channels)
                told[f"replay_{rate_hz}_{channels}"] = replaying(run, rate_hz, channels)
            told[f"analysis_{rate_hz}"] = analysing(run)
        for folder in (folder for folder in Path(place).rglob("*") if folder.is_dir()):
            folder.chmod(0o750)
    print(json.dumps(told))


if __name__ == "__main__":
    main()
