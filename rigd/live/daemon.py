"""The rig process: one task group, one rig, one to eight stations, from opened devices to sealed records.

It brings the loop body to life: devices are scanned, people act, the computer reports on itself, and what the engines
say goes back to the devices and to whoever watches. Each station has an engine, an order of messages and a record of
its own (`station`); what they share is told by `engine.combine` alone. It decides nothing about pressure.

A station that fails, trips or cannot write its record stops itself and no other: each engine knows its own causes, and
what the stations share stays as long as another asks for it and none is in doubt. A bug is another matter. The engines
are the same program, so what is wrong in one is wrong in all, and the one that failed can no longer watch its valve:
the outputs of the whole rig are written safe, the watchdog is no longer kicked, the process ends, and every record says
`interrupted`.
"""

import asyncio
import gc
import signal
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

from drivers.protocol import DriverFault, Reply
from drivers.registry import DRIVERS
from rigd.control import Server
from rigd.live import places
from rigd.live.asked import whom
from rigd.live.devices import LOST, Device
from rigd.live.job import Ending, Job, gravest
from rigd.live.record import left_open, seal_runs
from rigd.live.shared import Shared
from rigd.live.station import Order, Station
from rigd.model import errors
from rigd.model.messages import ACTS, Input, Output
from rigd.model.requests import Frame, Request
from rigd.model.requests import Reply as Answer
from rigd.model.states import ARMED, READY
from rigd.model.stations import of_station
from rigd.store.keys import RigKey, load_key

BEAT_S = 0.09  # blocks of the journal cover at most 100 ms
QUIET_NS = 20_000_000  # nothing came for so long: time passes all the same
TICK_CHECK_S = 0.01
CLOSING_APART_S = 2.0  # longer than one closing process takes to load on a small computer
SPACE_S = 1.0  # how often the disk is asked what is free
RETRY_S = 1.0  # between attempts to arm by --confirm
SILENT_ACTS_S = 0.5  # a second signal this close to the first is the same key


class RigProcess:
    """One rig, and a run at each station that has a specimen. `listen` hears every frame, as a watcher of the socket
    does; None when nobody does."""

    def __init__(self, job: Job, listen: Callable[[Frame], None] | None) -> None:
        self.job = job
        self._listen = listen
        self._devices = tuple(Device(job.rig, i, DRIVERS[d.driver]) for i, d in enumerate(job.rig.devices))
        self._device_of = tuple(self._devices[output.device] for output in job.rig.outputs)
        self._server = Server(places.socket_path(job.rig.name), self.answer)
        self.stations: tuple[Station, ...] = ()
        self._orders: list[Order] = []  # of every station, also of those without a run
        self._shared: Shared
        self._over = asyncio.Event()
        self._ended = asyncio.Event()  # some station's run is over
        self._sealing: dict[int, asyncio.Task[Ending]] = {}  # by station
        self._bug: BaseException | None = None
        self._sealing_left: asyncio.Task[None] | None = None
        self.is_open = False  # records are open and acts can be taken
        self._free_bytes = 0
        self._missed = 0
        self._leaving_s = 0.0  # when somebody wished the process to end
        self._auto_s = 0.0  # when arming was last tried
        self._to_start: set[int] = {mounted.station for mounted in job.mounted} if job.confirmed else set()

    async def run(self) -> tuple[Ending, ...]:
        """Do the whole run. Returns how each station's ended. Raises RigdError when it cannot begin."""
        await self._connect()
        key = load_key(self.job.key) if self.job.key else None  # first, so that a bad one stops nothing halfway
        left = left_open(self.job.records)
        try:
            self._open_records(key)
            self._begin()
            await self._server.open()
            await self.stations[0].start_closing()
            self._sealing_left = asyncio.create_task(self._seal_what_was_left(left), name="seal what was left")
            await self._serve()
        except BaseException:
            await self._give_up()
            raise
        self.is_open = False
        await self._make_safe()
        for station in self.stations:
            station.close()
            station.announce()
            self._seal(station)
        endings = tuple(await asyncio.gather(*(self._sealing[station.number] for station in self.stations)))
        await self._wait_for_what_was_left()
        self._say(Frame(kind="closed", body=self._closed_body(endings)))
        await self._server.close()
        return endings

    # --- what people may ask ------------------------------------------------------------------------------------------

    def act(
        self, act: str, person: str, *, named: bool, source: str, prompt: int | None = None, answer: str | None = None,
        station: int | None = None,
    ) -> tuple[bool, str]:  # fmt: skip
        """Post a person's act to the station meant, or to all. Returns whether one granted it, and the words of all."""
        meant, refusal = whom(self._open_stations, act, station)
        if refusal:
            return False, refusal
        said = [
            (each, *each.act(act, person, named=named, source=source, prompt=prompt, answer=answer)) for each in meant
        ]
        if len(said) == 1:
            each, granted, words = said[0]
            return granted, f"station {each.number}: {words}" if each.number else words
        words = "\n".join(f"station {each.number}: {'' if ok else 'refused: '}{text}" for each, ok, text in said)
        return any(granted for _, granted, _ in said), words

    def answer(self, request: Request) -> Answer:
        ok, words = True, "\n".join(self._words_of(station) for station in self.stations)
        if request.verb in ACTS:
            if not request.person:
                ok, words = False, "an act needs a person"
            else:
                ok, words = self.act(
                    request.verb, request.person, named=request.named, source=request.source, prompt=request.prompt,
                    answer=request.answer, station=request.station,
                )  # fmt: skip
        elif request.station is not None and request.station not in [station.number for station in self.stations]:
            ok, words = False, f"station {request.station} has no run"
        return Answer(id=request.id, ok=ok, words=words, view=self.view_body(request.station))

    def view_body(self, number: int | None = None) -> dict[str, Any]:
        """What is to be seen of the only station or of the one named; else of each with a run under `stations`, and
        under `guarded` of those whose valves are only watched."""
        devices = {"devices": {device.shape.name: device.state for device in self._devices}}
        seen = [station for station in self.stations if number in (None, station.number)]
        if len(self.stations) == 1 or (number is not None and seen):
            return seen[0].view_body() | devices if seen else devices
        rig = self.job.rig
        running = {station.order for station in self.stations}
        return devices | {
            "rig": rig.name, "simulated": rig.simulated, "stations": [each.view_body() for each in self.stations],
            "guarded": [order.seen() for order in self._orders if order not in running],
        }  # fmt: skip

    @staticmethod
    def _words_of(station: Station) -> str:
        words = station.engine.view().words
        return f"station {station.number}: {words}" if station.number else words

    def leave(self) -> None:
        """Somebody wants this process to end: vent, prove, close the runs."""
        now_s = time.monotonic()
        if self._leaving_s and now_s - self._leaving_s < SILENT_ACTS_S:
            return
        self._to_start.clear()
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

    def _open_records(self, key: RigKey | None) -> None:
        """A record for every specimen, and for every station an engine: one that guards where there is no specimen."""
        rig, ports = self.job.rig, {"drive": self._drive, "turn": self._turn}
        numbers = range(1, rig.stations + 1) if rig.stations > 1 else (0,)
        mounted = {each.station: each for each in self.job.mounted}
        for at, number in enumerate(numbers):
            place = of_station(rig, number)
            if number in mounted:
                station = Station(at, place, mounted[number], self.job, self._say, key, **ports)
                self.stations += (station,)
                self._orders.append(station.order)
            else:
                self._orders.append(Order.guarding(at, place, **ports))
        self._shared = Shared(rig, self._orders, self._send)
        self._free_bytes = self.stations[0].record.free_bytes()

    def _begin(self) -> None:
        with_runs = {station.order for station in self.stations}
        for order in self._orders:
            if order not in with_runs:
                order.begin()
        for station in self.stations:
            station.begin()
        self.is_open = True
        gc.collect()
        gc.freeze()  # what is loaded now stays; walking it again and again would cost milliseconds in mid-burst

    async def _serve(self) -> None:
        running = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            running.add_signal_handler(number, self.leave)
        jobs: list[tuple[str, Coroutine[Any, Any, None]]] = [
            (f"device {device.shape.name}", device.supervise(self)) for device in self._devices
        ]
        jobs += [("ticker", self._tick()), ("beat", self._beat()), ("space", self._watch_space())]
        jobs += [
            ("latch", self._keep_latched()),
            ("ends", self._close_what_ended()),
            ("closing", self._start_closing()),
        ]
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
            for station in self.stations:
                station.announce()
            for order in self._orders:
                if order.inbox.idle_ns() > QUIET_NS:
                    order.tick()

    async def _beat(self) -> None:
        """Ten times a second, one station after another: hand the block over, tell the engine how the computer is, show
        people the view. Spread out, so that no scan waits for eight of them."""
        each_s = BEAT_S / len(self.stations)
        due_s = time.monotonic()
        while True:
            for nth, station in enumerate(self.stations):
                due_s = max(due_s + each_s, time.monotonic() + each_s / 2)
                await asyncio.sleep(due_s - time.monotonic())
                if nth == 0:
                    self._missed = sum(device.take_missed() for device in self._devices)
                if not station.is_over:
                    self._beat_of(station)
            if self._to_start:
                self._arm_and_start()

    def _show(self, station: Station) -> None:
        if self._listen is not None or self._server.watched:
            self._say(Frame(kind="view", body=self.view_body(station.number)))

    def _beat_of(self, station: Station) -> None:
        station.order.loop.flush()
        share = len(self._open_stations)  # the disk is one, and each is to have room to the end
        station.report_host(self._free_bytes // share, self._missed)
        self._show(station)
        if self._leaving_s:
            station.try_to_leave(self._leaving_s)
            self._note_ends()

    async def _keep_latched(self) -> None:
        """What is latched outlives this process. Not in the beat: that may not wait for a disk."""
        while True:
            await asyncio.sleep(BEAT_S)
            for station in self.stations:
                if (latched := station.newly_latched()) is not None:
                    await asyncio.to_thread(station.record.keep_latched, latched)

    async def _start_closing(self) -> None:
        """The closing processes of the other stations, one after another: each loads for a second, and eight at once
        would cost the rig its first scans. There is nothing to seal in the first minute."""
        for station in self.stations[1:]:
            await asyncio.sleep(CLOSING_APART_S)
            await station.start_closing()

    async def _watch_space(self) -> None:
        while True:
            await asyncio.sleep(SPACE_S)
            self._free_bytes = self.stations[0].record.free_bytes()

    def _arm_and_start(self) -> None:
        """--confirm: two acts, as a person's, once each when the time has come. That is when all are ready: nobody is
        surprised by pressure at one station while hands are busy at another."""
        now_s = time.monotonic()
        waiting = [each for each in self._open_stations if each.number in self._to_start]
        self._to_start &= {each.number for each in waiting}
        states = {each.engine.state for each in waiting}
        if states == {ARMED}:
            self._to_start -= {each.number for each in waiting if self._act_for(each, "start")}
        elif states <= {READY, ARMED} and now_s - self._auto_s >= RETRY_S and all(each.permitted for each in waiting):
            self._auto_s = now_s
            for each in waiting:
                if each.engine.state == READY:
                    self._act_for(each, "arm")

    def _act_for(self, station: Station, act: str) -> bool:
        granted, _ = station.act(act, self.job.person, named=self.job.named, source="command line")
        return granted

    # --- what devices tell, and what orders want ----------------------------------------------------------------------

    def take_reply(self, device: int, reply: Reply) -> None:
        """A scan, to every station its part."""
        for order in self._orders:
            order.take_reply(device, reply)

    def take_fault(self, device: int, fault: str, detail: str) -> None:
        if fault == "recovered":
            self._shared.forget(device)
        for order in self._orders:
            order.take_fault(device, fault, detail)

    def _turn(self, order: Order, message: Input) -> tuple[Output, ...]:
        """One turn. A bug in it ends the process, whosoever message it was: in a callback it would only be logged."""
        if self._bug is not None:
            return ()
        try:
            said = order.loop.turn(message)
            self._shared.settle(order)
        except BaseException as bug:
            self._bug = bug
            self._over.set()
            raise
        if order.engine.done:
            self._note_ends()
        return said

    def _drive(self, order: Order, output: int, counts: int) -> None:
        self._shared.drive(order, output, counts)

    def _send(self, output: int, counts: int) -> None:
        self._device_of[output].drive(output, counts)

    def _say(self, frame: Frame) -> None:
        self._server.publish(frame)
        if self._listen is not None:
            self._listen(frame)

    def _tell(self, kind: str, text: str) -> None:
        """What stands in no record: it is of another run, or comes after the end of this one."""
        self._say(Frame(kind="event", body={"kind": kind, "t_ns": 0, "text": text, "data": {}}))

    # --- the end ------------------------------------------------------------------------------------------------------

    @property
    def _open_stations(self) -> tuple[Station, ...]:
        return tuple(station for station in self.stations if not station.is_over)

    def _note_ends(self) -> None:
        self._ended.set()
        if not self._open_stations:
            self._over.set()

    async def _close_what_ended(self) -> None:
        """A station whose run is over is closed while the others go on; from then on an engine without a run guards it.
        The last ones are closed by `run`, when the outputs have been written safe."""
        while True:
            await self._ended.wait()
            self._ended.clear()
            for station in self.stations:
                if station.is_over and not station.is_closed and self._open_stations:
                    order = Order.guarding(station.order.at, station.order.place, drive=self._drive, turn=self._turn)
                    self._shared.replace(order)
                    self._orders[order.at] = order
                    order.begin(station.order)
                    await asyncio.to_thread(station.close)
                    station.announce()
                    self._show(station)  # its last: nothing is asked there any more
                    self._seal(station)

    def _seal(self, station: Station) -> None:
        if station.number not in self._sealing:
            sealing = self._seal_and_tell(station, bool(self._leaving_s))
            self._sealing[station.number] = asyncio.create_task(sealing, name=f"seal station {station.number}")

    async def _seal_and_tell(self, station: Station, was_left: bool) -> Ending:
        ending = await station.seal(was_left)
        if station.number:
            body = {"station": station.number, "exit_code": ending.exit_code, "record": str(ending.record)}
            self._say(Frame(kind="ended", body=body))
        return ending

    @staticmethod
    def _closed_body(endings: tuple[Ending, ...]) -> dict[str, Any]:
        if len(endings) == 1:
            return {"exit_code": endings[0].exit_code, "record": str(endings[0].record)}
        return {"exit_code": gravest(endings), "records": [str(ending.record) for ending in endings]}

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

    async def _make_safe(self) -> None:
        """Whatever happened, write the safe state through fresh connections, to all devices at once."""
        reachable = [device for device in self._devices if device.state != LOST]
        troubles = await asyncio.gather(*(device.make_safe() for device in reachable))
        for trouble in filter(None, troubles):
            self._tell("device", trouble)

    async def _give_up(self) -> None:
        """Something unexpected: make safe, stop writing without saying that a run ended, and let go."""
        self.is_open = False
        for sealing in (self._sealing_left, *self._sealing.values()):
            if sealing is not None:
                sealing.cancel()
        await self._make_safe()
        for station in self.stations:
            station.abandon()
            station.announce()
        await self._server.close()
