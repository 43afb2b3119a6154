"""The demo of surges over real Modbus TCP: the simulated rig, `rigd run` on its stations, and one simulated person.

The person looks after all stations as `simulator.attendant` does under virtual time, and frees a stuck indicator by
hand. It knows what its screen and the window show.
"""

import json
import os
import re
import tempfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from rigd.cli.demo_person import AtTheRig
from rigd.cli.demo_programs import END_S, Window, connect, live, refusal, run_rig, simulate
from rigd.cli.demo_surge import PERSON, PROFILE, StationEnding, Truth, rig_of, specimen_id
from rigd.cli.screen import SOMEBODY, Screen
from rigd.control import Client
from rigd.live.places import RUNTIME
from simulator.attendant import FREED, STUCK
from simulator.person import Person


def play(*, seed: int, stations: int, records: Path, quiet: bool) -> tuple[StationEnding, ...]:
    """Play it to its end. Raises RigdError when it cannot begin or does not end."""
    rig = rig_of(stations)
    with tempfile.TemporaryDirectory(prefix="rigd-demo-") as folder:
        os.environ[RUNTIME] = folder  # two demos at once are two rigs, though both have one name
        path = Path(folder) / f"{rig}.yaml"
        path.write_text(_rig_on(0, rig))
        with simulate("--rig", str(path), "--seed", str(seed)) as window:
            path.write_text(_rig_on(window.port, rig))
            words = ["--operator", PERSON, "--records", str(records)]
            for number in range(1, stations + 1):
                name = specimen_id(seed, number)
                words += ["--specimen", f"{number}={name}", "--confirm", name]
            with run_rig(PROFILE, "--rig", str(path), *words) as process:
                with connect(process, rig) as client:
                    bench = Bench(client, window, seed)
                    live(client, bench.look, None if quiet else Screen(answered_by=SOMEBODY))
                said, trouble = process.communicate(timeout=END_S)
            return _endings(process.returncode, said, trouble, window, seed)


def _rig_on(port: int, rig: str) -> str:
    """The shipped rig with the simulator's port, the one thing that cannot be known beforehand; of several modules each
    with a unit number of its own, for all are simulated behind that port."""
    from rigd.files.load import find

    text, number = find(rig, "rig").read_text(), 0

    def place(match: re.Match[str]) -> str:
        nonlocal number
        number += 1
        return f"port: {port or 502}{match[1]}unit: {number}"

    text, found = re.subn(r"port: \d+(,? *\n? *)unit: 1", place, text)
    assert found, "the rig names its modules by port and unit"
    return text


class Bench(AtTheRig):
    """The person in front of the rig, who looks after all stations."""

    def __init__(self, client: Client, window: Window, seed: int) -> None:
        super().__init__(client, self._answer_by_hand)
        self._window, self._seed = window, seed
        self._people: dict[int, Person] = {}

    def _answer_by_hand(self, number: int, prompt: dict[str, Any]) -> str:
        if prompt["field"] == STUCK:
            self._window.order(f"free {number}")
            return FREED
        person = self._people.setdefault(number, Person(PERSON, self._seed + number - 1))
        return person.answer(SimpleNamespace(**prompt), self._window.seen.get(number, {}).get("seen", "nothing"))


def _endings(code: int, said: bytes, trouble: bytes, window: Window, seed: int) -> tuple[StationEnding, ...]:
    try:
        told = json.loads(said)["stations"]
    except (ValueError, KeyError):
        raise refusal(code, trouble) from None
    words = trouble.decode(errors="replace")
    return tuple(
        StationEnding(
            station=each["station"], specimen=specimen_id(seed, each["station"]), record=Path(each["record"]),
            exit_code=each["exit_code"], trouble=words if each["state"] != "sealed" else "",
            truth=Truth(**window.seen[each["station"]]["truth"]),
        )
        for each in told
    )  # fmt: skip
