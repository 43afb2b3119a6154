"""`rigd status`: what the rig is doing, once or until the person has seen enough. It only looks."""

from typing import Annotated

import typer

from rigd.cli.options import Json, Rig, print_json

HELP = """Examples:

\b
  rigd status
  rigd status --watch
  rigd status --json

Show what the rig is doing. Looking changes nothing; Ctrl-C leaves --watch and the run goes on.
"""
FRAME_S = 2.0  # views come ten times a second; two seconds without one is worth saying


def status(
    rig: Rig = "",
    watch: Annotated[bool, typer.Option("--watch", help="Keep looking.")] = False,
    as_json: Json = False,
) -> None:
    from rigd.cli.screen import describe
    from rigd.control import Client
    from rigd.live.places import find_socket

    with Client(find_socket(rig)) as client:
        reply = client.ask("watch" if watch else "status")
        if as_json and not watch:
            print_json(reply.view)
        elif not watch:
            typer.echo(describe(reply.view))
        else:
            _watch(client, as_json)


def _watch(client, as_json: bool) -> None:
    import json

    from rigd.cli.screen import Screen

    screen = Screen()
    try:
        while True:
            for frame in client.frames(FRAME_S):
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
