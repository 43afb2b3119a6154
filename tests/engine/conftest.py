"""A bench for the engine alone: scans made from a few plain numbers, valves that do as told, a person's acts."""

from pathlib import Path

import pytest

from rigd.engine.engine import Engine
from rigd.files.load import find, load_profile, load_rig
from rigd.model.carried import NOTHING_CARRIED
from rigd.model.messages import (
    Event,
    HostReport,
    Kick,
    Opened,
    OperatorAction,
    Output,
    Prompt,
    Result,
    Scan,
    ValveCommand,
)
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen

PSI = 6894.757293168362
SCAN_NS = 10_000_000
FACTS = (
    ("make", "K"), ("size", "short"), ("lot", "1"), ("water_temperature", "293"), ("specimen_temperature", "293"),
    ("conditioning", "7200"), ("surroundings", "in air"), ("mounting", "cage"), ("end_closure", "free"),
)  # fmt: skip


class Bench:
    """What the transducers and switches say is set as plain attributes; `scan` makes it so."""

    def __init__(self, rig: Rig, profile: Profile, facts=FACTS, latched=(), carried=NOTHING_CARRIED) -> None:
        self.rig, self.profile = rig, profile
        self.engine = Engine(rig, profile, Specimen(id="K-07", facts=facts, volume_m3=0.0), carried)
        self.a = self.b = self.tank = 0.0  # psi
        self.supply = 2500.0
        self.follow = True  # the specimen's pressure goes where the set-point and the valves send it
        self.switches = {"door": 1, "emergency_stop": 1, "relief": 1}
        self.stuck: dict[str, int] = {}
        self.outputs = dict.fromkeys((o.name for o in rig.outputs), 0)
        self.t_ns, self.seq = 0, 0
        self.said: list[Output] = []
        self.inputs = []
        self.silent = False
        self.host: dict[str, object] = {}  # what every report says differently from the usual
        self.send(Opened, run=1, utc_ns=10**18, version="0", rig_sha256="", profile_sha256="", specimen_sha256="",
                  latched=latched)  # fmt: skip
        self.report()

    def send(self, shape, **fields) -> tuple[Output, ...]:
        self.t_ns += 1_000
        message = shape(seq=self.seq, t_ns=self.t_ns, **fields)
        self.seq += 1
        self.inputs.append(message)
        said = self.engine.step(message)
        self.said += said
        for output in said:
            if type(output) in (ValveCommand, Kick):
                self.outputs[self.rig.outputs[output.output].name] = output.counts
        return said

    def counts(self) -> tuple[int, ...]:
        values = {"specimen_a": self.a, "specimen_b": self.b, "tank": self.tank}
        found = []
        for channel in self.rig.channels:
            if channel.name in values:
                found.append(round(4000 + 16 * values[channel.name]))
            elif channel.name == "supply":
                found.append(round(4000 + 4 * self.supply))
            elif channel.role == "water_temperature":
                found.append(2100)
            elif channel.role == "read_back":
                output = next(o for o in self.rig.outputs if o.read_back == self.rig.channels.index(channel))
                found.append(self.stuck.get(output.name, self.outputs[output.name]))
            else:
                found.append(self.switches[channel.name])
        return tuple(found)

    def scan(self, times: int = 1, counts=None) -> None:
        for _ in range(times):
            self.t_ns += SCAN_NS - 1_000
            if self.follow:
                self._physics()
            if not self.silent:
                self.send(Scan, device=0, age_us=400, width_us=600, counts=counts or self.counts())
            if self.seq % 10 == 0:
                self.report()

    def _physics(self) -> None:
        on = {o.role: self.outputs[o.name] == o.counts_energised for o in self.rig.outputs}
        set_point = next(self.outputs[o.name] / 16 for o in self.rig.outputs if o.role == "set_point")
        if on["supply"]:
            self.tank += (set_point - self.tank) * 0.3
        if not on["vent"]:
            self.a *= 0.5
        elif on["inlet"]:
            self.a = self.tank
        elif on["fill"]:
            self.a = max(self.a, min(self.a + 2.0, 45.0))
        self.b = self.a

    def report(self, **fields) -> tuple[Output, ...]:
        usual = {"journal_lag_us": 0, "write_error": "", "free_bytes": 1 << 40, "missed_ticks": 0, "inbox_full": False,
                 "utc_ns": 10**18 + self.t_ns + 1_000}  # fmt: skip
        return self.send(HostReport, **(usual | self.host | fields))

    def act(self, act: str, person: str = "P. Person", named: bool = True, **fields) -> Event:
        said = self.send(OperatorAction, act=act, person=person, named=named, source="test", **fields)
        return next(o for o in said if type(o) is Event and o.kind in ("granted", "refused"))

    def seconds(self, s: float) -> None:
        self.scan(round(s * 1e9 / SCAN_NS))

    def answer_all(self, observation: str = "nothing") -> None:
        """Answer the open question and those behind it."""
        for _ in range(30):
            prompt = self.engine.questions.prompt
            if prompt is None:
                return
            answer = observation if prompt.field == "observation" else prompt.choices[0] if prompt.choices else "20"
            assert self.act("confirm", prompt=prompt.prompt, answer=answer).kind == "granted"
            self.scan()
        raise AssertionError("questions never end")

    def to_ready(self) -> None:
        self.seconds(2.0)
        self.answer_all()
        self.seconds(1.0)
        assert self.engine.state == "READY", self.engine.view()

    def to_armed(self) -> None:
        self.to_ready()
        assert self.act("arm").kind == "granted"

    def to_running(self) -> None:
        self.to_armed()
        assert self.act("start").kind == "granted"

    def to_ramp(self, psi: float = 100.0) -> None:
        """Through fill and proof into the ramp, up to a pressure."""
        self.to_running()
        for _ in range(200_000):
            self.scan()
            if self.engine.view().step_name.startswith("Ramp") and self.a >= psi:
                return
        raise AssertionError(f"never came to {psi} psi: {self.engine.view()}")

    def to(self, state: str) -> None:
        """Into a run state by the shortest honest way."""
        if state == "UNPROVEN":
            self.follow, self.a, self.b = False, 40.0, 40.0
            self.seconds(21)
        elif state == "VENTED":
            self.seconds(2)
        elif state != "VENTING":
            {"READY": self.to_ready, "ARMED": self.to_armed, "RUNNING": self.to_running}[state]()
        assert self.engine.state == state

    def finish(self, observation: str = "nothing") -> Result:
        for _ in range(100):
            self.seconds(0.5)
            self.answer_all(observation)
            if self.engine.done:
                return next(o for o in self.said if type(o) is Result)
        raise AssertionError(f"never done: {self.engine.view()}")

    def events(self, kind: str) -> list[Event]:
        return [o for o in self.said if type(o) is Event and o.kind == kind]

    @property
    def prompts(self) -> list[Prompt]:
        return [o for o in self.said if type(o) is Prompt]

    @property
    def is_safe(self) -> bool:
        """Every valve de-energised and the set-point at its safe end."""
        return all(self.outputs[o.name] == o.counts_safe for o in self.rig.outputs if o.role != "watchdog")


@pytest.fixture(scope="session")
def demo_rig() -> Rig:
    return load_rig(find("demo", "rig"))


@pytest.fixture(scope="session")
def demo_profile() -> Profile:
    return load_profile(Path(find("ramped-burst", "profile")))


@pytest.fixture
def bench(new_bench) -> Bench:
    return new_bench()


@pytest.fixture(scope="session")
def new_bench(demo_rig: Rig, demo_profile: Profile):
    def make(**fields) -> Bench:
        return Bench(demo_rig, demo_profile, **fields)

    return make


@pytest.fixture(scope="session")
def bench_of(demo_rig: Rig):
    """A bench with a profile of its own."""

    def make(profile: Profile, rig: Rig = demo_rig, **fields) -> Bench:
        return Bench(rig, profile, **fields)

    return make
