"""Simulated nights of surges on stations: what `simulator.night` is for bursts, for one to eight engines on one bench.

A seed draws the rig (stations, scan rate, wet switches, rise test), the surge (shape, shot, medium, blocks, what
follows a stuck part), the bodies, the faults, the people and the moments at which the process is killed. A killed
process leaves what was handed to its journal and no more: the blocks are read again by an engine, and what that makes
of them is what each specimen brings along. Everything is judged by `simulator.station_promises`; once all faults have
healed every body must come to the end of its test. A night is a pure function of its seed.
"""

import hashlib
from dataclasses import replace
from random import Random

from rigd.engine.endings import carry
from rigd.engine.engine import Engine
from rigd.model.carried import NOTHING_CARRIED
from rigd.model.messages import Cycle, Input, Output
from rigd.model.profile import MovingPart, Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from rigd.model.states import RUNNING
from rigd.model.stations import pockets_within
from rigd.store.journal import BlockBuilder, identity
from simulator.night import Report
from simulator.open_invariants import OpeningWatch
from simulator.promises import Violation
from simulator.station_promises import OF_ALL, OF_SIGHT, OWN_VALVES, Fault, StationWatch, require
from simulator.stations import Mounted, StationsWorld
from simulator.surge_bench import SurgeBench
from simulator.surge_bodies import SurgeBody, draw_surge_body
from simulator.surge_night import UTC_NS, surge_profile, surge_rig
from simulator.world import Names

SECOND_NS = 1_000_000_000
SCANS_NS = (100_000_000, 50_000_000, 20_000_000, 10_000_000)
STORM_S = 120.0  # of the bench's time, in which faults strike
VALVE_NS = 70_000_000  # longest travel of a sound one
RELAY_S = 3.0  # between two processes: nobody feeds the relay
WORLDS = 60  # processes in a night at most; each goes on where the last ended
CALM_NS = 900 * SECOND_NS  # in which a process without faults brings its bodies to their ends
THRESHOLD_SHARE = 0.5  # of the surge's pressure, as the bodies have it: then both mean the same by felt
GOES_ON = ("tripped", "stopped", "sensor", "supply_exhausted", "no_blow_down", "given_up", "interrupted")
ACTS = ("arm", "start", "hold", "resume", "vent", "stop", "reset", "hand_check", "zero", "confirm", "start", "arm")


def cut_rig(rig: Rig, stations: int) -> Rig:
    """The rig with its first stations only."""
    kept = [at for at, channel in enumerate(rig.channels) if channel.station <= stations]
    devices = sorted({rig.channels[at].device for at in kept})
    new_at, new_device = {old: new for new, old in enumerate(kept)} | {-1: -1}, {d: n for n, d in enumerate(devices)}
    outputs = [at for at, output in enumerate(rig.outputs) if output.station <= stations]
    return replace(
        rig, stations=stations, devices=tuple(rig.devices[device] for device in devices),
        channels=tuple(replace(rig.channels[at], device=new_device[rig.channels[at].device]) for at in kept),
        outputs=tuple(
            replace(output, device=new_device[output.device], read_back=new_at[output.read_back])
            for output in (rig.outputs[at] for at in outputs)
        ),
        rows=tuple(replace(row, channel=new_at[row.channel]) for row in rig.rows if row.channel in new_at),
        pockets=pockets_within(rig, new_at, {old: new for new, old in enumerate(outputs)} | {-1: -1}),
    )  # fmt: skip


def draw_rig(chance: Random) -> Rig:
    stations = chance.choice((1, 2, 2, 3, 4, 4, 5, 8))
    scan_ns = chance.choice(SCANS_NS[:2] if stations > 4 else SCANS_NS)
    rig = cut_rig(surge_rig(scan_ns, name="demo-surge" if stations <= 4 else "demo-surge-8"), stations)
    outputs = tuple(
        replace(o, read_back_ns=max(o.read_back_ns, 2 * scan_ns + VALVE_NS) if o.read_back >= 0 else 0)
        for o in rig.outputs
    )  # fmt: skip
    rig = replace(rig, outputs=outputs)  # a valve is not asked to be seen sooner than it can be
    if chance.random() < 0.3:  # nothing beneath the specimens that is wet
        channels = tuple(replace(c, role="other") if c.role == "wet" else c for c in rig.channels)
        rig = replace(rig, channels=channels)
    if chance.random() < 0.3:
        rig = replace(rig, vent=replace(rig.vent, isolation_ns=2 * SECOND_NS, isolation_rise_pa=3_000.0))
    if stations < 4 and chance.random() < 0.4:  # a regulator slow to make up for a surge: the feed stays low
        rig = replace(rig, regulator_m3_per_s=0.2 * rig.regulator_m3_per_s)
    return rig


def draw_profile(chance: Random, stations: int, scan_ns: int) -> Profile:
    shot = chance.choice(("charge", "charge", "charge", "valve", "regulator") if stations == 1 else ("charge", "valve"))
    part = surge_profile().steps[1].part
    assert type(part) is MovingPart
    changes = {
        "shot": shot,
        "shape": "square" if shot == "charge" else chance.choice(("square", "trapezoid", "sine", "points")),
        "points": ((0.0, 0.0), (0.3, 1.0), (0.8, 1.0), (1.0, 0.2)),
        "medium": chance.choice(("water", "water", "air over water", "alternating")),
        "between": chance.choice(("rest", "inspect")), "between_ns": chance.choice((1, 8)) * SECOND_NS,
        "between_prompt": "Look at the specimen",
        "blocks": tuple(chance.randrange(2, 9) for _ in range(chance.randrange(1, 4))),
        "rest_ns": chance.choice((100_000_000, 300_000_000, 1_500_000_000)),
        "hold_ns": max(chance.choice((200_000_000, 400_000_000)), 4 * scan_ns),
        "rise_ns": chance.choice((50_000_000, 150_000_000)), "give_up": chance.choice((5, 20)),
        "baseline": chance.choice((2, 5)), "sag": chance.choice((0.01, 0.03, 0.1)),
    }  # fmt: skip
    changes["minimum_cycles"] = sum(changes["blocks"])
    when_stuck = chance.choice(("record", "extra_cycle", "ask", "stop"))
    profile = surge_profile({"when_stuck": when_stuck, "extra_most": chance.choice((1, 3))}, **changes)
    steps = [replace(s, threshold_pa=THRESHOLD_SHARE * s.pressure_pa) if hasattr(s, "threshold_pa") else s
             for s in profile.steps]  # fmt: skip
    return replace(profile, steps=tuple(steps))


def draw_body(chance: Random, seed: int, number: int) -> SurgeBody:
    body = draw_surge_body("", seed, number)
    if body.kind in ("cap", "crack"):
        return replace(body, life=float(chance.randrange(2, 14)))
    return replace(body, wear=chance.choice((0.02, 0.06)), jams=0.3) if body.kind == "sticking" else body


def draw_faults(chance: Random, stations: int) -> tuple[Fault, ...]:
    kinds = chance.sample((*OWN_VALVES, *OF_SIGHT, *OF_ALL), chance.randrange(0, 9))
    faults, busy_until, at_s = [], {}, chance.uniform(3.0, 20.0)
    while kinds and at_s < STORM_S:
        kind = chance.choice(kinds)
        station = 0 if kind in OF_ALL else chance.randrange(stations) + 1
        until_s = at_s + chance.choice((0.3, 2.0, 6.0, 15.0))
        knob = (station, kind.partition("_")[0] if kind != "read_back_wrong" else kind)
        if busy_until.get(knob, 0.0) < at_s:  # one hand at a knob: the first to let go would heal both
            busy_until[knob] = until_s + 1.0
            faults.append(Fault(kind=kind, station=station, at_s=round(at_s, 3), until_s=round(until_s, 3)))
        at_s += chance.expovariate(1.0 / 12.0)
    return tuple(faults)


class Kept:
    """Builder of one station in one process: what was gathered, and what of it was handed over."""

    def __init__(self, night: "StationNight", run: int) -> None:
        self._night = night
        self._inner = BlockBuilder(identity(run=run, version="night", files=()))
        self._pending: list[Input] = []
        self.inputs: list[Input] = []  # in the journal
        self.add_output = self._inner.add_output

    @property
    def empty(self) -> bool:
        return self._inner.empty

    @property
    def lost(self) -> bool:
        return bool(self._pending)

    def add_input(self, message: Input) -> None:
        self._pending.append(message)
        self._inner.add_input(message)

    def take(self) -> bytes:
        return self._inner.take()

    def keep(self, block: bytes) -> None:
        self.inputs += self._pending
        self._pending.clear()
        self._night.record.append(block)
        self._night.digest.update(block)


class Watched(StationsWorld):
    """A world under the eyes of the judge, with somebody in it who may do anything."""

    def __init__(self, night: "StationNight", mounted: tuple[Mounted | None, ...], watch: StationWatch) -> None:
        self._watch, self._chance, self._meddles = watch, night.chance, night.meddles
        self._openings = [None] * night.rig.stations
        self.heard: list[list[Cycle]] = [[] for _ in mounted]
        super().__init__(night.rig, night.profile, night.bench, mounted, seed=night.seed)
        self._openings = [OpeningWatch(place.station.rig) for place in self.places]

    def turned(self, at: int, message: Input, said: tuple[Output, ...]) -> None:
        self._watch.turned(at, message, said)
        opening = self._openings[at]
        if opening is not None:
            opening.turned(message, said)
        for output in said:
            if type(output) is Cycle:
                self.heard[at].append(output)

    def drive(self, at: int, output: int, counts: int) -> None:
        """Commands of one engine, each held against what is in its journal."""
        mounted = self.places[at].mounted if len(self.places) > at else None
        recorded = mounted is None or mounted.builder.empty
        for command in self._combine.drive(at, output, counts):
            self._watch.driven(*command, recorded)
            self.bench.drive(*command)

    def tick(self) -> None:
        super().tick()
        self._watch.look(self)

    def _beat(self) -> None:
        super()._beat()
        if self._chance.random() < self._meddles:
            at, act = self._chance.randrange(len(self.places)), self._chance.choice(ACTS)
            prompt = self.places[at].engine.questions.prompt
            answer = self._chance.choice((*prompt.choices, "done")) if prompt else "done"
            self.act(at, act, prompt.prompt if prompt else None, answer if act == "confirm" else None)


class StationNight:
    """One seed. What is kept between processes is what the journals hold and what the bodies are."""

    empty = True  # as a builder: everything gathered is in `record`

    def __init__(self, seed: int) -> None:
        self.seed, self.chance = seed, Random(f"{seed}/stations")
        chance = self.chance
        self.rig = draw_rig(chance)
        stations = self.rig.stations
        self.profile = draw_profile(chance, stations, self.rig.devices[0].scan_ns)
        self.faults = draw_faults(chance, stations)
        bodies = tuple(draw_body(chance, seed, number) for number in range(1, stations + 1))
        texts = tuple(fault.text for fault in self.faults)
        self.bench = SurgeBench(self.rig, seed=seed, bodies=bodies, faults=texts)
        self.meddles = chance.choice((0.0, 0.0, 0.02, 0.1))
        self.kills = chance.choice((0, 0, 1, 3))
        self.carried = [NOTHING_CARRIED] * stations
        self.loose = [0] * stations
        self.over = [False] * stations
        self.record: list[bytes] = []
        self.digest = hashlib.sha256()
        self.builder = self  # nights.keep looks here for what was not handed over
        self.runs = self.past_ns = 0
        self.outcomes: list[str] = []
        self.world: Watched | None = None

    @property
    def now_ns(self) -> int:
        return self.past_ns + (self.world.t_ns if self.world else 0)

    def play(self) -> Report:
        try:
            for _ in range(WORLDS):
                self._play_process()
                if all(self.over):
                    break
            require(all(self.over), "LIVENESS", f"after {WORLDS} processes: {self.over}")
        except Violation as violation:
            violation.night = self
            raise
        return Report(
            seed=self.seed, simulated_s=self.now_ns / 1e9, runs=self.runs, strikes=len(self.faults),
            together=self._together(), head=self.digest.hexdigest(),
            outcomes=tuple(self.outcomes),
        )  # fmt: skip

    def _together(self) -> int:
        return max((sum(f.at_s <= g.at_s <= f.until_s for f in self.faults) for g in self.faults), default=0)

    def _play_process(self) -> None:
        mounted = []
        for at, carried in enumerate(self.carried):
            self.runs += 1
            kept = Kept(self, self.runs)
            mounted.append(None if self.over[at] else Mounted(
                specimen=Specimen(id=f"S-{at}", facts=(), volume_m3=0.0),
                names=Names(run=self.runs, utc_ns=UTC_NS, version="night"), builder=kept, hand_over=kept.keep,
                carried=carried,
            ))  # fmt: skip
        calm = self.bench.t_s > STORM_S
        if calm:
            self.meddles, self.kills = 0.0, 0
        watch = StationWatch(self.rig, self.profile, self.bench, self.faults)
        for seen, carried in zip(watch.seen, self.carried, strict=True):
            seen.cycle = carried.released
        self.world = world = Watched(self, tuple(mounted), watch)
        if self.kills > 0 and self.chance.random() < 0.7:
            self.kills -= 1
            until_ns = round(self.chance.uniform(5.0, 60.0) * SECOND_NS)
        else:
            until_ns = CALM_NS if calm else CALM_NS + round(STORM_S * SECOND_NS)
        killed_at_ns = until_ns if not calm and until_ns < CALM_NS else 0
        while not world.done and world.t_ns < until_ns:
            world.tick()
        require(world.done or killed_at_ns, "LIVENESS", f"{[run.engine.view().words for run in world.runs]}")
        for run in world.runs if not killed_at_ns else ():
            run.loop.flush()
        self._end(world, watch)

    def _end(self, world: Watched, watch: StationWatch) -> None:
        """The process is gone, told to or not: what the journals hold is what is known."""
        felt = [station.specimen.cycles for station in self.bench.stations]
        for at, seen in enumerate(watch.seen):
            watch.settle(at, int(seen.in_shot))
        self.bench.advance(RELAY_S)
        for run in world.runs:
            at, cycles, engine = run.at, world.heard[run.at], run.engine
            if run.mounted.builder.lost:
                engine, cycles = self._read_again(run)
            was_cut = engine.state == RUNNING or not engine.done
            before = self.carried[at]
            carried = carry(engine, "") if engine.findings.tally else before
            untold = carried.released - before.released - len(cycles)
            require(untold in (0, 1), "CYCLES_COUNT_ONCE", f"station {at + 1}: {untold} releases without a cycle")
            if untold:
                require(carried.partial > before.partial, "CYCLES_COUNT_ONCE", f"station {at + 1}: cut and not partial")
            self.loose[at] += watch.seen[at].loose + (untold if was_cut else 0) + (len(world.heard[at]) - len(cycles))
            self._hold_counts(at, carried, felt[at])
            self.carried[at] = carried
            outcome = run.result.outcome if run.result is not None and engine is run.engine else "interrupted"
            self.outcomes.append(outcome)
            failed = engine.findings.tally is not None and engine.findings.tally.failed_at
            gave_up = outcome == "given_up" and self.bench.t_s > STORM_S
            self.over[at] = bool(failed) or outcome not in GOES_ON or gave_up
        self.past_ns += world.t_ns
        self.world = None

    def _hold_counts(self, at: int, carried: object, felt_before: int) -> None:
        """Applied against the body's own count, but for surges nobody could see whole: each of those is one at most."""
        felt = self.bench.stations[at].specimen.cycles
        loose = self.loose[at] + (felt - felt_before)
        require(abs(carried.applied - felt) <= loose, "CYCLES_COUNT_ONCE",
                f"station {at + 1}: {carried.applied} applied, {felt} felt, {loose} that nobody can tell")  # fmt: skip

    def _read_again(self, run: object) -> tuple[Engine, list[Cycle]]:
        """What an engine makes of the journal of a process that was killed."""
        mounted = run.mounted
        engine = Engine(run.station.rig, self.profile, mounted.specimen, mounted.carried)
        cycles = [said for message in mounted.builder.inputs for said in engine.step(message) if type(said) is Cycle]
        return engine, cycles


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    return StationNight(seed).play()
