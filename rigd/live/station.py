"""One station of the rig process: an engine and all that is its own, from the first message to the sealed record.

`Order` is what every station has, also an empty one: its engine, the loop body and the inbox that decides the order of
what reaches it. `Station` adds what a specimen brings: the record, its closing process, the people who ask and are
told. Nothing here knows a device or another station: whoever holds the rig passes messages in and takes commands out.
"""

import asyncio
import time
from collections import deque
from collections.abc import Callable
from hashlib import sha256
from typing import Any

from drivers.protocol import Reply
from rigd.control import plain
from rigd.engine.engine import Engine
from rigd.files import units
from rigd.live.inbox import Inbox, Recipe
from rigd.live.job import Ending, Job, Mounted
from rigd.live.record import Closing, OpenRecord
from rigd.loop import Builder, Loop
from rigd.model import errors, messages
from rigd.model.messages import Event, Input, Output, Prompt, Result
from rigd.model.requests import Frame
from rigd.model.states import LINE_AT_ZERO, NOT_PROVEN, READY, UNPROVEN, VENTED
from rigd.model.stations import Station as Place
from rigd.model.verdicts import exit_code_of, outcome_without_result
from rigd.store.edition import edition
from rigd.store.keys import RigKey

REST_S = 8.0  # at rest so long, a station that was told to end ends, result or not: a zero is read for 5 s at most
ASK_AGAIN_S = 1.0  # at rest, the questions that are left are dropped as often
LEAVE_S = 90.0  # from a person's or the system's wish that the process end to giving up on a proof of venting


class Nowhere:
    """The builder of a station without a run: its engine only guards, and nothing of it is a record."""

    empty = True

    def add_input(self, message: Input) -> None: ...

    def add_output(self, message: Output) -> None: ...

    def take(self) -> bytes:
        raise AssertionError("nothing is gathered here")


class Order:
    """One engine and the one order of its messages. `turn(order, message)` is the rig's, and calls `loop.turn`."""

    def __init__(
        self,
        at: int,
        place: Place,
        engine: Engine,
        *,
        builder: Builder,
        hand_over: Callable[[bytes], None],
        drive: Callable[["Order", int, int], None],
        publish: Callable[[Output], None],
        turn: Callable[["Order", Input], tuple[Output, ...]],
    ) -> None:
        self.at, self.place, self.engine = at, place, engine
        self.loop = Loop(
            engine, builder, hand_over, drive=lambda output, counts: drive(self, output, counts), publish=publish
        )
        self.inbox = Inbox(lambda message: turn(self, message))
        self.neighbours = (0, False)  # as last told
        self.standing = ("", False)  # run state and wish for hands after the last turn
        self.newest: dict[int, Reply] = {}  # by device
        outputs = {output.device for output in place.rig.outputs}
        self._concerned = {device for device, picked in enumerate(place.picks) if picked} | outputs

    @classmethod
    def guarding(cls, at: int, place: Place, **ports: Any) -> "Order":
        """Of a station without a run, or whose run is over: its valves are told safe and watched, so that the others
        stop should one of them not be seen to be shut."""
        return cls(
            at, place, Engine(place.rig, None, None), builder=Nowhere(), hand_over=lambda block: None,
            publish=lambda output: None, **ports,
        )  # fmt: skip

    def begin(self, before: "Order | None" = None) -> None:
        """The first message of an engine without a run. `before` lends what was last heard there, so that there is no
        moment in which nobody knows."""
        self.post(
            lambda seq, t_ns: messages.Opened(
                seq=seq, t_ns=t_ns, run=0, utc_ns=time.time_ns(), version=edition(), rig_sha256="", profile_sha256="",
                specimen_sha256="", latched=(),
            )
        )  # fmt: skip
        for device, reply in (before.newest if before else {}).items():
            self.take_reply(device, reply)

    def post(self, recipe: Recipe) -> tuple[Output, ...]:
        return self.inbox.post(recipe)

    def take_reply(self, device: int, reply: Reply) -> None:
        """This station's part of a device's reply. Age and width are the reply's, seq and time the record's own."""
        counts = self.place.counts_of(device, reply.counts)
        if not counts and reply.counts:
            return
        self.newest[device] = reply
        self.inbox.take_reply(device, reply, counts)

    def take_fault(self, device: int, fault: str, detail: str) -> None:
        if device in self._concerned:
            self.inbox.take_fault(device, fault, detail)

    def tell_neighbours(self, pressurised: int, hands: bool) -> None:
        if (pressurised, hands) != self.neighbours:
            self.neighbours = (pressurised, hands)
            self.inbox.post(
                lambda seq, t_ns: messages.Neighbours(seq=seq, t_ns=t_ns, pressurised=pressurised, hands=hands)
            )

    def seen(self) -> dict[str, Any]:
        """What is to be seen of a station without a run."""
        view = self.engine.view()
        return {"station": self.place.number, "state": view.state, "words": view.words, "values": plain(view.values)}

    def tick(self) -> None:
        self.inbox.post(lambda seq, t_ns: messages.Tick(seq=seq, t_ns=t_ns))


class Station:
    """A specimen under test: its order, its record, and what people ask and are told. `say` takes frames."""

    def __init__(
        self,
        at: int,
        place: Place,
        mounted: Mounted,
        job: Job,
        say: Callable[[Frame], None],
        key: RigKey | None,
        **ports: Any,
    ) -> None:
        self.number, self.mounted, self._job, self._say = place.number, mounted, job, say
        files = job.files(mounted)
        self._sha256 = {name: sha256(data).hexdigest() for name, data in files.items()}
        self.engine = Engine(place.rig, job.profile, mounted.specimen, mounted.carried, mounted.earlier)
        self.record = OpenRecord(
            job.records, rig=job.rig.name, profile=job.profile.name, specimen=mounted.specimen.id, files=files, key=key,
            station=self.number,
        )  # fmt: skip
        self.order = Order(
            at, place, self.engine, builder=self.record.builder, hand_over=self.record.hand_over,
            publish=self._publish, **ports,
        )  # fmt: skip
        self._closing: asyncio.Task[Closing] | None = None
        self.result: Result | None = None
        self.is_closed = False  # its journal
        self._has_left = False
        self._unsaid: deque[tuple[int, Frame]] = deque()  # each with the block that holds it
        self._kept_latched = self.record.latched_before
        self._at_rest_s = 0.0  # since when it is vented or unproven while somebody wants to leave
        self._asked_s = 0.0  # at rest so long when they were last dropped

    def begin(self) -> None:
        """The first message."""
        hashes = self._sha256
        self.order.post(
            lambda seq, t_ns: messages.Opened(
                seq=seq, t_ns=t_ns, run=self.record.run, utc_ns=time.time_ns(), version=edition(),
                rig_sha256=hashes["rig.yaml"], profile_sha256=hashes["profile.yaml"],
                specimen_sha256=hashes["specimen.yaml"], latched=self.record.latched_before,
            )
        )  # fmt: skip

    # --- people -------------------------------------------------------------------------------------------------------

    def act(
        self, act: str, person: str, *, named: bool, source: str, prompt: int | None = None, answer: str | None = None
    ) -> tuple[bool, str]:
        """Post a person's act. Returns whether it was granted and the engine's words."""
        open_prompt = self.engine.questions.prompt
        if act == "confirm" and answer and open_prompt is not None:
            try:
                answer = units.answer_in(open_prompt.si, answer)
            except units.NotAQuantity as fault:
                return False, f"{open_prompt.text}: found {answer!r}; {fault}"
        if self.engine.done:
            return False, "the run of this station is over"
        said = self.order.post(
            lambda seq, t_ns: messages.OperatorAction(
                seq=seq, t_ns=t_ns, act=act, person=person, named=named, source=source, prompt=prompt, answer=answer
            )
        )
        for output in said:
            if isinstance(output, Event) and output.kind in ("granted", "refused"):
                return output.kind == "granted", output.text
        raise AssertionError(f"the engine neither granted nor refused {act}")

    def view_body(self) -> dict[str, Any]:
        """The engine's view and what it does not know: names, unit, where the record is."""
        job = self._job
        return plain(self.engine.view()) | {
            "rig": job.rig.name,
            "simulated": job.rig.simulated,
            "station": self.number,
            "specimen": self.mounted.specimen.id,
            "profile": job.profile.name,
            "display": job.profile.display,
            "display_pa": job.display_pa,
            "record": str(self.record.folder),
        }

    @property
    def permitted(self) -> bool:
        return all(holds for _, holds, _ in self.engine.view().permissives)

    def _publish(self, output: Output) -> None:
        """Keep for `announce` what people are told. What moves a valve never waits for it."""
        if isinstance(output, Event):
            frame = Frame(kind="event", body=plain(output) | {"data": dict(output.data)} | self._whose)
        elif isinstance(output, Prompt):
            frame = Frame(kind="prompt", body=plain(output) | self._whose)
        elif isinstance(output, Result):
            self.result = output
            frame = Frame(kind="result", body=plain(output) | self._whose)
        else:
            return
        self._unsaid.append((self.record.handed_over + 1, frame))

    @property
    def _whose(self) -> dict[str, int]:
        return {"station": self.number} if self.number else {}

    def announce(self) -> None:
        """Tell what is on the disk: nobody is told of a burst or a trip that a power cut could still take out of the
        record. A disk that failed silences nobody; the engine has the error, and vents."""
        while self._unsaid and self.record.is_kept(self._unsaid[0][0]):
            self._say(self._unsaid.popleft()[1])

    # --- the computer -------------------------------------------------------------------------------------------------

    def report_host(self, free_bytes: int, missed: int) -> None:
        inbox, record = self.order.inbox, self.record
        full, inbox.overflowed = inbox.overflowed, False
        self.order.post(
            lambda seq, t_ns: messages.HostReport(
                seq=seq, t_ns=t_ns, journal_lag_us=record.lag_us(), write_error=record.write_error(),
                free_bytes=free_bytes, missed_ticks=missed, inbox_full=full, utc_ns=time.time_ns(),
            )
        )  # fmt: skip

    def newly_latched(self) -> tuple[str, ...] | None:
        """What is latched, when it is not what was last kept."""
        latched = tuple(self.engine.interlocks.latched)
        if latched == self._kept_latched:
            return None
        self._kept_latched = latched
        return latched

    # --- the end ------------------------------------------------------------------------------------------------------

    def try_to_leave(self, since_s: float) -> None:
        """Somebody has wanted to end since then. Once it is vented, or cannot be proven, nobody waits for the questions
        that are left."""
        now_s = time.monotonic()
        if self.engine.state not in (VENTED, UNPROVEN):
            self._at_rest_s = 0.0
        elif not self._at_rest_s:
            self._at_rest_s = now_s
        at_rest_s = now_s - self._at_rest_s if self._at_rest_s else 0.0
        self._asked_s = min(self._asked_s, at_rest_s)
        if at_rest_s > self._asked_s + ASK_AGAIN_S:
            self._asked_s = at_rest_s
            self.act("vent", self._job.person, named=self._job.named, source="signal")
        if at_rest_s > REST_S or now_s - since_s > LEAVE_S:
            self._has_left = True

    @property
    def is_over(self) -> bool:
        """Nothing more is asked of it."""
        return self._has_left or self.engine.done

    def close(self) -> None:
        """Nothing more is recorded. Waits for the disk; runs in a thread when others are still under pressure."""
        if not self.is_closed:
            self.is_closed = True
            self.order.loop.flush()
            self.record.close()

    def abandon(self) -> None:
        """Stop writing without saying that the run ended: it did not."""
        if not self.is_closed:
            self.is_closed = True
            self.record.abandon()

    async def start_closing(self) -> Closing:
        """The process that closes this record, started once."""
        if self._closing is None:
            starting = Closing.start(self.record.folder, self._job.key)
            self._closing = asyncio.create_task(starting, name=f"start closing of station {self.number}")
        return await asyncio.shield(self._closing)

    async def seal(self, was_left: bool) -> Ending:
        """How it ended, once its closing process is through. A record that could not be sealed is told with it, and
        only a trip is graver news. `was_left`: somebody ended the process."""
        unsealed = await (await self.start_closing()).finish()
        code, words = self._outcome(was_left)
        if unsealed and code != errors.TRIPPED:
            code = errors.CANNOT_WRITE
        opening = LINE_AT_ZERO if self.engine.state in (VENTED, READY) else NOT_PROVEN
        return Ending(
            station=self.number, exit_code=code, record=self.record.folder, words=words, opening=opening,
            trouble=unsealed,
        )  # fmt: skip

    def _outcome(self, was_left: bool) -> tuple[int, str]:
        """As the record tells it, for it may be that no record can."""
        state = self.engine.state
        if self.result is None:
            outcome = outcome_without_result(left=was_left, state=state)
            return exit_code_of(outcome=outcome, verdict="undecided", unproven=state == UNPROVEN), outcome
        code = exit_code_of(outcome=self.result.outcome, verdict=self.result.verdict, unproven=state == UNPROVEN)
        if was_left and code != errors.TRIPPED:
            code = errors.STOPPED  # whatever was measured is in the record; that the run was cut short comes first
        return code, self.result.outcome
