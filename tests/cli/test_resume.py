"""Going on with surges that were broken off: what is carried along, counted against the specimen's own count.

The truth is what the simulated body felt (simulator.surge_bodies), which knows nothing of engines or records.
"""

from dataclasses import replace
from pathlib import Path

import pytest

from rigd.cli.job import load_job
from rigd.cli.resume import resume_runs
from rigd.closing.closer import close_run
from rigd.live.job import Job
from rigd.live.record import OpenRecord
from rigd.model import errors
from rigd.model.errors import NotPermitted, UsageRefused
from rigd.replay import carried_from
from rigd.store.verification import verify
from simulator.stations import Mounted, Nothing, StationsWorld
from simulator.surge_bench import SurgeBench
from simulator.world import Names

PROFILE = """
profile: few-surges
title: A few surges for tests
method: none, invented for tests
display: psi
max: 100 psi
minimum: none
peak_tolerance: 1 psi
zero_shift: 1.5 psi
signs: {drop: 8 psi, drop_fraction: 3 %, lag: 4 psi, lag_time: 300 ms, mark: 3 s}
required: [make]
arm: [Nobody is near the chamber]
skips: {mount: no hands here, fill: no time here, proof: no time here, close_down: no bench here}
steps:
  - surge:
      name: Surges
      medium: water
      outlet: capped
      shape: square
      shot: charge
      pressure: 85 psi
      peak_tolerance: 15 %
      charge: 86 psi
      charge_tolerance: 8 %
      sag: 20 %
      rise: 50 ms
      hold: 250 ms
      release_valve_opens: 30 ms
      blow_down: {below: 2.5 psi, within: 3 s}
      drain: 100 ms
      rest: 200 ms
      threshold: 40 psi
      blocks: [4, 4]
      between: rest
      between_time: 500 ms
      slug: none
      water: 0 s
      give_up: 10
      minimum_cycles: 8
      normal: {cycles: 2, departure: 50 %}
  - vent: {name: Vent}
  - ask: {name: What failed, timeout: 1 min}
"""
NOT_HERE = Names(run=0, utc_ns=10**18, version="test")


@pytest.fixture
def job(tmp_path: Path) -> Job:
    (tmp_path / "few.yaml").write_text(PROFILE)
    return load_job(
        profile=str(tmp_path / "few.yaml"), rig="demo-surge", specimens=("2=K-07",), facts=("2:lot=7",),
        records=tmp_path / "records", person="A. Novak", named=True,
    )  # fmt: skip


class Bench:
    """The simulated rig, with one record after another from its station 2; the other stations write none."""

    def __init__(self, job: Job) -> None:
        self.bench = SurgeBench(job.rig, seed=3, bodies=("strong", "strong", "strong", "strong"))

    def begin(self, job: Job) -> None:
        (mounted,) = job.mounted
        self.record = OpenRecord(
            job.records, rig=job.rig.name, profile=job.profile.name, specimen=mounted.specimen.id,
            files=job.files(mounted), patient=True, station=2,
        )  # fmt: skip
        empty = Mounted(specimen=mounted.specimen, names=NOT_HERE, builder=Nothing())
        here = Mounted(
            specimen=mounted.specimen, names=replace(NOT_HERE, run=self.record.run), builder=self.record.builder,
            hand_over=self.record.hand_over, carried=mounted.carried,
        )  # fmt: skip
        self.world = StationsWorld(job.rig, job.profile, self.bench, (empty, here, empty, empty), seed=3)

    def until(self, holds) -> None:
        while not holds():
            self.world.tick()
            assert self.world.t_ns < 300_000_000_000, self.world.runs[1].engine.view()

    def break_off(self) -> int:
        """As kill -9 does: nothing more is written, and the relay lets go by itself. Returns the cycles felt."""
        self.record.abandon()
        self.bench.advance(3.0)
        close_run(self.record.folder, with_plot=False)
        return self.bench.truth(2).cycles

    def finish(self) -> dict[str, object]:
        self.world.run()
        self.record.close()
        return close_run(self.record.folder, with_plot=False)


@pytest.mark.parametrize("moment", ["SHOT", "BLOW_DOWN", "REST"])
def test_a_run_broken_off_goes_on_and_counts_each_surge_once(job: Job, moment: str) -> None:
    bench = Bench(job)
    bench.begin(job)
    run = bench.world.runs[1]
    above = {"SHOT": lambda: run.engine.view().pressure_pa > 500e3, "REST": lambda: len(run.cycles) == 4}
    bench.until(lambda: len(run.cycles) == 3)
    if moment == "BLOW_DOWN":
        bench.until(above["SHOT"])
        bench.until(lambda: 40e3 < run.engine.view().pressure_pa < 200e3)
    else:
        bench.until(above[moment])
    felt = bench.break_off()
    resumed = resume_runs(job, ("1",))
    (mounted,) = resumed.mounted
    assert felt == 4 and mounted.carried.applied == felt
    assert (mounted.carried.valid, mounted.carried.partial) == ((4, 0) if moment == "REST" else (3, 1))
    assert mounted.carried.accepted == 2 and 0.5 < mounted.carried.normal < 1.1
    assert mounted.carried.manifest_sha256 == verify(bench.record.folder).manifest_sha256
    bench.begin(resumed)
    told = bench.finish()
    data = dict(told["result"]["data"])
    assert told["outcome"] == "run_out" and told["replay"] == "identical"
    assert data["cycles_valid"] == 8 and data["cycles_applied"] == bench.bench.truth(2).cycles
    assert carried_from((bench.record.folder / "carried.json").read_bytes()) == mounted.carried
    assert (bench.record.folder / "station.txt").read_bytes() == b"2\n"
    assert verify(bench.record.folder).ok
    with pytest.raises(NotPermitted, match="R0002 already"):
        resume_runs(job, ("1",))
    with pytest.raises(NotPermitted, match="ended with run_out"):
        resume_runs(job, ("2",))


def test_what_differs_is_refused_in_words(job: Job, tmp_path: Path) -> None:
    bench = Bench(job)
    bench.begin(job)
    bench.until(lambda: len(bench.world.runs[1].cycles) == 1)
    bench.break_off()
    (mounted,) = job.mounted
    for other, words in (
        (replace(job, rig_bytes=job.rig_bytes + b"# moved\n"), "another rig file"),
        (replace(job, profile_bytes=job.profile_bytes + b"# changed\n"), "another profile file"),
        (replace(job, mounted=(replace(mounted, station=3),)), "was at station 2, not 3"),
    ):
        with pytest.raises(NotPermitted, match=words):
            resume_runs(other, ("1",))
    arguments = {"profile": str(tmp_path / "few.yaml"), "rig": "demo-surge", "records": job.records, "named": True}
    other_lot = load_job(**arguments, person="A. Novak", specimens=("2=K-07",), facts=("lot=8",))
    with pytest.raises(NotPermitted, match="lot was '7', now '8'"):
        resume_runs(other_lot, ("1",))
    other_body = load_job(**arguments, person="A. Novak", specimens=("2=L-03",))
    with pytest.raises(UsageRefused, match="specimen is K-07"):
        resume_runs(other_body, ("1",))
    with pytest.raises(UsageRefused, match="another --resume"):
        resume_runs(job, ("1", "1"))
    with pytest.raises(errors.NoSuchRun):
        resume_runs(job, ("9",))
    trace = next((bench.record.folder / "trace").iterdir())
    trace.chmod(0o640)
    trace.write_bytes(trace.read_bytes()[:-1])
    with pytest.raises(errors.RecordAltered):
        resume_runs(job, ("1",))


def test_a_run_that_was_still_before_its_surges_brings_nothing_along(job: Job) -> None:
    bench = Bench(job)
    bench.begin(job)
    bench.until(lambda: bench.world.runs[1].engine.state == "READY")
    bench.break_off()
    (mounted,) = resume_runs(job, ("1",)).mounted
    assert (mounted.carried.run, mounted.carried.released, mounted.carried.applied) == (1, 0, 0)
