"""The demos in which a technician's hands do the test: the cap that is turned and the drain that is aimed.

Both ways to play them: over Modbus TCP, where the technician works through the simulator's window and answers through
the control socket, and under virtual time.
"""

import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any, Protocol

import typer

from rigd.cli.demo_body import PERSON, DemoEnding, check_names, specimen_id, tell, tell_cautions, tell_json
from rigd.cli.demo_live import play_with
from rigd.cli.demo_person import AtTheRig
from rigd.cli.demo_programs import Window
from rigd.control import Client
from rigd.model.errors import RigUnreachable, UsageRefused
from rigd.model.states import VENTED

VIRTUAL = "under virtual time: no wire, and minutes of a bench in seconds"
LIVE = "in real time over Modbus TCP on loopback: some minutes, Ctrl-C vents and closes the record"
WEIGHING_S = 10.0  # the simulator reads its scale within a hundredth of this, on a machine that is not ill
SHUT = re.compile("shut the chamber|chamber shut", re.IGNORECASE)
HANDS_IN = re.compile("open the chamber|(tighten|loosen) the cap|aim .*(turn the drain|cup)", re.IGNORECASE)


class Technician(Protocol):
    """simulator.technician's or simulator.drain_bench's."""

    def answer(self, prompt: Any, seen: str) -> str: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What a user chose."""

    seed: int
    virtual: bool
    truth: bool
    as_json: bool
    records: Path
    technician: str
    faults: tuple[str, ...]
    profile: str  # "" for the demo's own


@dataclass(frozen=True, slots=True, kw_only=True)
class HandsDemo:
    rig: str
    profile: str
    live_profile: str  # what is played of it in real time
    step: type  # that a profile must have
    danger: str
    technician: Callable[[str, int, Any, Any], Technician]  # (name, seed, bench, care)
    care: Mapping[str, Any]
    in_window: Callable[[Window], Any]  # the bench as it is seen there
    true_words: Callable[[dict[str, Any]], str]
    specimen: Callable[[int, Path], str] = lambda seed, folder: specimen_id(seed)  # its id, or a file in the folder
    look: Mapping[str, str] = field(default_factory=dict)  # demo_body.tell
    otherwise: Mapping[str, Any] = field(default_factory=dict)  # demo_body.tell_json


def run(demo: HandsDemo, chosen: Choices) -> int:
    """Play it, tell how it ended, and return the exit code. Raises RigdError."""
    if chosen.technician not in demo.care:
        raise UsageRefused(f"--technician {chosen.technician}: allowed: {', '.join(demo.care)}")
    check_names("", chosen.faults)
    name = chosen.profile or (demo.profile if chosen.virtual else demo.live_profile)
    title = _title_of(name, demo.step)
    if not chosen.as_json:
        tell_cautions(demo.danger)
        typer.echo(f"{title}, {VIRTUAL if chosen.virtual else LIVE}")
        if name == demo.live_profile != demo.profile:
            typer.echo(f"Shortened to be watched: {name} stands for {demo.profile}, which --virtual plays whole.")
        typer.echo()
    ending = (_play_virtual if chosen.virtual else _play)(demo, chosen, name)
    if chosen.as_json:
        tell_json(ending, chosen.truth, **demo.otherwise)
    else:
        tell(ending, demo.true_words(ending.truth) if chosen.truth else "", demo.look)
    return ending.exit_code


def _title_of(name: str, step: type) -> str:
    from rigd.files.load import find, load_profile

    profile = load_profile(find(name, "profile"))
    if not any(type(each) is step for each in profile.steps):
        raise UsageRefused(f"--profile {name}: allowed: one with the step that this demo's own profile has")
    return profile.title


def _play(demo: HandsDemo, chosen: Choices, profile: str) -> DemoEnding:
    care, seed = demo.care[chosen.technician], chosen.seed

    def person(client: Client, window: Window) -> AtTheBench:
        return AtTheBench(client, window, demo.technician(PERSON, seed, demo.in_window(window), care))

    return play_with(
        person, rig=demo.rig, profile=profile, bench=("--profile", profile), seed=seed, faults=chosen.faults,
        records=chosen.records.absolute(), quiet=chosen.as_json,
    )  # fmt: skip


def _play_virtual(demo: HandsDemo, chosen: Choices, profile: str) -> DemoEnding:
    from rigd.cli.demo_virtual import play_world
    from simulator.benches import place_bench

    care, seed = demo.care[chosen.technician], chosen.seed

    def place(job: Any) -> tuple[Any, Technician]:
        bench = place_bench(job.rig, job.profile, seed=seed, faults=chosen.faults)
        return bench, demo.technician(PERSON, seed, bench, care)

    with TemporaryDirectory(prefix="rigd-demo-") as folder:
        return play_world(
            rig=demo.rig, profile=profile, specimen=demo.specimen(seed, Path(folder)),
            records=chosen.records.absolute(), place=place,
        )  # fmt: skip


class AtTheBench(AtTheRig):
    """The technician in front of the rig. Opens the chamber when there is work in it, and shuts it when asked to."""

    def __init__(self, client: Client, window: Window, technician: Technician) -> None:
        super().__init__(client, self._answer_as_seen)
        self._window, self._technician = window, technician
        self._open = False

    def look(self, view: dict[str, Any]) -> None:
        prompt = view["prompt"]
        if prompt and not self._open and view["state"] == VENTED and HANDS_IN.match(prompt["text"]):
            self._turn_door(to_open=True)
        super().look(view)

    def _answer_as_seen(self, station: int, prompt: dict[str, Any]) -> str:
        if self._open and SHUT.search(prompt["text"]):
            self._turn_door(to_open=False)
        return self._technician.answer(SimpleNamespace(**prompt), self._window.seen[station]["seen"])

    def _turn_door(self, *, to_open: bool) -> None:
        self._open = to_open
        self._window.order("door open" if to_open else "door shut")


class CapInWindow:
    """A cap and its scale, as hands and eyes have them (simulator.window)."""

    def __init__(self, window: Window) -> None:
        self._window = window

    def tighten(self) -> None:
        self._window.order("tighten")

    def loosen_to(self, turns: float) -> None:
        self._window.order(f"loosen {turns!r}")

    def retain(self) -> None:
        self._window.order("cage on")

    @property
    def caught_kg(self) -> float:
        return self._window.seen[0]["scale_kg"]

    @property
    def at_the_cap(self) -> str:
        return self._window.seen[0]["at_the_cap"]


class DrainInWindow:
    """A drain and its cups, as hands and eyes have them (simulator.window)."""

    def __init__(self, window: Window) -> None:
        self._window = window

    def aim(self, sector_deg: float, *, points_deg: float, empty: bool) -> None:
        self._window.order(f"aim {sector_deg!r} {points_deg!r} {'dry' if empty else 'wet'}")

    @property
    def caught(self) -> tuple[float, float, float]:
        cups = self._weighed()
        return cups["inside_kg"], cups["outside_kg"], cups["not_caught_kg"]

    @property
    def landed(self) -> SimpleNamespace:
        cups = self._weighed()
        return SimpleNamespace(centre_deg=cups["centre_deg"], hit=cups["hit"])

    def _weighed(self) -> dict[str, Any]:
        """What the cups hold since the last aim; they are put on the scale once."""
        if self._window.seen[0]["cups"] is None:
            self._window.order("weigh")
        deadline = time.monotonic() + WEIGHING_S
        while (cups := self._window.seen[0]["cups"]) is None:
            if time.monotonic() > deadline:
                raise RigUnreachable(f"the simulated scale did not answer within {WEIGHING_S:g} s")
            time.sleep(0.01)
        return cups
