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
from simulator.world import Names, World

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


def test_what_nobody_wrote_is_no_permission(tmp_path):
    (tmp_path / NAME).write_bytes(b'{"walk":1}\n')
    with pytest.raises(errors.RecordAltered, match="not as it is written"):
        read_unattended(tmp_path)
