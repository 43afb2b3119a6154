"""`rigd demo flush`: a drain aimed at four directions three times on the simulated flush rig, to the sealed record.

The technician is simulated too. The record is as real as that of any demo; all data are invented.
"""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from rigd.cli.demo_body import PERSON, DemoEnding, specimen_id
from rigd.cli.options import Json, print_json
from rigd.model.errors import UsageRefused

RIG, PROFILE = "demo-flush", "flush-direction"
RECORDS = Path("records")
HELP = """Examples:

\b
  rigd demo flush --virtual
  rigd demo flush --seed 7 --virtual --truth --json
  rigd demo flush --seed 7 --virtual --technician careless

Aim the drain of one invented body at four directions, three times each, on the simulated flush rig, and weigh what the
cups catch: shares in the sector, beside it and not caught, and the error of aim with its sign, over k aims.

\b
Technicians: obedient  does exactly what is asked
             careless  aims by eye, leaves water in the cups, types grams as kilograms
"""


def flush(
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**31, help="Draws the drain, the iron and the noise.")] = 1,
    virtual: Annotated[bool, typer.Option("--virtual", help="This demo is always under virtual time.")] = True,
    truth: Annotated[bool, typer.Option("--truth", help="Tell which way the drain really points.")] = False,
    as_json: Json = False,
    records: Annotated[Path, typer.Option("--records", metavar="DIR", help="Records folder.")] = RECORDS,
    technician: Annotated[str, typer.Option("--technician", metavar="KIND", help="Who aims it.")] = "obedient",
    fault: Annotated[
        list[str] | None, typer.Option("--fault", metavar="KIND[@SECONDS]", help="What goes wrong; repeat.")
    ] = None,
) -> None:
    del virtual  # taken, so that every demo is called alike
    from rigd.cli.demo_body import check_names
    from rigd.cli.demo_virtual import play_world
    from simulator.drain_bench import CARE

    if technician not in CARE:
        raise UsageRefused(f"--technician {technician}: allowed: {', '.join(CARE)}")
    check_names("", tuple(fault or ()))
    if not as_json:
        typer.echo("SIMULATED RIG: everything you see is invented. On a real rig a stream takes an eye.")
        typer.echo("rigd is not the safety device: relief valve, guard, emergency stop and local codes come first.")
        typer.echo("Under virtual time: no wire, and minutes of a bench in seconds.\n")
    bench: list[Any] = []

    def place(job: Any) -> tuple[Any, Any]:
        from rigd.model.flush import Flush
        from simulator.drain_bench import Aimer, DrainBench

        step = next(step for step in job.profile.steps if type(step) is Flush)
        bench.append(
            DrainBench(job.rig, seed=seed, half_width_deg=step.half_width_deg, faults=tuple(fault or ()))
        )
        return bench[0], Aimer(PERSON, seed, bench[0], CARE[technician])

    ending = play_world(rig=RIG, profile=PROFILE, specimen=specimen_id(seed), records=records.absolute(), place=place)
    _tell(ending, bench[0].drain.bias_deg if truth else None, as_json)
    sys.exit(ending.exit_code)


def _tell(ending: DemoEnding, bias_deg: float | None, as_json: bool) -> None:
    from rigd.cli.result import describe_result, read_result

    if as_json:
        print_json(read_result(ending.record) | ({} if bias_deg is None else {"truth": {"bias_deg": bias_deg}}))
        return
    typer.echo(f"\n{describe_result(ending.record)}")
    if bias_deg is not None:
        typer.echo(f"\nTruth (only a simulator knows it): the drain points {bias_deg:+.2f} deg beside its cock")
    record = ending.record.relative_to(Path.cwd()) if ending.record.is_relative_to(Path.cwd()) else ending.record
    typer.echo(f"\nRecord  {record}")
    typer.echo(f"  show    rigd runs show {record}")
    typer.echo(f"  photo   rigd runs inspect {record} --help")
    typer.echo(f"  verify  rigd runs verify {record}")
    typer.echo(f'  pandas  pandas.read_parquet("{record}/trace")')
    if ending.words:
        typer.echo(ending.words, err=True)
