"""One simulated night: the shipped engine and loop on a simulated rig, run after run, while everything goes wrong.

Nothing here is a model of rigd. Engine, loop body and block builder are the shipped ones; wire, disk, clock and people
are replaced, and time is an integer that jumps. The night is a pure function of its seed. A judge (`invariants.Watch`)
looks at every step; what it finds is raised as a Violation, with the record so far.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from random import Random

from rigd.engine.engine import Engine
from rigd.loop import Loop
from rigd.model.messages import (
    DeviceFault,
    HostReport,
    Input,
    Opened,
    OperatorAction,
    Output,
    Prompt,
    Result,
    Scan,
    Tick,
)
from rigd.model.specimen import Specimen
from rigd.model.states import RUNNING
from rigd.store.journal import BlockBuilder, identity
from simulator.bodies import PSI, draw_body
from simulator.crowd import Crowd
from simulator.invariants import Watch
from simulator.night_plant import NightPlant
from simulator.person import Person
from simulator.promises import Violation
from simulator.sometimes import Seen
from simulator.storm import Storm
from simulator.swarm import Swarm

BEAT_NS = 100_000_000
LIVENESS_NS = 30_000_000_000  # from healed faults to a line that is proven low
READY_NS = 60_000_000_000  # from there to a rig that is ready again
BETWEEN_RUNS_NS = 1_000_000_000
LOW_BOTTLE_PA = 1200.0 * PSI
WIDTH_US, AGE_US = 600, 400
UTC_NS = 1_795_000_000_000_000_000


@dataclass(slots=True)
class Host:
    """What the computer would report, and what is true of it: in this world they are the same."""

    lag_us: int = 0
    write_error: str = ""
    free_bytes: int = 1 << 40
    inbox_full: bool = False
    missed: int = 0
    utc_offset_ns: int = UTC_NS


class Bus:
    """The wires to all devices: what comes, and what arrives."""

    def __init__(self, night: "Night") -> None:
        self._night = night
        count = len(night.rig.devices)
        self.lost, self.silent = [False] * count, [False] * count
        self.writes_fail = self.repeats = False
        self.late_ns, self.every = 0, 1
        self.commanded: dict[int, int] = {}

    def answers(self, device: int) -> bool:
        return not (self.lost[device] or self.silent[device])

    def lose(self, device: int, fault: str) -> None:
        if not self.lost[device]:
            self.lost[device] = True
            self._night.say_fault(device, fault)

    def find(self, device: int) -> None:
        """It answers again: what stands commanded safe is written first, then the engine is told."""
        if not self.lost[device] or self.silent[device]:
            return
        self.lost[device] = False
        night = self._night
        for output, counts in self.commanded.items():
            shape = night.rig.outputs[output]
            if shape.device == device and counts == shape.counts_safe:
                night.plant.drive(output, counts)
        night.say_fault(device, "recovered")

    def silence(self, device: int) -> None:
        """Nothing comes and nothing arrives; the driver notices when its time-out is over."""
        self.silent[device] = True
        timeout_s = self._night.rig.devices[device].timeout_ns / 1e9
        self._night.later(timeout_s, partial(self._notice, device))

    def _notice(self, device: int) -> None:
        if self.silent[device]:
            self.lose(device, "timeout")

    def speak(self, device: int) -> None:
        self.silent[device] = False
        self.find(device)

    def drive(self, output: int, counts: int) -> None:
        shape = self._night.rig.outputs[output]
        if shape.role != "watchdog":
            self.commanded[output] = counts
        if self.writes_fail and self.answers(shape.device):
            self._night.later(0.0, partial(self.lose, shape.device, "write_failed"))
            self._night.later(0.3, partial(self.find, shape.device))
        elif self.answers(shape.device):
            self._night.plant.drive(output, counts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What one night was."""

    seed: int
    simulated_s: float
    runs: int
    strikes: int
    together: int  # most faults active at once
    head: str  # hash over the records of the night, in order
    outcomes: tuple[str, ...]


class Night:
    def __init__(self, swarm: Swarm, seen: Seen) -> None:
        self.swarm, self.rig, self.seen = swarm, swarm.rig, seen
        self.rng = Random(f"{swarm.seed}/night")
        self.now_ns = self.origin_ns = self.seq = self.tick = self.longest_gap_ns = 0
        self.plant: NightPlant = NightPlant(self.rig, seed=swarm.seed, body=swarm.bodies[0])
        self.host, self.bus = Host(), Bus(self)
        self.person = Person("A. Person", swarm.seed)
        self.engine: Engine | None = None
        self.latched: tuple[str, ...] = ()
        self.crowd, self.storm, self.watch = Crowd(self), Storm(self), Watch(self)
        self.record: list[bytes] = []
        self.heads = hashlib.sha256()
        self.runs, self.outcomes = 0, []
        self.open_prompt: Prompt | None = None
        self._wakes: list[tuple[int, int, Callable[[], None]]] = []
        self._wake_count = 0
        self._paused_until_ns = self._reborn_ns = self._beat_ns = self._heard_ns = 0
        self._resume_with = "scan"
        self._every = [max(1, d.scan_ns // swarm.step_ns) for d in self.rig.devices]
        self._old_counts: dict[int, tuple[int, ...]] = {}
        self._queue: list[tuple[int, int, int, tuple[int, ...]]] = []

    # ---- the night as a whole

    def play(self) -> Report:
        """Storm, then healing, then a vented line and a rig that is ready again. Raises Violation."""
        self.be_born()
        end_ns = int(self.swarm.length_s * 1e9)
        while self.now_ns < end_ns:
            self.move()
        self._heal()
        self._bury()
        return Report(
            seed=self.swarm.seed,
            simulated_s=self.now_ns / 1e9,
            runs=self.runs,
            strikes=self.storm.strikes,
            together=self.storm.most_together,
            head=self.heads.hexdigest(),
            outcomes=tuple(self.outcomes),
        )

    def _heal(self) -> None:
        """All faults end; people may only vent, then do their work properly."""
        self.storm.end()
        self.crowd.calm_down()
        while self.engine is None or self.engine.done:
            self.move()
        self.crowd.quiet = True
        self.act("vent")
        vented = ("VENTED", "READY", "UNPROVEN")
        self._wait(LIVENESS_NS, lambda: self.engine.state in vented, "LIVENESS_VENTED")
        self.crowd.quiet = False
        self._wait(READY_NS, lambda: self.engine.state in vented[:2], "LIVENESS_READY")
        self._new_run()
        self._wait(READY_NS, lambda: self.engine.state in ("READY", "ARMED", RUNNING), "LIVENESS_READY")

    def _wait(self, at_most_ns: int, is_so: Callable[[], bool], name: str) -> None:
        end_ns = self.now_ns + at_most_ns
        while not (self.engine and is_so()):
            self.move()
            if self.now_ns > end_ns:
                raise Violation(name, f"still {self.engine.view() if self.engine else 'no process'}")

    def move(self) -> None:
        """One step of time, and all that happens in it."""
        self.tick += 1
        due_ns = self.tick * self.swarm.step_ns
        self.plant.advance((due_ns - self.now_ns) / 1e9)
        self.now_ns = due_ns
        while self._wakes and self._wakes[0][0] <= due_ns:
            self._wakes.pop(0)[2]()
        self.storm.look()
        self.watch.look()
        if self.engine is None:
            if due_ns >= self._reborn_ns:
                self.be_born()
            return
        if due_ns < self._paused_until_ns:
            return
        if self.engine.done:
            if due_ns >= self._reborn_ns:
                self._new_run()
            return
        self._hear_devices(due_ns)
        if due_ns >= self._beat_ns:
            self._beat()
        self.crowd.look()

    def later(self, delay_s: float, action: Callable[[], None]) -> None:
        self._wake_count += 1
        self._wakes.append((self.now_ns + int(delay_s * 1e9), self._wake_count, action))
        self._wakes.sort(key=lambda wake: wake[:2])

    # ---- processes

    def be_born(self) -> None:
        """A rig process begins with a record of its own, and knows only what was latched."""
        self.runs += 1
        swarm = self.swarm
        facts = tuple((name, self.person.facts[name]) for name in swarm.profile.required[: self.rng.randrange(6, 10)])
        self.specimen = Specimen(id="night", facts=facts, volume_m3=0.0)
        self.engine = Engine(self.rig, swarm.profile, self.specimen)
        self.builder = BlockBuilder(identity(run=self.runs, version="0", files=()))
        self.record, self.open_prompt = [], None
        self.loop = Loop(self.engine, self.builder, self.record.append, drive=self._drive, publish=self._hear)
        self.origin_ns, self.seq = self.now_ns, 0
        self._beat_ns = self.now_ns + BEAT_NS
        self.longest_gap_ns = self._paused_until_ns = 0
        self.bus.commanded.clear()
        self.watch.be_born(self.engine)
        self.turn(
            partial(
                Opened, run=self.runs, utc_ns=self.host.utc_offset_ns + self.now_ns, version="0", rig_sha256="",
                profile_sha256="", specimen_sha256="", latched=self.latched,
            )
        )  # fmt: skip

    def kill(self, gap_s: float) -> None:
        """kill -9: what was not handed over is lost; nobody tells the rig anything."""
        if self.engine is None:
            return
        self._bury()
        self.engine = None
        self._reborn_ns = self.now_ns + int(gap_s * 1e9)

    def pause(self, seconds: float, resume_with: str) -> None:
        """SIGSTOP, a blocked loop, a collector: the rig goes on, the process does not."""
        self._paused_until_ns = self.now_ns + int(seconds * 1e9)
        self.longest_gap_ns = max(self.longest_gap_ns, int(seconds * 1e9))
        self._resume_with = resume_with
        if resume_with == "old scan":
            self._old_counts = {d: self.plant.counts(d) for d in range(len(self.rig.devices)) if self.bus.answers(d)}

    def wake(self) -> None:
        """A process that stands still goes on."""
        self._paused_until_ns = min(self._paused_until_ns, self.now_ns)

    def _new_run(self) -> None:
        """The run is over: another body, another record."""
        self._bury()
        rng = self.rng
        self.plant.mount(draw_body(rng.choice(self.swarm.bodies), rng.randrange(1 << 30)))
        if self.plant.supply_pa < LOW_BOTTLE_PA and not self.storm.is_active("supply_low", "supply_lost"):
            self.plant.change_bottle(volume_m3=0.05, pressure_pa=2500.0 * PSI)
        self.person = Person("A. Person", rng.randrange(1 << 30))
        self.be_born()

    def _bury(self) -> None:
        """The process is gone: what it left is looked at."""
        if self.engine is not None:
            if self.engine.done:
                self.loop.flush()
            self.latched = tuple(self.engine.interlocks.latched)
            self.watch.bury(self.record)
            self.heads.update(self.builder.head)

    # ---- messages

    def turn(self, make: Callable[..., Input]) -> tuple[Output, ...]:
        return self._send(make(seq=self.seq, t_ns=self.now_ns - self.origin_ns))

    def _send(self, message: Input) -> tuple[Output, ...]:
        self.seq += 1
        self.now_ns += 1_000
        self.watch.about_to(message)
        said = self.loop.turn(message)
        self.watch.turned(message, said)
        return said

    def act(self, act: str, *, named: bool = True, prompt: int | None = None, answer: str | None = None) -> None:
        """A person does something, at whatever moment. Nobody is there to do it while the process is gone."""
        if self.engine is None or self.engine.done or self.now_ns < self._paused_until_ns:
            return
        person = self.person.name if named else "user"
        self.turn(
            partial(
                OperatorAction, act=act, person=person, named=named, source="simulated person", prompt=prompt,
                answer=answer,
            )
        )  # fmt: skip

    def say_fault(self, device: int, fault: str) -> None:
        if self.engine is None or self.engine.done:
            return
        if self.now_ns < self._paused_until_ns:
            self.later(0.05, partial(self.say_fault, device, fault))
            return
        self.turn(partial(DeviceFault, device=device, fault=fault, detail="simulated"))

    def _hear_devices(self, due_ns: int) -> None:
        bus = self.bus
        if self._resume_with:
            self._resume(due_ns)
        heard = False
        for device, every in enumerate(self._every):
            if (self.tick + device) % (every * bus.every) or not bus.answers(device):
                continue
            counts = self._counts(device)
            if bus.late_ns:
                self._queue.append((due_ns + bus.late_ns, due_ns, device, counts))
            else:
                heard = True
                self._scan(device, counts, AGE_US, WIDTH_US)
        while self._queue and self._queue[0][0] <= due_ns:
            _, sampled_ns, device, counts = self._queue.pop(0)
            heard = True
            self._scan(device, counts, (self.now_ns - sampled_ns) // 1000, (self.now_ns - sampled_ns) // 1000)
        if not heard and due_ns - self._heard_ns >= 20_000_000:
            self._heard_ns = due_ns
            self.turn(Tick)

    def _counts(self, device: int) -> tuple[int, ...]:
        if self.bus.repeats and device in self._old_counts:
            return self._old_counts[device]
        counts = self._old_counts[device] = self.plant.counts(device)
        return counts

    def _scan(self, device: int, counts: tuple[int, ...], age_us: int, width_us: int) -> None:
        if self.engine is not None and not self.engine.done:
            self._heard_ns = self.now_ns
            t_ns = self.now_ns - self.origin_ns
            self._send(Scan(seq=self.seq, t_ns=t_ns, device=device, age_us=age_us, width_us=width_us, counts=counts))

    def _resume(self, due_ns: int) -> None:
        """The first message after a pause is whichever the event loop finds first."""
        first, self._resume_with = self._resume_with, ""
        if not self._paused_until_ns:
            return
        if first == "tick":
            self.turn(Tick)
        elif first == "report":
            self._beat()
        elif first == "old scan":
            for device, counts in self._old_counts.items():
                self._scan(device, counts, (due_ns - self._paused_until_ns) // 1000 + 500_000, 500_000)

    def _beat(self) -> None:
        host = self.host
        self._beat_ns = self.now_ns + BEAT_NS
        if self.engine is None or self.engine.done:
            return
        self.loop.flush()
        self.turn(
            partial(
                HostReport, journal_lag_us=host.lag_us, write_error=host.write_error, free_bytes=host.free_bytes,
                missed_ticks=host.missed, inbox_full=host.inbox_full, utc_ns=self.now_ns + host.utc_offset_ns,
            )
        )  # fmt: skip

    # ---- ports of the loop

    def _drive(self, output: int, counts: int) -> None:
        self.watch.driven(output, counts)
        self.bus.drive(output, counts)

    def _hear(self, output: Output) -> None:
        kind = type(output)
        if kind is Prompt:
            self.open_prompt = output
            self.crowd.asked_ns = self.now_ns
        elif kind is Result:
            self.outcomes.append(output.outcome)
            self._reborn_ns = self.now_ns + BETWEEN_RUNS_NS
