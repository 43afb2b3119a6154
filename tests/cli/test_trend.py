"""Vent and tank against the rig's own earlier walks: where the figures come from, that the record holds them and
replays with them, and that a tank off its trend forbids every run (SAFETY S13, S22). The benches are simulated."""

import json
import os
import shutil
import time
from dataclasses import replace
from pathlib import Path

import pytest

from rigd.cli import trend
from rigd.cli.job import load_job
from rigd.closing.closer import close_run
from rigd.files.load import find
from rigd.live.record import OpenRecord
from rigd.model import errors
from rigd.replay import EARLIER, earlier_from
from rigd.store.encode import canonical_json
from rigd.store.keys import make_key
from simulator.drain_bench import DrainBench
from simulator.person import Person
from simulator.world import Names, World

NOW_NS = time.time_ns()
DAY_NS = 86_400_000_000_000
SHIPPED = find("commissioning", "profile").read_text()
HEAD = SHIPPED.split("steps:\n")[0].replace("profile: commissioning", "profile: tank").replace("250 psi", "50 psi")


def walk_file(folder: Path, since: str = "") -> Path:
    """A walk of the tank only: the shipped head and that step; the cock at the drain stands open."""
    more = f", since: {since}" if since else ""
    path = folder / f"tank{since}.yaml"
    path.write_text(
        f"{HEAD}steps:\n"
        "  - mount: {name: Cock, prompts: [Open the cock]}\n"
        f"  - check_bladder: {{name: Tank, charge: 20 psi, take: 3 s, trend: {{apart: 25 %, walks: 2{more}}}}}\n"
        "  - vent: {name: Vent}\n  - close_down: {name: Close, prompts: [Shut the cock]}\n"
    )
    return path


class Metered(DrainBench):
    """The flush rig, which measures the water fed, with a cock that hands have opened."""

    def __getattr__(self, name: str):
        return getattr(self.plant, name)


def record(records: Path, profile: Path, *, gas: float = 1.0, days_ago: int = 0, key: Path | None = None) -> Path:
    """One walk, sealed; `gas` times as much of it in the tank as is usual."""
    job = trend.with_earlier(
        load_job(profile=str(profile), rig="demo-flush", specimens=("blank",), facts=("mounting=plug",),
                 records=records, person="A. Novak", named=True, key=key)
    )  # fmt: skip
    (mounted,) = job.mounted
    kept = OpenRecord(records, rig=job.rig.name, profile=job.profile.name, specimen="blank", files=job.files(mounted),
                      patient=True)  # fmt: skip
    bench = Metered(job.rig, seed=5, half_width_deg=20.0)
    bench.plant.tank_gas_m3 *= gas
    bench.aim(0.0, points_deg=0.0, empty=True)
    names = Names(run=kept.run, utc_ns=NOW_NS - days_ago * DAY_NS, version="0")
    World(job.rig, job.profile, mounted.specimen, bench, Person("A. Novak", 5), kept.builder, kept.hand_over, names,
          mounted.earlier).run()  # fmt: skip
    kept.close()
    close_run(kept.folder, key, with_plot=False)
    return kept.folder


def checks(folder: Path) -> dict:
    told = json.loads((folder / "run.json").read_bytes())
    return {dict(j["data"])["check"]: j for j in told["judgements"]}


def refused(records: Path, profile: str = "flush-direction") -> str:
    job = load_job(profile=profile, rig="demo-flush", specimens=("K-07",), records=records, person="A", named=True)
    return trend.why_not_pressurised(job)


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Path]]:
    """Three walks of a sound rig, and one whose tank holds half again as much gas."""
    records = tmp_path_factory.mktemp("walked")
    profile = walk_file(tmp_path_factory.mktemp("files"))
    return records, [record(records, profile, gas=gas, days_ago=9 - at) for at, gas in enumerate((1.0, 1.0, 1.0, 1.6))]


def test_too_few_walks_are_told_and_judge_nothing(walked):
    first, second, *_ = walked[1]
    for at, folder in enumerate((first, second)):
        found = checks(folder)["bladder"]
        assert found["verdict"] == "measured", found
        assert f"no trend yet: {at} earlier walk" in found["text"] and "2 needed" in found["text"]


def test_a_walk_is_judged_against_the_ones_before_it_and_says_which(walked):
    _, _, third, fourth = walked[1]
    assert checks(third)["bladder"]["verdict"] == "passed", checks(third)
    told = dict(checks(third)["bladder"]["data"])
    assert told["runs"] == "R0002 R0001" and 0.8 < told["ratio"] < 1.2
    torn = checks(fourth)["bladder"]
    assert torn["verdict"] == "failed" and "of 3 earlier walks, 25 % allowed" in torn["text"]
    assert dict(torn["data"])["ratio"] == pytest.approx(1.0 / 1.6, rel=0.15), "Boyle: stiffness goes with 1/volume"
    assert json.loads((fourth / "run.json").read_bytes())["outcome"] == "not_commissioned"


def test_the_record_holds_what_it_was_judged_against_and_replays_with_it(walked, rigd, tmp_path):
    records, folders = walked
    earlier = earlier_from((folders[2] / EARLIER).read_bytes())
    assert [figure.run for figure in earlier.of("bladder")] == [2, 1]
    assert rigd("runs", "verify", "--records", records).code == 0
    for number in range(1, 5):
        told = rigd("runs", "replay", str(number), "--records", records)
        assert told.code == 0, told.out + told.err
    with pytest.raises(errors.RecordAltered, match="canonical"):
        earlier_from((folders[2] / EARLIER).read_bytes().replace(b":", b": ", 1))
    with pytest.raises(errors.RecordAltered, match="cannot be read"):
        earlier_from(canonical_json({"figures": [{"check": "vent"}]}))


def test_an_altered_trend_shows(walked, rigd, forge, tmp_path):
    """One figure doctored in the record: verify names the file."""
    folder = Path(shutil.copytree(walked[1][2], tmp_path / walked[1][2].name))
    os.chmod(folder, 0o750)
    (folder / EARLIER).chmod(0o640)
    forge.rewrite(folder / EARLIER, lambda data: data.replace(b'"figure":', b'"figure":9', 1))
    told = rigd("runs", "verify", folder)
    assert told.code == errors.BAD_DATA and EARLIER in told.out + told.err


def test_a_tank_off_its_trend_forbids_every_run_until_it_is_as_usual(walked, rigd, tmp_path):
    records = Path(shutil.copytree(walked[0], tmp_path / "records"))
    words = refused(records)
    for due in ("run 4", "failed at the tank", "25 % allowed", "kPa/mL", "rigd doctor --walk --rig demo-flush"):
        assert due in words, words
    told = rigd("run", "flush-direction", "--rig", "demo-flush", "--specimen", "K-07", "--operator", "A. Novak",
                "--records", records)  # fmt: skip
    assert told.code == errors.CONFIGURATION and "run 4" in told.err and not told.out
    assert len(list(records.glob("*_R*"))) == 4, "no run was begun"
    walk = walk_file(tmp_path)
    assert refused(records, str(walk)) == "", "a walk is how it is found as usual again"
    record(records, walk, gas=1.0)
    assert refused(records) == ""


def test_a_tank_changed_on_purpose_begins_its_trend_anew_by_a_day(walked, tmp_path):
    records = Path(shutil.copytree(walked[0], tmp_path / "records"))
    failed_on = time.strftime("%Y-%m-%d", time.gmtime((NOW_NS - 6 * DAY_NS) / 1e9))
    day_before = time.strftime("%Y-%m-%d", time.gmtime((NOW_NS - 7 * DAY_NS) / 1e9))
    early = record(records, walk_file(tmp_path, day_before), gas=1.6)
    assert checks(early)["bladder"]["verdict"] == "measured", "one walk of that day is too few"
    assert "run 4" in refused(records), "a day before the failure lifts nothing"
    late = record(records, walk_file(tmp_path, failed_on), gas=1.6)
    assert "no trend yet: 1 earlier walk" in checks(late)["bladder"]["text"], "the failed one is no part of a trend"
    assert refused(records) == ""


def test_a_pass_is_believed_of_a_sound_record_only_and_a_failure_of_any(walked, forge, tmp_path):
    records = Path(shutil.copytree(walked[0], tmp_path / "records"))
    passed = record(records, walk_file(tmp_path), gas=1.0)
    assert refused(records) == ""
    for folder in (passed, records / walked[1][3].name):
        os.chmod(folder, 0o750)
        (folder / "report.txt").chmod(0o640)
        forge.rewrite(folder / "report.txt", lambda data: data + b".")
    assert "run 4" in refused(records)


def test_only_walks_sealed_with_the_rigs_key_make_its_trend(walked, tmp_path):
    key = tmp_path / "rig.key"
    make_key(key)
    job = load_job(profile=str(walk_file(tmp_path)), rig="demo-flush", specimens=("blank",), facts=("mounting=plug",),
                   records=walked[0], person="A", named=True)  # fmt: skip
    (mounted,) = trend.with_earlier(job).mounted
    assert len(mounted.earlier.of("bladder")) == 3
    (keyed,) = trend.with_earlier(replace(job, key=key)).mounted
    assert keyed.earlier.figures == () and keyed.earlier_bytes == b'{"figures":[]}\n'
