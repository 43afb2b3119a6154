"""`rigd status`: what the rig is doing, once or until the person has seen enough. It only looks."""

from typing import Annotated

import typer

from rigd.cli.options import Json, Rig, Station, print_json
from rigd.model import errors

HELP = """Examples:

\b
  rigd status
  rigd status --watch
  rigd status --station 2
  rigd status --json

Show what the rig is doing, each station of it or the one named. Looking changes nothing; Ctrl-C leaves --watch and the
run goes on.
"""
FRAME_S = 2.0  # views come ten times a second; two seconds without one is worth saying


def status(
    rig: Rig = "",
    station: Station = None,
    watch: Annotated[bool, typer.Option("--watch", help="Keep looking.")] = False,
    as_json: Json = False,
) -> None:
    from rigd.cli.view_words import describe
    from rigd.control import Client
    from rigd.live.places import find_socket

    with Client(find_socket(rig)) as client:
        reply = client.ask("watch" if watch else "status", station=station)
        if not reply.ok:
            raise errors.UsageRefused(reply.words)
        if as_json and not watch:
            print_json(reply.view)
        elif not watch:
            typer.echo(describe(reply.view))
        else:
            _watch(client, as_json, station)


def _watch(client, as_json: bool, station: int | None) -> None:
    import json

    from rigd.cli.screen import Screen

    screen = Screen()
    try:
        while True:
            for frame in client.frames(FRAME_S):
                if station is not None and frame.body.get("station", station) != station:
                    continue
                if as_json:
                    typer.echo(json.dumps({"kind": frame.kind, **frame.body}, ensure_ascii=False))
                else:
                    screen.show(frame)
                if frame.kind == "closed":
                    return
            screen.say("STALE: the rig process has said nothing for 2 s")
    except KeyboardInterrupt:
        screen.say("detached: the run goes on; end it with: rigd vent")
    finally:
        screen.leave()
