"""`rigd demo leak --medium gas`: a dry body filled with nitrogen on the simulated gas rig, to the sealed record.

The record is as real as that of any demo; body, leak, weather and the rest are invented.
"""

from pathlib import Path
from typing import Any

import typer

from rigd.cli.demo_body import PERSON, check_names, specimen_id, tell, tell_json
from rigd.model.errors import UsageRefused

RIG, PROFILE = "demo-gas", "gas-leak"


def play(
    medium: str, *, seed: int, virtual: bool, truth: bool, as_json: bool, records: Path, faults: tuple[str, ...]
) -> int:
    """Play it under virtual time, tell it, and return the exit code. Raises UsageRefused."""
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

    def place(job: Any) -> tuple[Any, Any]:
        from simulator.benches import place_bench
        from simulator.person import Person

        return place_bench(job.rig, job.profile, seed=seed, faults=faults), Person(PERSON, seed)

    ending = play_world(rig=RIG, profile=PROFILE, specimen=specimen_id(seed), records=records.absolute(), place=place)
    if as_json:
        tell_json(ending, truth)
    else:
        tell(ending, _true_words(**ending.truth) if truth else "", {})
    return ending.exit_code


def _true_words(leak_mol_per_s: float, leak_sccm: float) -> str:
    return f"it leaks {leak_mol_per_s:.4g} mol/s,\n  {leak_sccm:.4g} sccm at the reference temperature of the profile"
