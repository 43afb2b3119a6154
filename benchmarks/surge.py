"""What surges cost: a night on four stations under virtual time, and a million cycles through one engine.

The night: 10 h of four stations at 20 Hz, bench, engines, loops and `combine` together, at most 120 s; once with
engines alone and once with blocks made and thrown away. Reports and blocks come twice a second, not ten times as in the
live world, for no disk has to be caught up with. The million:
20 scans each, fed to one engine without a bench; the memory of the process must not grow with the cycles.

    python benchmarks/surge.py [--hours 10] [--cycles 1000000]
"""

import argparse
import json
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rigd.engine.engine import Engine
from rigd.model.messages import Cycle, HostReport, Opened, OperatorAction, Scan, ValveCommand
from rigd.model.specimen import Specimen
from rigd.model.stations import of_station
from rigd.store.journal import BlockBuilder, identity
from simulator.stations import Mounted, Nothing, StationsWorld
from simulator.surge_bench import SurgeBench
from simulator.surge_bodies import draw_surge_body
from simulator.surge_night import surge_profile, surge_rig
from simulator.transducers import Transducer
from simulator.world import Names

NIGHT_LIMIT_S = 120.0
OWED = 2_000_000  # valid cycles: no benchmark comes to the end of them
SCAN_NS = 50_000_000
BEAT_NS = 500_000_000
SAMPLES = 10


def play_night(hours: float, recorded: bool) -> tuple[float, int]:
    """CPU seconds of the night, and how many surges the bodies felt."""
    rig = surge_rig()
    bench = SurgeBench(rig, seed=1, bodies=tuple(draw_surge_body("strong", 1, number) for number in (1, 2, 3, 4)))
    mounted = []
    for number in (1, 2, 3, 4):
        whose = identity(run=number, version="bench", files=())
        mounted.append(
            Mounted(
                specimen=Specimen(id=str(number), facts=(), volume_m3=0.0),
                names=Names(run=number, utc_ns=0, version="bench"),
                builder=BlockBuilder(whose) if recorded else Nothing(),
            )
        )
    profile = surge_profile(blocks=(OWED,), rest_ns=1_000_000_000)
    world = StationsWorld(rig, profile, bench, tuple(mounted), beat_ns=BEAT_NS)
    for place in world.places:
        place.cycles = place.events = Uncounted()
    began = time.process_time()
    world.run(round(hours * 3.6e12))
    took = time.process_time() - began
    felt = sum(bench.truth(number).cycles for number in (1, 2, 3, 4))
    applied = sum(run.engine.findings.tally.applied for run in world.runs)
    assert 0 <= felt - applied <= 4, f"{felt} felt, {applied} counted"
    return took, felt


class Uncounted(list):
    """A list that keeps nothing: a night's messages are not what is measured."""

    def append(self, item: object) -> None: ...


class OneStation:
    """One engine and counts made of a few numbers: as quick as a source of scans can be."""

    def __init__(self) -> None:
        station = of_station(surge_rig(), 1)
        self.rig = station.rig
        profile = surge_profile(blocks=(OWED,), rest_ns=200_000_000, drain_ns=50_000_000, baseline=5)
        profile = replace(profile, arm_prompts=(), steps=tuple(s for s in profile.steps if type(s).__name__ == "Surge"))
        self.engine = Engine(self.rig, profile, Specimen(id="bench", facts=(), volume_m3=0.0))
        self.seq = self.t_ns = 0
        self.told = dict.fromkeys((output.role for output in self.rig.outputs), False)
        self._read_backs = {o.read_back: o.role for o in self.rig.outputs if o.read_back >= 0}
        self._transducers = {
            at: Transducer(channel, source=0, place=0)
            for at, channel in enumerate(self.rig.channels)
            if channel.type != "bit"
        }
        self.cycles = 0
        self.say(Opened, run=1, utc_ns=0, version="bench", rig_sha256="", profile_sha256="", specimen_sha256="",
                 latched=())  # fmt: skip
        self.report()

    def say(self, shape: type, **known: object) -> None:
        self.seq += 1
        self.t_ns += 1_000
        for said in self.engine.step(shape(seq=self.seq, t_ns=self.t_ns, **known)):
            if type(said) is ValveCommand:
                output = self.rig.outputs[said.output]
                self.told[output.role] = said.counts != output.counts_safe
            elif type(said) is Cycle:
                self.cycles += 1

    def report(self) -> None:
        self.say(HostReport, journal_lag_us=0, write_error="", free_bytes=1 << 50, missed_ticks=0, inbox_full=False,
                 utc_ns=self.t_ns)  # fmt: skip

    def counts(self, pressure_pa: float) -> tuple[int, ...]:
        feed_pa = 592_949.0 if self.told["supply"] else 0.0
        true = {"specimen": pressure_pa, "held_peak": pressure_pa, "feed": feed_pa, "supply": 9e5}
        counts = []
        for at, channel in enumerate(self.rig.channels):
            if at in self._read_backs:
                counts.append(int(self.told[self._read_backs[at]]))
            elif at in self._transducers:
                counts.append(round(self._transducers[at].counts_of(true.get(channel.role, 294.0))))
            else:
                counts.append(int(channel.role != "returned" or pressure_pa < 1e4))
        return tuple(counts)

    def start(self) -> None:
        """Through every gate, up to the first surge."""
        up, down = {}, {}
        for _ in range(400):
            self.scan(self.counts(0.0))
            prompt, state = self.engine.questions.prompt, self.engine.state
            act = {"READY": "arm", "ARMED": "start"}.get(state)
            if prompt is not None or act:
                self.say(
                    OperatorAction, act="confirm" if prompt else act, person="bench", named=True, source="bench",
                    prompt=prompt.prompt if prompt else None, answer="done",
                )  # fmt: skip
            if state == "RUNNING":
                break
        assert self.engine.state == "RUNNING", self.engine.view()
        told = self.told
        for table, pressure_pa in ((up, 592_949.0), (down, 0.0)):
            for roles in range(1 << 6):
                self.told = {role: bool(roles >> bit & 1) for bit, role in enumerate(ROLES)} | {"set_point": True}
                table[roles] = self.counts(pressure_pa)
        self._up, self._down = up, down
        self.told = told

    def scan(self, counts: tuple[int, ...]) -> None:
        self.t_ns += SCAN_NS - 1_000
        self.say(Scan, device=0, age_us=400, width_us=800, counts=counts)

    def next_scan(self) -> None:
        told, roles = self.told, 0
        for bit, role in enumerate(ROLES):
            roles |= told.get(role, False) << bit
        self.scan((self._up if told["inlet"] else self._down)[roles])


ROLES = ("supply", "inlet", "air", "vent", "fill", "watchdog")


def resident_mb() -> float:
    """Memory of this process now."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024.0
    return 0.0


def count_cycles(cycles: int) -> dict[str, object]:
    one = OneStation()
    one.start()
    memory, scans, began = [], 0, time.process_time()
    for sample in range(1, SAMPLES + 1):
        while one.cycles < cycles * sample // SAMPLES:
            one.next_scan()
            scans += 1
            if not scans % 20:
                one.report()
            assert one.engine.state == "RUNNING", one.engine.view()
        memory.append(round(resident_mb(), 1))
    took = time.process_time() - began
    tally = one.engine.findings.tally
    assert tally.applied == tally.valid == one.cycles and tally.stuck == 0, tally.told()
    return {
        "cycles": one.cycles, "scans_a_cycle": round(scans / one.cycles, 1), "cpu_s": round(took, 1),
        "us_a_scan": round(took / scans * 1e6, 1), "rss_mb": memory, "grown_mb": round(memory[-1] - memory[0], 1),
    }  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--cycles", type=int, default=1_000_000)
    options = parser.parse_args()
    bare_s, felt = play_night(options.hours, recorded=False)
    recorded_s, _ = play_night(options.hours, recorded=True)
    print(json.dumps({
        "hours": options.hours, "surges": felt, "night_cpu_s": round(bare_s, 1), "recorded_cpu_s": round(recorded_s, 1),
        "limit_s": NIGHT_LIMIT_S * options.hours / 10.0,
    }))  # fmt: skip
    print(json.dumps(count_cycles(options.cycles)))
    return 0 if bare_s <= NIGHT_LIMIT_S * options.hours / 10.0 else 1


if __name__ == "__main__":
    sys.exit(main())
