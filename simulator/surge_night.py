"""A night of surges: worlds on one bench, one after another, each going on where the last was broken off.

What is kept between them is what a specimen brings along and what the engines said of every surge, so that it can be
held against the bodies' own counts. For tests and benchmarks; rig and profile are the shipped ones, a little changed.
"""

from dataclasses import dataclass, field, replace
from random import Random

from rigd.engine.endings import carry
from rigd.files.load import find, load_profile, load_rig
from rigd.model.carried import NOTHING_CARRIED, Carried
from rigd.model.profile import Profile, Surge
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from simulator.stations import Mounted, Nothing, StationsWorld
from simulator.surge_bench import SurgeBench
from simulator.world import Names

UTC_NS = 1_795_000_000_000_000_000
SCAN_NS = 50_000_000
SECOND_NS = 1_000_000_000


def surge_rig(scan_ns: int = SCAN_NS, name: str = "demo-surge", **changes: object) -> Rig:
    """The shipped rig, scanned more slowly: a night at 20 Hz is what unattended tests are run at."""
    rig = load_rig(find(name, "rig"))
    slow = tuple(replace(channel, stale_ns=max(channel.stale_ns, 4 * scan_ns)) for channel in rig.channels)
    return replace(rig, devices=tuple(replace(d, scan_ns=scan_ns) for d in rig.devices), channels=slow, **changes)


def surge_profile(part: dict[str, object] | None = None, **changes: object) -> Profile:
    """The shipped profile with this much of its surge step changed, without fill, proof and closing down."""
    profile = load_profile(find("cyclic-surge", "profile"))
    steps = []
    for step in profile.steps:
        if type(step) is Surge:
            moving = replace(step.part, **part) if part and step.part else step.part
            steps.append(replace(step, **({"rest_ns": 300_000_000, "part": moving} | changes)))
        elif type(step).__name__ not in ("Fill", "Proof", "CloseDown"):
            steps.append(step)
    return replace(profile, steps=tuple(steps), required=())


@dataclass
class Told:
    """What the engines of one station said through all its runs."""

    cycles: list[tuple[bool, bool | None]] = field(default_factory=list)  # (applied, the part returned)
    whys: list[tuple[str, ...]] = field(default_factory=list)
    carried: Carried = NOTHING_CARRIED
    outcomes: list[str] = field(default_factory=list)
    failed_at: int | None = None
    extra: int = 0
    over: bool = False

    @property
    def applied(self) -> list[bool | None]:
        """Of each applied cycle, whether the part returned."""
        return [returned for applied, returned in self.cycles if applied]


class Night:
    def __init__(self, rig: Rig, profile: Profile, seed: int, bodies: tuple, faults: tuple[str, ...] = ()) -> None:
        self.rig, self.profile = rig, profile
        self.bench = SurgeBench(rig, seed=seed, bodies=bodies, faults=faults)
        self.told = [Told() for _ in range(rig.stations)]
        self.chance = Random(seed)
        self.seed, self.runs = seed, 0
        self.world: StationsWorld | None = None

    def begin(self) -> StationsWorld:
        mounted = []
        for at, told in enumerate(self.told):
            self.runs += 1
            names = Names(run=self.runs, utc_ns=UTC_NS, version="test")
            one = Mounted(
                specimen=Specimen(id=f"S-{at}", facts=(), volume_m3=0.0), names=names, builder=Nothing(),
                carried=told.carried,
            )  # fmt: skip
            mounted.append(None if told.over else one)
        self.world = StationsWorld(self.rig, self.profile, self.bench, tuple(mounted), seed=self.seed)
        return self.world

    def end(self) -> None:
        """The process is gone, told to or not: what the records hold is what is known."""
        for run in self.world.runs:
            told, before = self.told[run.at], self.told[run.at].carried
            told.cycles += [(cycle.applied, cycle.returned) for cycle in run.cycles]
            told.whys += [cycle.why for cycle in run.cycles]
            told.extra += sum(cycle.extra for cycle in run.cycles)
            told.carried = carry(run.engine, "") if run.engine.findings.tally else before
            assert told.carried.released - before.released in (len(run.cycles), len(run.cycles) + 1)
            if told.carried.released - before.released > len(run.cycles):  # begun, and its end is in no record
                assert told.carried.partial > before.partial
                felt = told.carried.applied - before.applied - sum(cycle.applied for cycle in run.cycles)
                told.cycles.append((bool(felt), None))
            if run.result is not None:
                told.outcomes.append(run.result.outcome)
                told.failed_at = dict(run.result.data).get("failed_at_cycle") or told.failed_at
                told.over = run.result.outcome not in ("tripped", "stopped", "sensor", "supply_exhausted")
            elif run.engine.findings.tally and run.engine.findings.tally.failed_at:
                told.outcomes.append("interrupted")  # it was found apart, and waited for its neighbours
                told.failed_at, told.over = run.engine.findings.tally.failed_at, True
        self.bench.advance(3.0)  # nobody kicks the relay any more
        self.bench.set_switches(door_shut=True)

    def play(self, *, kills: int = 0, people: int = 0, worlds: int = 40, longest_s: float = 4000.0) -> "Night":
        """World after world until every specimen is through; `kills` of them end in the middle of anything."""
        for _ in range(worlds):
            world = self.begin()
            for _ in range(people):
                moment = round(self.chance.uniform(20.0, 300.0) * SECOND_NS)
                act = self.chance.choice(("hold", "resume", "vent", "resume"))
                world.acts.append((moment, self.chance.randrange(self.rig.stations), act))
            world.acts.sort()
            until_s = self.chance.uniform(30.0, 200.0) if kills > 0 else longest_s
            kills -= 1
            world.run(round(until_s * SECOND_NS))
            self.end()
            if all(told.over for told in self.told):
                return self
        raise AssertionError([told.outcomes for told in self.told])
