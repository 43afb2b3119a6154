"""`rigd demo flush`: a drain aimed at four directions three times on the simulated flush rig, to the sealed record.

The technician is simulated too. The record is as real as that of any demo; all data are invented.
"""

import sys
from pathlib import Path
from typing import Annotated

import typer

from rigd.cli.options import Json

RECORDS = Path("records")
HELP = """Examples:

\b
  rigd demo flush
  rigd demo flush --seed 7 --virtual --truth --json
  rigd demo flush --seed 7 --virtual --technician careless

Aim the drain of one invented body at four directions, three times each, on the simulated flush rig, and weigh what the
cups catch: shares in the sector, beside it and not caught, and the error of aim with its sign, over k aims. By default
over real Modbus TCP on loopback in some four minutes; --virtual does it in seconds under virtual time.

\b
Technicians: obedient  does exactly what is asked
             careless  aims by eye, leaves water in the cups, types grams as kilograms
"""


def flush(
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**31, help="Draws the drain, the iron and the noise.")] = 1,
    virtual: Annotated[bool, typer.Option("--virtual", help="Under virtual time, without a wire.")] = False,
    truth: Annotated[bool, typer.Option("--truth", help="Tell which way the drain really points.")] = False,
    as_json: Json = False,
    records: Annotated[Path, typer.Option("--records", metavar="DIR", help="Records folder.")] = RECORDS,
    technician: Annotated[str, typer.Option("--technician", metavar="KIND", help="Who aims it.")] = "obedient",
    fault: Annotated[
        list[str] | None, typer.Option("--fault", metavar="KIND[@SECONDS]", help="What goes wrong; repeat.")
    ] = None,
    profile: Annotated[str, typer.Option("--profile", metavar="PROFILE", help="Another one with a flush.")] = "",
) -> None:
    from rigd.cli.demo_technician import Choices, DrainInWindow, HandsDemo, run
    from rigd.model.flush import Flush
    from simulator.drain_bench import CARE, Aimer

    demo = HandsDemo(
        rig="demo-flush", profile="flush-direction", live_profile="flush-direction", step=Flush,
        danger="a stream takes an eye", technician=Aimer, care=CARE, in_window=DrainInWindow,
        true_words=lambda truth: f"the drain points {truth['bias_deg']:+.2f} deg beside its cock",
        look={"photo": "rigd runs inspect {record} --help"},
    )  # fmt: skip
    chosen = Choices(
        seed=seed, virtual=virtual, truth=truth, as_json=as_json, records=records, technician=technician,
        faults=tuple(fault or ()), profile=profile,
    )  # fmt: skip
    sys.exit(run(demo, chosen))
