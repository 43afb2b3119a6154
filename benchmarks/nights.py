"""How fast a simulated night passes with every invariant on, and where the time goes.

The limit is 250 times real time on one core at 100 Hz (12 channels, of which 4 are pressures). The split is measured by
playing the same calm runs with parts taken away: the whole night, without the judge, without the encoding of the
record, and the plant alone; the differences are what the parts cost. Then the same compiled (`simulator.compiled`),
where that can be done; and how much memory a night of ten hours at 20 Hz holds after each of its hours, run after run.

    python benchmarks/nights.py [--rounds 5] [--memory-hours 10]
"""

import argparse
import gc
import json
import os
import statistics
import subprocess
import sys
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from unittest import mock

if "RIGD_COMPILED" not in os.environ:  # then the path is that of the compiled copy
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rigd.store.journal import BlockBuilder
from simulator.compiled import NotCompiled, compile_tree
from simulator.invariants import Watch
from simulator.night import Night
from simulator.sometimes import Seen
from simulator.swarm import draw_swarm, shipped
from simulator.weather import KINDS

LIMIT = 250.0
LENGTH_S = 150.0
MEMORY_HOURS = 10.0
GROWTH_MB = 8.0  # from the third hour to the last: an allocator's unrest, and nothing that adds up


def calm_night(seed: int) -> Night:
    """The shipped rig and profile at 100 Hz, one fault in half a minute, nobody pressing keys at random."""
    rig, profile = shipped()
    swarm = draw_swarm(seed, tuple(KINDS))
    return Night(
        replace(swarm, rig=rig, profile=profile, step_ns=10_000_000, length_s=LENGTH_S, gap_s=30.0, together=1,
                crowded=False, masher_s=0.0, dawdles=0.0, gone=False, forgets_holds=False, replayed=False),
        Seen(),
    )  # fmt: skip


def speed(seeds: range, *taken_away: str) -> float:
    """Seconds of processor time for one simulated second: others may use the machine meanwhile."""
    nothing = lambda *args, **kwargs: None  # noqa: E731
    with ExitStack() as stack:
        if "judge" in taken_away:
            for name in ("turned", "look", "about_to", "driven", "bury"):
                stack.enter_context(mock.patch.object(Watch, name, nothing))
        if "encoding" in taken_away:
            stack.enter_context(mock.patch.object(BlockBuilder, "add_input", nothing))
            stack.enter_context(mock.patch.object(BlockBuilder, "add_output", nothing))
            stack.enter_context(mock.patch("rigd.loop.Loop.flush", nothing))
        simulated_s, began = 0.0, time.process_time()
        for seed in seeds:
            night = calm_night(seed)
            if "engine" in taken_away:
                while night.now_ns < LENGTH_S * 1e9:
                    night.plant.advance(0.01)
                    night.plant.counts(0)
                    night.now_ns += 10_000_000
                simulated_s += LENGTH_S
            else:
                simulated_s += night.play().simulated_s
        return (time.process_time() - began) / simulated_s


def speed_compiled(rounds: int) -> float:
    """Times real time of the whole night in the compiled copy, NaN where there is none."""
    try:
        tree, _ = compile_tree()
    except NotCompiled as why:
        print(f"not compiled: {why}", file=sys.stderr)
        return float("nan")
    done = subprocess.run(
        [sys.executable, "-P", str(Path(__file__).resolve()), "--whole", str(rounds)],
        capture_output=True, text=True, check=True, env=os.environ | {"PYTHONPATH": str(tree), "RIGD_COMPILED": "1"},
    )  # fmt: skip
    return float(done.stdout)


def resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def memory(hours: float) -> list[float]:
    """Resident memory [MB] after each simulated hour of one night: faults, people, one run after another."""
    rig, profile = shipped()
    rig = replace(rig, devices=tuple(replace(device, scan_ns=50_000_000) for device in rig.devices),
                  channels=tuple(replace(channel, stale_ns=200_000_000) for channel in rig.channels))  # fmt: skip
    night = calm_night(7)
    night = Night(replace(night.swarm, rig=rig, profile=profile, step_ns=25_000_000), Seen())
    night.be_born()
    found = []
    for hour in range(1, int(hours) + 1):
        while night.now_ns < hour * 3.6e12:
            night.move()
        gc.collect()
        found.append(resident_mb())
    return found


def whole_speed(rounds: int) -> float:
    return statistics.median(1.0 / speed(range(1000 * n, 1000 * n + 2)) for n in range(rounds))


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--memory-hours", type=float, default=MEMORY_HOURS)
    parser.add_argument("--whole", type=int, default=0, help="print only times real time, of so many rounds")
    options = parser.parse_args()
    held = [] if options.whole else memory(options.memory_hours)
    gc.disable()  # as the campaign does
    if options.whole:
        print(whole_speed(options.whole))
        return 0
    rows = []
    for number in range(options.rounds):
        seeds = range(1000 * number, 1000 * number + 2)
        whole, unjudged = speed(seeds), speed(seeds, "judge")
        bare, iron = speed(seeds, "judge", "encoding"), speed(seeds, "engine")
        rows.append((1.0 / whole, whole - unjudged, unjudged - bare, bare - iron, iron, whole))
    times, judge, encoding, engine, iron, whole = (statistics.median(column) for column in zip(*rows, strict=True))
    growth = held[-1] - held[min(2, len(held) - 1)] if held else 0.0
    found = {
        "times_real_time": round(times, 1),
        "limit": LIMIT,
        "share_judge": round(judge / whole, 3),
        "share_encoding": round(encoding / whole, 3),
        "share_engine_and_loop": round(engine / whole, 3),
        "share_plant": round(iron / whole, 3),
        "times_real_time_compiled": round(speed_compiled(options.rounds), 1),
        "resident_mb_by_hour": [round(mb, 1) for mb in held],
        "growth_mb": round(growth, 1),
    }
    print(json.dumps(found))
    return 0 if times >= LIMIT and growth <= GROWTH_MB else 1


if __name__ == "__main__":
    sys.exit(main())
