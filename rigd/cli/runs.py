"""`rigd runs`: the records - listed, shown, verified, replayed and authorised. Nothing here changes one.

A run is named by its number, its folder's name or its path. What is shown was verified first; an altered record is told
with every finding and shown no further. A person's authorisation stands beside the record, never in it.
"""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from rigd.cli import inspect as inspecting
from rigd.cli.options import Json, Key, Records, print_json, printable
from rigd.model import errors

app = typer.Typer(
    help="Records: list, show, verify, replay and authorise them.", no_args_is_help=True, rich_markup_mode=None
)
app.command("inspect", help=inspecting.HELP, short_help="Say what was found on the specimen.")(inspecting.inspect)
Run = Annotated[str, typer.Argument(metavar="RUN", help="Number (412 or R0412), folder name or path.")]

LIST_HELP = (
    "Examples:\n\n\b\n  rigd runs list\n  rigd runs list --records records --json\n\n"
    "List every run, also those that came to nothing."
)
SHOW_HELP = (
    "Examples:\n\n\b\n  rigd runs show 412\n  rigd runs show 412 --json\n\n"
    "Show what came out of a run, after verifying its record, and who stands behind it: the rig that sealed it, and "
    "the persons who authorised it."
)
VERIFY_HELP = (
    "Examples:\n\n\b\n  rigd runs verify 412\n  rigd runs verify --key PUBLIC_KEY 412\n  rigd runs verify records\n"
    "  rigd runs verify\n\n"
    "Prove that a record is what was sealed: every file's hash, the chain of blocks, every block of the trace, the "
    "rig's signatures. Given a records folder, or nothing: every record of it, that none is missing or was replaced, "
    "and every authorisation. Exit code 65 when not."
)
REPLAY_HELP = (
    "Examples:\n\n\b\n  rigd runs replay 412\n  rigd runs replay 412 --speed 10x\n\n"
    "Feed a record's inputs to the engine again and compare what it says, byte for byte. With --speed 1x or 10x it is "
    "shown as the live run was. Exit code 1 when it differs, 65 when the record is not what was sealed."
)
AUTHORISE_HELP = (
    'Examples:\n\n\b\n  rigd runs authorise 412 --person "B. Kim" --meaning reviewed\n'
    '  rigd runs authorise 412 --person "B. Kim" --meaning approved --key my-own.key\n\n'
    "Put a person's name to a sealed record: who, when, and whether they performed, reviewed or approved it. It is "
    "bound to the record's hash and to its newest version, and kept beside it, under authorisations/; a later "
    "amendment shows it as outdated. With --key it is signed with the person's "
    "own key; the rig's key is refused, because a seal is no person's signature."
)


AMEND_HELP = (
    'Examples:\n\n\b\n  rigd runs amend 412 --operator "B. Kim" --reason "lot misread" --set lot=L-52\n'
    '  rigd runs amend 412 --operator "B. Kim" --reason "seen under the lamp" --observation weep\n\n'
    "Correct what a person got wrong: a fact of the specimen, or what was found on it; never anything measured. The "
    "sealed record is not touched: a new version stands beside it, under amendments/, bound to it by hash, with who, "
    "when and why. Another observation is put through the engine again, and both verdicts are shown side by side."
)


@app.command("list", help=LIST_HELP, short_help="List every run of the records folder.")
def list_all(records: Records = None, as_json: Json = False) -> None:
    from rigd.cli.result import read_summary
    from rigd.live.places import records_folder
    from rigd.store.runs import list_runs

    folder = records_folder(records)
    rows = [read_summary(run) for run in list_runs(folder)]
    _put_versions(folder, rows)
    if as_json:
        print_json(rows)
        return
    if not rows:
        typer.echo(f"no runs in {folder}")
    for row in rows:
        line = f"R{row['run']:04d}  {row['opened_utc']}  {row['state']:8}  {row['specimen']:16}  {row['told']}"
        typer.echo(printable(line))


@app.command("show", help=SHOW_HELP, short_help="Show what came out of a run.")
def show(run: Run, records: Records = None, as_json: Json = False) -> None:
    from rigd.cli.evidence import as_json as evidence
    from rigd.cli.evidence import found_on, verify_one, who
    from rigd.cli.result import describe_result, read_result
    from rigd.store.manifest import NAME

    record = _find(records, run)
    told = read_result(record) if as_json else describe_result(record)
    behind = verify_one(record) if (record / NAME).exists() else None
    if as_json:
        print_json(told | ({"evidence": evidence(behind)["runs"][0]} if behind else {}))
        return
    typer.echo(printable(told))
    if behind:
        (found,) = behind.each
        looked = [f"inspected             {one.words}" for one in found_on(behind, found)]
        versions = [line for version in behind.versions_of(found) for line in version.words]
        lines = [*versions, *who(found, behind), *looked, *behind.of_folder, *found.notes]
        typer.echo("\n" + printable("\n".join(lines)))
    typer.echo(f"\nRecord: {record}")


@app.command("verify", help=VERIFY_HELP, short_help="Prove that a record is what was sealed.")
def verify(
    run: Annotated[
        str, typer.Argument(metavar="[RUN|DIR]", help="Number, folder name or path; or a records folder; none: all.")
    ] = "",
    key: Annotated[str, typer.Option("--key", metavar="HEX", help="The rig's public key, kept elsewhere.")] = "",
    records: Records = None,
    as_json: Json = False,
) -> None:
    from rigd.cli import evidence
    from rigd.live.places import records_folder

    public = _public_key(key)
    if not run:
        verified = evidence.verify_all(records_folder(records), public)
    elif evidence.is_records_folder(Path(run)):
        verified = evidence.verify_all(Path(run), public)
    else:
        verified = evidence.verify_one(_find(records, run), public)
    if as_json:
        print_json(evidence.as_json(verified))
    else:
        for line in evidence.as_words(verified):
            typer.echo(printable(line))
    sys.exit(errors.DONE if verified.sound else errors.BAD_DATA)


@app.command("replay", help=REPLAY_HELP, short_help="Run a record through the engine again and compare.")
def replay(
    run: Run,
    speed: Annotated[str, typer.Option("--speed", metavar="1x|10x|max", help="max: compare only.")] = "max",
    records: Records = None,
    as_json: Json = False,
) -> None:
    from rigd.cli.playback import speed_of
    from rigd.store.archive import open_run

    times = speed_of(speed)
    archive = open_run(_find(records, run))
    difference = _watch(archive, times) if times is not None and not as_json else _compare(archive, as_json)
    words = "the same, byte for byte" if difference is None else f"NOT the same: {difference.words}"
    if as_json:
        at_ns = None if difference is None else difference.t_ns
        print_json({"same": difference is None, "words": words, "differs_at_ns": at_ns})
    else:
        typer.echo(printable(f"replayed: {words}"))
    sys.exit(errors.DONE if difference is None else errors.NOT_MET)


@app.command("authorise", help=AUTHORISE_HELP, short_help="Put a person's name to a sealed record.")
def authorise(
    run: Run,
    person: Annotated[str, typer.Option("--person", metavar="NAME", help="Who.")],
    meaning: Annotated[str, typer.Option("--meaning", metavar="performed|reviewed|approved", help="What it says.")],
    key: Annotated[
        Path | None, typer.Option("--key", metavar="PERSONKEY", help="The person's own key file; never the rig's.")
    ] = None,
    records: Records = None,
    as_json: Json = False,
) -> None:
    import time

    from rigd.store import amendment, authorisation
    from rigd.store.keys import load_key
    from rigd.store.verification import verify as verify_record

    own = load_key(key) if key is not None else None
    found = verify_record(_find(records, run))
    versions, broken = amendment.of_record(found)
    if broken:
        raise errors.RecordAltered(("its versions do not hold, so nobody can authorise the newest", *broken))
    newest = versions[-1].sha256 if versions else ""
    path = authorisation.authorise(
        found, person=person, meaning=meaning, utc_ns=time.time_ns(), version_sha256=newest, key=own
    )
    public = "" if own is None else own.public
    if as_json:
        print_json({"authorisation": str(path), "person": person, "meaning": meaning, "key": public})
        return
    how = f"signed with key {public}" if public else "a statement, NOT SIGNED with a key"
    typer.echo(printable(f"{found.folder.name}: {meaning} by {person.strip()} ({how})"))
    typer.echo(f"kept in {path}; the record itself is unchanged")


@app.command("amend", help=AMEND_HELP, short_help="Correct a fact or an observation, in a new version beside it.")
def amend(
    run: Run,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why.")],
    operator: Annotated[str, typer.Option("--operator", metavar="NAME", help="Who amends it.")],
    facts: Annotated[
        list[str] | None, typer.Option("--set", metavar="FACT=VALUE", help="What is true of the specimen; repeat.")
    ] = None,
    observation: Annotated[str, typer.Option("--observation", metavar="WORD", help="What was found on it.")] = "",
    key: Key = None,
    records: Records = None,
    as_json: Json = False,
) -> None:
    from rigd.cli.amend import amend as write_version
    from rigd.cli.evidence import version_as_json
    from rigd.live.places import key_path

    version = write_version(
        _find(records, run), facts=facts or [], observation=observation, reason=reason, person=operator,
        key=key_path(key),
    )  # fmt: skip
    if as_json:
        print_json(version_as_json(version))
        return
    typer.echo(printable("\n".join([version.record, *version.words, "the sealed record itself is unchanged"])))


def _put_versions(folder: Path, rows: list[dict[str, Any]]) -> None:
    """In a list, what the newest version says of outcome and verdict, beside what was sealed."""
    from rigd.store.amendment import read_amendments

    newest = {one.record: one for one in read_amendments(folder)[0]}
    for row in rows:
        version = newest.get(Path(row["record"]).name)
        row["version"] = version.version if version else 1
        if version:
            row["amended_outcome"], row["amended_verdict"] = version.now
            row["told"] += f"  (version {version.version}: {version.now[0]}, verdict {version.now[1]})"


def _compare(archive: Any, silent: bool) -> Any:
    """As fast as can be. Returns the first difference."""
    from rigd.cli.screen import QUIET
    from rigd.model.messages import Event
    from rigd.replay import Replay

    for played in Replay(archive):
        if played.difference is not None:
            return played.difference
        for output in played.outputs:
            if isinstance(output, Event) and output.kind not in QUIET and not silent:
                typer.echo(printable(f"{output.t_ns / 1e9:10.2f} s  {output.text}"))
    return None


def _watch(archive: Any, speed: float) -> Any:
    """As a live run looks. Returns the first difference."""
    import time

    from rigd.cli.playback import Playback
    from rigd.cli.screen import SOMEBODY, Screen

    screen = Screen(answered_by=SOMEBODY)
    screen.say("REPLAY of a sealed record: nothing moves at the rig")
    try:
        return Playback(archive, screen, speed, clock=time.monotonic, sleep=time.sleep).play()
    finally:
        screen.leave()


def _public_key(text: str) -> str:
    """A public key as typed."""
    key = text.strip().lower()
    if key and (len(key) != 64 or set(key) - set("0123456789abcdef")):
        raise errors.UsageRefused(f"--key {text!r:.100}: allowed: the 64 hex digits of the rig's public key")
    return key


def _find(records: Path | None, run: str) -> Path:
    from rigd.live.places import records_folder
    from rigd.store.runs import find

    return find(records_folder(records), run)
