"""The two programs that a live demo starts and ends: the simulated rig behind Modbus TCP, and `rigd run` as shipped.

What they say comes back as it was said: the simulator's lines, the control socket's frames, an exit code with its
words. It knows nothing of bursts or surges, nor what a person does about them.
"""

import contextlib
import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import IO, Any

from rigd.cli.screen import Screen
from rigd.control import Client
from rigd.live.places import socket_path
from rigd.model import errors
from rigd.model.requests import Frame

START_S = 20.0  # for the simulator's first word, and for the rig process to answer
LOOK_S = 0.1  # how often the person looks up
LONGEST_S = 1800.0  # no demo takes so long; what hangs is ended and said
END_S = 310.0  # the rig process waits this long for its record to be sealed


class Window:
    """What can be seen through the chamber's window: the simulator's newest line of each station, 0 where it has one;
    and a hatch for the person's hands."""

    def __init__(self, lines: IO[bytes], orders: IO[bytes]) -> None:
        self._lines, self._orders = lines, orders
        self.port = 0
        self.seen: dict[int, dict[str, Any]] = {}
        self.listening = threading.Event()
        threading.Thread(target=self._look, name="window", daemon=True).start()

    def _look(self) -> None:
        for line in self._lines:
            told = json.loads(line)
            if "listening" in told:
                self.port = told["listening"]
                self.listening.set()
            else:
                self.seen[told.get("station", 0)] = told

    def order(self, text: str) -> None:
        """Do something by hand (simulator.window)."""
        self._orders.write(f"{text}\n".encode())
        self._orders.flush()


@contextlib.contextmanager
def simulate(*options: str) -> Iterator[Window]:
    """The simulated rig, for as long as the block lasts. Raises RigUnreachable when it does not come up."""
    command = [sys.executable, "-m", "simulator", "--port", "0", *options]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True) as process:
        try:
            window = Window(process.stdout, process.stdin)
            if not window.listening.wait(START_S):
                raise errors.RigUnreachable("the simulated rig did not start")
            yield window
        finally:
            process.terminate()


@contextlib.contextmanager
def run_rig(*words: str) -> Iterator[subprocess.Popen[bytes]]:
    """`rigd run` with these words, as JSON. In the same session, so that Ctrl-C here also reaches the rig process,
    which vents and closes its record."""
    command = [sys.executable, "-m", "rigd.cli.main", "run", *words, "--json"]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(END_S)
        process.stdout.close()
        process.stderr.close()


def connect(process: subprocess.Popen[bytes], rig: str) -> Client:
    """The rig process's control socket, once it is there. Raises its own words when it refused."""
    deadline = time.monotonic() + START_S
    while process.poll() is None and time.monotonic() < deadline:
        with contextlib.suppress(errors.RigUnreachable):
            return Client(socket_path(rig))
        time.sleep(LOOK_S)
    if process.poll() is None:
        raise errors.RigUnreachable(f"the rig process did not answer within {START_S:g} s")
    _, trouble = process.communicate()
    raise refusal(process.returncode, trouble)


def refusal(code: int, trouble: bytes) -> errors.RigdError:
    """The rig process's own words and exit code, as an error of ours."""
    refused = errors.RigdError(trouble.decode(errors="replace").strip().removeprefix("rigd: "))
    refused.exit_code = code
    return refused


def live(client: Client, look: Callable[[dict[str, Any]], None], screen: Screen | None) -> None:
    """Show every frame and hand every view to the person until the rig process says that all is closed."""
    ends_s = time.monotonic() + LONGEST_S
    client.ask("watch")
    try:
        while time.monotonic() < ends_s:
            for frame in client.frames(LOOK_S):
                if _is_last(frame, screen):
                    return
                if frame.kind == "view":
                    look(frame.body)
    except errors.RigUnreachable:
        return  # it ended; its own exit code and words say how
    except KeyboardInterrupt:
        if screen is not None:
            screen.say("venting, and closing the record")
        with contextlib.suppress(errors.RigUnreachable, KeyboardInterrupt):
            for frame in client.frames(END_S):
                if _is_last(frame, screen):
                    return
        return
    finally:
        if screen is not None:
            screen.leave()
    raise errors.RigUnreachable(f"the demo did not end within {LONGEST_S:g} s")


def _is_last(frame: Frame, screen: Screen | None) -> bool:
    if screen is not None:
        screen.show(frame)
    return frame.kind == "closed"


class Patience:
    """A person acts on what has been so for a moment, once."""

    def __init__(self) -> None:
        self._since: dict[object, float] = {}

    def has_lasted(self, what: object, for_s: float) -> bool:
        """True once, when this has been so for long enough."""
        now_s = time.monotonic()
        if now_s - self._since.setdefault(what, now_s) < for_s:
            return False
        self._since[what] = float("inf")
        return True

    def forget(self, what: object) -> None:
        """It is not so any more, and may become so again."""
        self._since.pop(what, None)
