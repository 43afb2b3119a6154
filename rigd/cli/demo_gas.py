"""`rigd demo leak --medium gas`: a dry body filled with nitrogen on the simulated gas rig, to the sealed record.

The record is as real as that of any demo; body, leak, weather and the rest are invented.
"""

from pathlib import Path
from typing import Any

import typer

from rigd.cli.demo_body import PERSON, specimen_id
from rigd.cli.options import print_json
from rigd.model.errors import UsageRefused

RIG, PROFILE = "demo-gas", "gas-leak"


def play(
    medium: str, *, seed: int, virtual: bool, truth: bool, as_json: bool, records: Path, faults: tuple[str, ...]
) -> int:
    """Play it under virtual time, tell it, and return the exit code. Raises UsageRefused."""
    from rigd.cli.demo_body import check_names
    from rigd.cli.demo_virtual import play_world

    if medium != "gas":
        raise UsageRefused(f"--medium {medium}: allowed: water, gas")
    if not virtual:
        raise UsageRefused("--medium gas without --virtual: allowed: with it; a dwell of gas is a quarter of an hour")
    check_names("", faults)
    if not as_json:
        typer.echo("SIMULATED RIG: everything you see is invented. On a real rig gas throws what lets go, and kills;")
        typer.echo("nitrogen in a room takes the air away: exhaust led outside, oxygen monitor on, nobody near.")
        typer.echo("rigd is not the safety device: relief valve, guard, emergency stop and local codes come first.")
        typer.echo("Under virtual time: no wire, and minutes of a bench in seconds.\n")
    plants: list[Any] = []

    def place(job: Any) -> tuple[Any, Any]:
        from rigd.model.gas import GasLeak
        from simulator.gas_bench import GasPlant
        from simulator.person import Person

        step = next(step for step in job.profile.steps if type(step) is GasLeak)
        plants.append(GasPlant(job.rig, step, seed=seed, faults=faults))
        return plants[0], Person(PERSON, seed)

    ending = play_world(rig=RIG, profile=PROFILE, specimen=specimen_id(seed), records=records.absolute(), place=place)
    _tell(ending, plants[0] if truth else None, as_json)
    return int(ending.exit_code)


def _tell(ending: Any, plant: Any, as_json: bool) -> None:
    from rigd.cli.result import describe_result, read_result

    true = {} if plant is None else {"leak_sccm": plant.true_leak_sccm(), "leak_mol_per_s": plant.leak_mol_per_s}
    if as_json:
        print_json(read_result(ending.record) | ({"truth": true} if true else {}))
        return
    typer.echo(f"\n{describe_result(ending.record)}")
    if true:
        typer.echo(f"\nTruth (only a simulator knows it): it leaks {true['leak_mol_per_s']:.4g} mol/s,")
        typer.echo(f"  {true['leak_sccm']:.4g} sccm at the reference temperature of the profile")
    record = ending.record.relative_to(Path.cwd()) if ending.record.is_relative_to(Path.cwd()) else ending.record
    typer.echo(f"\nRecord  {record}")
    typer.echo(f"  show    rigd runs show {record}")
    typer.echo(f"  verify  rigd runs verify {record}")
    typer.echo(f'  pandas  pandas.read_parquet("{record}/trace")')
    if ending.words:
        typer.echo(ending.words, err=True)
