"""The demo over real Modbus TCP: three programs, started and ended here, with a simulated person in between.

The person is a client of the control socket like any terminal: answers what is asked, presses *mark* when a failure is
to be seen, resets a trip and checks by hand where the rig wants a named person. Arming and starting are `rigd run
--confirm`'s. This file refuses to know anything the person could not see.
"""

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import IO, Any

from rigd.cli.demo_body import PERSON, PROFILE, RIG, DemoEnding, specimen_id
from rigd.cli.screen import SOMEBODY, Screen
from rigd.control import Client
from rigd.live.places import RUNTIME, socket_path
from rigd.model import errors
from rigd.model.states import RESETTABLE, RUNNING, UNPROVEN
from simulator.person import QUICKEST_S, SLOWEST_S, Person

START_S = 20.0  # for the simulator's first word, and for the rig process to answer
LOOK_S = 0.1  # how often the person looks up
ANSWER_S = 0.25  # a demo's person is quick, so that a whole job fits into a minute
LONGEST_S = 600.0  # no demo takes so long; what hangs is ended and said
END_S = 310.0  # the rig process waits this long for its record to be sealed


class Window:
    """What can be seen through the chamber's window: the newest line of the simulator."""

    def __init__(self, lines: IO[bytes]) -> None:
        self._lines = lines
        self.port = 0
        self.seen = "nothing"
        self.strength_pa: float | None = None
        self.listening = threading.Event()
        threading.Thread(target=self._look, name="window", daemon=True).start()

    def _look(self) -> None:
        for line in self._lines:
            told = json.loads(line)
            if "listening" in told:
                self.port = told["listening"]
                self.listening.set()
            else:
                self.seen, self.strength_pa = told["seen"], told["strength_pa"]


def play(*, seed: int, body: str, faults: tuple[str, ...], records: Path, quiet: bool) -> DemoEnding:
    """Play the demo to its end. Raises RigdError when it cannot begin or does not end."""
    with tempfile.TemporaryDirectory(prefix="rigd-demo-") as folder, _simulator(seed, body, faults) as window:
        os.environ[RUNTIME] = folder  # two demos at once are two rigs, though both are called demo
        rig = _rig_on(window.port, Path(folder))
        with _rig_process(rig, seed, records) as process:
            client = _connect(process)
            with client:
                _live(client, window, seed, None if quiet else Screen(answered_by=SOMEBODY))
            said, trouble = process.communicate(timeout=END_S)
        return _ending(process.returncode, said, trouble, window)


@contextlib.contextmanager
def _simulator(seed: int, body: str, faults: tuple[str, ...]) -> Iterator[Window]:
    command = [sys.executable, "-m", "simulator", "--rig", RIG, "--port", "0", "--seed", str(seed), "--body", body]
    for fault in faults:
        command += ["--fault", fault]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True) as process:
        try:
            window = Window(process.stdout)
            if not window.listening.wait(START_S):
                raise errors.RigUnreachable("the simulated rig did not start")
            yield window
        finally:
            process.terminate()


@contextlib.contextmanager
def _rig_process(rig: Path, seed: int, records: Path) -> Iterator[subprocess.Popen[bytes]]:
    command = [
        sys.executable, "-m", "rigd.cli.main", "run", PROFILE, "--rig", str(rig), "--specimen", specimen_id(seed),
        "--operator", PERSON, "--confirm", specimen_id(seed), "--records", str(records), "--json",
    ]  # fmt: skip
    # In the same session, so that Ctrl-C here also reaches the rig process, which vents and closes its record.
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


def _rig_on(port: int, folder: Path) -> Path:
    """Write the demo rig with the simulator's port: the one thing that cannot be known beforehand."""
    from rigd.files.load import find

    text = find(RIG, "rig").read_text()
    shipped = "port: 5020"
    assert text.count(shipped) == 1, "the demo rig names its port once"
    path = folder / "demo.yaml"
    path.write_text(text.replace(shipped, f"port: {port}"))
    return path


def _connect(process: subprocess.Popen[bytes]) -> Client:
    deadline = time.monotonic() + START_S
    while process.poll() is None and time.monotonic() < deadline:
        with contextlib.suppress(errors.RigUnreachable):
            return Client(socket_path(RIG))
        time.sleep(LOOK_S)
    if process.poll() is None:
        raise errors.RigUnreachable(f"the rig process did not answer within {START_S:g} s")
    _, trouble = process.communicate()
    raise _refusal(process.returncode, trouble)


def _refusal(code: int, trouble: bytes) -> errors.RigdError:
    """The rig process's own words and exit code, as an error of ours."""
    refusal = errors.RigdError(trouble.decode(errors="replace").strip().removeprefix("rigd: "))
    refusal.exit_code = code
    return refusal


def _live(client: Client, window: Window, seed: int, screen: Screen | None) -> None:
    """Be the person until the rig process says that all is closed."""
    bench = Bench(client, window, seed)
    ends_s = time.monotonic() + LONGEST_S
    client.ask("watch")
    try:
        while time.monotonic() < ends_s:
            for frame in client.frames(LOOK_S):
                if screen is not None:
                    screen.show(frame)
                if frame.kind == "closed":
                    return
                if frame.kind == "view":
                    bench.look(frame.body)
    except errors.RigUnreachable:
        return  # it ended; its own exit code and words say how
    except KeyboardInterrupt:
        if screen is not None:
            screen.say("venting, and closing the record")
        _wait_for_closed(client, screen)
        return
    finally:
        if screen is not None:
            screen.leave()
    raise errors.RigUnreachable(f"the demo did not end within {LONGEST_S:g} s")


def _wait_for_closed(client: Client, screen: Screen | None) -> None:
    with contextlib.suppress(errors.RigUnreachable, KeyboardInterrupt):
        for frame in client.frames(END_S):
            if screen is not None:
                screen.show(frame)
            if frame.kind == "closed":
                return


class Bench:
    """The person in front of the rig: sees views and the window, and acts, one thing at a time."""

    def __init__(self, client: Client, window: Window, seed: int) -> None:
        self._client, self._window = client, window
        self._person = Person(PERSON, seed)
        self._reaction_s = Random(f"{seed}/reaction").uniform(QUICKEST_S, SLOWEST_S)
        self._since: dict[str, float] = {}

    def look(self, view: dict[str, Any]) -> None:
        prompt = view["prompt"]
        if prompt and self._has_lasted(f"prompt {prompt['prompt']}", ANSWER_S):
            answer = self._person.answer(SimpleNamespace(**prompt), self._window.seen)
            self._act("confirm", prompt=prompt["prompt"], answer=answer)
        elif view["state"] == RUNNING and self._window.seen != "nothing" and self._has_lasted("seen", self._reaction_s):
            self._act("mark")
        elif view["state"] == UNPROVEN and self._has_lasted("unproven", ANSWER_S):
            self._act("hand_check")
        elif view["trip_state"] == RESETTABLE and self._has_lasted(f"trip {view['first_out']}", ANSWER_S):
            self._act("reset")

    def _has_lasted(self, what: str, for_s: float) -> bool:
        """True once, when this has been so for long enough."""
        now_s = time.monotonic()
        if now_s - self._since.setdefault(what, now_s) < for_s:
            return False
        self._since[what] = float("inf")
        return True

    def _act(self, verb: str, **fields: Any) -> None:
        self._client.ask(verb, person=PERSON, named=True, source="simulated person", **fields)


def _ending(code: int, said: bytes, trouble: bytes, window: Window) -> DemoEnding:
    try:
        record = Path(json.loads(said)["record"])
    except (ValueError, KeyError):
        raise _refusal(code, trouble) from None
    return DemoEnding(
        exit_code=code, record=record, words=trouble.decode(errors="replace"), strength_pa=window.strength_pa
    )
