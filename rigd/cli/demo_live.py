"""The demo over real Modbus TCP: three programs, started and ended here, with a simulated person in between.

The person is a client of the control socket like any terminal: answers what is asked, presses *mark* when a failure is
to be seen, resets a trip and checks by hand where the rig wants a named person. Arming and starting are `rigd run
--confirm`'s. This file refuses to know anything the person could not see.
"""

import json
import os
import tempfile
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any

from rigd.cli.demo_body import PERSON, PROFILE, RIG, DemoEnding, specimen_id
from rigd.cli.demo_programs import END_S, Patience, Window, connect, live, refusal, run_rig, simulate
from rigd.cli.screen import SOMEBODY, Screen
from rigd.control import Client
from rigd.live.places import RUNTIME
from rigd.model.states import RESETTABLE, RUNNING, UNPROVEN
from simulator.person import QUICKEST_S, SLOWEST_S, Person

ANSWER_S = 0.25  # a demo's person is quick, so that a whole job fits into a minute
LONGEST_S = 600.0  # no demo takes so long; what hangs is ended and said


def play(*, seed: int, body: str, faults: tuple[str, ...], records: Path, quiet: bool) -> DemoEnding:
    """Play the demo to its end. Raises RigdError when it cannot begin or does not end."""
    options = ["--rig", RIG, "--seed", str(seed), "--body", body]
    for fault in faults:
        options += ["--fault", fault]
    with tempfile.TemporaryDirectory(prefix="rigd-demo-") as folder, simulate(*options) as window:
        os.environ[RUNTIME] = folder  # two demos at once are two rigs, though both are called demo
        specimen = specimen_id(seed)
        words = ("--specimen", specimen, "--confirm", specimen, "--operator", PERSON, "--records", str(records))
        with run_rig(PROFILE, "--rig", str(_rig_on(window.port, Path(folder))), *words) as process:
            with connect(process, RIG) as client:
                bench = Bench(client, window, seed)
                live(client, bench.look, None if quiet else Screen(answered_by=SOMEBODY), LONGEST_S)
            said, trouble = process.communicate(timeout=END_S)
        return _ending(process.returncode, said, trouble, window)


def _rig_on(port: int, folder: Path) -> Path:
    """Write the demo rig with the simulator's port: the one thing that cannot be known beforehand."""
    from rigd.files.load import find

    text = find(RIG, "rig").read_text()
    shipped = "port: 5020"
    assert text.count(shipped) == 1, "the demo rig names its port once"
    path = folder / "demo.yaml"
    path.write_text(text.replace(shipped, f"port: {port}"))
    return path


class Bench:
    """The person in front of the rig: sees views and the window, and acts, one thing at a time."""

    def __init__(self, client: Client, window: Window, seed: int) -> None:
        self._client, self._window = client, window
        self._person = Person(PERSON, seed)
        self._reaction_s = Random(f"{seed}/reaction").uniform(QUICKEST_S, SLOWEST_S)
        self._patience = Patience()

    def look(self, view: dict[str, Any]) -> None:
        prompt, lasted = view["prompt"], self._patience.has_lasted
        seen = self._window.seen.get(0, {}).get("seen", "nothing")
        if prompt and lasted(("prompt", prompt["prompt"]), ANSWER_S):
            answer = self._person.answer(SimpleNamespace(**prompt), seen)
            self._act("confirm", prompt=prompt["prompt"], answer=answer)
        elif view["state"] == RUNNING and seen != "nothing" and lasted("seen", self._reaction_s):
            self._act("mark")
        elif view["state"] == UNPROVEN and lasted("unproven", ANSWER_S):
            self._act("hand_check")
        elif view["trip_state"] == RESETTABLE and lasted(("trip", view["first_out"]), ANSWER_S):
            self._act("reset")

    def _act(self, verb: str, **fields: Any) -> None:
        self._client.ask(verb, person=PERSON, named=True, source="simulated person", **fields)


def _ending(code: int, said: bytes, trouble: bytes, window: Window) -> DemoEnding:
    try:
        record = Path(json.loads(said)["record"])
    except (ValueError, KeyError):
        raise refusal(code, trouble) from None
    strength_pa = window.seen.get(0, {}).get("strength_pa")
    return DemoEnding(exit_code=code, record=record, words=trouble.decode(errors="replace"), strength_pa=strength_pa)
