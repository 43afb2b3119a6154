"""Plants one small wrong after another in a copy of the tree and lets the nights find it.

    python -m simulator.planted                       every bug, two at a time; goes on where it was broken off
    python -m simulator.planted --only "no ceiling"
    python -m simulator.planted --keep                also keep the seeds that found them

A bug that no night finds within its hours is a survivor: an invariant is missing, and the exit code is 1. Each hunt
begins with the seed that found the bug last (`planted_kills.json`), then goes through seeds 1, 2, 3, ...: the same tree
gives the same kills. What found a bug must find nothing in the sound tree, or it has found something else. Kills are
noted in `records/planted.json` with a hash of the tree; a second call leaves out what was found in this very tree.
"""

import argparse
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from threading import Lock

from simulator.planted_bugs import BUGS, Bug

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("rigd", "drivers", "simulator", "profiles")
HOURS = 20.0  # of nights a bug may live at most: what the tests play
KILLS = Path(__file__).with_name("planted_kills.json")
NOTES = Path("records/planted.json")
LONGEST_S = 1800.0  # on any machine that could run a rig


@dataclass(frozen=True, slots=True, kw_only=True)
class Kill:
    """How one bug ended. `by`: the invariant, "" for a survivor."""

    bug: str
    by: str
    seed: int
    hours: float
    words: str


def plant(bugs: Sequence[Bug], tree: Path) -> None:
    """Copy the packages to `tree` with the bugs in their places."""
    for package in PACKAGES:
        shutil.copytree(ROOT / package, tree / package, ignore=shutil.ignore_patterns("__pycache__"))
    for bug in bugs:
        place = tree / bug.file
        text = place.read_text()
        assert text.count(bug.old) == 1, f"{bug.name}: {bug.file} has the old text {text.count(bug.old)} times"
        place.write_text(text.replace(bug.old, bug.new))


def hunt(bug: Bug, hours: float = HOURS, known: int | None = None) -> Kill:
    """Play nights on a copy with the bug, first the known seed, until one finds it."""
    first = [known] if known is not None else []
    with tempfile.TemporaryDirectory(prefix="planted-") as folder:
        plant([bug], Path(folder))
        found, trouble = _play(Path(folder), bug.nights, [*first, "on"], hours)
    if found is None:
        return Kill(bug=bug.name, by="", seed=0, hours=0.0, words=f"the hunt itself failed: {trouble}")
    return Kill(bug=bug.name, **found)


def found_in_sound_tree(nights: str, seeds: Sequence[int]) -> dict[int, str]:
    """Which of these seeds break a promise without any bug: what they killed was not killed by its bug."""
    wrong = {}
    with tempfile.TemporaryDirectory(prefix="planted-") as folder:
        plant([], Path(folder))
        for seed in seeds:
            found, trouble = _play(Path(folder), nights, [seed], 1e9)
            if found is None or found["by"]:
                wrong[seed] = trouble or f"{found['by']}: {found['words']}"
    return wrong


def _play(tree: Path, nights: str, seeds: list[int | str], hours: float) -> tuple[dict | None, str]:
    """Nights of these seeds ("on": and from 1 upward) in that tree, until one breaks a promise."""
    try:
        done = subprocess.run(
            [sys.executable, "-c", _HUNT, nights, json.dumps(seeds), str(hours)],
            cwd=tree, capture_output=True, text=True, check=False, timeout=LONGEST_S,
            env={**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"},
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return None, f"it took longer than {LONGEST_S:.0f} s"
    if done.returncode or not done.stdout.startswith("{"):
        return None, done.stderr[-300:]
    return json.loads(done.stdout), ""


_HUNT = """
import itertools, json, sys
from simulator.bench_nights import PLAYS
from simulator.nights import play
from simulator.promises import Violation
play, seeds, hours = PLAYS.get(sys.argv[1], play), json.loads(sys.argv[2]), float(sys.argv[3])
lived_s, seed = 0.0, 0
found = {"by": "", "words": ""}
for seed in itertools.chain(seeds[:-1], itertools.count(1)) if seeds[-1] == "on" else seeds:
    try:
        lived_s += play(seed).simulated_s
    except Violation as violation:
        lived_s += violation.night.now_ns / 1e9
        found = {"by": violation.name, "words": violation.words[:200]}
        break
    if lived_s >= hours * 3600.0:
        break
print(json.dumps({**found, "seed": seed, "hours": lived_s / 3600.0}))
"""


def known_kills() -> dict[str, int]:
    return json.loads(KILLS.read_text()) if KILLS.exists() else {}


def fingerprint(bug: Bug) -> str:
    """Of the bug and of everything it is hunted in."""
    digest = hashlib.sha256(repr(bug).encode())
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*")):
            if path.suffix in (".py", ".yaml"):
                digest.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    return digest.hexdigest()


class Notes:
    """Kills so far, on disk after each of them."""

    def __init__(self, path: Path) -> None:
        self._path, self._lock = path, Lock()
        self._kills: dict[str, dict] = json.loads(path.read_text()) if path.exists() else {}

    def recall(self, key: str) -> Kill | None:
        note = self._kills.get(key)
        return Kill(**note) if note else None

    def take(self, key: str, kill: Kill) -> None:
        with self._lock:
            self._kills[key] = asdict(kill)
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._path.write_text(json.dumps(self._kills, indent=1) + "\n")


def tell(kill: Kill, recalled: bool) -> str:
    told = f"{kill.by} in {kill.hours:.2f} h, seed {kill.seed}" if kill.by else f"SURVIVED {kill.hours:.1f} h"
    told += f" ({kill.words})" if not kill.by and kill.words else ""
    return f"{kill.bug}: {told}" + (", found before in this tree" if recalled else "")


def hunt_all(bugs: Sequence[Bug], hours: float, jobs: int, notes: Notes) -> list[Kill]:
    known = known_kills()

    def one(bug: Bug) -> Kill:
        key = fingerprint(bug)  # before the copy: the tree may be edited meanwhile
        recalled = notes.recall(key)
        kill = recalled or hunt(bug, hours, known.get(bug.name))
        if kill.by and not recalled:
            notes.take(key, kill)
        print(tell(kill, recalled is not None), flush=True)
        return kill

    with ThreadPoolExecutor(jobs) as pool:
        return list(pool.map(one, bugs))


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m simulator.planted", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--only", help="name of one bug")
    parser.add_argument("--hours", type=float, default=HOURS, help="simulated hours a bug may live")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", action="store_true", help="keep the seeds that found them")
    parser.add_argument("--notes", type=Path, default=NOTES, help="where kills are noted, to go on from")
    options = parser.parse_args()
    bugs = [bug for bug in BUGS if options.only in (None, bug.name)]
    if not bugs:
        parser.error(f"no bug is called {options.only!r}; the names are in simulator/planted_bugs.py")
    began = time.perf_counter()
    kills = hunt_all(bugs, options.hours, options.jobs, Notes(options.notes))
    wrong: dict[tuple[str, int], str] = {}
    killed_in = {kill.bug: (bug.nights, kill.seed) for bug, kill in zip(bugs, kills, strict=True) if kill.by}
    for nights in sorted({nights for nights, _ in killed_in.values()}):
        seeds = sorted({seed for kind, seed in killed_in.values() if kind == nights})
        wrong |= {(nights, seed): words for seed, words in found_in_sound_tree(nights, seeds).items()}
    for (nights, seed), words in wrong.items():
        print(f"seed {seed}{f' of {nights}' if nights else ''} breaks a promise without any bug: {words}")
    survivors = [kill.bug for kill in kills if not kill.by]
    if options.keep:
        kept = known_kills() | {bug: seed for bug, (nights, seed) in killed_in.items() if (nights, seed) not in wrong}
        KILLS.write_text(json.dumps(kept, indent=1, sort_keys=True) + "\n")
    if survivors:
        print("survivors: " + "; ".join(survivors))
    print(f"{len(bugs) - len(survivors)} of {len(bugs)} planted bugs found, {time.perf_counter() - began:.0f} s")
    return 1 if survivors or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
