"""A question is one message: the same at the terminal, over the socket and in the record, whoever answers it.

SAFETY S26: a pedal or a wet glove may mark, hold or vent, never start or raise pressure. Here over the real socket.
"""

import asyncio
import io
import json
import time
from pathlib import Path

import pytest

from drivers.protocol import Reply
from rigd.cli.screen import Screen
from rigd.control import Client
from rigd.live import daemon, places
from rigd.live.daemon import RigProcess
from rigd.live.job import Job
from rigd.model.requests import Frame
from rigd.model.requests import Reply as Answer
from simulator.plant import Plant

SAME = ("prompt", "kind", "text", "field", "choices", "si")
WAIT_S = 20.0


class PlantDriver:
    plant: Plant

    def __init__(self, rig: object, device: int) -> None:
        self.device = device

    async def open(self) -> None: ...

    async def close(self) -> None: ...

    async def scan(self) -> Reply:
        await asyncio.sleep(0)
        self.plant.advance(0.01)
        now_ns = time.monotonic_ns()
        return Reply(self.plant.counts(self.device), now_ns - 1000, now_ns)

    async def drive(self, output: int, counts: int) -> None:
        await asyncio.sleep(0)
        self.plant.drive(output, counts)


async def ask(client: Client, verb: str, **fields: object) -> Answer:
    return await asyncio.to_thread(client.ask, verb, **fields)


async def wait_for(client: Client, state: str) -> None:
    async with asyncio.timeout(WAIT_S):
        while (await ask(client, "status")).view["state"] != state:  # noqa: ASYNC110 - looks from outside
            await asyncio.sleep(0.05)


async def first_prompt(client: Client) -> dict:
    """The prompt frame of a watcher."""

    def look() -> dict:
        return next(frame.body for frame in client.frames(WAIT_S) if frame.kind == "prompt")

    return await asyncio.to_thread(look)


@pytest.mark.live
async def test_terminal_socket_feed_and_record_ask_the_same_and_a_second_person_may_answer(
    quick_job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(places.RUNTIME, str(tmp_path / "rt"))
    monkeypatch.setitem(daemon.DRIVERS, "modbus_tcp", PlantDriver)
    PlantDriver.plant = Plant(quick_job.rig, seed=1)
    page, frames = io.StringIO(), []
    screen = Screen(page)

    def say(frame: Frame) -> None:
        frames.append(frame)
        screen.show(frame)

    process = RigProcess(quick_job, say)
    running = asyncio.create_task(process.run())
    async with asyncio.timeout(WAIT_S):
        while not process.is_open:  # noqa: ASYNC110 - as above
            await asyncio.sleep(0.02)
    path = places.socket_path(quick_job.rig.name)
    with Client(path) as watcher, Client(path) as second:
        await ask(watcher, "watch")
        fed = await first_prompt(watcher)
        asked = (await ask(second, "status")).view["prompt"]
        here = next(frame.body for frame in frames if frame.kind == "prompt")
        assert [fed[key] for key in SAME] == [asked[key] for key in SAME] == [here[key] for key in SAME]
        assert f"[{asked['prompt']}] {asked['text']}" in page.getvalue()

        by_foot = await ask(second, "confirm", person="B. Kim", named=True, source="pedal", prompt=asked["prompt"])
        assert not by_foot.ok and "pedal" in by_foot.words
        answered = await ask(second, "confirm", person="B. Kim", named=True, prompt=asked["prompt"], answer="done")
        assert answered.ok, answered.words
        await wait_for(second, "READY")
        for verb, state in (("arm", "READY"), ("start", "ARMED")):
            refused = await ask(second, verb, person="B. Kim", named=True, source="pedal")
            assert not refused.ok and "a pedal may mark, hold, vent" in refused.words
            assert refused.view["state"] == state
            assert (await ask(watcher, verb, person="A. Novak", named=True)).ok
        for verb in ("hold", "vent"):
            granted = await ask(second, verb, person="B. Kim", named=True, source="pedal")
            assert granted.ok, granted.words
        assert granted.view["state"] == "VENTING"
        process.leave()
        (ending,) = await asyncio.wait_for(running, 60)
    lines = [json.loads(line) for line in (ending.record / "events.jsonl").read_text().splitlines()]
    told = [line for line in lines if line.get("type") == "Prompt"]
    assert [told[0][key] for key in SAME] == [fed[key] for key in SAME]
    done = next(line for line in lines if line.get("kind") == "prompt_done")
    data = dict(done["data"])
    assert data["person"] == "B. Kim" and data["answer"] == "done" and data["after_ns"] > 0
    feet = [line for line in lines if line.get("type") == "OperatorAction" and line["source"] == "pedal"]
    assert [line["act"] for line in feet] == ["confirm", "arm", "start", "hold", "vent"]
