"""Plants one small wrong after another in a copy of the tree and lets the nights find it.

    python -m simulator.planted                       every bug, two at a time
    python -m simulator.planted --only "no ceiling"

A bug that no night finds within its hours is a survivor: an invariant is missing. Seeds start where the last campaign
found it (`simulator.planted_kills`), so that a bug that is still found is found in seconds.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from simulator.planted_bugs import BUGS, Bug

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("rigd", "drivers", "simulator", "profiles")
HOURS = 100.0  # of nights a bug may live at most
KILLS = Path(__file__).with_name("planted_kills.json")
LONGEST_S = 900.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Kill:
    """How one bug ended. `by`: the invariant, "" for a survivor."""

    bug: str
    by: str
    seed: int
    hours: float
    words: str


def plant(bug: Bug, tree: Path) -> None:
    """Copy the packages to `tree` with the bug in its place."""
    for package in PACKAGES:
        shutil.copytree(ROOT / package, tree / package, ignore=shutil.ignore_patterns("__pycache__"))
    place = tree / bug.file
    text = place.read_text()
    assert text.count(bug.old) == 1, f"{bug.name}: {bug.file} has the old text {text.count(bug.old)} times"
    place.write_text(text.replace(bug.old, bug.new))


def hunt(bug: Bug, hours: float = HOURS, first: int | None = None) -> Kill:
    """Play nights on the copy until one finds the bug."""
    known = known_kills()
    seed = first if first is not None else known.get(bug.name, 1)
    with tempfile.TemporaryDirectory(prefix="planted-") as folder:
        plant(bug, Path(folder))
        done = subprocess.run(
            [sys.executable, "-c", _HUNT, str(seed), str(hours)],
            cwd=folder, capture_output=True, text=True, check=False, timeout=LONGEST_S,
            env={**os.environ, "PYTHONPATH": folder, "PYTHONDONTWRITEBYTECODE": "1"},
        )  # fmt: skip
    if done.returncode not in (0, 1) or not done.stdout.startswith("{"):
        return Kill(bug=bug.name, by="it does not even start", seed=seed, hours=0.0, words=done.stderr[-300:])
    return Kill(bug=bug.name, **json.loads(done.stdout))


_HUNT = """
import json, sys
from simulator.nights import play
from simulator.promises import Violation
seed, hours = int(sys.argv[1]), float(sys.argv[2])
lived_s = 0.0
found = {"by": "", "words": ""}
while lived_s < hours * 3600.0:
    try:
        lived_s += play(seed).simulated_s
    except Violation as violation:
        lived_s += violation.night.now_ns / 1e9
        found = {"by": violation.name, "words": violation.words[:200]}
        break
    seed += 1
print(json.dumps({**found, "seed": seed, "hours": lived_s / 3600.0}))
"""


def known_kills() -> dict[str, int]:
    return json.loads(KILLS.read_text()) if KILLS.exists() else {}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m simulator.planted", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--only", help="name of one bug")
    parser.add_argument("--hours", type=float, default=HOURS, help="simulated hours a bug may live")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", action="store_true", help="keep the seeds that found them")
    options = parser.parse_args()
    bugs = [bug for bug in BUGS if options.only in (None, bug.name)]
    began = time.perf_counter()
    kills = known_kills()
    with ThreadPoolExecutor(options.jobs) as pool:
        survivors = 0
        for kill in pool.map(lambda bug: hunt(bug, options.hours), bugs):
            survivors += not kill.by
            told = f"{kill.by} in {kill.hours:.2f} h, seed {kill.seed}" if kill.by else f"SURVIVED {kill.hours:.0f} h"
            print(f"{kill.bug}: {told}" + (f" ({kill.words})" if not kill.hours else ""), flush=True)
            if kill.by:
                kills[kill.bug] = kill.seed
    if options.keep:
        KILLS.write_text(json.dumps(kills, indent=1, sort_keys=True) + "\n")
    print(f"{len(bugs) - survivors} of {len(bugs)} planted bugs found, {time.perf_counter() - began:.0f} s")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main())
