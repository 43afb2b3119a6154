"""The control socket against itself and against clients that misbehave."""

import asyncio
import json
import socket
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
import pytest_asyncio

from rigd import control
from rigd.control import Client, Server, decode_answer, decode_request, encode_line
from rigd.model.errors import Misconfigured, RigUnreachable
from rigd.model.requests import VERBS, Frame, Reply, Request


@pytest_asyncio.fixture
async def server(tmp_path: Path) -> AsyncIterator[Server]:
    def answer(request: Request) -> Reply:
        granted = request.verb != "start"
        view = {"state": "READY", "pressure_pa": float("nan")}
        return Reply(id=request.id, ok=granted, words=f"{request.verb} by {request.person or 'nobody'}", view=view)

    serving = Server(tmp_path / "rig.sock", answer)
    await serving.open()
    yield serving
    await serving.close()


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(5):
        while not true():  # noqa: ASYNC110 - what is waited for happens in the kernel and sets no event
            await asyncio.sleep(0.002)


async def raw(server: Server, *lines: bytes) -> list[dict]:
    """Send lines as they are and read one answer to each, or what comes before the connection ends."""
    reader, writer = await asyncio.open_unix_connection(server.path, limit=control.LINE_LIMIT * 2)
    answers = []
    for line in lines:
        try:
            writer.write(line)
            answers.append(json.loads(await asyncio.wait_for(reader.readuntil(b"\n"), 2)))
        except (asyncio.IncompleteReadError, OSError):
            break
    writer.close()
    return answers


async def test_requests_are_answered_and_frames_follow(server: Server) -> None:
    def talk() -> tuple[Reply, Reply, list[Frame]]:
        with Client(server.path) as client:
            granted = client.ask("arm", person="A. Novak", named=True)
            refused = client.ask("start")
            client.ask("watch")
            return granted, refused, list(client.frames(0.3))

    talking = asyncio.create_task(asyncio.to_thread(talk))
    await until(lambda: server.watched)
    server.publish(Frame(kind="event", body={"text": "step 1", "value": float("nan")}))
    granted, refused, frames = await talking
    assert granted.ok and granted.words == "arm by A. Novak" and granted.view["pressure_pa"] is None
    assert not refused.ok
    assert frames == [Frame(kind="event", body={"text": "step 1", "value": None})]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"\n", "one JSON object a line"),
        (b"[1,2]\n", "one JSON object a line"),
        (b"\xff\xfe\n", "one JSON object a line"),
        (b"[" * 60_000 + b"\n", "one JSON object a line"),
        (b'{"id":1}\n', "needs an id and a verb"),
        (b'{"id":1,"verb":"explode"}\n', "no verb 'explode'"),
        (b'{"id":true,"verb":"vent"}\n', "of the wrong kind"),
        (b'{"id":1,"verb":"vent","person":7}\n', "of the wrong kind"),
        (b'{"id":1,"verb":"vent","colour":"red"}\n', "no key 'colour'"),
        (b'{"id":1,"verb":"vent","version":2}\n', "version 2"),
    ],
)
async def test_a_bad_line_is_refused_in_words_and_the_next_one_heard(server: Server, line: bytes, words: str) -> None:
    refused, heard = await raw(server, line, b'{"id":9,"verb":"vent"}\n')
    assert not refused["ok"] and words in refused["words"]
    assert heard["id"] == 9 and heard["ok"]


async def test_an_endless_line_ends_the_conversation(server: Server) -> None:
    answers = await raw(server, b"x" * (control.LINE_LIMIT * 2), b'{"id":9,"verb":"vent"}\n')
    assert len(answers) == 1 and "longer than" in answers[0]["words"]


async def test_a_slow_watcher_loses_views_and_then_is_cut_off(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that stops must cost the rig nothing: frames are dropped, and the connection ends after STALL_S."""
    monkeypatch.setattr(control, "STALL_S", 0.05)
    deaf = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    deaf.connect(str(server.path))
    deaf.sendall(b'{"id":1,"verb":"watch"}\n')
    await until(lambda: server.watched)
    (watcher,) = server._watchers
    for number in range(control.WATCH_QUEUE + 140):
        server.publish(Frame(kind="view", body={"number": number, "filling": "x" * 8000}))
        await asyncio.sleep(0)
    server.publish(Frame(kind="event", body={"text": "trip"}))
    assert watcher.lost > 0 and len(watcher.frames) <= control.WATCH_QUEUE
    assert watcher.frames[-1].kind == "event", "the newest is kept"
    await until(lambda: not server.watched)
    deaf.close()
    assert (await raw(server, b'{"id":3,"verb":"vent"}\n'))[0]["ok"], "others are served all the same"


async def test_events_outlive_views_in_a_full_queue() -> None:
    watcher = control.Watcher(writer=None)  # type: ignore[arg-type] - nothing is sent here
    watcher.offer(Frame(kind="event", body={"text": "onset"}))
    for number in range(2 * control.WATCH_QUEUE):
        watcher.offer(Frame(kind="view", body={"number": number}))
    assert watcher.frames[0].kind == "event" and len(watcher.frames) == control.WATCH_QUEUE


async def test_more_clients_than_the_limit_are_told(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(control, "CLIENT_LIMIT", 1)
    _, first = await asyncio.open_unix_connection(server.path)
    await asyncio.sleep(0.01)
    (told,) = await raw(server, b'{"id":1,"verb":"status"}\n')
    assert not told["ok"] and "clients" in told["words"]
    first.close()


async def test_nobody_else_may_use_the_socket(server: Server) -> None:
    assert server.path.stat().st_mode & 0o777 == 0o600


async def test_a_path_too_long_for_a_socket_is_told_before_binding(tmp_path: Path) -> None:
    with pytest.raises(Misconfigured, match="RIGD_RUNTIME"):
        await Server(tmp_path / ("long" * 40), lambda request: Reply(id=request.id, ok=True, words="")).open()


def test_no_rig_process_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(RigUnreachable, match="no rig process answers"):
        Client(tmp_path / "nobody.sock")


def test_every_verb_round_trips() -> None:
    for verb in VERBS:
        request = Request(id=3, verb=verb, person="Ł. Ωmega", named=True, prompt=4, answer="21 degC")
        assert decode_request(encode_line(request)) == request
    reply = Reply(id=3, ok=True, words="arming — done", view={"state": "ARMED"})
    assert decode_answer(encode_line(reply)) == reply
