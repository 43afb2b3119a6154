"""The person of the live cap and drain demos at a rig that only notes what is done; `test_demo_live` plays them."""

from typing import Any

import pytest

from rigd.cli import demo_person
from rigd.cli.demo_technician import AtTheBench, CapInWindow, DrainInWindow
from rigd.engine.aim_count import INSIDE, LANDED, NOT_CAUGHT, OUTSIDE
from rigd.engine.turn_prompts import CAUGHT, EYE, LOOSENED, RETAINED, SHUT, TIGHTENED, at_the_cap, loosening
from rigd.files.load import find, load_profile
from rigd.model.leak import CapTurns
from simulator import drain_bench, technician

CAP = next(step for step in load_profile(find("cap-turn-leak", "profile")).steps if type(step) is CapTurns)
CUPS = {"inside_kg": 0.1, "outside_kg": 0.02, "not_caught_kg": 0.005, "centre_deg": 92.4, "hit": True}


class Rig:
    """Control socket and window in one: notes what the person does."""

    def __init__(self) -> None:
        self.done: list[tuple[Any, ...]] = []
        bench = {"seen": "nothing", "at_the_cap": "weep", "scale_kg": 0.0, "cups": None}
        self.seen: dict[int, dict[str, Any]] = {0: bench}

    def ask(self, verb: str, **fields: Any) -> None:
        assert "station" not in fields, "a rig with one specimen has no stations"
        self.done.append((verb, fields["answer"]) if verb == "confirm" else (verb,))

    def order(self, text: str) -> None:
        self.done.append((text,))
        if text == "weigh":
            self.seen[0]["cups"] = CUPS


class Asking:
    """Shows the person one question after the other."""

    def __init__(self, rig: Rig, person: Any) -> None:
        self._rig, self._number = rig, 0
        self.person = AtTheBench(rig, rig, person)

    def ask(self, text: str, field: str = "", kind: str = "confirm", state: str = "VENTED", si: str = "") -> list[Any]:
        """What the person does about it."""
        self._number += 1
        self._rig.done.clear()
        prompt = {"prompt": self._number, "kind": kind, "text": text, "field": field, "choices": [], "si": si}
        self.look(prompt=prompt, state=state)
        return list(self._rig.done)

    def look(self, **changes: Any) -> None:
        quiet = {"prompt": None, "state": "VENTED", "trip_state": "CLEAR", "paused": False, "t_ns": 0}
        self.person.look(quiet | changes)


@pytest.fixture
def rig(monkeypatch: pytest.MonkeyPatch) -> Rig:
    monkeypatch.setattr(demo_person, "ANSWER_S", 0.0)
    monkeypatch.setattr(demo_person, "WAIT_S", 0.0)
    return Rig()


def at_a_cap(rig: Rig, care: str = "obedient") -> Asking:
    return Asking(rig, technician.Technician("P. Person", 1, CapInWindow(rig), technician.CARE[care]))


def test_the_cap_is_turned_as_asked_behind_an_open_door_and_the_answer_is_what_is_seen(rig: Rig) -> None:
    desk = at_a_cap(rig)
    assert desk.ask("Tighten the cap to 8 N m", TIGHTENED) == [("door open",), ("tighten",), ("confirm", "done")]
    assert desk.ask("Is the cage that holds the cap back on?", RETAINED, "choose") == [("cage on",), ("confirm", "on")]
    assert desk.ask("Shut the chamber, nobody near", SHUT) == [("door shut",), ("confirm", "done")]
    watched = "What did you see at the cap in these 30 s, through the window, chamber shut?"
    assert desk.ask(watched, EYE, "choose", "RUNNING") == [("confirm", "weep")]
    assert desk.ask(loosening(CAP.turns[2]), LOOSENED) == [("door open",), ("loosen 0.1875",), ("confirm", "done")]
    assert desk.ask("How many grams has the scale gained?", CAUGHT, "enter", "RUNNING")[-1] == ("confirm", "0.00")


def test_every_question_with_hands_at_the_cap_opens_the_chamber_and_the_last_shuts_it(rig: Rig) -> None:
    """As the engine words them, not as this test does."""
    for turn in (None, CAP.turns[0]):
        desk = at_a_cap(rig)
        asked = [(question.text, question.field, question.kind) for question in at_the_cap(CAP, turn)]
        done = [desk.ask(*each) for each in asked]
        doors = [word for acts in done for (word, *_) in acts if word.startswith("door")]
        assert doors == ["door open", "door shut"] and done[0][0] == ("door open",) and ("door shut",) in done[-1]


def test_a_cap_under_pressure_is_never_reached_through_an_open_door(rig: Rig) -> None:
    assert at_a_cap(rig).ask(loosening(CAP.turns[0]), LOOSENED, state="RUNNING") == [
        ("loosen 0.0625",), ("confirm", "done"),
    ]  # fmt: skip


def test_a_careless_technician_overlooks_a_weep_and_no_more(rig: Rig) -> None:
    desk = at_a_cap(rig, "careless")
    said = []
    for seen in ("tight", "weep", "drops", "stream"):
        rig.seen[0]["at_the_cap"] = seen
        said += desk.ask("What did you see at the cap?", EYE, "choose", "RUNNING")
    assert said == [("confirm", "tight"), ("confirm", "tight"), ("confirm", "drops"), ("confirm", "stream")]


def test_cups_are_weighed_once_an_aim_and_only_when_asked_about(rig: Rig) -> None:
    care = drain_bench.Care(
        points_deg=0.0, reads_deg=0.0, weighs_kg=0.0, forgets=0.0, in_grams=0.0, slowest_ns=0
    )  # fmt: skip
    desk = Asking(rig, drain_bench.Aimer("P. Person", 1, DrainInWindow(rig), care))
    aim = "Aim 2 of 12: turn the drain to 90 degrees from the index mark (clockwise from above)"
    assert desk.ask(aim) == [("door open",), ("aim 90.0 90.0 dry",), ("confirm", "done")]
    assert desk.ask("Aim 2: everybody out of the stream's way, eyes covered, chamber shut")[0] == ("door shut",)
    cups = (INSIDE, OUTSIDE, NOT_CAUGHT)
    weighed = [desk.ask(f"Aim 2: mass of water in the cups {field}?", field, "enter") for field in cups]
    assert weighed == [
        [("door open",), ("weigh",), ("confirm", "100.0 g")], [("confirm", "20.0 g")], [("confirm", "5.0 g")],
    ]  # fmt: skip
    assert desk.ask("Aim 2: where did the centre of the stream land?", LANDED, "enter") == [("confirm", "92")]


def test_after_a_pause_the_run_goes_on_by_arm_and_start_and_never_by_itself_at_first(rig: Rig) -> None:
    desk = at_a_cap(rig)
    for changes in ({"state": "READY"}, {"state": "READY", "paused": True}, {"state": "ARMED", "paused": True}):
        desk.look(**changes)
    assert rig.done == [("arm",), ("start",)], "the first start is by --confirm"
