"""`rigd run`: one profile, one rig, a specimen at each station that has one, from the files to the sealed records.

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
  rigd run my-surge.yaml --rig bench4.yaml --specimen 1=K-07 --specimen 2=L-03 --set 1:lot=7 --operator "A. Novak"
  rigd run my-surge.yaml --rig bench4.yaml --specimen 1=K-07 --resume 12 --operator "A. Novak"

Run specimens through a profile on a rig. Opens the devices and waits in READY; arm and start come from the keys of
this terminal (a, s) or from another one (rigd arm, rigd start). Ctrl-C vents, proves it, closes the record, and ends
with exit code 3.

On a rig with several stations each specimen is given its station, and each has a record of its own. A station that is
not named stays empty: its outputs stay safe, and so do everybody's while its valve is not seen to be shut. Facts are
about every specimen, or about one as 1:lot=7. --confirm must name every specimen (there is no word for all), and
nothing is armed before all are ready: what starts by itself is what a person has looked at.

--resume RUN goes on with a specimen whose surges were interrupted, tripped or stopped: its counts go on, a surge that
was cut off is partial. Specimen, station, profile and rig must be those of that run, and its record sound.

A rig whose newest commissioning walk found its tank not as usual is refused (exit 78) until a walk finds it so again.

--unattended is refused (exit 78) unless the newest commissioning walk of exactly this rig file, at each station that
has a specimen, passed within the days the file states, the relief valve was tested in time, the independent layer is
declared (rigd doctor --rig RIG), no step asks for a person, and gas, water, drain and life of parts cover the run:
`budgets:` of the rig file against what rigd check works out, or less by --left gas=3000L. Each record says which walk
allowed it, and until when.

\b
Exit codes: 0 done, criteria met or none    1 criterion not met or undecided    3 stopped by a person
            4 trip, interrupted, unproven   5 invalid test    65 bad file   69 rig unreachable   75 rig busy
Of several stations the gravest: 4, then 74 (not sealed), 3, 5, 1, 0.
"""


def run(
    profile: Annotated[str, typer.Argument(metavar="PROFILE", help="A profile: a name that ships, or a file.")],
    rig: Annotated[str, typer.Option("--rig", metavar="RIG", help="A rig: a name that ships, or a file.")],
    specimens: Annotated[
        list[str],
        typer.Option("--specimen", metavar="[STATION=]ID|FILE", help="Its id, or its file; repeat for each station."),
    ],
    operator: Operator = "",
    facts: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="[STATION:]FACT=VALUE", help="A fact about the specimen; repeat."),
    ] = None,
    records: Records = None,
    confirm: Annotated[
        list[str] | None,
        typer.Option(
            "--confirm", metavar="SPECIMEN_ID", help="Arm and start by itself; repeat until each specimen is named."
        ),
    ] = None,
    resume: Annotated[
        list[str] | None,
        typer.Option("--resume", metavar="RUN", help="Go on with this run's specimen; repeat for several."),
    ] = None,
    unattended: Annotated[
        bool, typer.Option("--unattended", help="Nobody stays at the rig; refused unless its checks passed lately.")
    ] = False,
    left: Annotated[
        list[str] | None,
        typer.Option("--left", metavar="NAME=AMOUNT", help="With --unattended: less than the rig file states; repeat."),
    ] = None,
    key: Key = None,
    as_json: Json = False,
) -> None:
    from rigd.cli.job import load_job
    from rigd.live.job import gravest
    from rigd.live.places import RigLock, key_path, records_folder

    name, named = person(operator)
    job = load_job(
        profile=profile, rig=rig, specimens=tuple(specimens), facts=tuple(facts or ()),
        records=records_folder(records), person=name, named=named, confirm=tuple(confirm or ()), key=key_path(key),
    )  # fmt: skip
    lock = RigLock(job.rig.name)
    lock.take()
    try:
        job = _permit(job, unattended, tuple(left or ()))
        if resume:
            from rigd.cli.resume import resume_runs

            job = resume_runs(job, tuple(resume))
        endings = serve(job, as_json)
    finally:
        lock.release()
    code = gravest(endings)
    _tell(endings, code, as_json)
    sys.exit(code)


def _permit(job: Any, unattended: bool, left: tuple[str, ...]) -> Any:
    """The job, with what the rig's own walks say of it. Raises Misconfigured where they forbid it."""
    from rigd.cli.trend import why_not_pressurised, with_earlier
    from rigd.cli.unattended import permit

    if refused := why_not_pressurised(job):
        raise errors.Misconfigured(refused)
    job = with_earlier(job)
    return permit(job, left) if unattended else job


def serve(job: Any, as_json: bool) -> Any:
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
        process = RigProcess(job, None if silent else screen.show)
        if not at_terminal:
            return await process.run()
        from rigd.cli.keys import single_keys
        from rigd.cli.terminal import Terminal

        terminal = Terminal(process, screen)
        running = asyncio.get_running_loop()
        with single_keys() as read:
            running.add_reader(sys.stdin.fileno(), lambda: terminal.press(read()))
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
    from rigd.cli.keys import HELP_STATIONS as STATIONS_HELP

    simulated = "SIMULATED RIG, invented data. " if job.rig.simulated else ""
    at = [f"{f'{m.station} ' if m.station else ''}{m.specimen.id}" for m in job.mounted]
    specimens = f"stations {', '.join(at)}" if job.mounted[0].station else f"specimen {at[0]}"
    screen.say(f"{simulated}rig {job.rig.name} · profile {job.profile.name} · {specimens}")
    for mounted in job.mounted:
        if mounted.carried.run:
            done = f"{mounted.carried.valid} valid and {mounted.carried.applied} applied cycles"
            screen.say(f"{mounted.specimen.id} goes on from run {mounted.carried.run}: {done} so far")
    screen.say(f"{'' if job.named else 'no --operator given: acting as '}{job.person} · records in {job.records}")
    if job.key is None:
        screen.say("the record will be sealed WITHOUT A KEY: make one with rigd doctor --new-key")
    screen.say("rigd is not the safety device: relief valve, guard and hardware emergency stop come first.")
    if at_terminal:
        screen.say(KEYS_HELP + (STATIONS_HELP if len(job.mounted) > 1 else ""))


def _tell(endings: Any, code: int, as_json: bool) -> None:
    from rigd.cli.result import describe_result, read_result

    if as_json:
        told = [read_result(ending.record) | {"exit_code": ending.exit_code} for ending in endings]
        if endings[0].station:
            told = [{"station": ending.station} | each for ending, each in zip(endings, told, strict=True)]
        print_json({"exit_code": code, "stations": told} if endings[0].station else told[0])
    for ending in endings:
        if not as_json:
            place = f"station {ending.station}\n" if ending.station else ""
            typer.echo(f"\n{place}{describe_result(ending.record)}\n\nRecord: {ending.record}")
        if ending.trouble:
            typer.echo(f"rigd: {ending.words}. {ending.opening}. {ending.trouble}", err=True)
