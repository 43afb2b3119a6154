"""`rigd runs inspect`: what an inspector found on a specimen, written beside its sealed record."""

import time
from pathlib import Path
from typing import Annotated

import typer

from rigd.cli.options import Json, Key, Operator, Records, person, print_json, printable
from rigd.model import errors

HELP = """Examples:

\b
  rigd runs inspect 412 --mode crack --length "12 mm" --location "thread root" --operator "A. Novak" --photo crack.jpg
  rigd runs inspect 412 --mode seal_cut --second --blind yes --operator "B. Kim"
  rigd runs inspect 412 --mode end_closure_leaked --invalid end_closure_leaked --number-seen no --operator "A. Novak"

Say what was found on a specimen after its test. It is kept beside the record, under inspections/, bound to the record's
hash, with the photos (their place stripped). A second look says whether it was blind. Whoever calls a test invalid says
why, and whether the number had been seen. Modes: those that ship and those of the rig file (--mode help lists them).
"""


def inspect(
    run: Annotated[str, typer.Argument(metavar="RUN", help="Number (412 or R0412), folder name or path.")],
    mode: Annotated[str, typer.Option("--mode", metavar="MODE", help="What was found; `help` lists the modes.")],
    operator: Operator = "",
    length: Annotated[str, typer.Option("--length", metavar="LENGTH", help="Of a crack or split, with its unit.")] = "",
    location: Annotated[str, typer.Option("--location", metavar="TEXT", help="Where on the specimen.")] = "",
    size: Annotated[str, typer.Option("--size", metavar="TEXT", help="How large, in words.")] = "",
    photo: Annotated[list[Path] | None, typer.Option("--photo", metavar="FILE", help="JPEG or PNG; repeat.")] = None,
    second: Annotated[bool, typer.Option("--second", help="By a second inspector.")] = False,
    blind: Annotated[str, typer.Option("--blind", metavar="yes|no", help="Not knowing the first finding?")] = "",
    invalid: Annotated[str, typer.Option("--invalid", metavar="REASON", help="The test is invalid: why.")] = "",
    number_seen: Annotated[
        str, typer.Option("--number-seen", metavar="yes|no", help="Was the number known when it was called invalid?")
    ] = "",
    key: Key = None,
    records: Records = None,
    as_json: Json = False,
) -> None:
    from rigd.live.places import key_path, records_folder
    from rigd.store import inspection
    from rigd.store.keys import load_key
    from rigd.store.photo import read_photo
    from rigd.store.runs import find
    from rigd.store.verification import verify

    name, named = person(operator)
    if not named:
        raise errors.UsageRefused("an inspection needs a person's name: give --operator NAME")
    record = find(records_folder(records), run)
    found = verify(record)
    modes = _modes(record) if found.ok else {}
    if mode == "help":
        typer.echo(printable("\n".join(modes)))
        return
    at = key_path(key)
    path = inspection.inspect(
        found, person=name, mode=mode, modes=modes, length_m=_length(length), location=location, size=size,
        second=second, blind=blind, invalid=invalid, number_seen=number_seen, utc_ns=time.time_ns(),
        photos=tuple((one.name, read_photo(one)) for one in photo or ()), key=load_key(at) if at else None,
    )  # fmt: skip
    own, _ = inspection.of_record(found)
    (written,) = [one for one in own if path.name.startswith(f"I{one.number:04d}_")]
    if as_json:
        print_json({"inspection": str(path), "mode": written.mode, "counts_as": written.counts_as})
        return
    typer.echo(printable(f"{record.name}: {written.words}"))
    typer.echo(f"kept in {path}; the record itself is unchanged")


def _modes(record: Path) -> dict[str, str]:
    """The modes of the rig file this very run was built from."""
    from rigd.files.load import load_rig_bytes
    from rigd.store.archive import open_run
    from rigd.store.inspection import allowed_modes

    rig = load_rig_bytes(open_run(record).read("rig.yaml"), "rig.yaml")
    return allowed_modes(tuple((mode.name, mode.counts_as) for mode in rig.failure_modes))


def _length(text: str) -> float | None:
    from rigd.files import units

    if not text:
        return None
    try:
        return units.parse(text, units.LENGTH)
    except units.NotAQuantity as wrong:
        raise errors.UsageRefused(f"--length {text!r}: {wrong}") from None
