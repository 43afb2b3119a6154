"""The rig process: one task group, one inbox, one record, from opened devices to a sealed run.

It brings the loop body to life: devices post scans, people post acts, the computer reports on itself, and what the
engine says goes back to the devices and to whoever watches. It decides nothing about pressure. Whatever unexpected
happens here, the outputs are written safe, the watchdog is no longer kicked, and the process ends; the record then says
`interrupted`.
"""

import asyncio
import gc
import signal
import time
from collections import deque
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from drivers.protocol import DriverFault
from drivers.registry import DRIVERS
from rigd.control import Server, plain
from rigd.engine.engine import Engine
from rigd.files import units
from rigd.live import places
from rigd.live.devices import LOST, Device
from rigd.live.inbox import Inbox
from rigd.live.record import Closing, OpenRecord, left_open, seal_runs
from rigd.loop import Loop
from rigd.model import errors, messages
from rigd.model.messages import ACTS, Event, Output, Prompt, Result
from rigd.model.profile import Profile
from rigd.model.requests import Frame, Reply, Request
from rigd.model.rig import Rig
from rigd.model.specimen import QUANTITY_FACTS, Specimen
from rigd.model.states import ARMED, READY, UNPROVEN, VENTED
from rigd.model.verdicts import exit_code_of
from rigd.store.edition import edition
from rigd.store.keys import load_key

BEAT_S = 0.09  # blocks of the journal cover at most 100 ms
QUIET_NS = 20_000_000  # nothing came for so long: time passes all the same
TICK_CHECK_S = 0.01
SPACE_S = 1.0  # how often the disk is asked what is free
LEAVE_S = 90.0  # from a person's or the system's wish that the process end to giving up on a proof of venting
REST_S = 3.0  # at rest so long, a process that was told to end ends, whatever is still asked
RETRY_S = 1.0  # between attempts to arm by --confirm
SILENT_ACTS_S = 0.5  # a second signal this close to the first is the same key


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """All that one run is made of: shapes, the exact bytes they came from, where it is recorded, who asked for it."""

    rig: Rig
    profile: Profile
    specimen: Specimen
    rig_bytes: bytes
    profile_bytes: bytes
    specimen_bytes: bytes
    display_pa: float  # one unit of Profile.display [Pa]
    records: Path
    person: str
    named: bool
    confirmed: bool  # arm and start as soon as the permissives hold
    key: Path | None = None  # of the rig; None: the record is sealed without a signature

    def files(self) -> dict[str, bytes]:
        """The files of the record, under the names a record gives them."""
        return {"rig.yaml": self.rig_bytes, "profile.yaml": self.profile_bytes, "specimen.yaml": self.specimen_bytes}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    exit_code: int
    record: Path
    words: str
    trouble: str = ""  # why the record is not sealed


def as_si(field: str, answer: str) -> str:
    """Turn the answer to a question for a quantity into SI text, as facts are kept. Raises NotAQuantity."""
    kind = {"K": units.TEMPERATURE, "s": units.TIME}.get(QUANTITY_FACTS.get(field, ""))
    return answer if kind is None else repr(units.parse(answer, kind))


class RigProcess:
    """One run of one rig. `listen` hears every frame, as a watcher of the socket does."""

    def __init__(self, job: Job, listen: Callable[[Frame], None]) -> None:
        self.job = job
        self._listen = listen
        self._devices = tuple(Device(job.rig, i, DRIVERS[d.driver]) for i, d in enumerate(job.rig.devices))
        self._device_of = tuple(self._devices[output.device] for output in job.rig.outputs)
        self._server = Server(places.socket_path(job.rig.name), self.answer)
        self._engine = Engine(job.rig, job.profile, job.specimen)
        self._over = asyncio.Event()
        self._result: Result | None = None
        self._bug: BaseException | None = None
        self._sealing_left: asyncio.Task[None] | None = None
        self._record: OpenRecord
        self._loop: Loop
        self._inbox: Inbox
        self._unsaid: deque[tuple[int, Frame]] = deque()  # each with the block that holds it
        self.is_open = False  # a record is open and acts can be taken
        self._free_bytes = 0
        self._leaving_s = 0.0  # when somebody wished the process to end
        self._at_rest_s = 0.0  # since when it is vented or unproven while somebody wants to leave
        self._asked_again = False
        self._auto_s = 0.0  # when arming was last tried
        self._auto_done = not job.confirmed

    async def run(self) -> Ending:
        """Do the whole run. Raises RigdError when it cannot begin."""
        await self._connect()
        key = load_key(self.job.key) if self.job.key else None  # first, so that a bad one stops nothing halfway
        left = left_open(self.job.records)
        self._record = OpenRecord(
            self.job.records,
            rig=self.job.rig.name,
            profile=self.job.profile.name,
            specimen=self.job.specimen.id,
            files=self.job.files(),
            key=key,
        )
        try:
            self._begin()
            await self._server.open()
            closing = await Closing.start(self._record.folder, self.job.key)
            self._sealing_left = asyncio.create_task(self._seal_what_was_left(left), name="seal what was left")
            await self._serve()
        except BaseException:
            self.is_open = False
            if self._sealing_left is not None:
                self._sealing_left.cancel()
            await self._make_safe()
            self._record.abandon()
            self._announce()
            await self._server.close()
            raise
        self.is_open = False
        await self._make_safe()
        self._loop.flush()
        self._record.close()
        self._announce()
        unsealed = await closing.finish()
        await self._wait_for_what_was_left()
        ending = self._end(unsealed)
        self._say(Frame(kind="closed", body={"exit_code": ending.exit_code, "record": str(ending.record)}))
        await self._server.close()
        return ending

    # --- what people may ask ----------------------------------------------------------------------------------------

    def act(
        self, act: str, person: str, *, named: bool, source: str, prompt: int | None = None, answer: str | None = None
    ) -> tuple[bool, str]:
        """Post a person's act. Returns whether it was granted and the engine's words."""
        open_prompt = self._engine.view().prompt
        if act == "confirm" and answer and open_prompt is not None:
            try:
                answer = as_si(open_prompt.field, answer)
            except units.NotAQuantity as fault:
                return False, f"{open_prompt.text}: found {answer!r}; {fault}"
        said = self._inbox.post(
            lambda seq, t_ns: messages.OperatorAction(
                seq=seq, t_ns=t_ns, act=act, person=person, named=named, source=source, prompt=prompt, answer=answer
            )
        )
        for output in said:
            if isinstance(output, Event) and output.kind in ("granted", "refused"):
                return output.kind == "granted", output.text
        raise AssertionError(f"the engine neither granted nor refused {act}")

    def answer(self, request: Request) -> Reply:
        ok, words = True, self._engine.view().words
        if request.verb in ACTS:
            if not request.person:
                return Reply(id=request.id, ok=False, words="an act needs a person", view=self.view_body())
            ok, words = self.act(
                request.verb, request.person, named=request.named, source=request.source, prompt=request.prompt,
                answer=request.answer,
            )  # fmt: skip
        return Reply(id=request.id, ok=ok, words=words, view=self.view_body())

    def view_body(self) -> dict[str, Any]:
        """The engine's view and what it does not know: names, unit, where the record is, how the devices are."""
        return plain(self._engine.view()) | {
            "rig": self.job.rig.name,
            "simulated": self.job.rig.simulated,
            "specimen": self.job.specimen.id,
            "profile": self.job.profile.name,
            "display": self.job.profile.display,
            "display_pa": self.job.display_pa,
            "record": str(self._record.folder),
            "devices": {device.shape.name: device.state for device in self._devices},
        }

    def leave(self) -> None:
        """Somebody wants this process to end: vent, prove, close the run."""
        now_s = time.monotonic()
        if self._leaving_s and now_s - self._leaving_s < SILENT_ACTS_S:
            return
        self._auto_done = True
        if not self._leaving_s:
            self._leaving_s = now_s
        self.act("vent", self.job.person, named=self.job.named, source="signal")

    # --- the world ----------------------------------------------------------------------------------------------------

    async def _connect(self) -> None:
        """Reach every device, and write it safe before anything else is done: who knows what stands there."""
        for device in self._devices:
            try:
                await device.connect()
            except DriverFault as fault:
                raise errors.RigUnreachable(
                    f"rig {self.job.rig.name}: device {device.shape.name} ({device.shape.driver}): {fault.fault}: "
                    f"{fault.detail}.\nNothing was recorded. Check its power, cable and address in the rig file."
                ) from None

    async def _seal_what_was_left(self, left: tuple[Path, ...]) -> None:
        """Close what killed processes left behind. A night's journal takes minutes, so the rig never waits for it."""
        async for folder, trouble in seal_runs(left, self.job.key):
            text = trouble or f"{folder.name} was interrupted: what it recorded is sealed, nothing was re-pressurised"
            self._tell("host", text)

    async def _wait_for_what_was_left(self) -> None:
        """This run is over; a person need not wait for another one's sealing, which can be left at any moment."""
        sealing = self._sealing_left
        assert sealing is not None
        if not sealing.done():
            self._tell("host", "this run is over and closed; an interrupted one is still being sealed (Ctrl-C: later)")
            running = asyncio.get_running_loop()
            for number in (signal.SIGINT, signal.SIGTERM):
                running.add_signal_handler(number, sealing.cancel)
        await asyncio.wait((sealing,))
        if not sealing.cancelled():
            sealing.result()

    def _tell(self, kind: str, text: str) -> None:
        """What stands in no record: it is of another run, or comes after the end of this one."""
        self._say(Frame(kind="event", body={"kind": kind, "t_ns": 0, "text": text, "data": {}}))

    def _begin(self) -> None:
        self._loop = Loop(
            self._engine, self._record.builder, self._record.hand_over, drive=self._drive, publish=self._publish
        )
        self._inbox = Inbox(self._turn)
        self._free_bytes = self._record.free_bytes()
        sha256_of = {name: sha256(data).hexdigest() for name, data in self.job.files().items()}
        self._inbox.post(
            lambda seq, t_ns: messages.Opened(
                seq=seq, t_ns=t_ns, run=self._record.run, utc_ns=time.time_ns(), version=edition(),
                rig_sha256=sha256_of["rig.yaml"], profile_sha256=sha256_of["profile.yaml"],
                specimen_sha256=sha256_of["specimen.yaml"],
                latched=self._record.latched_before,
            )
        )  # fmt: skip
        self.is_open = True
        gc.collect()
        gc.freeze()  # what is loaded now stays; walking it again and again would cost milliseconds in mid-burst

    async def _serve(self) -> None:
        running = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            running.add_signal_handler(number, self.leave)
        jobs: list[tuple[str, Coroutine[Any, Any, None]]] = [
            (f"device {device.shape.name}", device.supervise(self._inbox)) for device in self._devices
        ]
        jobs += [("ticker", self._tick()), ("beat", self._beat()), ("space", self._watch_space())]
        jobs += [("latch", self._keep_latched())]
        try:
            async with asyncio.TaskGroup() as group:
                tasks = [group.create_task(job, name=name) for name, job in jobs]
                await self._over.wait()
                for task in tasks:
                    task.cancel()
            if self._bug is not None:
                raise self._bug
        except BaseExceptionGroup as several:
            raise several.exceptions[0] from several
        finally:
            for number in (signal.SIGINT, signal.SIGTERM):
                running.remove_signal_handler(number)

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(TICK_CHECK_S)
            self._announce()
            if self._inbox.idle_ns() > QUIET_NS:
                self._inbox.post(lambda seq, t_ns: messages.Tick(seq=seq, t_ns=t_ns))

    async def _beat(self) -> None:
        """Ten times a second: hand the block over, tell the engine how the computer is, show people the view."""
        while True:
            await asyncio.sleep(BEAT_S)
            self._loop.flush()
            self._report_host()
            view = self._engine.view()
            self._say(Frame(kind="view", body=self.view_body()))
            if not self._auto_done:
                self._arm_and_start(view.state, all(holds for _, holds, _ in view.permissives))
            if self._leaving_s:
                self._try_to_leave(view.state)

    async def _keep_latched(self) -> None:
        """What is latched outlives this process. Not in the beat: that may not wait for a disk."""
        kept = self._record.latched_before
        while True:
            await asyncio.sleep(BEAT_S)
            latched = self._engine.view().latched
            if latched != kept:
                kept = latched
                await asyncio.to_thread(self._record.keep_latched, latched)

    async def _watch_space(self) -> None:
        while True:
            await asyncio.sleep(SPACE_S)
            self._free_bytes = self._record.free_bytes()

    def _report_host(self) -> None:
        missed = sum(device.take_missed() for device in self._devices)
        full, self._inbox.overflowed = self._inbox.overflowed, False
        self._inbox.post(
            lambda seq, t_ns: messages.HostReport(
                seq=seq, t_ns=t_ns, journal_lag_us=self._record.lag_us(), write_error=self._record.write_error(),
                free_bytes=self._free_bytes, missed_ticks=missed, inbox_full=full, utc_ns=time.time_ns(),
            )
        )  # fmt: skip

    def _arm_and_start(self, state: str, permitted: bool) -> None:
        """--confirm: two acts, as a person's, once each when the time has come."""
        now_s = time.monotonic()
        if now_s - self._auto_s < RETRY_S and state != ARMED:
            return
        if state == READY and permitted:
            self._auto_s = now_s
            self.act("arm", self.job.person, named=self.job.named, source="command line")
        elif state == ARMED:
            granted, _ = self.act("start", self.job.person, named=self.job.named, source="command line")
            self._auto_done = granted

    def _try_to_leave(self, state: str) -> None:
        """Once it is vented, or cannot be proven, nobody waits for the questions that are left."""
        now_s = time.monotonic()
        if state not in (VENTED, UNPROVEN):
            self._at_rest_s = 0.0
        elif not self._at_rest_s:
            self._at_rest_s = now_s
        at_rest_s = now_s - self._at_rest_s if self._at_rest_s else 0.0
        if at_rest_s > RETRY_S and not self._asked_again:
            self._asked_again = True
            self.act("vent", self.job.person, named=self.job.named, source="signal")
        if at_rest_s > REST_S or now_s - self._leaving_s > LEAVE_S:
            self._over.set()

    # --- ports of the loop body ---------------------------------------------------------------------------------------

    def _turn(self, message: messages.Input) -> tuple[Output, ...]:
        """One turn. A bug in it ends the process, whosoever message it was: in a callback it would only be logged."""
        if self._bug is not None:
            return ()
        try:
            said = self._loop.turn(message)
        except BaseException as bug:
            self._bug = bug
            self._over.set()
            raise
        if self._engine.done:
            self._over.set()
        return said

    def _drive(self, output: int, counts: int) -> None:
        self._device_of[output].drive(output, counts)

    def _publish(self, output: Output) -> None:
        """Keep for `_announce` what people are told. What moves a valve never waits for it."""
        if isinstance(output, Event):
            frame = Frame(kind="event", body=plain(output) | {"data": dict(output.data)})
        elif isinstance(output, Prompt):
            frame = Frame(kind="prompt", body=plain(output))
        elif isinstance(output, Result):
            self._result = output
            frame = Frame(kind="result", body=plain(output))
        else:
            return
        self._unsaid.append((self._record.handed_over + 1, frame))

    def _announce(self) -> None:
        """Tell what is on the disk: nobody is told of a burst or a trip that a power cut could still take out of the
        record. A disk that failed silences nobody; the engine has the error, and vents."""
        while self._unsaid and self._record.is_kept(self._unsaid[0][0]):
            self._say(self._unsaid.popleft()[1])

    def _say(self, frame: Frame) -> None:
        self._server.publish(frame)
        self._listen(frame)

    # --- the end ------------------------------------------------------------------------------------------------------

    async def _make_safe(self) -> None:
        """Whatever happened, write the safe state through fresh connections, to all devices at once."""
        reachable = [device for device in self._devices if device.state != LOST]
        troubles = await asyncio.gather(*(device.make_safe() for device in reachable))
        for trouble in filter(None, troubles):
            self._tell("device", trouble)

    def _end(self, unsealed: str) -> Ending:
        """How it ended. A record that could not be sealed is told with it, and only a trip is graver news."""
        code, words = self._outcome()
        if unsealed and code != errors.TRIPPED:
            code = errors.CANNOT_WRITE
        return Ending(exit_code=code, record=self._record.folder, words=words, trouble=unsealed)

    def _outcome(self) -> tuple[int, str]:
        unproven = self._engine.state == UNPROVEN
        if self._result is None:
            return errors.STOPPED if self._leaving_s and not unproven else errors.TRIPPED, "ended without a result"
        code = exit_code_of(outcome=self._result.outcome, verdict=self._result.verdict, unproven=unproven)
        if self._leaving_s and code != errors.TRIPPED:
            code = errors.STOPPED  # whatever was measured is in the record; that the run was cut short comes first
        return code, self._result.outcome
