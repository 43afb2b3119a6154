"""What the demos of one specimen share: the names of the invented specimen and person, how they end and are told."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import typer

from rigd.cli.options import print_json
from rigd.model import errors

PERSON = "simulated person"
RIG, PROFILE = "demo", "ramped-burst"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoEnding:
    exit_code: int
    record: Path
    words: str  # of the rig process, or why the record is not sealed
    truth: dict[str, Any] = field(default_factory=dict)  # what only a simulator knows (simulator.window)


def specimen_id(seed: int) -> str:
    return f"demo-{seed}"


def check_names(body: str, faults: tuple[str, ...]) -> None:
    """Refuse names the simulator does not know, before anything is started."""
    from simulator.bodies import KINDS
    from simulator.faults import FAULTS

    if body and body not in KINDS:
        raise errors.UsageRefused(f"--body {body}: allowed: {', '.join(KINDS)}")
    for fault in faults:
        if fault.partition("@")[0] not in FAULTS:
            raise errors.UsageRefused(f"--fault {fault}: allowed: {', '.join(FAULTS)}")


def tell_cautions(danger: str) -> None:
    typer.echo(f"SIMULATED RIG: everything you see is invented. On a real rig {danger}.")
    typer.echo("rigd is not the safety device: relief valve, guard, emergency stop and local codes come first.")


def tell(ending: DemoEnding, truth_words: str, look: dict[str, str]) -> None:
    """How it ended, for a person. `truth_words` "" when nobody asked; `look`: further ways to look at the record, a
    name and a text with {record} in it."""
    from rigd.cli.result import describe_result

    typer.echo(f"\n{describe_result(ending.record)}")
    if truth_words:
        typer.echo(f"\nTruth (only a simulator knows it): {truth_words}")
    record = ending.record.relative_to(Path.cwd()) if ending.record.is_relative_to(Path.cwd()) else ending.record
    typer.echo(f"\nRecord  {record}")
    ways = {"show": "rigd runs show {record}", "verify": "rigd runs verify {record}"} | look
    for name, words in (ways | {"pandas": 'pandas.read_parquet("{record}/trace")'}).items():
        typer.echo(f"  {name:<7} {words.format(record=record)}")
    if ending.exit_code >= errors.BAD_DATA:
        typer.echo(ending.words, err=True)


def tell_json(ending: DemoEnding, truth: bool, **otherwise: Any) -> None:
    """How it ended, for a program. `otherwise`: keys that stand in any case."""
    from rigd.cli.result import read_result

    print_json(otherwise | read_result(ending.record) | ({"truth": ending.truth} if truth else {}))
