"""`rigd demo leak`: a cap loosened by sixteenths on the simulated leak rig, from set-up to sealed record.

The technician is simulated too: does what is asked, looks, and says what is seen. The record is as real as that of any
demo; all data are invented.
"""

import sys
from pathlib import Path
from typing import Annotated

import typer

from rigd.cli.demo_body import specimen_id
from rigd.cli.options import Json
from rigd.model.errors import UsageRefused

RECORDS = Path("records")
HELP = """Examples:

\b
  rigd demo leak
  rigd demo leak --seed 7 --virtual --truth --json
  rigd demo leak --seed 7 --virtual --technician careless
  rigd demo leak --seed 7 --virtual --decay --truth
  rigd demo leak --seed 7 --virtual --truth --medium gas

Loosen the cap of one invented body on the simulated leak rig and look at it under 30 psi after each turn, until it
leaks. The onset is told as an interval: tight at the one mark, leaking at the next. By default over real Modbus TCP on
loopback in some three minutes, by eighths and with short dwells (profile cap-turn-quick); --virtual plays all of
cap-turn-leak, by sixteenths, in seconds under virtual time. With --virtual --decay the inlet is shut in each look, and
leak, creep and warming of the body are told apart when the run is over.

\b
Technicians: obedient  does exactly what is asked
             human     the same, with a hand that errs by up to a sixty-fourth of a turn
             careless  turns by eye, overlooks a weep, forgets; under virtual time also answers late,
                       now and then too late
"""


def leak(
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**31, help="Draws the cap, the iron and the noise.")] = 1,
    virtual: Annotated[bool, typer.Option("--virtual", help="Under virtual time, without a wire.")] = False,
    truth: Annotated[bool, typer.Option("--truth", help="Tell where the seal really begins to leak.")] = False,
    as_json: Json = False,
    records: Annotated[Path, typer.Option("--records", metavar="DIR", help="Records folder.")] = RECORDS,
    decay: Annotated[bool, typer.Option("--decay", help="Judge by the fall of pressure behind a shut inlet.")] = False,
    technician: Annotated[str, typer.Option("--technician", metavar="KIND", help="Who turns the cap.")] = "obedient",
    fault: Annotated[
        list[str] | None, typer.Option("--fault", metavar="KIND[@SECONDS]", help="What goes wrong; repeat.")
    ] = None,
    profile: Annotated[str, typer.Option("--profile", metavar="PROFILE", help="Another one with cap turns.")] = "",
    medium: Annotated[str, typer.Option("--medium", metavar="KIND", help="water, or gas: no cap is turned.")] = "water",
) -> None:
    if medium != "water":
        from rigd.cli import demo_gas

        choices = {"truth": truth, "as_json": as_json, "records": records, "faults": tuple(fault or ())}
        sys.exit(demo_gas.play(medium, seed=seed, virtual=virtual, **choices))
    if decay and not virtual:
        raise UsageRefused("--decay without --virtual: allowed: with it; a look by decay takes minutes")
    from rigd.cli.demo_technician import CapInWindow, Choices, HandsDemo, run
    from rigd.model.leak import CapTurns
    from simulator.technician import CARE, Technician

    demo = HandsDemo(
        rig="demo-leak", profile="cap-turn-decay" if decay else "cap-turn-leak", live_profile="cap-turn-quick",
        step=CapTurns, specimen=_specimen_of,
        danger="a cap that lets go can kill", technician=Technician, care=CARE, in_window=CapInWindow,
        true_words=lambda truth: f"a new seal's first visible leak at {truth['onset_turns']:.4f} turn",
        otherwise={"onset": {"last_tight_turns": None, "first_leaking_turns": None}},
    )  # fmt: skip
    chosen = Choices(
        seed=seed, virtual=virtual, truth=truth, as_json=as_json, records=records, technician=technician,
        faults=tuple(fault or ()), profile=profile,
    )  # fmt: skip
    sys.exit(run(demo, chosen))


def _specimen_of(seed: int, folder: Path) -> str:
    """A file of what is known of the body beforehand: its volume. What else is asked for, a simulated person says."""
    from simulator.bodies import draw_body

    path = folder / "specimen.yaml"
    path.write_text(f"specimen: {specimen_id(seed)}\nvolume: {1e3 * draw_body('strong', seed).volume_m3:.3f} L\n")
    return str(path)
