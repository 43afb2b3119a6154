"""What one step of the simulated plant costs: advance(0.01) and counts(0) in a ramp on the demo rig.

The limit is 12 us for both together (the writing of watchdog and set-point included), so that a run under virtual time
stays above 200 times real time at 100 Hz with everything else in the same thread. Microseconds say more about the
machine than about the code, so each round also times drawing the same number of normal numbers with `random`, and the
ratio of the two is what may be compared between machines. The other figures are the costly moments: a weep under a
feeding tank (a root is found each step), and steps of uneven length.

    python benchmarks/plant.py [--rounds 7]
"""

import argparse
import json
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rigd.files.load import find, load_rig
from simulator.plant import Plant

LIMIT_US = 12.0
STEPS = 2500  # of 10 ms: 25 s, the length of a ramp


def ramping(body: str) -> tuple[Callable[[float, float], None], float]:
    """A filled plant at 40 psi or, if its body can fail, at the failure: one step of it (dt [s], psi), and the psi."""
    plant = Plant(load_rig(find("demo", "rig")), seed=1, body=body)
    output = {wired.role: index for index, wired in enumerate(plant.rig.outputs)}
    kicks = iter(range(1, 1 << 30))

    def step(dt_s: float, psi: float) -> None:
        plant.drive(output["watchdog"], next(kicks) & 0xFFFF)
        plant.drive(output["set_point"], round(psi * 16))
        plant.advance(dt_s)
        plant.counts(0)

    step(0.01, 0.0)
    plant.drive(output["fill"], 1)
    for _ in range(800):
        step(0.01, 0.0)
    plant.drive(output["fill"], 0)
    for role in ("vent", "supply", "inlet"):
        plant.drive(output[role], 1)
    psi = 0.0
    while psi < 40.0 or (body != "strong" and plant.failed_at_s is None):
        psi += 0.15
        step(0.01, psi)
    return step, psi


def cost_us(body: str, dts_s: tuple[float, ...] = (0.01,)) -> float:
    step, from_psi = ramping(body)
    rise_psi = 0.15 if body == "strong" else 0.01
    began = time.perf_counter()
    for number in range(STEPS):
        step(dts_s[number % len(dts_s)], from_psi + number * rise_psi)
    return (time.perf_counter() - began) / STEPS * 1e6


def yardstick_us(numbers: int = 5) -> float:
    gauss = Random(1).gauss
    began = time.perf_counter()
    for _ in range(STEPS * numbers):
        gauss()
    return (time.perf_counter() - began) / STEPS * 1e6


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=7)
    rounds = range(parser.parse_args().rounds)
    yard = statistics.median(yardstick_us() for _ in rounds)
    ramp = statistics.median(cost_us("strong") for _ in rounds)
    uneven = statistics.median(cost_us("strong", (0.0100, 0.0093, 0.0108)) for _ in rounds)
    weep = statistics.median(cost_us("weep") for _ in rounds)
    figures = {
        "ramp_us": round(ramp, 2),
        "uneven_steps_us": round(uneven, 2),
        "leak_under_feed_us": round(weep, 2),
        "ramp_over_yardstick": round(ramp / yard, 2),
        "limit_us": LIMIT_US,
    }
    print(json.dumps(figures))
    return 0 if ramp <= LIMIT_US else 1


if __name__ == "__main__":
    sys.exit(main())
