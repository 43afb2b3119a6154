"""The control socket: one JSON object a line over a Unix socket, requests one way and replies and frames the other.

Whoever holds the rig serves; terminals, the web process and scripts are clients. This file knows lines, limits and who
is listening, and refuses to know what a request means: the server hands each Request to `answer` and sends back its
Reply. A client that reads too slowly loses frames, one that stops reading is cut off; the rig never waits for a reader.
"""

import asyncio
import contextlib
import dataclasses
import json
import math
import os
import socket
import time
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from rigd.model.errors import Misconfigured, RigdError, RigUnreachable
from rigd.model.requests import VERBS, VERSION, Frame, Reply, Request

LINE_LIMIT = 64 * 1024  # of a request: more is not a request but an accident
ANSWER_LIMIT = 1024 * 1024  # a station's view is a few kilobytes, and a rig has at most eight
CLIENT_LIMIT = 32  # a bench has a few terminals and one web process
WATCH_QUEUE = 256  # frames kept for one watcher: about three seconds of the views of eight stations
STALL_S = 5.0  # a watcher whose socket takes nothing for so long is cut off
ANSWER_S = 5.0  # a rig process answers within one turn of its loop; five seconds is dead
PATH_LIMIT = 107  # sun_path of Linux, less its final zero


def plain(value: Any) -> Any:
    """Turn a frozen shape into what JSON has: dicts, lists, null for a number that is none."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    return value


def encode_line(shape: Request | Reply | Frame) -> bytes:
    line = json.dumps(plain(shape), separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode() + b"\n"
    assert len(line) <= ANSWER_LIMIT, "what we send fits the limit we set"
    return line


class BadLine(RigdError):
    """The other end must act: a line is not what the socket speaks."""

    exit_code = Misconfigured.exit_code


def decode_request(line: bytes) -> Request:
    """Read one Request, strictly: unknown keys, wrong kinds and other versions are refused in words."""
    body = _decode_object(line)
    kinds = {
        "id": int, "verb": str, "person": str, "named": bool, "source": str, "prompt": int | None,
        "answer": str | None, "station": int | None, "version": int,
    }  # fmt: skip
    if unknown := sorted(set(body) - set(kinds)):
        raise BadLine(f"a request has no key {unknown[0]!r}; allowed: {', '.join(kinds)}")
    for key, value in body.items():
        if not isinstance(value, kinds[key]) or (isinstance(value, bool) and kinds[key] is not bool):
            raise BadLine(f"request: {key} is {value!r}, which is of the wrong kind")
    if "id" not in body or "verb" not in body:
        raise BadLine("a request needs an id and a verb")
    if body.get("version", VERSION) != VERSION:
        raise BadLine(f"request of version {body['version']}; this rig process speaks version {VERSION}")
    if body["verb"] not in VERBS:
        raise BadLine(f"no verb {body['verb']!r}; allowed: {', '.join(VERBS)}")
    return Request(**body)


def decode_answer(line: bytes) -> Reply | Frame:
    """Read what a server sent. Extra keys are left alone, so that an older client can listen to a newer rig."""
    body = _decode_object(line)
    if "kind" in body:
        return Frame(kind=body["kind"], body=body.get("body", {}))
    try:
        return Reply(id=body["id"], ok=body["ok"], words=body["words"], view=body.get("view", {}))
    except KeyError as missing:
        raise BadLine(f"an answer without {missing}") from None


def _decode_object(line: bytes) -> dict[str, Any]:
    try:
        body = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise BadLine(f"not one JSON object a line: {error}") from None
    if not isinstance(body, dict):
        raise BadLine("not one JSON object a line")
    return body


class Watcher:
    """One client that listens. Views may be lost, the newest always wins; events are lost only after views."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self.writer = writer
        self.frames: deque[Frame] = deque()
        self.ready = asyncio.Event()
        self.lost = 0

    def offer(self, frame: Frame) -> None:
        if len(self.frames) >= WATCH_QUEUE:
            oldest_view = next((index for index, kept in enumerate(self.frames) if kept.kind == "view"), 0)
            del self.frames[oldest_view]
            self.lost += 1
        self.frames.append(frame)
        self.ready.set()

    async def send(self) -> None:
        """Send what is offered until the client leaves, or stalls and is cut off."""
        while True:
            await self.ready.wait()
            self.ready.clear()
            while self.frames:
                self.writer.write(encode_line(self.frames.popleft()))
                async with asyncio.timeout(STALL_S):
                    await self.writer.drain()


class Server:
    """Serve one socket. `answer` is called for each Request and must not block."""

    def __init__(self, path: Path, answer: Callable[[Request], Reply]) -> None:
        self.path = path
        self._answer = answer
        self._watchers: set[Watcher] = set()
        self._clients: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    @property
    def watched(self) -> bool:
        return bool(self._watchers)

    async def open(self) -> None:
        """Bind. The caller holds the rig's lock, so a socket file that is already there belongs to nobody alive."""
        if len(os.fsencode(self.path)) > PATH_LIMIT:
            raise Misconfigured(
                f"{self.path}: a socket's path holds {PATH_LIMIT} bytes; set RIGD_RUNTIME to a shorter one"
            )
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()
        self._server = await asyncio.start_unix_server(self._serve, path=self.path, limit=LINE_LIMIT)
        self.path.chmod(0o600)

    def publish(self, frame: Frame) -> None:
        """Offer a frame to every watcher. Never waits."""
        for watcher in self._watchers:
            watcher.offer(frame)

    async def close(self) -> None:
        if self._server is None:
            return
        self._server.close()
        for watcher in tuple(self._watchers):
            with contextlib.suppress(OSError, TimeoutError):
                while watcher.frames:
                    watcher.writer.write(encode_line(watcher.frames.popleft()))
                async with asyncio.timeout(0.2):  # a last word for those who listen, no more
                    await watcher.writer.drain()
        for client in tuple(self._clients):
            client.cancel()
        await asyncio.gather(*self._clients, return_exceptions=True)
        await self._server.wait_closed()
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        me = asyncio.current_task()
        assert me is not None
        self._clients.add(me)
        try:
            if len(self._clients) > CLIENT_LIMIT:
                await self._say(writer, Reply(id=0, ok=False, words=f"{CLIENT_LIMIT} clients are here already"))
                return
            await self._converse(reader, writer)
        except (OSError, TimeoutError, asyncio.CancelledError):
            pass  # a client that left, stalled, or whom we are leaving: nothing the rig must do
        finally:
            self._clients.discard(me)
            writer.transport.abort()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        watcher: Watcher | None = None
        sending: asyncio.Task[None] | None = None
        try:
            while True:
                try:
                    line = await reader.readuntil(b"\n")
                except asyncio.IncompleteReadError:
                    return
                except asyncio.LimitOverrunError:
                    await self._say(writer, Reply(id=0, ok=False, words=f"a line is longer than {LINE_LIMIT} bytes"))
                    return
                try:
                    request = decode_request(line)
                except BadLine as error:
                    await self._say(writer, Reply(id=0, ok=False, words=str(error)))
                    continue
                await self._say(writer, self._answer(request))
                if request.verb == "watch" and watcher is None:
                    watcher = Watcher(writer)
                    self._watchers.add(watcher)
                    sending = asyncio.get_running_loop().create_task(watcher.send(), name="watcher")
                    sending.add_done_callback(lambda task: _hang_up(task, writer))
        finally:
            if watcher is not None and sending is not None:
                self._watchers.discard(watcher)
                sending.cancel()
                await asyncio.gather(sending, return_exceptions=True)

    @staticmethod
    async def _say(writer: asyncio.StreamWriter, reply: Reply) -> None:
        writer.write(encode_line(reply))
        async with asyncio.timeout(STALL_S):
            await writer.drain()


def _hang_up(sending: asyncio.Task[None], writer: asyncio.StreamWriter) -> None:
    """A watcher that stalled or left is cut off, which also ends the reading of its requests."""
    if not sending.cancelled() and sending.exception() is not None:
        writer.transport.abort()


class Client:
    """A plain blocking client, for terminals and scripts: one connection, requests answered in order."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(ANSWER_S)
        self._received = b""
        self._frames: deque[Frame] = deque(maxlen=WATCH_QUEUE)
        self._last_id = 0
        try:
            self._socket.connect(os.fspath(path))
        except OSError as error:
            self._socket.close()
            raise RigUnreachable(
                f"no rig process answers at {path} ({error.strerror or error}).\n"
                "Start one: rigd run PROFILE --rig RIG --specimen ID --operator NAME"
            ) from None

    def __enter__(self) -> "Client":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._socket.close()

    def ask(self, verb: str, **fields: Any) -> Reply:
        """Send one request and wait for its reply; frames that come meanwhile are kept for `frames`."""
        self._last_id += 1
        try:
            self._socket.settimeout(ANSWER_S)
            self._socket.sendall(encode_line(Request(id=self._last_id, verb=verb, **fields)))
            deadline = time.monotonic() + ANSWER_S
            while (answer := self._receive(deadline)) is not None:
                if isinstance(answer, Frame):
                    self._frames.append(answer)
                elif answer.id in (self._last_id, 0):
                    return answer
        except OSError as error:
            raise RigUnreachable(f"the rig process at {self.path} went away ({error.strerror or error})") from None
        raise RigUnreachable(f"the rig process at {self.path} gave no answer to {verb!r} within {ANSWER_S:g} s")

    def frames(self, timeout_s: float) -> Iterator[Frame]:
        """Yield frames after a `watch`; stop when none came for `timeout_s`. Raises RigUnreachable when it is gone."""
        while True:
            while self._frames:
                yield self._frames.popleft()
            try:
                answer = self._receive(time.monotonic() + timeout_s)
            except OSError as error:
                raise RigUnreachable(f"the rig process at {self.path} went away ({error.strerror or error})") from None
            if answer is None:
                return
            if isinstance(answer, Frame):
                yield answer

    def _receive(self, deadline: float) -> Reply | Frame | None:
        while b"\n" not in self._received:
            left = deadline - time.monotonic()
            if left <= 0:
                return None
            self._socket.settimeout(left)
            try:
                piece = self._socket.recv(LINE_LIMIT)
            except TimeoutError:
                return None
            if not piece:
                raise ConnectionResetError("the connection was closed")
            self._received += piece
            if len(self._received) > ANSWER_LIMIT and b"\n" not in self._received:
                raise BadLine(f"the rig process sent a line longer than {ANSWER_LIMIT} bytes")
        line, _, self._received = self._received.partition(b"\n")
        return decode_answer(line)
