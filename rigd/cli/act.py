"""The verbs of a person at the rig, said from any terminal: arm, start, hold, resume, vent, stop, reset, confirm ...

Each goes over the control socket to the rig process, whose engine grants or refuses it in words. Nothing is decided
here, and leaving a terminal changes nothing at the rig.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Annotated, Any

import typer

from rigd.cli.options import Json, Operator, Rig, Station, person, print_json
from rigd.cli.view_words import asked
from rigd.model import errors

ALL = "Without --station every station of the rig is meant."
ONE = "Where it could be for several stations, --station says for which."
SOFT = "This is software: in an emergency use the red mushroom button at the rig."


@dataclass(frozen=True, slots=True, kw_only=True)
class Verb:
    name: str
    short: str
    help: str
    command: Callable[..., None]


def act(verb: str, *, rig: str, operator: str, as_json: bool, station: int | None = None, **fields: Any) -> None:
    """Send one act and say what became of it. Raises NotPermitted with the engine's own words when it is refused."""
    from rigd.control import Client
    from rigd.live.places import find_socket

    name, named = person(operator)
    with Client(find_socket(rig)) as client:
        if verb == "confirm":
            seen, station = _asking(client.ask("status").view, station)
            fields = _answer(seen, **fields)
        reply = client.ask(verb, person=name, named=named, station=station, **fields)
    if as_json:
        print_json({"ok": reply.ok, "words": reply.words, "view": reply.view})
        sys.exit(errors.DONE if reply.ok else errors.NOT_PERMITTED)
    if not reply.ok:
        raise errors.NotPermitted(reply.words)
    if "stations" in reply.view:
        typer.echo(reply.words)
        return
    typer.echo(f"{reply.words} · {reply.view['state']}")
    if following := _next_act(verb, reply.view):
        typer.echo(f"next: {following}")


def _asking(view: dict[str, Any], station: int | None) -> tuple[dict[str, Any], int | None]:
    """The view with the question that is meant, and its station: the one named, else the only one that asks."""
    stations = view.get("stations")
    if stations is None:
        return view, station
    if station is None:
        asking = [each for each in stations if each["prompt"]]
        if len(asking) > 1:
            told = "\n".join(asked(each["prompt"], each["station"]) for each in asking)
            raise errors.UsageRefused(f"several stations ask; say which with --station N:\n{told}")
        return (asking or stations)[0], asking[0]["station"] if asking else None
    named = [each for each in stations if each["station"] == station]
    if not named:
        there = ", ".join(str(each["station"]) for each in stations)
        raise errors.UsageRefused(f"--station {station}: no specimen is there; allowed: {there}")
    return named[0], station


def _answer(view: dict[str, Any], *, prompt: int | None, answer: str | None) -> dict[str, Any]:
    """Find the open prompt and check the answer against it, so that a slip is told here and not recorded there."""
    asked = view.get("prompt")
    if asked is None:
        raise errors.NotPermitted("nothing is being asked now")
    if prompt is not None and prompt != asked["prompt"]:
        raise errors.NotPermitted(f"prompt {prompt} is not open; open is {asked['prompt']}: {asked['text']}")
    if asked["kind"] == "choose" and answer not in asked["choices"]:
        choices = ", ".join(repr(choice) for choice in asked["choices"])
        raise errors.UsageRefused(f"{asked['text']}\nanswer {answer!r}; allowed: {choices}")
    if asked["kind"] == "enter" and not answer:
        raise errors.UsageRefused(f"{asked['text']}\nneeds a value: rigd confirm VALUE")
    return {"prompt": asked["prompt"], "answer": answer}


def _next_act(verb: str, view: dict[str, Any]) -> str:
    if view.get("prompt"):
        return f"answer: {view['prompt']['text']} (rigd confirm)"
    return {"ARMED": "rigd start (arming runs out after 60 s)"}.get(view["state"], "") if verb == "arm" else ""


def _plain(name: str, short: str, more: str = "", whom: str = ALL) -> Verb:
    def command(operator: Operator = "", station: Station = None, rig: Rig = "", as_json: Json = False) -> None:
        act(name.replace("-", "_"), rig=rig, operator=operator, as_json=as_json, station=station)

    text = (
        f"Examples:\n\n\b\n  rigd {name}\n  rigd {name} --operator 'A. Novak'\n  rigd {name} --station 2\n\n"
        f"{' '.join(part for part in (short, more, whom) if part)}"
    )
    return Verb(name=name, short=short, help=text, command=command)


Pedal = Annotated[bool, typer.Option("--pedal", help="It was pressed with a foot: told to the rig, and recorded.")]
PEDAL = "A pedal or a wet glove may mark, hold and vent, never start: wire its switch to this verb with --pedal."


def _by_foot(name: str, short: str, more: str = "", whom: str = ALL) -> Verb:
    """A verb that a pedal may say, too."""

    def command(
        operator: Operator = "", station: Station = None, rig: Rig = "", pedal: Pedal = False, as_json: Json = False
    ) -> None:
        source = {"source": "pedal"} if pedal else {}
        act(name, rig=rig, operator=operator, as_json=as_json, station=station, **source)

    plain = _plain(name, short, " ".join(part for part in (more, PEDAL) if part), whom)
    shown = plain.help.replace("--station 2\n", f"--station 2\n  rigd {name} --pedal\n", 1)
    return replace(plain, command=command, help=shown)


def _confirm(
    answer: Annotated[str | None, typer.Argument(metavar="[ANSWER]", help="A choice or a value with its unit.")] = None,
    prompt: Annotated[int | None, typer.Option("--prompt", metavar="N", help="Which prompt, to be sure.")] = None,
    operator: Operator = "",
    station: Station = None,
    rig: Rig = "",
    as_json: Json = False,
) -> None:
    act("confirm", rig=rig, operator=operator, as_json=as_json, station=station, prompt=prompt, answer=answer)


VERBS = (
    _plain("arm", "Arm the rig.", "Needs every permissive; runs out after 60 s. Nothing moves yet."),
    _plain("start", "Start the armed run: pressure may rise."),
    _by_foot("hold", "Hold: keep the pressure, stop the program's clock."),
    _plain("resume", "Go on after a hold."),
    _by_foot("vent", "Vent at once and end the run.", SOFT),
    _plain("stop", "Stop at the next safe point (end of the step), then vent.", SOFT),
    _plain("reset", "Reset a latched trip whose cause is healthy again.", "Nothing starts by a reset.", ONE),
    Verb(
        name="confirm",
        short="Answer the question the rig is asking.",
        help="Examples:\n\n\b\n  rigd confirm\n  rigd confirm rupture\n  rigd confirm '21 degC' --prompt 4\n"
        "  rigd confirm --station 2\n\n"
        "Answer the open prompt: alone for *done as asked*, else with the choice or the value. When several stations "
        "ask, --station says whose question it is; their numbers are alike.",
        command=_confirm,
    ),
    _by_foot("mark", "Mark: it fails NOW, as a person sees it.", whom=ONE),
    _plain("hand-check", "Record that you checked by hand that the line is at zero.", "Only a named person can.", ONE),
)
