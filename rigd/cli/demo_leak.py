"""`rigd demo leak`: a cap loosened by sixteenths on the simulated leak rig, from set-up to sealed record.

The technician is simulated too: does what is asked, looks, and says what is seen. The record is as real as that of any
demo; all data are invented.
"""

import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any

import typer

from rigd.cli.demo_body import PERSON, DemoEnding, specimen_id
from rigd.cli.options import Json, print_json
from rigd.model.errors import UsageRefused

RIG, PROFILE, BY_DECAY = "demo-leak", "cap-turn-leak", "cap-turn-decay"
RECORDS = Path("records")
HELP = """Examples:

\b
  rigd demo leak --virtual
  rigd demo leak --seed 7 --virtual --truth --json
  rigd demo leak --seed 7 --virtual --technician careless
  rigd demo leak --seed 7 --virtual --truth --medium gas
  rigd demo leak --seed 7 --virtual --decay --truth

Loosen the cap of one invented body by sixteenths of a turn on the simulated leak rig and look at it under 30 psi after
each, until it leaks. The onset is told as an interval: tight at the one mark, leaking at the next. With --decay the
inlet is shut in each look, and leak, creep and warming of the body are told apart when the run is over.

\b
Technicians: obedient  does exactly what is asked
             human     the same, with a hand that errs by up to a sixty-fourth of a turn
             careless  turns by eye, overlooks a weep, forgets, and answers late: now and then too late
"""


def leak(
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**31, help="Draws the cap, the iron and the noise.")] = 1,
    virtual: Annotated[bool, typer.Option("--virtual", help="This demo is always under virtual time.")] = True,
    truth: Annotated[bool, typer.Option("--truth", help="Tell where the seal really begins to leak.")] = False,
    as_json: Json = False,
    records: Annotated[Path, typer.Option("--records", metavar="DIR", help="Records folder.")] = RECORDS,
    decay: Annotated[bool, typer.Option("--decay", help="Judge by the fall of pressure behind a shut inlet.")] = False,
    technician: Annotated[str, typer.Option("--technician", metavar="KIND", help="Who turns the cap.")] = "obedient",
    fault: Annotated[
        list[str] | None, typer.Option("--fault", metavar="KIND[@SECONDS]", help="What goes wrong; repeat.")
    ] = None,
    medium: Annotated[str, typer.Option("--medium", metavar="KIND", help="water, or gas: no cap is turned.")] = "water",
) -> None:
    if medium != "water":
        from rigd.cli import demo_gas

        choices = {"truth": truth, "as_json": as_json, "records": records, "faults": tuple(fault or ())}
        sys.exit(demo_gas.play(medium, seed=seed, virtual=virtual, **choices))
    del virtual  # taken, so that every demo is called alike
    from rigd.cli.demo_body import check_names
    from rigd.cli.demo_virtual import play_world
    from simulator.technician import CARE

    if technician not in CARE:
        raise UsageRefused(f"--technician {technician}: allowed: {', '.join(CARE)}")
    check_names("", tuple(fault or ()))
    if not as_json:
        typer.echo("SIMULATED RIG: everything you see is invented. On a real rig a cap that lets go can kill.")
        typer.echo("rigd is not the safety device: relief valve, guard, emergency stop and local codes come first.")
        typer.echo("Under virtual time: no wire, and minutes of a bench in seconds.\n")
    bench: list[Any] = []

    def place(job: Any) -> tuple[Any, Any]:
        from rigd.model.leak import CapTurns
        from simulator.cap_bench import CapBench
        from simulator.technician import Technician

        step = next(step for step in job.profile.steps if type(step) is CapTurns)
        bench.append(CapBench(job.rig, seed=seed, test_pa=step.pressure_pa, faults=tuple(fault or ())))
        return bench[0], Technician(PERSON, seed, bench[0], CARE[technician])

    with TemporaryDirectory() as folder:
        ending = play_world(
            rig=RIG, profile=BY_DECAY if decay else PROFILE, specimen=str(_specimen_of(seed, Path(folder))),
            records=records.absolute(), place=place,
        )  # fmt: skip
    _tell(ending, bench[0].truth().onset_turns if truth else None, as_json)
    sys.exit(ending.exit_code)


def _specimen_of(seed: int, folder: Path) -> Path:
    """A file of what is known of the body beforehand: its volume. What else is asked for, a simulated person says."""
    from simulator.bodies import draw_body

    path = folder / "specimen.yaml"
    path.write_text(f"specimen: {specimen_id(seed)}\nvolume: {1e3 * draw_body('strong', seed).volume_m3:.3f} L\n")
    return path


def _tell(ending: DemoEnding, onset_turns: float | None, as_json: bool) -> None:
    from rigd.cli.result import describe_result, read_result

    if as_json:
        told = read_result(ending.record)
        told.setdefault("onset", {"last_tight_turns": None, "first_leaking_turns": None})
        print_json(told | ({} if onset_turns is None else {"truth": {"onset_turns": onset_turns}}))
        return
    typer.echo(f"\n{describe_result(ending.record)}")
    if onset_turns is not None:
        typer.echo(f"\nTruth (only a simulator knows it): a new seal's first visible leak at {onset_turns:.4f} turn")
    record = ending.record.relative_to(Path.cwd()) if ending.record.is_relative_to(Path.cwd()) else ending.record
    typer.echo(f"\nRecord  {record}")
    typer.echo(f"  show    rigd runs show {record}")
    typer.echo(f"  verify  rigd runs verify {record}")
    typer.echo(f'  pandas  pandas.read_parquet("{record}/trace")')
    if ending.words:
        typer.echo(ending.words, err=True)
