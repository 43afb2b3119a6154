"""`rigd doctor`: what this machine needs before its records can be relied on, made and checked.

`--new-key` makes the key the rig's records are sealed with; `--validate` replays the reference records that ship with
rigd on this very machine and keeps the outcome, as ISO/IEC 17025:2017 7.11.2 asks of a laboratory before it uses a
program: validated for functionality, before introduction and after every change.
"""

import sys
from pathlib import Path
from typing import Annotated

import typer

from rigd.cli.options import Json, Key, Operator, Records, print_json
from rigd.model import errors

HELP = """Examples:

\b
  rigd doctor --new-key
  rigd doctor --new-key --key my-own.key
  rigd doctor --validate
  rigd doctor --walk --rig demo --operator "A. Novak"
  rigd doctor --walk --rig demo-surge --station 2 --operator "A. Novak"
  rigd doctor --walk --rig bench.yaml --profile my-walk.yaml --operator "A. Novak"
  rigd doctor --rig demo

Make the key that records are sealed with, or validate rigd on this machine: replay the reference records that ship
with it, measure them again, compare, and keep the outcome with date and versions under validations/ of the records
folder. Exit code 1 when something differs, 65 when a reference record is not what was shipped.

--walk walks a rig's own checks on a blanked-off specimen port, as a run with a record like any other: outputs fall
back, the watchdog relay lets go, emergency stop and door are seen, the vent empties the line, transducers agree, the
supply is isolated, no pocket is forgotten, and vent and tank are judged against the rig's own earlier walks. It
pressurises the rig: read its profile first (`commissioning`, or what the rig file names as `walk:`), and copy it to
your own rig's limits. On a rig with several stations each is walked for itself (--station). Without --walk, --rig shows
when each check of exactly this rig file last passed, at each station. A walk is not a test of the safety devices:
relief valve, guard and hardware emergency stop are tested by their own procedures.

A key is never overwritten. Its private half never leaves its file (mode 0600); keep the public half that is printed
somewhere else, and verify records against it. A person who authorises records makes a key of their own with --key FILE.
"""


def doctor(
    new_key: Annotated[bool, typer.Option("--new-key", help="Make a key and print its public half.")] = False,
    validate: Annotated[bool, typer.Option("--validate", help="Replay the reference records and compare.")] = False,
    walk: Annotated[bool, typer.Option("--walk", help="Walk a rig's own checks; needs --rig.")] = False,
    rig: Annotated[str, typer.Option("--rig", metavar="RIG", help="A rig: a name that ships, or a file.")] = "",
    profile: Annotated[
        str, typer.Option("--profile", metavar="FILE", help="With --walk: another walk than the rig file names.")
    ] = "",
    station: Annotated[int, typer.Option("--station", help="Of several stations the one that is walked.")] = 1,
    operator: Operator = "",
    key: Key = None,
    records: Records = None,
    as_json: Json = False,
) -> None:
    if new_key + validate + bool(walk or rig) != 1:
        raise errors.UsageRefused("rigd doctor: say what to do: --new-key, --validate, --walk or --rig, one at a time")
    if walk and not rig:
        raise errors.UsageRefused("rigd doctor --walk: say which rig: --rig RIG")
    if rig:
        from rigd.cli import rig_checks

        if walk:
            sys.exit(rig_checks.walk(rig, profile, station, operator, records, key, as_json))
        sys.exit(rig_checks.show(rig, records, as_json))
    if new_key:
        _make_key(key, as_json)
    else:
        _validate(records, as_json)


def _make_key(chosen: Path | None, as_json: bool) -> None:
    from rigd.live.places import key_path, own_key_path
    from rigd.store.keys import make_key

    path = key_path(chosen) or own_key_path()
    if path == own_key_path():
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            words = f"{path.parent} cannot be made: {error.strerror}; say where: --key FILE"
            raise errors.CannotCreate(words) from None
    key = make_key(path)
    if as_json:
        print_json({"key": str(path), "public_key": key.public})
        return
    typer.echo(f"key         {path} (mode 0600; keep it here and nowhere else)")
    typer.echo(f"public key  {key.public}")
    typer.echo("Write the public key down elsewhere. Verify with: rigd runs verify --key PUBLIC_KEY")


def _validate(records: Path | None, as_json: bool) -> None:
    from rigd.cli.validation import keep, validate
    from rigd.live.places import records_folder

    outcome = validate()
    path = keep(outcome, records_folder(records))
    if as_json:
        print_json(outcome.told() | {"kept": str(path)})
    else:
        for check in outcome.checks:
            typer.echo(f"{'passed' if check.passed else 'FAILED'}  {check.record}: {check.words}")
        typer.echo(f"{'VALID' if outcome.passed else 'NOT VALID'} on this machine: {outcome.versions_words}")
        typer.echo(f"kept in {path}")
    sys.exit(outcome.exit_code)
