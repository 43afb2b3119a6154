"""The demo of surges over real Modbus TCP: the simulated rig, `rigd run` on its stations, and one simulated person.

The person looks after all stations as `simulator.attendant` does under virtual time: answers each one's questions,
frees a stuck indicator by hand, arms and starts again after a pause when nothing is asked anywhere, resets, and checks
by hand what nobody can prove. The first start is `rigd run --confirm`'s. It knows what its screen and the window show.
"""

import json
import os
import re
import tempfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from rigd.cli.demo_programs import END_S, Patience, Window, connect, live, refusal, run_rig, simulate
from rigd.cli.demo_surge import PERSON, PROFILE, StationEnding, Truth, rig_of, specimen_id
from rigd.cli.screen import SOMEBODY, Screen
from rigd.control import Client
from rigd.live.places import RUNTIME
from rigd.model.states import ARMED, READY, RESETTABLE, UNPROVEN
from simulator.attendant import FREED, STUCK
from simulator.person import Person

ANSWER_S, WAIT_S = 0.4, 0.3  # as quick as under virtual time
LONGEST_S = 1800.0  # no demo takes so long; what hangs is ended and said


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
                    live(client, bench.look, None if quiet else Screen(answered_by=SOMEBODY), LONGEST_S)
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


class Bench:
    """The person in front of the rig, one thing at a time."""

    def __init__(self, client: Client, window: Window, seed: int) -> None:
        self._client, self._window, self._seed = client, window, seed
        self._people: dict[int, Person] = {}
        self._views: dict[int, dict[str, Any]] = {}
        self._patience = Patience()

    def look(self, view: dict[str, Any]) -> None:
        number, prompt = view["station"], view["prompt"]
        self._views[number] = view
        lasted = self._patience.has_lasted
        if prompt and lasted((number, "prompt", prompt["prompt"]), ANSWER_S):
            self._act("confirm", number, prompt=prompt["prompt"], answer=self._answer(number, prompt))
        elif view["trip_state"] == RESETTABLE and lasted((number, "trip", view["t_ns"] // 1_000_000_000), 0.0):
            self._act("reset", number)
        elif view["state"] == UNPROVEN and lasted((number, "unproven", view["t_ns"] // 1_000_000_000), 0.0):
            self._act("hand_check", number)
        else:
            self._go_on(number, view)

    def _answer(self, number: int, prompt: dict[str, Any]) -> str:
        if prompt["field"] == STUCK:
            self._window.order(f"free {number}")
            return FREED
        person = self._people.setdefault(number, Person(PERSON, self._seed + number - 1))
        return person.answer(SimpleNamespace(**prompt), self._window.seen.get(number, {}).get("seen", "nothing"))

    def _go_on(self, number: int, view: dict[str, Any]) -> None:
        """After a pause: arm and start, when nothing is asked of anybody."""
        act = {READY: "arm", ARMED: "start"}.get(view["state"]) if view["paused"] else None
        for other in ("arm", "start"):
            if other != act:
                self._patience.forget((number, other))
        nobody_asks = not any(each["prompt"] for each in self._views.values())
        if act is not None and nobody_asks and self._patience.has_lasted((number, act), WAIT_S):
            self._patience.forget((number, act))  # refused, it is tried again
            self._act(act, number)

    def _act(self, verb: str, station: int, **fields: Any) -> None:
        self._client.ask(verb, person=PERSON, named=True, source="simulated person", station=station, **fields)


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
