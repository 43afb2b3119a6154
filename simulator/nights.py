"""A campaign of simulated nights, from the command line.

    python -m simulator.nights --hours 20 --seed 1 --jobs 2
    python -m simulator.nights --only 1234            one night, as a failure's line says
    python -m simulator.nights --compiled ...         the same, in a compiled copy (`compiled`), or an error

Each seed is one night; seeds go up from the first until the hours are simulated. A failure prints one line that
reproduces it and writes the record of that process. The last lines are what was met, what was not, and how fast it was.
"""

import argparse
import gc
import json
import math
import multiprocessing
import os
import resource
import subprocess
import sys
import time
from dataclasses import dataclass, field
from itertools import chain
from multiprocessing.pool import ThreadPool
from pathlib import Path

from rigd.store.encode import decode, split
from rigd.store.journal import _parse, _take_apart
from simulator.compiled import ROOT, SOURCE_NAME, NotCompiled, compile_tree, run_there
from simulator.night import Night, Report
from simulator.promises import INVARIANTS, Violation
from simulator.sometimes import Seen
from simulator.swarm import draw_swarm, shipped
from simulator.weather import KINDS

TWICE_EVERY = 50  # seeds: played again in a fresh process under another hash seed
FAILURES_KEPT = 20  # a broken promise breaks in many nights; a few tell enough
RECORDS = Path("records/nights")
SOURCE = Path(os.environ.get(SOURCE_NAME, ROOT))  # the plain files, also when this runs in a compiled copy


@dataclass(slots=True)
class Campaign:
    """What some nights came to."""

    simulated_s: float = 0.0
    wall_s: float = 0.0
    cpu_s: float = 0.0  # processor time of all that: others may use the machine meanwhile
    nights: int = 0
    runs: int = 0
    strikes: int = 0
    crowded: int = 0
    failures: list[str] = field(default_factory=list)
    seen: Seen = field(default_factory=Seen)
    heads: dict[int, str] = field(default_factory=dict)

    def add(self, other: "Campaign") -> None:
        for name in ("simulated_s", "cpu_s", "nights", "runs", "strikes", "crowded"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.wall_s = max(self.wall_s, other.wall_s)
        self.failures += other.failures
        self.heads.update(other.heads)
        self.seen.add(other.seen)

    def take(self, report: Report) -> None:
        self.simulated_s += report.simulated_s
        self.nights += 1
        self.runs += report.runs
        self.strikes += report.strikes
        self.crowded += report.together >= 3
        self.heads[report.seed] = report.head

    def summary(self, jobs: int) -> str:
        nights, strikes = max(self.nights, 1), max(self.strikes, 1)
        return (
            f"\n{self.simulated_s / 3600:.1f} simulated hours, {self.nights} nights, {self.runs} processes, "
            f"{self.strikes} faults of {len(KINDS)} kinds (one each {self.simulated_s / strikes:.1f} s), three or "
            f"more at once in {100 * self.crowded / nights:.0f} % of the nights; {len(INVARIANTS)} invariants at "
            "every step; "
            f"{self.wall_s:.0f} s on {jobs} cores, {self.simulated_s / max(self.wall_s, 1e-9) / jobs:.0f} times real "
            f"time a core, {self.simulated_s / max(self.cpu_s, 1e-9):.0f} times by processor time"
        )


def play(seed: int, seen: Seen | None = None) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    return play_night(Night(draw_swarm(seed, tuple(KINDS)), seen if seen is not None else Seen()))


def play_night(night: Night) -> Report:
    """This night. Raises as `play` does."""
    gc.collect()
    gc.disable()  # a night makes millions of small things and no rings of them; the collector would look at each
    try:
        return night.play()
    except Violation as violation:
        violation.night = night
        raise
    except Exception as bug:
        found = Violation("NEVER_RAISES", repr(bug))
        found.night = night
        raise found from bug
    finally:
        gc.enable()


def play_many(
    first: int, step: int, hours: float, records: Path | None, kill_at: int = FAILURES_KEPT, minutes: float = math.inf
) -> Campaign:
    """Seeds first, first + step, ... until so many hours are simulated, or so many minutes of ours have passed."""
    campaign, began, cpu_began_s = Campaign(), time.perf_counter(), time.process_time()
    gc.freeze()  # what is there before the first night stays: the collector need not look at it after each
    seed = first
    while campaign.simulated_s < hours * 3600.0 and len(campaign.failures) < kill_at:
        if time.perf_counter() - began > minutes * 60.0:
            break
        try:
            campaign.take(play(seed, campaign.seen))
        except Violation as violation:
            campaign.failures.append(tell(seed, violation, records))
            print("FAILED " + campaign.failures[-1], file=sys.stderr, flush=True)
        seed += step
    campaign.wall_s, campaign.cpu_s = time.perf_counter() - began, time.process_time() - cpu_began_s
    return campaign


def tell(seed: int, violation: Violation, records: Path | None) -> str:
    """The one line that reproduces a failure; its record is written beside."""
    night = violation.night
    at_s = night.now_ns / 1e9
    where = f"; record: {keep(night, seed, records)}" if records else ""
    words = violation.words if len(violation.words) < 300 else violation.words[:297] + "..."
    return (
        f"python -m simulator.nights --only {seed}  # commit {commit()}, {at_s:.3f} s, {violation.name}: {words}{where}"
    )


def keep(night: Night, seed: int, records: Path) -> Path:
    """Everything the process said and heard so far, one message a line."""
    records.mkdir(parents=True, exist_ok=True)
    path = records / f"night-{seed}.jsonl"
    blocks = [*night.record]
    if not night.builder.empty:
        blocks.append(night.builder.take())
    with path.open("w") as file:
        for data in blocks:
            kind, count, first_seq, previous, payload, _ = _parse(data, 0)
            block = _take_apart(kind, count, first_seq, previous, payload, 1, 0)
            for part in (block.inputs, block.outputs):
                for message in split(part):
                    file.write(f"{decode(message)}\n")
    return path


def commit() -> str:
    done = subprocess.run(
        ["git", "-C", str(SOURCE), "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    )
    return done.stdout.strip() or "unknown"


def twice(heads: dict[int, str], jobs: int = 1) -> list[str]:
    """Play every 50th night again, by the plain files, in fresh interpreters with hash seeds of their own; what came
    out differently."""
    again = [seed for seed in sorted(heads) if not seed % TWICE_EVERY]
    with ThreadPool(jobs) as pool:
        heads_again = dict(chain.from_iterable(pool.map(_heads_again, [again[job::jobs] for job in range(jobs)])))
    return [
        f"seed {seed}: under another PYTHONHASHSEED the record is another one ({heads_again[seed]})"
        for seed in again
        if heads_again[seed] != heads[seed]
    ]


def _heads_again(seeds: list[int]) -> list[tuple[int, str]]:
    """The hash of the records of each of these nights, or what went wrong."""
    done = subprocess.run(
        [sys.executable, "-m", "simulator.nights", "--heads", *map(str, seeds)],
        cwd=SOURCE, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONHASHSEED": str(sum(seeds) % 4_294_967_295 + 7), "PYTHONPATH": str(SOURCE)},
    )  # fmt: skip
    told = done.stdout.splitlines()
    told += [done.stderr[-200:]] * (len(seeds) - len(told))
    return list(zip(seeds, told, strict=True))


def _work(arguments: tuple[int, int, float, Path | None, int, float]) -> Campaign:
    return play_many(*arguments)


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def run(hours: float, seed: int, jobs: int, records: Path | None, minutes: float = math.inf) -> Campaign:
    """The campaign on so many cores, and every 50th night of it again."""
    began = time.perf_counter()
    whole = Campaign()
    tasks = [(seed + job, jobs, hours / jobs, records, FAILURES_KEPT, minutes) for job in range(jobs)]
    if jobs == 1:
        whole.add(play_many(*tasks[0]))
    else:
        with multiprocessing.get_context("spawn").Pool(jobs) as pool:
            for part in pool.imap_unordered(_work, tasks):
                whole.add(part)
    before_s = _children_s()
    whole.failures += twice(whole.heads, jobs)
    whole.cpu_s += _children_s() - before_s
    whole.wall_s = time.perf_counter() - began
    return whole


def parse_options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m simulator.nights", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--hours", type=float, default=20.0, help="simulated rig-hours in all")
    parser.add_argument("--minutes", type=float, default=math.inf, help="begin no night after so many minutes")
    parser.add_argument("--seed", type=int, default=1, help="the first night")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--only", type=int, help="play this one night")
    parser.add_argument("--heads", type=int, nargs="*", help="play these nights: print the hash of each one's records")
    parser.add_argument("--records", type=Path, default=RECORDS, help="where the record of a failure goes")
    parser.add_argument("--compiled", action="store_true", help="play in a compiled copy, or fail")
    parser.add_argument("--table", type=Path, help="also write what was met as JSON here")
    return parser.parse_args()


def main() -> int:
    options = parse_options()
    if options.compiled:
        try:
            tree, words = compile_tree()
        except NotCompiled as why:
            print(f"The nights cannot be compiled: {why}. Without --compiled they are played as they are, slower.",
                  file=sys.stderr)  # fmt: skip
            return 2
        print(f"{words}: {tree}", flush=True)
        return run_there(tree, [word for word in sys.argv[1:] if word != "--compiled"])
    if options.only is not None:
        return _play_one(options)
    if options.heads is not None:
        return _tell_heads(options.heads)
    whole = run(options.hours, options.seed, options.jobs, options.records, options.minutes)
    rig = shipped()[0]
    print(whole.seen.table(rig))
    missing = whole.seen.missing(rig)
    for name, cells in missing.items():
        print(f"\n{name}: {len(cells)} not met" + (": " + "; ".join(cells) if cells else ""))
    wrong = whole.seen.wrong_reasons(rig)
    print(whole.summary(options.jobs))
    for line in [*whole.failures, *wrong]:
        print("FAILED " + line)
    if options.table:
        parts = {name: getattr(whole.seen, name) for name in ("causes", "moves", "strikes", "others")}
        counts = {name: {" x ".join(k) if type(k) is tuple else k: n for k, n in sorted(part.items())}
                  for name, part in parts.items()}  # fmt: skip
        options.table.write_text(json.dumps({"missing": missing, **counts}, indent=1) + "\n")
    return 1 if whole.failures or wrong else 0


def _play_one(options: argparse.Namespace) -> int:
    try:
        print(play(options.only))
    except Violation as violation:
        print("FAILED " + tell(options.only, violation, options.records))
        return 1
    return 0


def _tell_heads(seeds: list[int]) -> int:
    for seed in seeds:
        try:
            print(play(seed).head, flush=True)
        except Violation as violation:
            print(*tell(seed, violation, None).split(), flush=True)  # one line a night
    return 0


if __name__ == "__main__":
    sys.exit(main())
