"""A campaign of the other nights, from the command line: surges on stations, cap turns, aims, air checks, gas,
and bursts in which nothing bursts.

    python -m simulator.bench_nights --kind surge --hours 5 --seed 1
    python -m simulator.bench_nights --kind leak --only 35          one night, as a failure's line says

Each seed is one night, judged by `simulator.station_promises` or by the promises of the file that plays it. Every
50th is played again in a fresh interpreter under another hash seed. For bursts this is `simulator.nights`.
"""

import argparse
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable

from simulator import air_nights, flush_nights, gas_nights, leak_nights, rest_nights, station_nights
from simulator.night import Report
from simulator.nights import SOURCE, TWICE_EVERY, commit
from simulator.promises import Violation

PLAYS: dict[str, Callable[[int], Report]] = {
    "surge": station_nights.play, "leak": leak_nights.play, "flush": flush_nights.play,
    "air": air_nights.play, "gas": gas_nights.play, "rest": rest_nights.play,
}  # fmt: skip
FAILURES_KEPT = 20  # a broken promise breaks in many nights; a few tell enough


def tell(kind: str, seed: int, violation: Violation) -> str:
    """The one line that reproduces a failure."""
    at_s = violation.night.now_ns / 1e9
    again = f"python -m simulator.bench_nights --kind {kind} --only {seed}"
    return f"{again}  # commit {commit()}, {at_s:.3f} s, {violation.name}: {violation.words:.300}"


def is_same_again(kind: str, report: Report) -> bool:
    """Whether the night makes the same record under another hash seed."""
    done = subprocess.run(
        [sys.executable, "-m", "simulator.bench_nights", "--kind", kind, "--only", str(report.seed), "--head"],
        cwd=SOURCE, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONHASHSEED": str(report.seed + 7), "PYTHONPATH": str(SOURCE)},
    )  # fmt: skip
    return done.stdout.strip() == report.head


def run(kind: str, hours: float, first: int) -> list[str]:
    """Seeds from the first on until so many hours are simulated. Prints a summary and returns the failures' lines."""
    failures: list[str] = []
    outcomes: Counter[str] = Counter()
    simulated_s, strikes, nights, again, began_s = 0.0, 0, 0, 0, time.process_time()
    seed = first
    while simulated_s < hours * 3600.0 and len(failures) < FAILURES_KEPT:
        try:
            report = PLAYS[kind](seed)
        except Violation as violation:
            failures.append(tell(kind, seed, violation))
            print("FAILED " + failures[-1], file=sys.stderr, flush=True)
        else:
            simulated_s += report.simulated_s
            strikes += report.strikes
            outcomes.update(report.outcomes)
            nights += 1
            if seed % TWICE_EVERY == 0:
                again += 1
                if not is_same_again(kind, report):
                    failures.append(f"{kind} night {seed}: under another PYTHONHASHSEED the record is another one")
        seed += 1
    spent_s = time.process_time() - began_s
    ends = ", ".join(f"{name} {count}" for name, count in sorted(outcomes.items()))
    print(
        f"{kind}: {simulated_s / 3600:.1f} simulated hours, {nights} nights, {strikes} faults, {again} played twice; "
        f"{simulated_s / max(spent_s, 1e-9):.0f} times real time by processor time; runs ended as {ends}"
    )
    return failures


def main() -> int:
    words = (__doc__ or "").split("\n")[0]
    parser = argparse.ArgumentParser(prog="python -m simulator.bench_nights", description=words)
    parser.add_argument("--kind", choices=tuple(PLAYS), required=True)
    parser.add_argument("--hours", type=float, default=5.0, help="simulated hours")
    parser.add_argument("--seed", type=int, default=1, help="the first night")
    parser.add_argument("--only", type=int, help="play this one night")
    parser.add_argument("--head", action="store_true", help="with --only: print the hash of the night's records alone")
    options = parser.parse_args()
    if options.only is None:
        failures = run(options.kind, options.hours, options.seed)
        for line in failures:
            print("FAILED " + line)
        return 1 if failures else 0
    try:
        report = PLAYS[options.kind](options.only)
    except Violation as violation:
        print("FAILED " + tell(options.kind, options.only, violation), file=sys.stderr)
        return 1
    print(report.head if options.head else report)
    return 0


if __name__ == "__main__":
    sys.exit(main())
