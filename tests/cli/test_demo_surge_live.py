"""The person of the live surge demo, and the rig file it is played on; the programs themselves run in tests/live."""

from typing import Any

import pytest

from rigd.cli import demo_person
from rigd.cli.demo_surge_live import Bench, _rig_on
from rigd.files.load import load_rig_bytes


class Rig:
    """Control socket and window in one: notes what the person does."""

    def __init__(self) -> None:
        self.done: list[tuple[Any, ...]] = []
        self.seen = {1: {"seen": "nothing"}, 2: {"seen": "parted"}}

    def ask(self, verb: str, **fields: Any) -> None:
        self.done.append((verb, fields["station"], fields.get("prompt"), fields.get("answer")))

    def order(self, text: str) -> None:
        self.done.append((text,))


def view(station: int, **changes: Any) -> dict[str, Any]:
    return {"station": station, "prompt": None, "state": "RUNNING", "trip_state": "CLEAR", "paused": False,
            "t_ns": 0} | changes  # fmt: skip


def asks(field: str, kind: str = "enter", *choices: str) -> dict[str, Any]:
    return {"prompt": 7, "kind": kind, "text": "?", "field": field, "choices": list(choices), "si": ""}


@pytest.fixture
def rig(monkeypatch: pytest.MonkeyPatch) -> Rig:
    monkeypatch.setattr(demo_person, "ANSWER_S", 0.0)
    monkeypatch.setattr(demo_person, "WAIT_S", 0.0)
    return Rig()


def test_each_station_is_answered_once_and_by_what_is_seen_there(rig: Rig) -> None:
    person = Bench(rig, rig, seed=1)
    for _ in range(2):
        person.look(view(1, prompt=asks("moving_part")))
        person.look(view(2, prompt=asks("observation", "choose", "parted", "nothing")))
    assert rig.done == [
        ("free 1",), ("confirm", 1, 7, "freed by hand"), ("confirm", 2, 7, "parted"),
    ]  # fmt: skip


def test_after_a_pause_nobody_is_put_under_pressure_while_another_is_asked(rig: Rig) -> None:
    person = Bench(rig, rig, seed=1)
    person.look(view(1, state="READY", paused=True, prompt=asks("", "confirm")))
    rig.done.clear()
    person.look(view(2, state="READY", paused=True))
    assert rig.done == []
    person.look(view(1, state="READY", paused=True))
    person.look(view(2, state="ARMED", paused=True))
    assert rig.done == [("arm", 1, None, None), ("start", 2, None, None)]
    person.look(view(2, state="READY"))
    assert len(rig.done) == 2, "the first start is by --confirm"


@pytest.mark.parametrize(("name", "modules"), [("demo-surge", 1), ("demo-surge-8", 8)])
def test_every_module_of_the_rig_stands_behind_the_one_port(name: str, modules: int) -> None:
    rig = load_rig_bytes(_rig_on(4711, name).encode(), name)
    settings = [dict(device.settings) for device in rig.devices]
    assert [each["unit"] for each in settings] == list(range(1, modules + 1))
    assert {each["port"] for each in settings} == {4711}
