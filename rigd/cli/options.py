"""Options that several verbs share, and how a person is named: by --operator, else by the system's user, marked so."""

import getpass
import json
from pathlib import Path
from typing import Annotated, Any

import typer

from rigd.model.errors import UsageRefused

PERSON_LIMIT = 80

Operator = Annotated[str, typer.Option("--operator", metavar="NAME", help="Who acts. Default: the system user.")]
Rig = Annotated[str, typer.Option("--rig", metavar="NAME", help="Which rig, when several have a process.")]
Station = Annotated[
    int | None,
    typer.Option("--station", metavar="N", min=1, help="One station of a rig that has several. Default: see below."),
]
Json = Annotated[bool, typer.Option("--json", help="JSON for programs, SI units.")]
Records = Annotated[
    Path | None,
    typer.Option(
        "--records", metavar="DIR", help="Records folder. Default: $RIGD_RECORDS, else the user's data folder."
    ),
]

Key = Annotated[
    Path | None,
    typer.Option("--key", metavar="FILE", help="Key file. Default: $RIGD_KEY, else the one in your config folder."),
]


def person(operator: str) -> tuple[str, bool]:
    """Return who acts and whether a name was given. A name is one printable line."""
    name = operator.strip()
    if len(name) > PERSON_LIMIT or not name.isprintable():
        raise UsageRefused(f"--operator {operator!r}: allowed: one line of at most {PERSON_LIMIT} characters")
    return (name, True) if name else (getpass.getuser(), False)


def print_json(body: Any) -> None:
    typer.echo(json.dumps(body, indent=2, ensure_ascii=False, allow_nan=False))


def printable(text: str) -> str:
    """Text from a record, which may be anybody's, without what would steer a terminal: escaped, line ends kept."""
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in text)
