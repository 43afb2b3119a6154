"""A night of surges closed: the table grows segment by segment, survives a kill, and says what the engine and calc say.

One short night is played in the simulator, once for all tests: four invented specimens, one whose cap blows off, one
whose indicator sticks. Each station's journal is cut into segments as a long night's would be.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from rigd.cli.result import read_result, read_summary
from rigd.cli.resume import carried_of
from rigd.closing.closer import Closer, close_run
from rigd.closing.results import measured_again
from rigd.files.load import find, load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.model.messages import Cycle
from rigd.store import cycles, runs
from rigd.store.archive import open_run
from rigd.store.journal import FOLDER, BlockBuilder, identity, segment_header, segment_path
from rigd.store.verification import verify
from simulator.stations import Mounted, StationsWorld
from simulator.surge_bench import SurgeBench
from simulator.surge_bodies import draw_surge_body
from simulator.world import BEAT_NS, Names

UTC_NS = 1_795_000_000_000_000_000
SHORTER = ((b"[12, 12]", b"[9, 6]"), (b"20 s", b"1 s"), (b"rest: 1 s", b"rest: 300 ms"), (b"cycles: 24", b"cycles: 15"))
SPECIMEN = b"""specimen: %s
make: K
size: short
lot: L7
water_temperature: 20 degC
specimen_temperature: 20 degC
conditioning: 2 h
surroundings: in air
mounting: cage
end_closure: free
"""


@dataclass
class PlayedStation:
    files: dict[str, bytes]
    whose: bytes
    blocks: list[bytes]
    cycles: list[Cycle]

    def journal(self, records: Path, *, blocks: int | None = None, per_segment: int = 150) -> Path:
        """A run folder that nobody has closed: with all its blocks, or as many as a killed process left."""
        given = runs.allocate(records, profile="cyclic-surge", specimen="K-01", utc_ns=UTC_NS, files=self.files)
        (given.path / FOLDER).mkdir()
        left = self.blocks[:blocks]
        for number, start in enumerate(range(0, len(left), per_segment), start=1):
            part = left[start : start + per_segment]
            header = segment_header(number=number, identity=self.whose, block=part[0])
            segment_path(given.path, number).write_bytes(header + b"".join(part))
        return given.path


@pytest.fixture(scope="module")
def night() -> list[PlayedStation]:
    played = play_night()
    assert any(cycle.partial for cycle in played[1].cycles)
    return played


def play_night(acts: Sequence[tuple[int, int, str]] = ()) -> list[PlayedStation]:
    rig_bytes, profile_bytes = find("demo-surge", "rig").read_bytes(), find("cyclic-surge", "profile").read_bytes()
    for old, new in SHORTER:
        assert old in profile_bytes
        profile_bytes = profile_bytes.replace(old, new)
    rig, profile = load_rig_bytes(rig_bytes, "rig.yaml"), load_profile_bytes(profile_bytes, "profile.yaml")
    stations, mounted = [], []
    for number in range(1, rig.stations + 1):
        specimen = SPECIMEN % b"K-%02d" % number
        files = {"rig.yaml": rig_bytes, "profile.yaml": profile_bytes, "specimen.yaml": specimen}
        hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
        files["station.txt"] = b"%d" % number
        whose = identity(run=1, version="0", files=tuple(hashes.items()))
        named = {f"{name.removesuffix('.yaml')}_sha256": digest for name, digest in hashes.items()}
        builder, blocks = BlockBuilder(whose), []
        names = Names(run=1, utc_ns=UTC_NS, version="0", latched=(), **named)
        loaded = load_specimen_bytes(specimen, "specimen.yaml")
        mounted.append(Mounted(specimen=loaded, names=names, builder=builder, hand_over=blocks.append))
        stations.append((files, whose, blocks, builder))
    cap = replace(draw_surge_body("cap", 4, 2), life=7.0)
    tired = replace(draw_surge_body("sticking", 4, 3), wear=0.08)
    bench = SurgeBench(rig, seed=4, bodies=("strong", cap, tired, "strong"))
    world = StationsWorld(rig, profile, bench, tuple(mounted), seed=4)
    world.acts = list(acts)
    world.run()
    return [
        PlayedStation(files=files, whose=whose, blocks=[*blocks, builder.close()], cycles=run.cycles)
        for (files, whose, blocks, builder), run in zip(stations, world.runs, strict=True)
    ]


def lines_of(folder: Path) -> bytes:
    return (folder / cycles.LINES).read_bytes()


def all_files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_table_of_a_sealed_record_is_what_the_engine_said(night, tmp_path) -> None:
    for station in night:
        folder = station.journal(tmp_path)
        run = close_run(folder, with_plot=False)
        assert run["replay"] == "identical" and run["engine_and_measured_agree"] is True, run["measured"]
        frame = pd.read_parquet(folder / cycles.PARQUET)
        assert frame.attrs["station"] == run["station"] == int(station.files["station.txt"])
        assert frame["cycle"].tolist() == [cycle.cycle for cycle in station.cycles]
        assert frame["peak_sampled_pa"].dropna().tolist() == [
            cycle.peak_sampled_pa for cycle in station.cycles if cycle.peak_sampled_pa is not None
        ]
        assert run["surges"]["begun_in_this_run"] == len(station.cycles)
        counts = run["surges"]["counts"]
        assert counts["cycles_applied"] == int(frame["applied"].sum())
        assert counts["cycles_valid"] == int((frame["valid"] & ~frame["extra"]).sum())
        assert counts["cycles_partial"] == int(frame["partial"].sum())
        assert counts["stuck_cycles"] == int((~frame["returned"].dropna().astype(bool)).sum())
        zero_pa = run["result"]["zero_pa"]
        assert (frame["peak_sampled_pa"] - zero_pa).dropna().tolist() == frame["peak_zeroed_pa"].dropna().tolist()
        archive = open_run(folder)
        about = {name: frame.attrs[name] for name in ("run", "specimen", "profile", "rig", "station")}
        again = cycles.table_of_lines(archive.read(cycles.LINES), about=about)
        assert cycles.parquet_bytes(again) == archive.read(cycles.PARQUET)
        assert json.loads(json.dumps(measured_again(archive))) == run["measured"]


def test_run_json_results_csv_report_and_lists_tell_the_same(night, tmp_path) -> None:
    told = []
    for station in night[:3]:
        folder = station.journal(tmp_path)
        told.append((folder, close_run(folder)))
        assert (folder / "figures" / "surge.svg").exists() and not (folder / "figures" / "burst.svg").exists()
    (_, strong), (lost, parted), (tired, sticking) = told
    (row,) = pd.read_csv(lost / "results.csv").to_dict("records")
    failed_at = parted["surges"]["counts"]["failed_at_cycle"]
    assert (row["failed_at_cycle"], row["cycles_owed"], row["station"], row["medium"]) == (failed_at, 15, 2, "water")
    assert row["not_valid_partial"] == 1 and row["energy_gas_behind_j"] > 1000.0
    assert row["charge_pressure_median_pa"] != row["peak_at_specimen_median_pa"]
    assert row["peak_at_specimen_median_psi"] == pytest.approx(86.0, abs=1.0)
    report = (lost / "report.txt").read_text()
    for due in (
        "station 2", "SIMULATED", f"Failed at cycle   {failed_at}", "Charge pressure", "behind the release valve",
        f"reject: it failed at cycle {failed_at}, before the 15", "Peak at specimen", "wet beneath the specimen",
        "the same counts, times and pressures", "gas behind", "not the safety device", "The loading was uneven",
        "no damage-equivalent number",
    ):  # fmt: skip
        assert due in report, (due, report)
    assert "Failure pressure" not in report, "what failed, failed at a cycle"
    counts = sticking["surges"]["counts"]
    assert counts["stuck_cycles"] > 0
    words = (tired / "report.txt").read_text()
    assert f"{counts['stuck_cycles']} times, first at cycle {counts['first_stuck_cycle']}" in words
    assert parted["surges"]["why_not_valid"] == {"partial": 1} and strong["surges"]["why_not_valid"] == {}
    listed = [read_summary(run) for run in runs.list_runs(tmp_path)]
    assert f"failed at cycle {failed_at}, station 2" in listed[1]["told"]
    assert listed[2]["cycles"] == counts and "15 of 15 cycles valid" in listed[0]["told"]
    shown = read_result(lost)
    assert shown["surges"] == parted["surges"] and shown["station"] == 2 and shown["failure_pa"] is None


@pytest.mark.parametrize("segments", [0, 1, 3])
def test_a_closing_that_is_killed_is_finished_to_the_same_bytes(night, tmp_path, segments: int) -> None:
    station = night[2]
    whole = station.journal(tmp_path / "whole")
    close_run(whole, with_plot=False)
    folder = station.journal(tmp_path / "killed")
    closer = Closer(folder, with_plot=False)
    closer._seal_up_to(segments)
    live = lines_of(folder)
    assert lines_of(whole).startswith(live) and live.endswith(b"\n")
    assert segments < 3 or live.count(b"\n") > 3
    with open(folder / cycles.LINES, "ab") as torn:
        torn.write(b"999,12")  # what a power cut may leave
    close_run(folder, with_plot=False)
    assert all_files(folder) == all_files(whole)
    assert verify(folder).ok


def test_a_night_that_was_cut_off_counts_the_surge_it_was_in_as_partial(night, tmp_path) -> None:
    """A surge is begun, and then nothing: as after a power cut."""
    station = night[0]
    found, over = set(), station.cycles[5].t_ns // BEAT_NS  # the block in which a surge ends
    for blocks in range(over - 8, over + 8, 3):
        folder = station.journal(tmp_path / str(blocks), blocks=blocks)
        run = close_run(folder, with_plot=False)
        surges = run["surges"]
        assert run["outcome"] == "interrupted" and run["engine_and_measured_agree"] is True, run["measured"]
        rows = pq.read_table(folder / cycles.PARQUET).num_rows
        assert surges["begun_in_this_run"] == rows + surges["not_ended"]
        assert surges["counts"]["cycles_partial"] == surges["not_ended"]
        assert surges["counts"]["cycles_applied"] >= rows
        carried, counts = carried_of(open_run(folder)), surges["counts"]
        for name in ("applied", "valid", "partial", "extra", "assisted"):  # what a resumed run would begin with
            assert counts[f"cycles_{name}"] == getattr(carried, name), name
        found.add(surges["not_ended"])
        if surges["not_ended"]:
            assert "begun when the record was cut off" in (folder / "report.txt").read_text()
    assert found == {0, 1}


def test_a_run_that_was_stopped_before_its_first_surge_has_counts_of_nothing(tmp_path) -> None:
    """Nobody is there, somebody vents: the engine's Result knows of no cycles."""
    (station, *_) = play_night(acts=[(6_000_000_000 + n, n, "vent") for n in range(4)])
    run = close_run(station.journal(tmp_path))
    assert run["outcome"] == "stopped" and run["surges"]["counts"]["cycles_valid"] == 0
    assert run["surges"]["counts"]["cycles_owed"] == 15 and run["engine_and_measured_agree"] is None


def test_a_run_that_died_before_its_first_surge_is_sealed_too(night, tmp_path) -> None:
    folder = night[0].journal(tmp_path, blocks=20)
    run = close_run(folder)
    assert run["surges"]["counts"]["cycles_applied"] == 0 and run["engine_and_measured_agree"] is None
    assert lines_of(folder) == cycles.heading() and pq.read_table(folder / cycles.PARQUET).num_rows == 0
    assert verify(folder).ok and json.loads((folder / "run.json").read_bytes())["advice"]["drift"] == []
