"""`rigd demo surge`: a short night of surges on a simulated rig with stations, and how both ways to play it end.

Every station's run is a real record of its own, closed by the closing process. What is told of it comes from there;
the truth beside it is the simulated specimen's own count, which only a simulator has.
"""

import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import typer

from rigd.cli.options import print_json
from rigd.live.job import GRAVEST_FIRST
from rigd.model.errors import UsageRefused

PERSON = "simulated person"
RIGS = {4: "demo-surge", 8: "demo-surge-8"}
PROFILE = "cyclic-surge"
COUNTS = ("cycles_applied", "cycles_valid", "stuck_cycles", "failed_at_cycle")
CAUTIONS = (
    "SIMULATED RIG: everything you see is invented. On a real rig a body that lets go can kill.",
    "Compressed air in plastic parts is the most dangerous thing in such a lab: a litre of it at 100 psi holds",
    "thousands of times what a litre of water holds. Nobody is near while pressure is on, also between two surges.",
    "rigd is not the safety device: relief valve, guard, emergency stop and local codes come first.\n",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The specimen's own count."""

    cycles: int
    stuck_cycles: int
    failed_at_cycle: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StationEnding:
    station: int
    specimen: str
    record: Path
    exit_code: int
    trouble: str  # why the record is not sealed, or ""
    truth: Truth


def rig_of(stations: int) -> str:
    """The shipped rig with room for so many. Raises UsageRefused."""
    for room, name in RIGS.items():
        if 1 <= stations <= room:
            return name
    raise UsageRefused(f"--stations {stations}: allowed: 1 to {max(RIGS)}")


def specimen_id(seed: int, station: int) -> str:
    return f"demo-{seed}-{station}"


def tell_cautions() -> None:
    for line in CAUTIONS:
        typer.echo(line)


def finish(endings: tuple[StationEnding, ...], truth: bool, as_json: bool) -> None:
    """Tell how it ended, and leave with the gravest exit code."""
    rows = [_row(ending, truth) for ending in endings]
    if as_json:
        print_json({"stations": rows})
    else:
        _print(endings, rows)
    sys.exit(min((ending.exit_code for ending in endings), key=GRAVEST_FIRST.index))


def _row(ending: StationEnding, truth: bool) -> dict[str, Any]:
    """One station for a program, as sealed."""
    from rigd.cli.result import read_result

    result = read_result(ending.record)
    counted = result.get("counted", {})
    row = {"specimen": ending.specimen, "outcome": result["outcome"]}
    row |= {name: counted.get(name) for name in COUNTS} | {"record": str(ending.record)}
    return row | ({"truth": asdict(ending.truth)} if truth else {})


def _print(endings: tuple[StationEnding, ...], rows: list[dict[str, Any]]) -> None:
    from rigd.cli.result import describe_result

    for ending, row in zip(endings, rows, strict=True):
        typer.echo(f"\nStation {ending.station}\n{describe_result(ending.record)}")
        typer.echo(f"Counted: {_words({name: row[name] for name in COUNTS})}")
        if "truth" in row:
            typer.echo(f"Truth (only a simulator knows it): {_words(row['truth'])}")
        typer.echo(f"Record  {ending.record}")
        if ending.trouble:
            typer.echo(ending.trouble, err=True)


def _words(counts: dict[str, int | None]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {'-' if count is None else count}" for name, count in counts.items())
