"""`rigd runs`: the records - listed, shown, verified and replayed. Nothing here changes one.

A run is named by its number, its folder's name or its path. What is shown was verified first; an altered record is told
with every finding and shown no further.
"""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from rigd.cli.options import Json, Records, print_json
from rigd.model import errors

app = typer.Typer(help="Records: list, show, verify and replay them.", no_args_is_help=True, rich_markup_mode=None)
Run = Annotated[str, typer.Argument(metavar="RUN", help="Number (412 or R0412), folder name or path.")]

LIST_HELP = (
    "Examples:\n\n\b\n  rigd runs list\n  rigd runs list --records records --json\n\n"
    "List every run, also those that came to nothing."
)
SHOW_HELP = (
    "Examples:\n\n\b\n  rigd runs show 412\n  rigd runs show 412 --json\n\n"
    "Show what came out of a run, after verifying its record."
)
VERIFY_HELP = (
    "Examples:\n\n\b\n  rigd runs verify 412\n  rigd runs verify --key PUBLIC_KEY 412\n  rigd runs verify\n\n"
    "Prove that a record is what was sealed: every file's hash, the chain of blocks, every block of the trace. "
    "Without RUN: every record of the folder, and that none is missing or was replaced. Exit code 65 when not."
)
REPLAY_HELP = (
    "Examples:\n\n\b\n  rigd runs replay 412\n\n"
    "Feed a record's inputs to the engine again and compare what it says, byte for byte. Exit code 1 when it differs."
)


@app.command("list", help=LIST_HELP, short_help="List every run of the records folder.")
def list_all(records: Records = None, as_json: Json = False) -> None:
    from rigd.cli.result import read_summary
    from rigd.live.places import records_folder
    from rigd.store.runs import list_runs

    folder = records_folder(records)
    rows = [read_summary(run) for run in list_runs(folder)]
    if as_json:
        print_json(rows)
        return
    if not rows:
        typer.echo(f"no runs in {folder}")
    for row in rows:
        typer.echo(f"R{row['run']:04d}  {row['opened_utc']}  {row['state']:8}  {row['specimen']:16}  {row['told']}")


@app.command("show", help=SHOW_HELP, short_help="Show what came out of a run.")
def show(run: Run, records: Records = None, as_json: Json = False) -> None:
    from rigd.cli.result import describe_result, read_result

    record = _find(records, run)
    if as_json:
        print_json(read_result(record))
    else:
        typer.echo(describe_result(record))
        typer.echo(f"\nRecord: {record}")


@app.command("verify", help=VERIFY_HELP, short_help="Prove that a record is what was sealed.")
def verify(
    run: Annotated[str, typer.Argument(metavar="[RUN]", help="Number, folder name or path; none: all.")] = "",
    key: Annotated[str, typer.Option("--key", metavar="HEX", help="The rig's public key, kept elsewhere.")] = "",
    records: Records = None,
    as_json: Json = False,
) -> None:
    from rigd.live.places import records_folder
    from rigd.store.runs import verify_records
    from rigd.store.verification import verify as verify_one

    folder = records_folder(records)
    if run:
        each, of_folder = (verify_one(_find(records, run), public_key=key),), ()
    else:
        each, of_folder = verify_records(folder, public_key=key)
    sound = all(found.ok for found in each) and not of_folder
    if as_json:
        rows = [
            {"record": str(found.folder), "run": found.run, "ok": found.ok, "findings": list(found.findings),
             "files": found.files, "blocks": found.blocks, "seal": found.seal}
            for found in each
        ]  # fmt: skip
        print_json({"sound": sound, "runs": rows, "folder": list(of_folder)})
    else:
        _tell_findings(each, of_folder)
    sys.exit(errors.DONE if sound else errors.BAD_DATA)


@app.command("replay", help=REPLAY_HELP, short_help="Run a record through the engine again and compare.")
def replay(run: Run, records: Records = None, as_json: Json = False) -> None:
    from rigd.cli.screen import QUIET
    from rigd.model.messages import Event
    from rigd.replay import Difference
    from rigd.replay import replay as replay_archive
    from rigd.store.archive import open_run

    difference, said = None, 0
    for output in replay_archive(open_run(_find(records, run))):
        said += 1
        if isinstance(output, Difference):
            difference = output
        elif isinstance(output, Event) and output.kind not in QUIET and not as_json:
            typer.echo(f"{output.t_ns / 1e9:10.2f} s  {output.text}")
    words = "the same, byte for byte" if difference is None else f"NOT the same: {difference.words}"
    if as_json:
        at_ns = None if difference is None else difference.t_ns
        print_json({"same": difference is None, "words": words, "differs_at_ns": at_ns})
    else:
        typer.echo(f"replayed: {words}")
    sys.exit(errors.DONE if difference is None else errors.NOT_MET)


def _find(records: Path | None, run: str) -> Path:
    from rigd.live.places import records_folder
    from rigd.store.runs import find

    return find(records_folder(records), run)


def _tell_findings(each: Any, of_folder: tuple[str, ...]) -> None:
    for found in each:
        words = f"as it was sealed ({found.files} files, {found.blocks} blocks, {found.seal})"
        typer.echo(f"{found.folder.name}: {words if found.ok else 'NOT as it was sealed'}")
        for words in found.findings:
            typer.echo(f"  {words}")
    for words in of_folder:
        typer.echo(words)
    if not each and not of_folder:
        typer.echo("nothing to verify")
