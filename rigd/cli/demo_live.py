"""A demo of one specimen over real Modbus TCP: three programs, started and ended here, with a simulated person between.

The person answers what is asked and, at a burst, presses *mark* when a failure is to be seen. This file refuses to know
anything the person could not see.
"""

import json
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any

from rigd.cli.demo_body import PERSON, PROFILE, RIG, DemoEnding, specimen_id
from rigd.cli.demo_person import AtTheRig
from rigd.cli.demo_programs import END_S, Window, connect, live, refusal, run_rig, simulate
from rigd.cli.screen import SOMEBODY, Screen
from rigd.control import Client
from rigd.live.places import RUNTIME
from rigd.model.states import RUNNING
from simulator.person import QUICKEST_S, SLOWEST_S, Person


def play(*, seed: int, body: str, faults: tuple[str, ...], records: Path, quiet: bool) -> DemoEnding:
    """Play the burst to its end. Raises RigdError when it cannot begin or does not end."""
    return play_with(
        lambda client, window: Bench(client, window, seed), rig=RIG, profile=PROFILE, bench=("--body", body), seed=seed,
        faults=faults, records=records, quiet=quiet,
    )  # fmt: skip


def play_with(
    person: Callable[[Client, Window], AtTheRig], *, rig: str, profile: str, bench: tuple[str, ...], seed: int,
    faults: tuple[str, ...], records: Path, quiet: bool,
) -> DemoEnding:  # fmt: skip
    """Play this profile with this person; `bench` is what the simulator is told of it. Raises RigdError."""
    options = ["--rig", rig, "--seed", str(seed), *bench]
    for fault in faults:
        options += ["--fault", fault]
    with tempfile.TemporaryDirectory(prefix="rigd-demo-") as folder, simulate(*options) as window:
        os.environ[RUNTIME] = folder  # two demos at once are two rigs, though both have one name
        specimen = specimen_id(seed)
        words = ("--specimen", specimen, "--confirm", specimen, "--operator", PERSON, "--records", str(records))
        with run_rig(profile, "--rig", str(_rig_on(window.port, rig, Path(folder))), *words) as process:
            with connect(process, rig) as client:
                live(client, person(client, window).look, None if quiet else Screen(answered_by=SOMEBODY))
            said, trouble = process.communicate(timeout=END_S)
        return _ending(process.returncode, said, trouble, window)


def _rig_on(port: int, rig: str, folder: Path) -> Path:
    """Write the shipped rig with the simulator's port: the one thing that cannot be known beforehand."""
    from rigd.files.load import find

    text = find(rig, "rig").read_text()
    shipped = "port: 5020"
    assert text.count(shipped) == 1, "the demo rig names its port once"
    path = folder / f"{rig}.yaml"
    path.write_text(text.replace(shipped, f"port: {port}"))
    return path


class Bench(AtTheRig):
    """The person at a burst: also watches the window, with a finger on the key."""

    def __init__(self, client: Client, window: Window, seed: int) -> None:
        super().__init__(client, lambda number, prompt: person.answer(SimpleNamespace(**prompt), self._seen))
        person, self._window = Person(PERSON, seed), window
        self._reaction_s = Random(f"{seed}/reaction").uniform(QUICKEST_S, SLOWEST_S)

    @property
    def _seen(self) -> str:
        return self._window.seen.get(0, {}).get("seen", "nothing")

    def look(self, view: dict[str, Any]) -> None:
        super().look(view)
        fails = view["state"] == RUNNING and self._seen != "nothing"
        if fails and self.patience.has_lasted("seen", self._reaction_s):
            self.act("mark", 0)


def _ending(code: int, said: bytes, trouble: bytes, window: Window) -> DemoEnding:
    try:
        record = Path(json.loads(said)["record"])
    except (ValueError, KeyError):
        raise refusal(code, trouble) from None
    truth = window.seen.get(0, {}).get("truth", {})
    return DemoEnding(exit_code=code, record=record, words=trouble.decode(errors="replace"), truth=truth)
