"""The simulated world: plant, person and rig in one thread under virtual time, running the shipped engine and loop.

Nothing here is a model of rigd: engine, loop body and block builder are the real ones. Only the wire, the clock, the
disk and the person are replaced. Time is a plain integer that jumps from one thing to the next; an hour costs
seconds.
"""

from collections.abc import Callable
from dataclasses import dataclass

from rigd.engine.engine import Engine
from rigd.loop import Loop
from rigd.model.earlier import NO_WALKS, Earlier
from rigd.model.messages import (
    Event,
    HostReport,
    Input,
    Opened,
    OperatorAction,
    Output,
    Prompt,
    Result,
    Scan,
)
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from rigd.model.states import ARMED, READY, RESETTABLE, UNPROVEN
from simulator.person import Person, work_by_hand
from simulator.plant import Plant

BEAT_NS = 100_000_000  # blocks and reports, as in the live world
REPLY_US, WIDTH_US = 400, 600  # a reply over a local network: age and width of a scan
WAIT_NS = 300_000_000  # a person's pause between seeing READY and arming, and between arming and starting
ANSWER_NS = 400_000_000
LONGEST_NS = 3_600_000_000_000  # a run longer than this is a defect of the world
FREE_BYTES = 1 << 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """What the first message of the record says."""

    run: int
    utc_ns: int
    version: str
    rig_sha256: str = ""
    profile_sha256: str = ""
    specimen_sha256: str = ""
    latched: tuple[str, ...] = ()


class World:
    """One run on one simulated rig. `run()` plays it to its end and returns the Result."""

    def __init__(
        self,
        rig: Rig,
        profile: Profile,
        specimen: Specimen,
        plant: Plant,
        person: Person,
        builder: object,
        hand_over: Callable[[bytes], None],
        names: Names,
        earlier: Earlier = NO_WALKS,
    ) -> None:
        self.rig, self.plant, self.person = rig, plant, person
        self.engine = Engine(rig, profile, specimen, earlier=earlier)
        self.loop = Loop(self.engine, builder, hand_over, drive=plant.drive, publish=self._hear)
        self.result: Result | None = None
        self.events: list[Event] = []
        self._names = names
        self._seq, self.t_ns = 0, 0
        self._answer_at_ns = self._act_at_ns = -1
        self._prompt: Prompt | None = None
        self._utc_offset_ns = names.utc_ns

    def run(self) -> Result:
        """Play until the engine is done."""
        self._open()
        periods = [device.scan_ns for device in self.rig.devices]
        due_ns = list(periods)
        beat_ns = BEAT_NS
        while not self.engine.done:
            device = due_ns.index(min(due_ns))
            self._advance(due_ns[device])
            due_ns[device] += periods[device]
            self._scan(device)
            if self.t_ns >= beat_ns:
                beat_ns += BEAT_NS
                self._beat()
            assert self.t_ns < LONGEST_NS, f"the run does not end: {self.engine.view()}"
        self.loop.flush()
        assert self.result is not None
        return self.result

    def _hear(self, output: Output) -> None:
        if type(output) is Event:
            self.events.append(output)
        elif type(output) is Prompt:
            self._prompt, self._answer_at_ns = output, self.t_ns + getattr(self.person, "hesitates_ns", ANSWER_NS)
            self._answer_at_ns += int(work_by_hand(self.plant, output.field) * 1e9)
        elif type(output) is Result:
            self.result = output

    def _turn(self, make: Callable[[int, int], Input]) -> None:
        message = make(self._seq, self.t_ns)
        self._seq += 1
        self.t_ns += 1_000
        self.loop.turn(message)

    def _open(self) -> None:
        names = self._names
        self._turn(
            lambda seq, t_ns: Opened(
                seq=seq,
                t_ns=t_ns,
                run=names.run,
                utc_ns=names.utc_ns,
                version=names.version,
                rig_sha256=names.rig_sha256,
                profile_sha256=names.profile_sha256,
                specimen_sha256=names.specimen_sha256,
                latched=names.latched,
            )
        )

    def _advance(self, until_ns: int) -> None:
        self.plant.advance((until_ns - self.t_ns) / 1e9)
        self.t_ns = until_ns

    def _scan(self, device: int) -> None:
        counts = self.plant.counts(device)
        message = Scan(
            seq=self._seq, t_ns=self.t_ns, device=device, age_us=REPLY_US, width_us=WIDTH_US, counts=counts
        )
        self._seq += 1
        self.t_ns += 1_000
        self.loop.turn(message)

    def _beat(self) -> None:
        self.loop.flush()
        self._turn(
            lambda seq, t_ns: HostReport(
                seq=seq,
                t_ns=t_ns,
                journal_lag_us=0,
                write_error="",
                free_bytes=FREE_BYTES,
                missed_ticks=0,
                inbox_full=False,
                utc_ns=t_ns + self._utc_offset_ns,
            )
        )
        self._person_acts()

    def _act(self, act: str, prompt: int | None = None, answer: str | None = None) -> None:
        self._turn(
            lambda seq, t_ns: OperatorAction(
                seq=seq,
                t_ns=t_ns,
                act=act,
                person=self.person.name,
                named=True,
                source="simulated person",
                prompt=prompt,
                answer=answer,
            )
        )

    def _person_acts(self) -> None:
        """Ten times a second the person looks at the question, at the state and through the window."""
        engine = self.engine
        if engine.done:
            return
        if self._prompt is not None and self.t_ns >= self._answer_at_ns:
            prompt, self._prompt = self._prompt, None
            self._act("confirm", prompt.prompt, self.person.says(prompt, self.plant.truth().seen))
            return
        state = engine.state
        if state == "RUNNING":
            act = self.person.sees(self.plant.truth(), self.t_ns / 1e9)
            if act:
                self._act(act)
            return
        if state not in (READY, ARMED, UNPROVEN) and engine.interlocks.state != RESETTABLE:
            self._act_at_ns = -1
            return
        if self._act_at_ns < 0:
            self._act_at_ns = self.t_ns + WAIT_NS
        elif self.t_ns >= self._act_at_ns:
            self._act_at_ns = -1
            acts = {READY: "arm", ARMED: "start", UNPROVEN: "hand_check"}
            self._act(acts.get(state, "reset"))
