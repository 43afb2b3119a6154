"""What an auditor does, and what a forger does, through the command line: verify, authorise, show, replay, list.

The list of tampering follows ISO/IEC 17025:2017 7.11.3 and 21 CFR 11.10(a), 11.50 and 11.70: edit, drop, reorder,
duplicate, truncate, splice, swap, re-sign, remove, replace, change the clock, edit only the result, and put a person's
name to what that person did not see. Each must be told in words, with exit code 65 and without a traceback.
"""

import hashlib
import io
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pyarrow as pa
import pytest

from rigd.cli.playback import Playback, speed_of
from rigd.cli.screen import SOMEBODY, Screen
from rigd.closing.closer import close_run
from rigd.live.places import key_path
from rigd.loop import Loop
from rigd.model import errors
from rigd.model.messages import HostReport, Scan
from rigd.replay import PROFILE, RIG, SPECIMEN, engine_of
from rigd.store import authorisation, chain, events, heads, manifest
from rigd.store.archive import open_run
from rigd.store.journal import BlockBuilder, read_blocks, segment_header, segment_path
from rigd.store.keys import RigKey, load_key
from rigd.store.trace import BYTES_COLUMNS, parquet_bytes, read_parquet
from rigd.store.verification import verify

PERSON = ("--person", "B. Kim", "--meaning")
Forge = SimpleNamespace
"""The two tools of a forger (conftest): rewrite a file, make the manifest fit again."""


# --- what a forger does ------------------------------------------------------------------------------------------


def table(f: Forge, record: Path, change: Callable[[pa.Table], pa.Table]) -> None:
    f.rewrite(record / "trace/part-00001.parquet", lambda data: parquet_bytes(change(read_parquet(data))))
    f.reseal(record)


def bump(trace: pa.Table, column: str, row: int = 5) -> pa.Table:
    values = trace.column(column).to_pylist()
    row = next(n for n in range(row, len(values)) if values[n] is not None)
    values[row] = values[row] + 1 if values[row] < 100 or values[row] > 200 else values[row] - 1
    field = trace.schema.field(column)
    return trace.set_column(trace.column_names.index(column), field, pa.array(values, field.type))


def text(name: str, old: bytes, new: bytes, helped: bool = True) -> Callable[[Path, Path, Forge], None]:
    def change(record: Path, _: Path, f: Forge) -> None:
        f.rewrite(record / name, lambda data: data.replace(old, new, 1))
        if helped:
            f.reseal(record)

    return change


def other(record: Path, f: Forge) -> Path:
    return f.record_in(record.parent, 3)


def splice(record: Path, _: Path, f: Forge) -> None:
    part = "trace/part-00001.parquet"
    trace = read_parquet((record / part).read_bytes())
    foreign = bump(read_parquet((other(record, f) / part).read_bytes()), "tank_counts", 300)
    f.rewrite(record / part, lambda data: parquet_bytes(pa.concat_tables([trace.slice(0, 200), foreign.slice(200)])))
    f.reseal(record)


def remake(f: Forge, record: Path, key: RigKey | None) -> None:
    """The best forger: an altered count, engine, chain and manifest all made anew, and sealed with a key or none."""
    archive = open_run(record)
    files = {name: archive.read(name) for name in (RIG, PROFILE, SPECIMEN)}
    identity = chain.Chain(archive.read(chain.NAME)).identity
    if key is not None:
        identity = identity.replace(json.loads(identity)["key"].encode(), key.public.encode())
    forged = record.with_name("forged")
    builder, blocks = BlockBuilder(identity), []
    body = Loop(engine_of(files), builder, blocks.append, drive=lambda *_: None, publish=lambda _: None)
    for message in archive.inputs():
        if type(message) is Scan and message.seq > 300:
            message = replace(message, counts=(message.counts[0] - 1, *message.counts[1:]))
        body.turn(message)
        if type(message) is HostReport:
            body.flush()
    body.flush()
    blocks.append(builder.close())
    (forged / "journal").mkdir(parents=True)
    for name, data in files.items():
        (forged / name).write_bytes(data)
    header = segment_header(number=1, identity=identity, block=blocks[0])
    segment_path(forged, 1).write_bytes(header + b"".join(blocks))
    close_run(forged, None, with_plot=False)
    forged.chmod(0o750)
    for path in forged.rglob("*"):
        path.chmod(0o750 if path.is_dir() else 0o640)
    shutil.copy(record / heads.NAME, forged / heads.NAME)
    f.reseal(forged, key, previous=json.loads((record / manifest.NAME).read_bytes())["previous"])
    shutil.rmtree(record)
    forged.rename(record)


def swap_manifest(record: Path, _: Path, f: Forge) -> None:
    shutil.copy(other(record, f) / manifest.NAME, record / manifest.NAME)


def move_file(record: Path, _: Path, f: Forge) -> None:
    (record / "run.json").write_bytes((other(record, f) / "run.json").read_bytes())


def cut_rows(record: Path, _: Path, f: Forge) -> None:
    f.rewrite(record / heads.NAME, lambda data: data[: len(heads.MAGIC) + 96 * 3])
    f.reseal(record)


def foreign_signature(record: Path, keys: Path, f: Forge) -> None:
    key = load_key(keys / "other.key")
    rows = [(head, heads.sign(key, head)) for head, _ in heads.parse((record / heads.NAME).read_bytes())]
    (record / heads.NAME).write_bytes(heads.MAGIC + heads.rows(rows))
    f.reseal(record)


def unsigned(record: Path, _: Path, f: Forge) -> None:
    f.reseal(record)


def linked(record: Path, _: Path, f: Forge) -> None:
    (record / "report.txt").rename(record.parent / "elsewhere")
    (record / "report.txt").symlink_to(record.parent / "elsewhere")


RECORD = {
    "count edited": (lambda r, k, f: table(f, r, lambda t: bump(t, "specimen_a_counts")), "is not what was recorded"),
    "time edited": (lambda r, k, f: table(f, r, lambda t: bump(t, "t_ns")), "is not what was recorded"),
    "row dropped": (lambda r, k, f: table(f, r, lambda t: t.slice(1)), "block"),
    "rows reordered": (lambda r, k, f: table(f, r, lambda t: t.take([1, 0, *range(2, t.num_rows)])), "order of seq"),
    "row duplicated": (lambda r, k, f: table(f, r, lambda t: t.take([0, *range(t.num_rows)])), "order of seq"),
    "trace truncated": (lambda r, k, f: table(f, r, lambda t: t.slice(0, t.num_rows - 3)), "missing at its end"),
    "file truncated": (lambda r, k, f: f.rewrite(r / events.NAME, lambda d: d[:-50]), "events.jsonl was altered"),
    "runs spliced": (splice, "is not what was recorded"),
    "profile swapped": (text("profile.yaml", b"15 psi/s", b"10 psi/s"), "not the file this run was recorded with"),
    "rig swapped": (text("rig.yaml", b"accuracy: 2.5 psi", b"accuracy: 0.1 psi"), "not the file this run was recorded"),
    "specimen swapped": (text("specimen.yaml", b"reference-trip", b"reference-best"), "not the file this run was"),
    "result edited": (text("run.json", b'": "tripped"', b'": "ceiling"', False), "run.json was altered"),
    "report edited": (text("report.txt", b"Outcome", b"0utcome", False), "report.txt was altered"),
    "act edited": (text(events.NAME, b'"act":"arm"', b'"act":"zero"'), "block"),
    "person edited": (text(events.NAME, b"simulated person", b"somebody else entirely"), "block"),
    "clock changed": (text(events.NAME, b'"utc_ns":17672', b'"utc_ns":17671'), "block"),
    "trip erased": (text(events.NAME, b'"kind":"trip"', b'"kind":"step"'), "what the engine said in block"),
    "chain cut": (
        lambda r, k, f: (f.rewrite(r / chain.NAME, lambda d: d[:-153]), f.reseal(r)), "does not end with the block"
    ),
    "file added": (lambda r, k, f: (r / "note.txt").write_text("all is well"), "'note.txt' does not belong"),
    "file removed": (lambda r, k, f: (r / "results.csv").unlink(), "results.csv is missing"),
    "file a link": (linked, "report.txt is a link"),
    "file moved from another run": (move_file, "run.json was altered"),
    "manifest of another run": (swap_manifest, "run 3"),
    "seal taken off": (unsigned, "not by the key given"),
    "re-signed with another key": (lambda r, k, f: f.reseal(r, load_key(k / "other.key")), "sealed with another"),
    "signed heads removed": (lambda r, k, f: ((r / heads.NAME).unlink(), f.reseal(r)), "heads.bin cannot be read"),
    "signed heads cut": (cut_rows, "are unsigned"),
    "heads signed with another key": (foreign_signature, "signature 0 is not that of key"),
    "all made anew, without a key": (lambda r, k, f: remake(f, r, None), "not a block of this record"),
    "all made anew, another key": (lambda r, k, f: remake(f, r, load_key(k / "other.key")), "not with the one given"),
}  # fmt: skip
"""Done to one record. Most forgers also made the manifest fit; the auditor holds the rig's public key."""


@pytest.mark.parametrize("kind", RECORD)
def test_tampering_with_a_record_is_told_and_named(kind: str, records: Path, laboratory: Path, rigd, forge) -> None:
    alter, words = RECORD[kind]
    record = forge.record_in(records, 2)
    alter(record, laboratory, forge)
    public = load_key(laboratory / "rig.key").public
    told = rigd("runs", "verify", record, "--key", public)
    assert told.code == errors.BAD_DATA and words in told.out, told.out
    assert "NOT as it was sealed" in told.out
    as_json = json.loads(rigd("runs", "verify", "2", "--key", public, "--records", records, "--json").out)
    assert as_json["sound"] is False and any(words in finding for finding in as_json["runs"][0]["findings"])
    assert rigd("runs", "verify", records, "--key", public).code == errors.BAD_DATA


def replaced(records: Path, keys: Path, f: Forge) -> None:
    remake(f, f.record_in(records, 2), load_key(keys / "other.key"))


def sign_of(records: Path, number: int) -> Path:
    return next((records / authorisation.FOLDER).glob(f"A{number:04d}_*.json"))


def renumber(records: Path, _: Path, f: Forge) -> None:
    """A third authorisation made of the second: the same person, another meaning, number and hash made to fit."""
    content = json.loads(sign_of(records, 2).read_bytes())
    before = hashlib.sha256(sign_of(records, 2).read_bytes()).hexdigest()
    content |= {"number": 3, "meaning": "approved", "previous": before}
    (records / authorisation.FOLDER / "A0003_R0002.json").write_bytes(manifest.render(content))


def transplant(records: Path, _: Path, f: Forge) -> None:
    """An authorisation of run 2 put to run 1: unsigned, so nothing but the manifest's hash tells."""
    content = json.loads(sign_of(records, 1).read_bytes())
    content |= {"run": 1, "record": f.record_in(records, 1).name}
    sign_of(records, 1).unlink()
    (records / authorisation.FOLDER / "A0001_R0001.json").write_bytes(manifest.render(content))


def lie_about_counter(records: Path, _: Path, f: Forge) -> None:
    (records / authorisation.SERIES.last_number).write_text("")  # not the counter: a stray file, of no weight
    sign_of(records, 2).unlink()


FOLDER = {
    "run removed": (lambda d, k, f: shutil.rmtree(f.record_in(d, 2)), "run R0002 is missing"),
    "last run removed": (lambda d, k, f: shutil.rmtree(f.record_in(d, 3)), "run R0003 is missing"),
    "run replaced": (replaced, "run R0002 was replaced"),
    "run doubled": (
        lambda d, k, f: shutil.copytree(f.record_in(d, 1), d / f.record_in(d, 1).name.replace("K-01", "K-09")),
        "there twice",
    ),
    "run unsealed": (lambda d, k, f: (f.record_in(d, 1) / manifest.NAME).unlink(), "nothing vouches for it yet"),
    "counter edited": (lambda d, k, f: (d / ".last-run").write_text("many"), "where a number is due"),
    "authorisation cut": (lambda d, k, f: f.rewrite(sign_of(d, 2), lambda data: data[:-20]), "A0002_R0002.json was"),
    "authorisation emptied": (lambda d, k, f: f.rewrite(sign_of(d, 1), lambda data: b""), "A0001_R0002.json was"),
    "authorised by another": (
        lambda d, k, f: f.rewrite(sign_of(d, 2), lambda data: data.replace(b"B. Kim", b"C. Ito")), "not that of its key"
    ),
    "statement edited": (
        lambda d, k, f: f.rewrite(sign_of(d, 1), lambda data: data.replace(b"A. Novak", b"C. Ito")), "was written after"
    ),
    "authorisation removed": (lambda d, k, f: sign_of(d, 1).unlink(), "authorisation A0001 is missing"),
    "last authorisation removed": (lie_about_counter, "authorisation A0002 is missing"),
    "meaning promoted": (renumber, "A0003_R0002.json was altered"),
    "authorisation of another run": (transplant, "of another state of"),
    "authorised, then re-signed": (
        lambda d, k, f: f.reseal(f.record_in(d, 2), load_key(k / "other.key")), "of another state of"
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", FOLDER)
def test_tampering_with_the_folder_is_told(kind: str, records: Path, laboratory: Path, rigd, forge) -> None:
    alter, words = FOLDER[kind]
    alter(records, laboratory, forge)
    told = rigd("runs", "verify", records)
    assert told.code == errors.BAD_DATA and words in told.out, told.out
    assert rigd("runs", "verify", "--records", records).out == told.out


def test_a_laboratory_whose_records_are_sound_is_told_so(records: Path, laboratory: Path, rigd, forge) -> None:
    public = load_key(laboratory / "rig.key").public
    told = rigd("runs", "verify", records, "--key", public)
    assert told.code == errors.DONE and "NOT" not in told.out.replace("NOT SIGNED", "").replace("NOT as", "")
    assert told.out.count(f"sealed by rig         with key {public}") == 3
    assert f"signed with key {load_key(laboratory / 'own.key').public}" in told.out
    row = json.loads(rigd("runs", "verify", "2", "--records", records, "--json").out)["runs"][0]
    assert row["sealed_by_rig_key"] == public and row["notes"] == []
    assert [(a["person"], a["meaning"]) for a in row["authorised_by"]] == [
        ("A. Novak", "performed"), ("B. Kim", "reviewed"),
    ]  # fmt: skip
    shown = rigd("runs", "show", "2", "--records", records).out
    assert f"Sealed by the rig with key {public}" in shown, "the public key stands in the report"
    assert "authorised by person  performed by A. Novak" in shown and "a statement, NOT SIGNED" in shown
    nobody = rigd("runs", "show", "1", "--records", records).out
    assert f"sealed by rig         with key {public}" in nobody and "authorised by person  nobody yet" in nobody
    replayed = rigd("runs", "replay", "2", "--records", records)
    assert replayed.code == errors.DONE and "the same, byte for byte" in replayed.out


# --- any one integer ---------------------------------------------------------------------------------------------

COUNTS = ("specimen_a", "specimen_b", "tank", "supply", "water_temperature", "door", "emergency_stop", "relief",
          "supply_open", "inlet_open", "vent_shut", "fill_open")  # fmt: skip


@pytest.mark.parametrize("column", [*BYTES_COLUMNS[:-1], *(f"{name}_counts" for name in COUNTS)])
def test_any_one_altered_integer_of_the_trace_changes_the_chain(column: str, records: Path, rigd, forge) -> None:
    record = forge.record_in(records, 1)
    table(forge, record, lambda trace: bump(trace, column, 123))
    told = rigd("runs", "verify", record)
    assert told.code == errors.BAD_DATA and ("is not what was recorded" in told.out or "trace" in told.out), told.out


def test_the_device_of_a_row_cannot_be_another(records: Path, rigd, forge) -> None:
    record = forge.record_in(records, 1)
    table(forge, record, lambda trace: bump(trace, "device", 123))
    assert rigd("runs", "verify", record).code == errors.BAD_DATA


# --- between recording and sealing -------------------------------------------------------------------------------


def test_a_journal_rewritten_before_it_was_sealed_is_told(laboratory: Path, tmp_path: Path, forge) -> None:
    """Whoever cannot sign can neither keep the signatures nor leave them out: the window is nine blocks."""
    key = load_key(laboratory / "rig.key")
    shipped = next((laboratory / "shipped").iterdir())
    folder = forge.record_again(shipped, tmp_path / "records", key, "K-01")
    whole = read_blocks(folder)
    blocks = list(whole)
    assert whole.ending.kind == "clean" and len(whole.heads) > len(blocks) // 10
    signed = {head for head, _ in whole.heads}
    places = [at for at, block in enumerate(blocks) if block.previous in signed]
    assert all(b - a <= heads.EVERY for a, b in zip(places, places[1:], strict=False)) and places[0] == heads.EVERY
    assert places[-1] == len(blocks) - 1, "the closing block stands behind a signature"
    engine = engine_of({name: (folder / name).read_bytes() for name in (RIG, PROFILE, SPECIMEN)})
    builder, forged = BlockBuilder(whole.identity), []
    body = Loop(engine, builder, forged.append, drive=lambda *_: None, publish=lambda _: None)
    for block in blocks:
        for message in block.input_messages():
            if type(message) is Scan and message.seq > 300:
                message = replace(message, counts=(message.counts[0] - 1, *message.counts[1:]))
            body.turn(message)
        body.flush()
    forged.append(builder.close())
    segment_path(folder, 1).write_bytes(
        segment_header(number=1, identity=whole.identity, block=forged[0]) + b"".join(forged)
    )
    close_run(folder, laboratory / "rig.key", with_plot=False)
    found = verify(folder, public_key=key.public)
    assert len(found.findings) == 1 and "are unsigned" in found.findings[0]


# --- a person's word ---------------------------------------------------------------------------------------------


def test_a_person_authorises_beside_the_record_and_never_with_the_rigs_key(records, laboratory, rigd, forge) -> None:
    record = forge.record_in(records, 1)
    before = {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}
    own = load_key(laboratory / "own.key").public
    done = rigd(
        "runs", "authorise", "1", *PERSON, "approved", "--key", laboratory / "own.key", "--records", records
    )  # fmt: skip
    assert done.code == errors.DONE and own in done.out
    assert {path: path.read_bytes() for path in record.rglob("*") if path.is_file()} == before
    assert "approved by B. Kim at 20" in rigd("runs", "show", "1", "--records", records).out
    told = json.loads(rigd("runs", "show", "1", "--records", records, "--json").out)["evidence"]
    assert told["authorised_by"][0]["key"] == own != told["sealed_by_rig_key"]
    for words, code in (
        ((*PERSON, "approved", "--key", laboratory / "rig.key"), errors.NOT_PERMITTED),
        ((*PERSON, "witnessed"), errors.USAGE),
        (("--person", " ", "--meaning", "approved"), errors.USAGE),
        (("--person", "a\nb", "--meaning", "approved"), errors.USAGE),
        (("--person", "x" * 81, "--meaning", "approved"), errors.USAGE),
        ((*PERSON, "approved", "--key", records / "nowhere.key"), errors.CONFIGURATION),
    ):
        assert rigd("runs", "authorise", "1", *words, "--records", records).code == code, words
    forge.rewrite(record / "report.txt", lambda data: data + b".")
    refused = rigd("runs", "authorise", "1", *PERSON, "approved", "--records", records)
    assert refused.code == errors.BAD_DATA and "nobody can authorise" in refused.err
    assert len(list((records / authorisation.FOLDER).glob("A*.json"))) == 3


def test_a_key_is_made_where_it_is_asked_for_and_never_over_another(tmp_path: Path, rigd, monkeypatch) -> None:
    made = rigd("doctor", "--new-key")
    own = tmp_path / "config" / "rigd" / "rig.key"
    assert made.code == errors.DONE and own.stat().st_mode & 0o777 == 0o600
    assert load_key(own).public in made.out and own.read_text().strip() not in made.out
    again = rigd("doctor", "--new-key")
    assert again.code == errors.CANNOT_CREATE and "never overwritten" in again.err
    monkeypatch.setenv("RIGD_KEY", str(tmp_path / "named.key"))
    assert json.loads(rigd("doctor", "--new-key", "--json").out)["key"] == str(tmp_path / "named.key")
    flag = json.loads(rigd("doctor", "--new-key", "--key", tmp_path / "flag.key", "--json").out)
    assert flag["key"] == str(tmp_path / "flag.key") and flag["public_key"] == load_key(tmp_path / "flag.key").public
    assert key_path(tmp_path / "flag.key") == tmp_path / "flag.key" and key_path(None) == tmp_path / "named.key"
    monkeypatch.delenv("RIGD_KEY")
    assert key_path(None) == own
    own.unlink()
    assert key_path(None) is None
    assert rigd("doctor").code == errors.USAGE and rigd("doctor", "--new-key", "--validate").code == errors.USAGE
    assert rigd("doctor", "--new-key", "--key", tmp_path / "no" / "such" / "place").code == errors.CANNOT_CREATE


def test_the_validation_is_kept_with_its_date(tmp_path: Path, rigd, forge) -> None:
    told = json.loads(rigd("doctor", "--validate", "--records", tmp_path / "records", "--json").out)
    assert told["valid"] is True and Path(told["kept"]).parent == tmp_path / "records" / "validations"
    assert json.loads(Path(told["kept"]).read_text())["checks"][0]["passed"] is True


def test_a_slow_replay_shows_the_run_and_waits_by_the_clock_it_is_given(laboratory: Path, forge) -> None:
    archive = open_run(forge.record_in(laboratory / "records", 1))
    now_s, stream, waits = [100.0], io.StringIO(), []

    def sleep(for_s: float) -> None:
        waits.append(for_s)
        now_s[0] += for_s

    screen = Screen(stream, answered_by=SOMEBODY)
    playback = Playback(archive, screen, speed_of("10x"), clock=lambda: now_s[0], sleep=sleep)
    assert playback.play() is None
    last_s = archive.run["duration_s"]
    assert now_s[0] - 100.0 == pytest.approx(last_s / 10.0, abs=0.02) and max(waits) < 0.05
    said = stream.getvalue()
    for due in ("RUNNING", "VENTING", "door", "psi", "result: tripped", "!"):
        assert due in said, due
    with pytest.raises(errors.UsageRefused, match="1x, 10x, max"):
        speed_of("2x")
