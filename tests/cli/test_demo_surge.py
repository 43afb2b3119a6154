"""`rigd demo surge` as a user types it: what it prints, what each station's record holds, and that counts are true.

The truth is the simulated specimen's own count; that the command tells it apart from what was measured is what is
asked here. Counting itself is judged in tests/simulator/test_surge_truth.py.
"""

import json
import subprocess
import sys
from pathlib import Path

from rigd.replay import replay
from rigd.store.archive import open_run


def test_each_station_is_a_sealed_record_whose_counts_are_the_specimens_own(tmp_path: Path) -> None:
    words = ["demo", "surge", "--seed", "1", "--stations", "3", "--virtual", "--truth", "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "rigd.cli.main", *words, "--records", str(tmp_path)],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    stations = json.loads(done.stdout)["stations"]
    assert [one["specimen"] for one in stations] == ["demo-1-1", "demo-1-2", "demo-1-3"]
    for number, one in enumerate(stations, start=1):
        truth = one["truth"]
        assert one["cycles_applied"] == truth["cycles"]
        assert one["stuck_cycles"] == truth["stuck_cycles"]
        assert one["failed_at_cycle"] == truth["failed_at_cycle"]
        sealed = open_run(Path(one["record"]))
        assert sealed.read("station.txt") == b"%d\n" % number
        assert sealed.run["outcome"] == one["outcome"]
    assert {"parted", "run_out"} <= {one["outcome"] for one in stations}
    assert any(one["stuck_cycles"] for one in stations)
    *_, last = replay(open_run(Path(stations[2]["record"])))
    assert last.text.startswith("parted"), last
