"""`rigd run`: one specimen, one profile, one rig, from the files to the sealed record.

It loads and checks the files, takes the rig, and becomes the rig process; its terminal shows the live line and takes
single keys. Other terminals may act as well. How the run goes is decided by the engine alone.
"""

import sys
from typing import Annotated, Any

import typer

from rigd.cli.options import Json, Key, Operator, Records, person, print_json
from rigd.model import errors

HELP = """Examples:

\b
  rigd run ramped-burst --rig demo --specimen K-07 --operator "A. Novak"
  rigd run my-burst.yaml --rig bench2.yaml --specimen K-07.yaml --operator "A. Novak"
  rigd run ramped-burst --rig demo --specimen K-07 --set lot=7 --set "water_temperature=21 degC"

Run one specimen through a profile on a rig. Opens the devices and waits in READY; arm and start come from the keys of
this terminal (a, s) or from another one (rigd arm, rigd start). Ctrl-C vents, proves it, closes the record, and ends
with exit code 3.

\b
Exit codes: 0 done, criteria met or none    1 criterion not met or undecided    3 stopped by a person
            4 trip, interrupted, unproven   5 invalid test    65 bad file   69 rig unreachable   75 rig busy
"""


def run(
    profile: Annotated[str, typer.Argument(metavar="PROFILE", help="A profile: a name that ships, or a file.")],
    rig: Annotated[str, typer.Option("--rig", metavar="RIG", help="A rig: a name that ships, or a file.")],
    specimen: Annotated[str, typer.Option("--specimen", metavar="ID|FILE", help="Its id, or its file.")],
    operator: Operator = "",
    facts: Annotated[
        list[str] | None, typer.Option("--set", metavar="FACT=VALUE", help="A fact about the specimen; repeat.")
    ] = None,
    records: Records = None,
    confirm: Annotated[
        str,
        typer.Option(
            "--confirm", metavar="SPECIMEN_ID", help="Arm and start by itself. The id must be the specimen's."
        ),
    ] = "",
    key: Key = None,
    as_json: Json = False,
) -> None:
    from rigd.cli.job import load_job
    from rigd.live.places import RigLock, key_path, records_folder

    name, named = person(operator)
    job = load_job(
        profile=profile, rig=rig, specimen=specimen, facts=tuple(facts or ()), records=records_folder(records),
        person=name, named=named, confirm=confirm, key=key_path(key),
    )  # fmt: skip
    lock = RigLock(job.rig.name)
    lock.take()
    try:
        ending = _serve(job, as_json)
    finally:
        lock.release()
    _tell(ending, as_json)
    sys.exit(ending.exit_code)


def _serve(job: Any, as_json: bool) -> Any:
    import asyncio

    from rigd.cli.screen import COMMANDS, KEYS, Screen
    from rigd.live.daemon import RigProcess

    # With --json the result alone goes to standard output, so that a program can read it.
    stream = sys.stderr if as_json else sys.stdout
    at_terminal = sys.stdin.isatty() and stream.isatty()
    screen = Screen(stream, answered_by=KEYS if at_terminal else COMMANDS)
    silent = as_json and not stream.isatty()  # a program reads; its errors are the only words it wants
    if not silent:
        _introduce(job, screen, at_terminal)

    async def live() -> Any:
        process = RigProcess(job, (lambda frame: None) if silent else screen.show)
        if not at_terminal:
            return await process.run()
        from rigd.cli.keys import Keyboard, single_keys

        keyboard = Keyboard()
        running = asyncio.get_running_loop()
        with single_keys() as read:
            running.add_reader(sys.stdin.fileno(), lambda: _press(read(), keyboard, process, screen))
            try:
                return await process.run()
            finally:
                running.remove_reader(sys.stdin.fileno())

    try:
        return asyncio.run(live())
    except KeyboardInterrupt:
        typer.echo("rigd: stopped before a run began; nothing was recorded", err=True)
        sys.exit(errors.STOPPED)
    finally:
        screen.leave()


def _introduce(job: Any, screen: Any, at_terminal: bool) -> None:
    from rigd.cli.keys import HELP as KEYS_HELP

    simulated = "SIMULATED RIG, invented data. " if job.rig.simulated else ""
    screen.say(f"{simulated}rig {job.rig.name} · profile {job.profile.name} · specimen {job.specimen.id}")
    screen.say(f"{'' if job.named else 'no --operator given: acting as '}{job.person} · records in {job.records}")
    if job.key is None:
        screen.say("the record will be sealed WITHOUT A KEY: make one with rigd doctor --new-key")
    screen.say("rigd is not the safety device: relief valve, guard and hardware emergency stop come first.")
    if at_terminal:
        screen.say(KEYS_HELP)


def _press(keys: str, keyboard: Any, process: Any, screen: Any) -> None:
    from rigd.cli.keys import HELP as KEYS_HELP

    for key in keys:
        if not process.is_open:
            return  # nothing can be asked of a rig that is not there yet or no more
        if key == "?" and keyboard.typed is None:
            screen.say(KEYS_HELP)
            continue
        act = keyboard.press(key, process.view_body()["prompt"])
        screen.show_typed(keyboard.typed)
        if act is not None:
            # Whether it was granted or refused comes back as an event, and is on the screen by then.
            process.act(
                act.act, process.job.person, named=process.job.named, source="terminal", prompt=act.prompt,
                answer=act.answer,
            )  # fmt: skip


def _tell(ending: Any, as_json: bool) -> None:
    from rigd.cli.result import describe_result, read_result

    if as_json:
        print_json(read_result(ending.record) | {"exit_code": ending.exit_code})
    else:
        typer.echo(f"\n{describe_result(ending.record)}\n\nRecord: {ending.record}")
    if ending.trouble:
        typer.echo(f"rigd: {ending.trouble}", err=True)
