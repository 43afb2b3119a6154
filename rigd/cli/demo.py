"""`rigd demo`: the whole job on a simulated rig, so that anyone can see a burst before owning a rig.

By default three programs talk as they would at a bench: the simulated rig behind real Modbus TCP on a free port, the
rig process (`rigd run`, exactly as shipped), and here a simulated person who answers over the control socket and
watches the feed. With --virtual the same engine and loop run under virtual time in this process. All that is simulated
is invented.
"""

import sys
from pathlib import Path
from typing import Annotated

import typer

from rigd.cli.demo_flush import HELP as FLUSH_HELP
from rigd.cli.demo_flush import flush
from rigd.cli.demo_leak import HELP as LEAK_HELP
from rigd.cli.demo_leak import leak
from rigd.cli.options import Json

app = typer.Typer(help="The whole job on a simulated rig.", no_args_is_help=True, rich_markup_mode=None)

SURGE_HELP = """Examples:

\b
  rigd demo surge --virtual
  rigd demo surge --seed 7 --stations 8 --virtual --truth
  rigd demo surge --virtual --truth --json

Surges of 85 psi in two blocks of 12 through invented bodies on all stations of the simulated rig: a cap may blow off,
an indicator may stick, a crack may open. By default in real time over Modbus TCP on loopback, in some minutes;
--virtual does it in seconds under virtual time. Each station has an engine and a sealed record of its own.
"""
HELP = """Examples:

\b
  rigd demo burst
  rigd demo burst --seed 7 --virtual
  rigd demo burst --seed 7 --body weep --truth --json
  rigd demo burst --seed 3 --fault door_opened

Burst one invented body on the simulated rig, from set-up to sealed record, in under a minute. By default over real
Modbus TCP on loopback, with a simulated person at the keys; --virtual does it in seconds under virtual time.

\b
Bodies: rupture, weep, ballooned, parted, own_joint_leak, end_closure_leak, strong, early.
        Without --body the seed draws one that fails.
Faults: listed by python -m simulator --help
"""
RECORDS = Path("records")  # never the user's records folder: invented data stay apart from a lab's own


app.command("leak", help=LEAK_HELP, short_help="Loosen a cap until it leaks.")(leak)
app.command("flush", help=FLUSH_HELP, short_help="Aim a drain and weigh what cups catch.")(flush)


@app.command("burst", help=HELP, short_help="Burst one invented body.")
def burst(
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**31, help="Draws the body, the iron and the noise.")] = 1,
    virtual: Annotated[bool, typer.Option("--virtual", help="Under virtual time, without a wire.")] = False,
    truth: Annotated[bool, typer.Option("--truth", help="Tell what the body really held.")] = False,
    as_json: Json = False,
    records: Annotated[Path, typer.Option("--records", metavar="DIR", help="Records folder.")] = RECORDS,
    body: Annotated[str, typer.Option("--body", metavar="KIND", help="How the body ends.")] = "",
    fault: Annotated[
        list[str] | None, typer.Option("--fault", metavar="KIND[@SECONDS]", help="What goes wrong; repeat.")
    ] = None,
) -> None:
    from rigd.cli.demo_body import check_names, tell, tell_cautions, tell_json

    faults = tuple(fault or ())
    check_names(body, faults)
    if not as_json:
        tell_cautions("a burst can kill")
        typer.echo()
    if virtual:
        from rigd.cli.demo_virtual import play

        ending = play(seed=seed, body=body, faults=faults, records=records.absolute())
    else:
        from rigd.cli.demo_live import play

        ending = play(seed=seed, body=body, faults=faults, records=records.absolute(), quiet=as_json)
    if as_json:
        tell_json(ending, truth)
    else:
        tell(ending, _true_words(ending.truth["strength_pa"]) if truth else "", {"plot": "{record}/figures/burst.svg"})
    sys.exit(ending.exit_code)


def _true_words(strength_pa: float | None) -> str:
    from rigd.files import units

    true = "none, it held" if strength_pa is None else units.say(strength_pa, "psi", digits=5)
    return f"pressure at the first loss of containment {true}"


@app.command("surge", help=SURGE_HELP, short_help="Surges through invented bodies on several stations.")
def surge(
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**31, help="Draws bodies, iron and noise.")] = 1,
    stations: Annotated[int, typer.Option("--stations", help="How many specimens at once, 1 to 8.")] = 4,
    virtual: Annotated[bool, typer.Option("--virtual", help="Under virtual time, without a wire.")] = False,
    truth: Annotated[bool, typer.Option("--truth", help="Tell what the specimens themselves counted.")] = False,
    as_json: Json = False,
    records: Annotated[Path, typer.Option("--records", metavar="DIR", help="Records folder.")] = RECORDS,
) -> None:
    from rigd.cli import demo_surge

    if not as_json:
        demo_surge.tell_cautions()
    if virtual:
        from rigd.cli.demo_surge_virtual import play

        endings = play(seed=seed, stations=stations, records=records.absolute())
    else:
        from rigd.cli.demo_surge_live import play

        endings = play(seed=seed, stations=stations, records=records.absolute(), quiet=as_json)
    demo_surge.finish(endings, truth, as_json)
