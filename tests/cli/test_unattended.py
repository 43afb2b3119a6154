"""What forbids leaving a rig alone, and what the record of one that was says (SAFETY S1, S23; invariant 32)."""

import json
import os
import re
import time
from pathlib import Path

import pytest

from rigd.cli.job import load_job
from rigd.cli.unattended import permit
from rigd.closing.closer import close_run
from rigd.files.load import find
from rigd.live.job import Job
from rigd.live.record import OpenRecord
from rigd.model import errors
from rigd.store import manifest
from rigd.store.unattended import NAME, read_unattended
from simulator.person import Person
from simulator.plant import Plant
from simulator.stations import Mounted, StationsWorld
from simulator.surge_bench import SurgeBench
from simulator.world import Names, World

STATIONS = find("demo-surge", "rig").read_text()
NIGHT = {  # of the shipped surge test: a few surges, and nothing that needs a hand
    "blocks: [12, 12]": "blocks: [5]", "minimum_cycles: 24": "minimum_cycles: 5",
    "        when_stuck: extra_cycle": "        when_stuck: record",
}  # fmt: skip
WALK = {  # the shipped one in less time, with every check of it
    "bleed: 8 s": "bleed: 2 s", "pressures: [20 psi, 50 psi, 85 psi]": "pressures: [20 psi, 50 psi]",
    "settle: 2 s": "settle: 500 ms", "shut_for: 10 s": "shut_for: 2 s",
}  # fmt: skip
DAY_NS = 86_400_000_000_000
SHIPPED = find("demo", "rig").read_text()


def job_of(records: Path, rig: Path, profile: str = "ramped-burst", specimen: str = "K-07") -> Job:
    facts = ("mounting=plug",) if profile == "commissioning" else ()
    return load_job(profile=profile, rig=str(rig), specimens=(specimen,), facts=facts, records=records,
                    person="A. Novak", named=True)  # fmt: skip


def record(job: Job, body: str) -> Path:
    """The job played under virtual time and sealed."""
    (mounted,) = job.mounted
    kept = OpenRecord(job.records, rig=job.rig.name, profile=job.profile.name, specimen=mounted.specimen.id,
                      files=job.files(mounted), patient=True)  # fmt: skip
    plant, names = Plant(job.rig, seed=3, body=body), Names(run=kept.run, utc_ns=time.time_ns(), version="0")
    World(job.rig, job.profile, mounted.specimen, plant, Person("A. Novak", 3), kept.builder, kept.hand_over,
          names).run()  # fmt: skip
    kept.close()
    close_run(kept.folder, None, with_plot=False)
    return kept.folder


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A rig file of one's own, and a records folder in which it was walked."""
    folder = tmp_path_factory.mktemp("walked")
    rig = folder / "bench.yaml"
    rig.write_text(SHIPPED)
    record(job_of(folder / "records", rig, "commissioning", "blank"), "strong")
    return folder / "records", rig


def refused(job: Job, *left: str, now_ns: int | None = None) -> str:
    with pytest.raises(errors.Misconfigured) as wrong:
        permit(job, left, now_ns)
    return str(wrong.value)


def test_the_record_says_that_it_was_unattended_which_walk_allowed_it_and_until_when(walked, rigd):
    records, rig = walked
    folder = record(permit(job_of(records, rig), ("gas=3000L",)), "rupture")
    told = read_unattended(folder)
    walk = next(records.glob("*_R0001_*"))
    assert (told["person"], told["walk"], told["left"]) == ("A. Novak", 1, {"gas": "3000L"})
    assert told["walk_manifest_sha256"] == manifest.sha256((walk / "manifest.json").read_bytes())
    walked_utc = json.loads((walk / "run.json").read_bytes())["opened_utc"]
    days = [time.mktime(time.strptime(utc, "%Y-%m-%dT%H:%M:%SZ")) / 86_400 for utc in (walked_utc, told["expires_utc"])]
    assert days[1] - days[0] == pytest.approx(30.0, abs=0.1), "commissioned_within of the rig file"
    words = f"allowed by walk R0001 of {walked_utc} (manifest {told['walk_manifest_sha256'][:16]})"
    for verb in ("show", "verify"):
        said = rigd("runs", verb, folder.name.split("_")[1], "--records", records)
        assert said.code == 0 and words in said.out, said.out + said.err
    assert json.loads(rigd("runs", "show", "2", "--records", records, "--json").out)["unattended"] == told
    assert rigd("runs", "verify", records).code == 0 and rigd("runs", "replay", "2", "--records", records).code == 0
    assert "unattended" not in rigd("runs", "show", "1", "--records", records).out


def test_a_walk_that_is_not_the_one_is_told(walked, rigd, tmp_path):
    import shutil

    records, rig = walked
    other = tmp_path / "records"
    shutil.copytree(records, other, ignore=shutil.ignore_patterns("*_R000[2-9]_*"))
    record(permit(job_of(other, rig), ()), "rupture")
    walk = next(other.glob("*_R0001_*"))
    os.chmod(walk, 0o750)
    shutil.rmtree(walk)
    told = rigd("runs", "verify", other)
    assert told.code == errors.BAD_DATA and "its walk, R0001, is not here" in told.out


@pytest.mark.parametrize("name", ["gas", "water", "drain"])
def test_supply_covers_the_night_or_it_is_refused_with_the_numbers(walked, tmp_path, name):
    """Invariant SUPPLY_COVERS_THE_NIGHT."""
    records, rig = walked
    words = refused(job_of(records, rig), f"{name}=0.2L")
    (short,) = re.findall(rf"{name}: ([0-9.]+) L needed, 0.2 L there: refill", words)
    permit(job_of(records, rig), (f"{name}={float(short) + 0.1:.1f}L",))
    refused(job_of(records, rig), f"{name}={float(short) - 0.1:.1f}L")
    unstated = tmp_path / "bench.yaml"
    unstated.write_text(re.sub(rf"(?m)^  {name}: .*\n(?=.*\n*  (water|drain|fill_flow))", "", SHIPPED))
    assert f"write `{name}:` under `budgets:`" in refused(job_of(records, unstated))


def test_parts_that_are_worn_out_by_then_and_what_asks_for_a_person_are_refused(walked, tmp_path):
    records, rig = walked
    assert "hose: 2 cycles needed, 1 left" in refused(job_of(records, rig), "hose=1")
    bare = tmp_path / "bench.yaml"
    bare.write_text(SHIPPED[: SHIPPED.index("\nbudgets:")])
    assert "states no `budgets:`" in refused(job_of(records, bare))
    assert "asks for a person" in refused(job_of(records, rig, "commissioning", "blank"))
    assert "days old" in refused(job_of(records, rig), now_ns=time.time_ns() + 31 * DAY_NS)
    for wrong in ("gas", "gas=99999L", "gas=-1L", "hose=1.5", "tea=1L"):
        with pytest.raises(errors.UsageRefused, match="--left"):
            permit(job_of(records, rig), (wrong,))


def station_job(records: Path, rig: Path, profile: str, *specimens: str) -> Job:
    facts = tuple(f"{at[0]}:mounting=plug" for at in specimens)
    return load_job(profile=profile, rig=str(rig), specimens=specimens, facts=facts, records=records,
                    person="A. Novak", named=True)  # fmt: skip


def rewritten(shipped: str, changes: dict[str, str], path: Path) -> Path:
    """A copy of a shipped profile with these words replaced."""
    text = find(shipped, "profile").read_text()
    for old, new in changes.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_text("".join(row for row in text.splitlines(keepends=True) if "extra_most" not in row))
    return path


def record_stations(job: Job) -> list[Path]:
    """A job of the surge rig played under virtual time, a sealed record a station."""
    kept = [
        OpenRecord(job.records, rig=job.rig.name, profile=job.profile.name, specimen=one.specimen.id,
                   files=job.files(one), patient=True, station=one.station) for one in job.mounted
    ]  # fmt: skip
    mounted: list[Mounted | None] = [None] * job.rig.stations
    for one, record in zip(job.mounted, kept, strict=True):
        names = Names(run=record.run, utc_ns=time.time_ns(), version="0")
        mounted[one.station - 1] = Mounted(
            specimen=one.specimen, names=names, builder=record.builder, hand_over=record.hand_over
        )
    bench = SurgeBench(job.rig, seed=3, bodies=("strong",) * job.rig.stations)
    StationsWorld(job.rig, job.profile, bench, tuple(mounted), seed=3).run()
    for record in kept:
        record.close()
        close_run(record.folder, None, with_plot=False)
    return [record.folder for record in kept]


def test_each_station_of_a_surge_rig_needs_a_walk_of_its_own_and_its_record_names_it(tmp_path, rigd):
    records, rig = tmp_path / "records", tmp_path / "bench.yaml"
    night = rewritten("cyclic-surge", NIGHT, tmp_path / "night.yaml")
    walk = rewritten("commissioning-surge", WALK, tmp_path / "walk.yaml")
    rig.write_text(STATIONS.replace("walk: commissioning-surge", f"walk: {walk}").replace("scan: 10 ms", "scan: 20 ms"))
    assert "asks for a hand when its moving part is stuck" in refused(
        station_job(records, rig, "cyclic-surge", "1=K-21")
    )
    both = station_job(records, rig, str(night), "1=K-21", "3=L-21")
    assert re.findall(r"station (\d): exactly this rig file was never walked", refused(both)) == ["1", "3"]
    for station in ("3", "1"):
        record_stations(station_job(records, rig, both.rig.walk, f"{station}=blank"))
        alone = station_job(records, rig, str(night), f"{station}=K-21")
        assert permit(alone, ()).mounted[0].unattended_bytes, "only this station is used"
    other = station_job(records, rig, str(night), "1=K-21", "2=L-21")
    assert "station 2: exactly this rig file was never walked" in refused(other)
    assert "station 1" not in refused(other)

    words = refused(both, "inlet valve=5", "supply valve=11")  # 5 surges at each of two stations, a fifth more
    assert "inlet valve: 6 cycles needed, 5 left" in words and "supply valve: 12 cycles needed, 11 left" in words
    permit(both, ("inlet valve=6", "supply valve=12"))
    first, third = record_stations(permit(both, ()))
    assert (read_unattended(first)["walk"], read_unattended(third)["walk"]) == (2, 1)
    assert "allowed by walk R0002" in (first / "report.txt").read_text()
    verified = rigd("runs", "verify", records)
    assert verified.code == 0 and "allowed by walk R0001" in verified.out, verified.out + verified.err
    told = rigd("doctor", "--rig", rig, "--records", records)
    assert told.code == errors.NOT_MET and "station 2: never walked" in told.out
    assert re.findall(r"station (\d): exactly this", told.out) == ["2", "4"]


def test_what_nobody_wrote_is_no_permission(tmp_path):
    (tmp_path / NAME).write_bytes(b'{"walk":1}\n')
    with pytest.raises(errors.RecordAltered, match="not as it is written"):
        read_unattended(tmp_path)
