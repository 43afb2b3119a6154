"""How fast a simulated night passes with every invariant on, and where the time goes.

The limit is 250 times real time on one core at 100 Hz (12 channels, of which 4 are pressures). The split is measured by
playing the same calm runs with parts taken away: the whole night, without the judge, without the encoding of the
record, and the plant alone; the differences are what the parts cost.

    python benchmarks/nights.py [--rounds 5]
"""

import argparse
import gc
import json
import statistics
import sys
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from unittest import mock

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rigd.store.journal import BlockBuilder
from simulator.invariants import Watch
from simulator.night import Night
from simulator.sometimes import Seen
from simulator.swarm import draw_swarm, shipped
from simulator.weather import KINDS

LIMIT = 250.0
LENGTH_S = 150.0


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


def main() -> int:
    gc.disable()  # as the campaign does
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    rows = []
    for number in range(options.rounds):
        seeds = range(1000 * number, 1000 * number + 2)
        whole, unjudged = speed(seeds), speed(seeds, "judge")
        bare, iron = speed(seeds, "judge", "encoding"), speed(seeds, "engine")
        rows.append((1.0 / whole, whole - unjudged, unjudged - bare, bare - iron, iron, whole))
    times, judge, encoding, engine, iron, whole = (statistics.median(column) for column in zip(*rows, strict=True))
    found = {
        "times_real_time": round(times, 1),
        "limit": LIMIT,
        "share_judge": round(judge / whole, 3),
        "share_encoding": round(encoding / whole, 3),
        "share_engine_and_loop": round(engine / whole, 3),
        "share_plant": round(iron / whole, 3),
    }
    print(json.dumps(found))
    return 0 if times >= LIMIT else 1


if __name__ == "__main__":
    sys.exit(main())
