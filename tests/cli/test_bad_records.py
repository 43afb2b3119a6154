"""Every `rigd runs` verb over what is no record: words and the right exit code, no traceback, nothing written outside.

Missing and empty files, pipes, links, files of others, versions of tomorrow, hostile names.
"""

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from rigd.model import errors

Forge = SimpleNamespace
Change = Callable[[Path, Forge], None]
PERSON = ("--person", "B. Kim", "--meaning", "approved")


def replace_with(name: str, data: bytes) -> Change:
    def change(record: Path, _: Forge) -> None:
        (record / name).write_bytes(data)

    return change


def remove(name: str) -> Change:
    def change(record: Path, _: Forge) -> None:
        shutil.rmtree(record / name) if (record / name).is_dir() else (record / name).unlink()

    return change


def fifo(name: str) -> Change:
    def change(record: Path, _: Forge) -> None:
        (record / name).unlink()
        os.mkfifo(record / name)

    return change


def link(name: str, to: str) -> Change:
    def change(record: Path, _: Forge) -> None:
        (record / name).unlink()
        (record / name).symlink_to(to)

    return change


def helped(change: Change, **changes: object) -> Change:
    """The manifest made to fit, or to claim something else."""

    def both(record: Path, forge: Forge) -> None:
        change(record, forge)
        forge.reseal(record, **changes)

    return both


BAD = {
    **{f"{name} missing": remove(name) for name in (
        "run.json", "rig.yaml", "profile.yaml", "trace", "trace/part-00001.parquet", "events.jsonl", "chain.bin",
        "results.csv", "report.txt")},
    "zero-length part": replace_with("trace/part-00001.parquet", b""),
    "zero-length manifest": replace_with("manifest.json", b""),
    "zero-length run.json": replace_with("run.json", b""),
    "run.json a list": replace_with("run.json", b"[]"),
    "run.json nested": replace_with("run.json", b"[" * 100_000),
    "run.json a number": helped(replace_with("run.json", b'{"result": 5, "outcome": 1}')),
    "results.csv odd": helped(replace_with("results.csv", b"\x00\xff\n\n")),
    "report binary": helped(replace_with("report.txt", b"\xff\xfe\x1b[2J")),
    "foreign file": lambda r, f: (r / "\x1b[31mred\n").write_bytes(b"x"),
    "run.json a pipe": fifo("run.json"),
    "results.csv a pipe": fifo("results.csv"),
    "manifest a link to nowhere": link("manifest.json", "/nonexistent/manifest"),
    "manifest a link to a device": link("manifest.json", "/dev/zero"),
    "trace a link out": lambda r, f: (shutil.rmtree(r / "trace"), (r / "trace").symlink_to("/usr/lib")),
    "format of tomorrow": helped(lambda r, f: None, format=99),
    "chain of tomorrow": helped(lambda r, f: f.rewrite(r / "chain.bin", lambda d: b"rigdchn\x63" + d[8:])),
    "heads of tomorrow": helped(lambda r, f: f.rewrite(r / "heads.bin", lambda d: b"rigdhed\x63" + d[8:])),
    "rig.yaml no rig": helped(replace_with("rig.yaml", b"[]")),
    "events binary": helped(replace_with("events.jsonl", bytes(range(256)) * 4)),
    "names that leave": helped(lambda r, f: None, files={"../../../etc/passwd": {"bytes": 1, "sha256": "a" * 64}}),
    "name absolute": helped(lambda r, f: None, files={"/etc/passwd": {"bytes": 1, "sha256": "a" * 64}}),
    "empty folder": lambda r, f: [remove(p.name)(r, f) for p in list(r.iterdir())],
}  # fmt: skip

CONSISTENT = ("run.json a number", "results.csv odd", "report binary")
"""Sealed as they are by whoever made them: only the rig's key could tell, but nothing may stumble."""

UNSEALED = ("manifest a link to nowhere", "manifest a link to a device", "empty folder")
"""Without a manifest it is a run that waits for closing, and is shown as that."""


@pytest.mark.parametrize("kind", BAD)
def test_no_verb_stumbles_over_what_is_no_record(kind: str, records: Path, rigd, forge, tmp_path: Path) -> None:
    """Words and the right exit code from every verb; nothing is written that was not asked for, nothing outside."""
    BAD[kind](forge.record_in(records, 1), forge)
    place = ("--records", records)

    def seen() -> set[str]:
        return {str(path) for path in tmp_path.rglob("*")}

    before = seen()
    listed = rigd("runs", "list", *place)
    assert listed.code == errors.DONE and "\x1b" not in listed.out and listed.out.count("\n") == 3
    assert len(json.loads(rigd("runs", "list", *place, "--json").out)) == 3
    allowed = (errors.DONE,) * (kind in CONSISTENT) + (errors.BAD_DATA, errors.NO_SUCH_RUN)
    record = forge.record_in(records, 1)
    verbs = (("verify", "1"), ("verify", record), ("replay", "1"), ("replay", "1", "--json"), ("show", "1", "--json"))
    for words in verbs:
        told = rigd("runs", *words, *place)
        assert told.code in allowed or (words[0] == "show" and kind in UNSEALED), (words, told.code, told.out)
        assert told.out + told.err and "\x1b" not in told.out + told.err
    told = rigd("runs", "show", "1", *place)
    assert told.code in (errors.DONE, errors.BAD_DATA) and told.out + told.err and "\x1b" not in told.out + told.err
    if kind not in CONSISTENT:
        refused = rigd("runs", "authorise", "1", *PERSON, *place)
        assert refused.code in (errors.BAD_DATA, errors.NO_SUCH_RUN) and refused.err
    assert seen() == before


HOSTILE = ("../..", "/", "\x00", "R" * 500, "-1", "999999999999", "a\x1b[2J", ".", "", "~", "1;ls")


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_of_runs_end_in_words(name: str, records: Path, rigd) -> None:
    for verb in ("show", "verify", "replay"):
        if name == "" and verb == "verify":
            continue  # that is the whole folder
        told = rigd("runs", verb, "--records", records, "--", name)
        assert told.code != errors.DONE or verb == "show", (verb, told.out)
        assert "\x1b" not in told.out + told.err


def test_a_records_folder_that_is_none(tmp_path: Path, rigd) -> None:
    (tmp_path / "file").write_text("x")
    for place in (tmp_path / "nowhere", tmp_path / "file", Path("/dev/null")):
        assert rigd("runs", "list", "--records", place).code == errors.DONE
        assert rigd("runs", "verify", "--records", place).code == errors.DONE
        assert rigd("runs", "show", "1", "--records", place).code == errors.NO_SUCH_RUN
    assert not (tmp_path / "nowhere").exists()


