"""The simulated world of a rig with stations: one bench, one engine a station, one clock, one person.

As in `simulator.world` nothing here is a model of rigd: engines, loop bodies, block builders and `combine` are the
shipped ones. A device's reply is cut into one Scan a station; what engines command goes through `combine` to the whole
rig; what the others are about is told to each when it changes. A station whose run has ended is guarded by an engine
without a profile until all are done. The bench outlives the world: a killed process leaves it to its relay, and a new
world may go on with it and with what each specimen brings along.
"""

from collections.abc import Callable
from dataclasses import dataclass

from rigd.engine.combine import Combine, neighbours_of
from rigd.engine.engine import Engine
from rigd.loop import Builder, Loop
from rigd.model.carried import NOTHING_CARRIED, Carried
from rigd.model.messages import (
    Cycle,
    Event,
    HostReport,
    Input,
    Neighbours,
    Opened,
    OperatorAction,
    Output,
    Result,
    Scan,
)
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from rigd.model.stations import of_station
from simulator.attendant import Attendant
from simulator.surge_bench import SurgeBench
from simulator.world import BEAT_NS, FREE_BYTES, REPLY_US, WIDTH_US, Names

LONGEST_NS = 14 * 3_600_000_000_000  # a run longer than a night is a defect of the world
SETTLING = 8  # rounds in which neighbours hear of each other at one moment; two are usual
APART_NS = 1_000  # of two messages to one engine at one moment


class Nothing:
    """A builder that keeps nothing: for an engine whose record nobody reads."""

    empty = True

    def add_input(self, message: Input) -> None: ...

    def add_output(self, message: Output) -> None: ...

    def take(self) -> bytes:
        raise AssertionError("nothing was gathered")


def lose(block: bytes) -> None:
    """Take a block and keep it nowhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounted:
    """What one station begins with; None stands for an empty one. `builder` and `hand_over` as in rigd.loop."""

    specimen: Specimen
    names: Names
    builder: Builder
    hand_over: Callable[[bytes], None] = lose
    carried: Carried = NOTHING_CARRIED


class Place:
    """One station in this world: its engine, and what that said."""

    def __init__(self, world: "StationsWorld", at: int, profile: Profile, mounted: Mounted | None) -> None:
        self.at, self.mounted, self._turned = at, mounted, world.turned
        self.station = of_station(world.rig, at + 1)
        if mounted is None:  # nothing is tested here; the valves are guarded all the same
            self.engine = Engine(self.station.rig, None, None)
        else:
            self.engine = Engine(self.station.rig, profile, mounted.specimen, mounted.carried)
        self.loop = Loop(
            self.engine, mounted.builder if mounted else Nothing(), mounted.hand_over if mounted else lose,
            drive=lambda output, counts: world.drive(at, output, counts), publish=self._hear,
        )  # fmt: skip
        self.seq = self.t_ns = 0
        self.neighbours = (0, False)
        self.cycles: list[Cycle] = []
        self.events: list[Event] = []
        self.result: Result | None = None

    def _hear(self, output: Output) -> None:
        kind = type(output)
        if kind is Cycle:
            self.cycles.append(output)
        elif kind is Event:
            self.events.append(output)
        elif kind is Result:
            self.result = output

    def turn(self, shape: type[Input], now_ns: int, **known: object) -> None:
        """One message, at this moment or as soon after it as the order of its record allows."""
        self.t_ns = max(now_ns, self.t_ns + APART_NS)
        message = shape(seq=self.seq, t_ns=self.t_ns, **known)
        self.seq += 1
        self._turned(self.at, message, self.loop.turn(message))

    def scan(self, now_ns: int, device: int, counts: tuple[int, ...]) -> None:
        self.t_ns = max(now_ns, self.t_ns + APART_NS)
        message = Scan(
            seq=self.seq, t_ns=self.t_ns, device=device, age_us=REPLY_US, width_us=WIDTH_US, counts=counts
        )  # fmt: skip
        self.seq += 1
        self._turned(self.at, message, self.loop.turn(message))


class StationsWorld:
    """One run on each station of a rig. `run()` plays them all to their ends."""

    def __init__(
        self,
        rig: Rig,
        profile: Profile,
        bench: SurgeBench,
        mounted: tuple[Mounted | None, ...],
        *,
        seed: int = 1,
        beat_ns: int = BEAT_NS,
    ) -> None:
        assert len(mounted) == rig.stations
        self.rig, self.bench, self.t_ns = rig, bench, 0
        self.attendant = Attendant("simulated person", seed, bench)
        self.acts: list[tuple[int, int, str]] = []  # others' acts to come: (moment [ns], index of the station, act)
        self._profile = profile
        self.places = [Place(self, at, profile, one) for at, one in enumerate(mounted)]
        self.runs = tuple(place for place in self.places if place.mounted)  # a place that is done is guarded by another
        self._stations = [place.station for place in self.places]
        self._engines = [place.engine for place in self.places]
        self._combine = Combine(rig, self._stations, self._engines)
        self._counts: dict[int, tuple[int, ...]] = {}
        self._periods = [device.scan_ns for device in rig.devices]
        self._due_ns = list(self._periods)
        self._beat_ns = self._next_beat_ns = beat_ns
        self._stood: list[tuple[str, bool]] = []
        for place in self.places:
            self._open(place)
        self._beat()

    @property
    def done(self) -> bool:
        return all(run.engine.done for run in self.runs)

    def run(self, until_ns: int = LONGEST_NS) -> None:
        """Play until all are done, or until this moment."""
        while not self.done and self.t_ns < until_ns:
            self.tick()
        assert self.done or until_ns != LONGEST_NS, [run.engine.view() for run in self.runs]
        for run in self.runs:
            run.loop.flush()

    def tick(self) -> None:
        """The next device answers."""
        due_ns = min(self._due_ns)
        device = self._due_ns.index(due_ns)
        self._due_ns[device] += self._periods[device]
        if due_ns > self.t_ns:  # two devices may be due at one moment
            self.bench.advance((due_ns - self.t_ns) / 1e9)
            self.t_ns = due_ns
        counts = self._counts[device] = self.bench.counts(device)
        for place in self.places:
            own = place.station.counts_of(device, counts)
            if own:
                place.scan(due_ns, device, own)
        self._settle()
        if due_ns >= self._next_beat_ns:
            self._next_beat_ns += self._beat_ns
            self._beat()

    def turned(self, at: int, message: Input, said: tuple[Output, ...]) -> None:
        """One step of one engine: for whoever watches."""

    # ---- what passes between stations

    def drive(self, at: int, output: int, counts: int) -> None:
        for command in self._combine.drive(at, output, counts):
            self.bench.drive(*command)

    def _settle(self) -> None:
        """Tell the rig what the stations share, and each station what the others are about, until all is told."""
        for _ in range(SETTLING):
            for command in self._combine.settle():
                self.bench.drive(*command)
            stands = [(engine.state, engine.wants_hands) for engine in self._engines]
            if stands == self._stood:
                return
            self._stood = stands
            for at, place in enumerate(self.places):
                about = neighbours_of(self._engines, at)
                if about != place.neighbours:
                    place.neighbours = about
                    place.turn(Neighbours, self.t_ns, pressurised=about[0], hands=about[1])
        raise AssertionError("stations do not come to rest")

    # ---- what comes about ten times a second

    def _beat(self) -> None:
        for at, place in enumerate(self.places):
            if place.engine.done:
                self._guard(at)
        for place in self.places:
            place.loop.flush()
            place.turn(
                HostReport, self.t_ns, journal_lag_us=0, write_error="", free_bytes=FREE_BYTES, missed_ticks=0,
                inbox_full=False, utc_ns=(place.mounted.names.utc_ns if place.mounted else 0) + place.t_ns,
            )  # fmt: skip
        while self.acts and self.acts[0][0] <= self.t_ns:
            _, at, act = self.acts.pop(0)
            self.act(at, act)
        self.attendant.look(self.t_ns, self._engines, self.act)
        self._settle()

    def act(self, at: int, act: str, prompt: int | None = None, answer: str | None = None) -> None:
        """A person does something at one station."""
        self.places[at].turn(
            OperatorAction, self.t_ns, act=act, person=self.attendant.name, named=True, source="simulated person",
            prompt=prompt, answer=answer,
        )  # fmt: skip
        self._settle()

    def _open(self, place: Place) -> None:
        names = place.mounted.names if place.mounted else Names(run=0, utc_ns=0, version="")
        place.turn(
            Opened, self.t_ns, run=names.run, utc_ns=names.utc_ns, version=names.version, latched=names.latched,
            rig_sha256=names.rig_sha256, profile_sha256=names.profile_sha256, specimen_sha256=names.specimen_sha256,
        )  # fmt: skip

    def _guard(self, at: int) -> None:
        """The run here is over and its record whole; the valves are not: an engine without a profile goes on."""
        old = self.places[at]
        old.loop.flush()
        place = Place(self, at, self._profile, None)
        place.t_ns = old.t_ns
        self.places[at] = place
        self._engines[at] = place.engine
        self._open(place)
        for device, counts in self._counts.items():
            own = place.station.counts_of(device, counts)
            if own:
                place.scan(self.t_ns, device, own)
