"""The command `rigd`: which verbs there are, and the one place where an error becomes words and an exit code.

Nothing of weight is imported here or at the top of a verb's file, so that the first words come at once. What a verb
does is its own file's business.
"""

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from rigd.cli import act, channels, check, demo, doctor, run, runs, status
from rigd.cli.options import Json
from rigd.model import errors

CAUTION = (
    "Cautions: a body under pressure can kill. rigd controls and records; it is not the safety device and claims no "
    "safety rating. Relief valve, guard, hardware emergency stop, watchdog relay, your site's procedures, local codes "
    "and licensed practice come first."
)
HELP = f"""Examples:

\b
  rigd demo burst --seed 1
  rigd check profiles/tests/ramped-burst.yaml
  rigd run ramped-burst --rig demo --specimen K-07 --operator "A. Novak"
  rigd status
  rigd vent

Run a pressure test rig, keep every raw sample, and prove the record was not altered.

{CAUTION}
"""

app = typer.Typer(
    help=HELP,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)


@app.command("check", help=check.HELP, short_help="Check files, and show what they mean and what will happen.")
def _check(
    files: Annotated[list[Path] | None, typer.Argument(metavar="FILE...", help="Files, or names that ship.")] = None,
    schema: Annotated[
        str | None, typer.Option("--schema", metavar="KIND", help="Print the JSON Schema: rig, profile or specimen.")
    ] = None,
    as_json: Json = False,
) -> None:
    sys.exit(check.check(files or [], schema, as_json))


app.command("run", help=run.HELP, short_help="Run one specimen through a profile on a rig.")(run.run)
app.add_typer(demo.app, name="demo")
app.command("status", help=status.HELP, short_help="Show what the rig is doing.")(status.status)
for verb in act.VERBS:
    app.command(verb.name, help=verb.help, short_help=verb.short)(verb.command)
app.add_typer(channels.app, name="channels")
app.add_typer(runs.app, name="runs")
app.command("doctor", help=doctor.HELP, short_help="Make a key, validate rigd, walk a rig's checks.")(doctor.doctor)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"rigd {version('rigd')}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Options of `rigd` itself."""


def main() -> int:
    """Run the command line. Every error of ours ends here as words on stderr and its exit code; no traceback."""
    try:
        app(prog_name="rigd")
    except errors.RigdError as error:
        print(f"rigd: {error}", file=sys.stderr)
        return error.exit_code
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else errors.OUR_BUG if ended.code else errors.DONE
    except KeyboardInterrupt:
        return 128 + 2
    except Exception as bug:  # the last line of defence: whatever it is, a person gets words
        if os.environ.get("RIGD_DEBUG"):
            raise
        print(
            f"rigd: a fault of rigd itself, not of yours: {type(bug).__name__}: {bug}\n"
            "See where with RIGD_DEBUG=1, and please report it.",
            file=sys.stderr,
        )
        return errors.OUR_BUG
    return errors.DONE


if __name__ == "__main__":
    sys.exit(main())
