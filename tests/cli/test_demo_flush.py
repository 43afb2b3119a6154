"""`rigd demo flush` from the command line to the sealed record and back."""

import csv
from pathlib import Path

from rigd.model import errors


def test_a_virtual_flush_is_a_real_record(rigd, tmp_path: Path) -> None:
    import json

    place = ("--records", tmp_path / "records")
    done = rigd("demo", "flush", "--seed", "3", "--virtual", "--truth", "--json", *place)
    assert done.code == errors.DONE, done.err
    told = json.loads(done.out)
    assert told["outcome"] == "aimed" and told["verdict"] == "none" and told["failure_pa"] is None
    aims = told["aims"]
    assert aims["measured"] == 12 and len(aims["aims"]) == 12
    assert aims["error_deg"]["low_deg"] - 1.0 <= told["truth"]["bias_deg"] <= aims["error_deg"]["high_deg"] + 1.0
    assert 0.0 <= aims["share_in"]["low"] <= aims["share_in"]["mean"] <= aims["share_in"]["high"] <= 1.0
    assert json.loads(rigd("runs", "verify", "1", *place, "--json").out)["sound"]
    assert json.loads(rigd("runs", "replay", "1", *place, "--json").out)["same"]
    shown = rigd("runs", "show", "1", *place).out
    assert "k = 12" in shown and "not caught" in shown and "clockwise" in shown
    (row,) = csv.DictReader((Path(told["record"]) / "results.csv").read_text().splitlines())
    assert float(row["share_in_mean"]) == aims["share_in"]["mean"] and row["aims_made"] == "12"


def test_what_the_demo_cannot_do_is_refused_in_words(rigd, tmp_path: Path) -> None:
    done = rigd("demo", "flush", "--virtual", "--technician", "drunk", "--records", tmp_path / "records")
    assert done.code == errors.USAGE and "allowed" in done.err
    assert not (tmp_path / "records").exists()
