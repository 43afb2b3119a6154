"""Keys and screen: what a key means in which moment, and what stands on the screen - without a terminal."""

import io
import os
import pty
import select
from types import SimpleNamespace
from typing import Any

import pytest

from rigd.cli.keys import HELP, KEYS, TYPED_LIMIT, Act, Keyboard
from rigd.cli.screen import KEPT_BYTES, SOMEBODY, Screen
from rigd.cli.screen import KEYS as BY_KEYS
from rigd.cli.terminal import Terminal
from rigd.cli.view_words import describe
from rigd.model.messages import ACTS
from rigd.model.requests import Frame

PSI = 6894.757293168361
CONFIRM = {"prompt": 3, "kind": "confirm", "text": "Chamber shut?", "field": "", "choices": []}
ENTER = {"prompt": 4, "kind": "enter", "text": "Enter the lot", "field": "lot", "choices": []}
CHOOSE = {"prompt": 5, "kind": "choose", "text": "What?", "field": "observation", "choices": ["rupture", "weep"]}


def view(**changes: Any) -> dict[str, Any]:
    return {
        "t_ns": 1, "run": 12, "state": "RUNNING", "trip_state": "CLEAR", "first_out": "", "latched": [],
        "held_by": "", "words": "under pressure: keep away", "step": 2, "step_name": "Ramp", "prompt": None,
        "permissives": [], "pressure_pa": 212.34 * PSI, "target_pa": 213 * PSI, "highest_pa": 212.4 * PSI,
        "rate_pa_per_s": 15 * PSI, "values": [], "done": False, "outcome": "", "rig": "demo", "simulated": True,
        "specimen": "K-07", "profile": "ramped-burst", "display": "psi", "display_pa": PSI, "record": "",
        "devices": {"io": "up"},
    } | changes  # fmt: skip


def press(keyboard: Keyboard, keys: str, prompt: dict[str, Any] | None = None) -> list[Act]:
    return [act for key in keys if (act := keyboard.press(key, prompt)) is not None]


def test_single_keys_are_acts_and_all_of_them_are_explained() -> None:
    assert [act.act for act in press(Keyboard(), "ashrxm vRH")] == [
        "arm", "start", "hold", "resume", "stop", "mark", "vent", "vent", "reset", "hand_check",
    ]  # fmt: skip
    assert set(KEYS.values()) <= set(ACTS)
    assert all((key if key != " " else "SPACE") in HELP for key in KEYS)
    assert press(Keyboard(), "zq\x1b\r") == []


@pytest.mark.parametrize("prompt", [None, CONFIRM, ENTER, CHOOSE])
def test_venting_is_one_touch_whatever_is_asked(prompt: dict[str, Any] | None) -> None:
    assert press(Keyboard(), " ", prompt) == [Act(act="vent")]


def test_questions_are_answered_by_their_own_keys() -> None:
    assert press(Keyboard(), "c", CONFIRM) == [Act(act="confirm", prompt=3)]
    assert press(Keyboard(), "2", CHOOSE) == [Act(act="confirm", prompt=5, answer="weep")]
    assert press(Keyboard(), "3c", CHOOSE) == []
    assert press(Keyboard(), "c", None) == []


def test_a_value_is_typed_letter_by_letter_and_letters_are_no_keys_then() -> None:
    keyboard = Keyboard()
    assert press(keyboard, "clot av\x7f 7é", ENTER) == [] and keyboard.typed == "lot a 7é"
    assert press(keyboard, "\r", ENTER) == [Act(act="confirm", prompt=4, answer="lot a 7é")]
    assert keyboard.typed is None
    assert press(keyboard, "c\r", ENTER) == [] and keyboard.typed is None, "an empty line answers nothing"
    assert press(keyboard, "cabc\x1b", ENTER) == [] and keyboard.typed is None
    press(keyboard, "c" + "x" * 500, ENTER)
    assert len(keyboard.typed) == TYPED_LIMIT


def test_a_question_that_goes_away_while_typing_gives_the_keys_back() -> None:
    keyboard = Keyboard()
    press(keyboard, "chalf a val", ENTER)
    assert press(keyboard, "v", None) == [Act(act="vent")]


def shown(*frames: Frame, **options: Any) -> str:
    page = io.StringIO()
    screen = Screen(page, **options)
    for frame in frames:
        screen.show(frame)
    screen.leave()
    return page.getvalue()


def event(kind: str, text: str, **data: Any) -> Frame:
    return Frame(kind="event", body={"kind": kind, "t_ns": 12_340_000_000, "text": text, "data": data})


def test_plain_lines_where_there_is_no_terminal() -> None:
    said = shown(Frame(kind="view", body=view()), event("trip", "TRIP door_opened."), Frame(kind="view", body=view()))
    assert "\x1b" not in said and "\r" not in said
    assert said.splitlines() == [
        "RUNNING  Ramp  212.3 psi  highest 212.4  rate 15.0 psi/s  called for 213.0",
        "!    12.34 s  TRIP door_opened.",
    ]


def test_what_is_no_number_is_a_dash_and_what_is_tripped_says_so() -> None:
    said = shown(Frame(kind="view", body=view(pressure_pa=None, trip_state="TRIPPED", first_out="specimen_a stale")))
    assert said.startswith("RUNNING · TRIPPED: specimen_a stale  Ramp  — psi")


def test_questions_tell_how_they_are_answered_here() -> None:
    frame = Frame(kind="view", body=view(prompt=CHOOSE))
    assert "rigd confirm rupture|weep" in shown(frame)
    assert "    1  rupture" in shown(frame, answered_by=BY_KEYS)
    quiet = shown(frame, frame, answered_by=SOMEBODY)
    assert quiet.count("[5] What?") == 1 and "rigd confirm" not in quiet


def test_status_tells_the_missing_permissive_first() -> None:
    told = describe(
        view(state="VENTED", permissives=[["door_shut", False, "the chamber must be shut"]], prompt=CONFIRM)
    )
    assert "missing: door_shut - the chamber must be shut" in told and "SIMULATED" in told
    assert "[3] Chamber shut?" in told and "psi gauge" in told


@pytest.mark.parametrize("no_colour", ["", "1"])
def test_a_terminal_has_one_live_line_and_colour_only_for_trouble(
    no_colour: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", no_colour)
    monkeypatch.setenv("TERM", "xterm")
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as stream:
        screen = Screen(stream)
        screen.show(Frame(kind="view", body=view()))
        quiet = os.read(master, 65536).decode()
        screen.show(Frame(kind="view", body=view(trip_state="TRIPPED", first_out="door")))
        loud = os.read(master, 65536).decode()
    os.close(master)
    assert quiet.startswith("\r\x1b[K") and "\x1b[31m" not in quiet
    assert ("\x1b[31m" in loud) == (not no_colour) and "TRIPPED" in loud


def station(number: int, specimen: str, **changes: Any) -> Frame:
    counted = [["cycles_owed", 1000], ["cycles_valid", 11], ["cycles_applied", 12], ["stuck_cycles", 0]]
    return Frame(
        kind="view", body=view(station=number, specimen=specimen, step_name="Surges", counted=counted) | changes
    )


def test_each_station_has_a_line_under_the_words_that_matter_most(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("rigd.cli.screen.DRAW_EVERY_S", 0.0)
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as stream:
        screen = Screen(stream, answered_by=BY_KEYS)
        for frame in (
            station(1, "K-07"),
            station(2, "L-03", state="VENTED", words="LINE AT ZERO", pressure_pa=0.0, prompt=CONFIRM),
            station(3, "M-11", state="VENTING", trip_state="TRIPPED", first_out="specimen_a_3 stale", pressure_pa=None),
        ):
            screen.show(frame)
        screen.choose(3)
        drawn = b""
        while select.select([master], [], [], 0)[0]:
            drawn += os.read(master, 65536)
    os.close(master)
    drawn = drawn.decode()
    last = drawn[drawn.rindex("\x1b[J") + 3 :].splitlines()
    assert [line.rstrip() for line in last] == [
        "1 RUNNING, 1 VENTING, 1 VENTED · station 1: under pressure: keep away",
        "  1  K-07        RUNNING            212.3 psi  11/1000 valid 12 applied",
        "  2  L-03        VENTED · asks        0.0 psi  11/1000 valid 12 applied",
        "> 3  M-11        VENTING · TRIPPED: specimen_a_3 stale       — psi  11/1000 valid 12 applied"[:79],
        "keys answer [station 2 · 3] Chamber shut?",
    ]
    assert "[station 2 · 3] Chamber shut?\r\n" in drawn and "    c  done as asked\r\n" in drawn


def test_plain_lines_say_which_station() -> None:
    body = event("stuck", "the moving part did not come back at cycle 7").body
    said = shown(station(2, "L-03"), Frame(kind="event", body=body | {"station": 2}), answered_by=SOMEBODY)
    assert said.splitlines()[1] == "     12.34 s  station 2  the moving part did not come back at cycle 7"
    told = describe({"stations": [station(2, "L-03", prompt=CHOOSE).body, station(4, "M-11").body]})
    assert "station 2 · run 12 · specimen L-03" in told and "rigd confirm rupture|weep --station 2" in told
    assert "cycles 11 of 1000 valid, 12 applied" in told


class Bench:
    """What a Terminal needs of a rig process: stations that ask, and acts that are noted."""

    is_open = True
    job = SimpleNamespace(person="A. Novak", named=True)

    def __init__(self, **prompts: dict[str, Any] | None) -> None:
        self.acts: list[tuple[str, int | None, int | None, str | None]] = []
        self.stations = [
            SimpleNamespace(
                number=number, is_over=False, engine=SimpleNamespace(questions=SimpleNamespace(prompt=prompt)),
                view_body=lambda prompt=prompt: {"prompt": prompt},
            )
            for number, prompt in enumerate(prompts.values(), start=1)
        ]  # fmt: skip

    def act(self, act, person, *, named, source, prompt, answer, station):
        self.acts.append((act, station, prompt, answer))
        return True, ""


def typed(keys: str, **prompts: dict[str, Any] | None) -> list[tuple[str, int | None, int | None, str | None]]:
    bench = Bench(**prompts)
    Terminal(bench, Screen(io.StringIO())).press(keys)
    return bench.acts


def test_keys_mean_all_stations_or_the_chosen_one_and_answers_go_where_the_screen_says() -> None:
    assert typed(" vhx", one=None, two=None) == [(act, None, None, None) for act in ("vent", "vent", "hold", "stop")]
    assert typed("m\tm\tm\tm", one=None, two=None)[0] == ("mark", None, None, None), "refused where it is not clear"
    assert [station for _, station, _, _ in typed("m\tm\tm\tm", one=None, two=None)] == [None, 1, 2, 1]
    assert typed("c", one=None, two=CONFIRM, three=CONFIRM) == [("confirm", 2, 3, None)]
    assert typed("\t\t\tc", one=None, two=CONFIRM, three=CONFIRM) == [("confirm", 3, 3, None)]
    assert typed("c7\r", one=None, two=ENTER) == [("confirm", 2, 4, "7")]


def test_a_value_is_never_typed_for_another_station() -> None:
    """While it is being typed, a station before it begins to ask, with a question of the same number."""
    bench = Bench(one=None, two=ENTER)
    terminal = Terminal(bench, Screen(io.StringIO()))
    terminal.press("c4")
    bench.stations[0].engine.questions.prompt = ENTER
    bench.stations[0].view_body = lambda: {"prompt": ENTER}
    terminal.press("2\r")
    assert bench.acts == [("confirm", 2, 4, "42")]
    terminal.press("c1")
    bench.stations[0].engine.questions.prompt = None
    terminal.press("v")
    assert bench.acts[1:] == [("vent", None, None, None)], "its question went away: keys are keys again"


def test_a_terminal_that_stands_still_holds_nobody_up() -> None:
    """A pipe nobody reads: every frame returns at once, and what is kept is bounded."""
    reading, writing = os.pipe()
    with os.fdopen(writing, "w") as stream:
        screen = Screen(stream)
        for number in range(3000):
            screen.show(event("step", f"step {number} " + "x" * 100))
        assert len(screen._kept) <= KEPT_BYTES
        assert not select.select([], [stream], [], 0)[1], "the pipe is full, and we are still here"
        os.close(reading)
        screen.say("and nobody reads any more")
