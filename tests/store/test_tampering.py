"""Everything an auditor fears, done to a sealed record: each is found by the stand-alone verifier and named in words.

The list follows ISO/IEC 17025:2017 7.11.3 (safeguarded against tampering and loss) and 21 CFR 11.10(a) (discern invalid
or altered records): edit, drop, add, reorder, duplicate, truncate, splice, swap, re-seal, remove. HELPED are the works
of a forger who also rewrote the manifest's hashes, so that only chain or signature can tell.
"""

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest

from rigd.model.errors import CannotCreate, Misconfigured, RecordAltered
from rigd.store import chain, events, manifest, runs
from rigd.store.archive import open_run
from rigd.store.chain import Chain
from rigd.store.keys import RigKey, is_signed, load_key, make_key
from rigd.store.trace import parquet_bytes, read_parquet
from rigd.store.verification import verify

KEY, OTHER_KEY = RigKey(bytes(range(32))), RigKey(bytes(32))


@pytest.fixture
def sealed(run_maker) -> Path:
    run = run_maker()
    run.seal(key=KEY)
    assert verify(run.folder, public_key=KEY.public).ok
    unlock(run.folder)
    return run.folder


def unlock(folder: Path) -> None:
    for place in (folder, *(path for path in folder.rglob("*") if path.is_dir() and not path.is_symlink())):
        place.chmod(0o750)


def rewrite(path: Path, change: Callable[[bytes], bytes]) -> None:
    data = path.read_bytes()
    changed = change(data)
    assert changed != data
    path.chmod(0o640)
    path.write_bytes(changed)


def reseal(folder: Path, key: RigKey | None = None, **changes: object) -> None:
    """The helped forger: make the manifest fit the files again."""
    content = json.loads((folder / manifest.NAME).read_bytes())
    content.pop("seal")
    for name in list(content["files"]):
        if not (folder / name).is_file():
            del content["files"][name]
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and name != manifest.NAME:
            data = path.read_bytes()
            content["files"][name] = {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    content |= changes
    made = manifest.render({**content, "seal": manifest._seal_of(manifest.render(content), key)})
    (folder / manifest.NAME).chmod(0o640)
    (folder / manifest.NAME).write_bytes(made)


def change_table(folder: Path, change: Callable[[pa.Table], pa.Table], part: int = 1) -> None:
    path = folder / "trace" / f"part-{part:05d}.parquet"
    rewrite(path, lambda data: parquet_bytes(change(read_parquet(data))))


def bump(table: pa.Table, column: str, row: int) -> pa.Table:
    at = table.column_names.index(column)
    values = table.column(column).to_pylist()
    values[row] += 1
    return table.set_column(at, table.schema.field(column), pa.array(values, table.schema.field(column).type))


def swap_rows(table: pa.Table) -> pa.Table:
    return table.take([1, 0, *range(2, table.num_rows)])


def swap_files(one: Path, two: Path) -> None:
    first, second = one.read_bytes(), two.read_bytes()
    rewrite(one, lambda _: second)
    rewrite(two, lambda _: first)


def edit_line(old: bytes, new: bytes) -> Callable[[Path], None]:
    return lambda f: rewrite(f / events.NAME, lambda data: data.replace(old, new, 1))


def lines(change: Callable[[list[bytes]], list[bytes]]) -> Callable[[Path], None]:
    return lambda f: rewrite(f / events.NAME, lambda data: b"".join(change(data.splitlines(keepends=True))))


def link(folder: Path) -> None:
    moved = folder.parent / "moved"
    (folder / "run.json").rename(moved)
    (folder / "run.json").symlink_to(moved)


def pipe(folder: Path) -> None:
    (folder / "run.json").unlink()
    os.mkfifo(folder / "run.json")


PLAIN = {
    "run.json edited": (lambda f: rewrite(f / "run.json", lambda d: d.replace(b"7", b"8")), "run.json was altered"),
    "profile swapped": (lambda f: rewrite(f / "profile.yaml", lambda d: d + b"#"), "profile.yaml was altered"),
    "file missing": (lambda f: (f / "rig.yaml").unlink(), "rig.yaml is missing"),
    "part missing": (lambda f: (f / "trace/part-00002.parquet").unlink(), "part-00002.parquet is missing"),
    "last part missing": (lambda f: (f / "trace/part-00003.parquet").unlink(), "part-00003.parquet is missing"),
    "file added": (lambda f: (f / "note.txt").write_bytes(b"x"), "'note.txt' does not belong"),
    "part added": (lambda f: shutil.copy(f / "trace/part-00001.parquet", f / "trace/part-00004.parquet"), "00004"),
    "hostile name": (lambda f: (f / "a\n\x1b[31mb").write_bytes(b""), r"'a\n\x1b[31mb' does not belong"),
    "folder added": (lambda f: (f / "photos").mkdir(), "a folder that was added"),
    "journal left": (lambda f: (f / "journal").mkdir(), "left behind when closing was interrupted"),
    "zero length": (lambda f: rewrite(f / "chain.bin", lambda d: b""), "chain.bin was altered: it has 0 bytes"),
    "zero-length part": (lambda f: rewrite(f / "trace/part-00002.parquet", lambda d: b""), "00002.parquet was altered"),
    "truncated": (lambda f: rewrite(f / events.NAME, lambda d: d[:-9]), "events.jsonl was altered"),
    "a link": (link, "run.json is a link"),
    "a pipe": (pipe, "run.json is a pipe"),
    "a folder for a file": (lambda f: ((f / "run.json").unlink(), (f / "run.json").mkdir()), "run.json is a folder"),
    "parts swapped": (
        lambda f: swap_files(f / "trace/part-00001.parquet", f / "trace/part-00002.parquet"), "was altered"
    ),
    "manifest missing": (lambda f: (f / manifest.NAME).unlink(), "manifest.json is missing"),
    "manifest empty": (lambda f: rewrite(f / manifest.NAME, lambda d: b""), "not JSON"),
    "manifest nested": (lambda f: rewrite(f / manifest.NAME, lambda d: b"[" * 100_000), "not JSON"),
    "manifest a list": (lambda f: rewrite(f / manifest.NAME, lambda d: b"[]"), "is of format 'list'"),
    "wrong version": (lambda f: reseal(f, KEY, format=2), "is of format 2; allowed: 1"),
    "upper-case hash": (
        lambda f: rewrite(f / manifest.NAME, lambda d: d.replace(b"sha256\": \"", b"sha256\": \"A", 1)),
        "digits of lower-case hex",
    ),
}  # fmt: skip
"""Found by anyone, from the hashes alone."""

HELPED = {
    "count edited": (lambda f: change_table(f, lambda t: bump(t, "specimen_a_counts", 0)), "part-00001.parquet"),
    "time edited": (lambda f: change_table(f, lambda t: bump(t, "t_ns", 2), 2), "part-00002.parquet"),
    "age edited": (lambda f: change_table(f, lambda t: bump(t, "age_us", 0)), "part-00001.parquet"),
    "row dropped": (lambda f: change_table(f, lambda t: t.slice(1)), "is not what was recorded"),
    "row doubled": (lambda f: change_table(f, lambda t: t.take([0, *range(t.num_rows)])), "not in order of seq"),
    "rows swapped": (lambda f: change_table(f, swap_rows), "not in order of seq"),
    "column dropped": (lambda f: change_table(f, lambda t: t.drop_columns(["door_counts"])), "lacks columns: door"),
    "last rows cut": (lambda f: change_table(f, lambda t: t.slice(0, t.num_rows - 2), 2), "missing at its end"),
    "part gone": (lambda f: (f / "trace/part-00002.parquet").unlink(), "missing at its end"),
    "parts swapped": (
        lambda f: swap_files(f / "trace/part-00001.parquet", f / "trace/part-00002.parquet"), "is not what was recorded"
    ),
    "not Parquet": (lambda f: rewrite(f / "trace/part-00001.parquet", lambda d: b"PAR1" * 9), "cannot be read"),
    "act edited": (edit_line(b'"act":"confirm"', b'"act":"vent"'), "block"),
    "verdict edited": (edit_line(b'"rupture"', b'"ceiling"'), "what the engine said in block"),
    "valve edited": (edit_line(b'"counts":0,"output":1', b'"counts":1,"output":1'), "what the engine said in block"),
    "line dropped": (lines(lambda ls: ls[:3] + ls[4:]), "block"),
    "line added": (lines(lambda ls: [*ls, ls[-1]]), "lines after the last block"),
    "lines swapped": (lines(lambda ls: [ls[1], ls[0], *ls[2:]]), "block"),
    "line of no type": (lines(lambda ls: [b"{}\n", *ls[1:]]), "no known type"),
    "chain cut": (lambda f: rewrite(f / chain.NAME, lambda d: d[:-153]), "does not end with the block"),
    "chain row edited": (lambda f: rewrite(f / chain.NAME, lambda d: d[:-200] + b"x" + d[-199:]), "continue the chain"),
    "rig swapped": (lambda f: rewrite(f / "rig.yaml", lambda d: d + b"#"), "not the file this run was recorded with"),
    "chain's run swapped": (lambda f: rewrite(f / chain.NAME, lambda d: d.replace(b'"run":7', b'"run":8')), "run 8"),
}  # fmt: skip
"""The forger recomputed the manifest: the chain still tells, block by block, without any key."""


@pytest.mark.parametrize("kind", PLAIN)
def test_an_alteration_is_named(sealed, kind):
    alter, words = PLAIN[kind]
    alter(sealed)
    findings = verify(sealed)
    assert not findings.ok and any(words in finding for finding in findings.findings), findings.findings
    assert all(finding.isprintable() for finding in findings.findings)
    with pytest.raises(RecordAltered):
        open_run(sealed)


@pytest.mark.parametrize("kind", HELPED)
def test_an_alteration_with_the_manifest_made_to_fit_is_named_by_the_chain(sealed, kind):
    alter, words = HELPED[kind]
    alter(sealed)
    reseal(sealed)
    findings = verify(sealed)
    assert not findings.ok and any(words in finding for finding in findings.findings), findings.findings
    assert findings.seal == "sealed without a key"
    assert not verify(sealed, public_key=KEY.public).ok  # and the seal tells in any case


def test_a_whole_forged_record_is_told_by_the_key_and_a_spliced_one_by_the_chain(run_maker):
    true, forged = run_maker("true"), run_maker("forged", count=59)
    true.seal(key=KEY)
    forged.seal(key=OTHER_KEY)
    assert verify(forged.folder).ok  # nobody can tell without knowing the rig's key ...
    words = verify(forged.folder, public_key=KEY.public).findings
    assert len(words) == 1 and "not by the key given" in words[0]  # ... and with it anybody can
    unlock(true.folder)
    part = "trace/part-00002.parquet"
    rewrite(true.folder / part, lambda _: (forged.folder / "trace/part-00001.parquet").read_bytes())
    reseal(true.folder, OTHER_KEY)
    assert any(part in finding for finding in verify(true.folder).findings)


def test_no_bit_of_the_manifest_can_change_unseen(run_maker):
    run = run_maker(count=4, per_block=2)
    run.seal(key=KEY)
    data = bytearray((run.folder / manifest.NAME).read_bytes())
    for bit in range(len(data) * 8):
        data[bit // 8] ^= 1 << bit % 8
        try:
            read = manifest.parse(bytes(data))
            seen = hashlib.sha256(read.sealed_bytes).hexdigest() != read.seal_sha256
            seen = seen or not is_signed(read.sealed_bytes, read.signature, read.public_key)
        except RecordAltered:
            seen = True
        assert seen, bit
        data[bit // 8] ^= 1 << bit % 8


def test_a_finding_names_the_block_and_only_that_block(sealed):
    table = read_parquet((sealed / "trace/part-00002.parquet").read_bytes())
    at = next(n for n in range(8, table.num_rows) if table["specimen_a_counts"][n].is_valid)
    seq = table["seq"][at].as_py()
    change_table(sealed, lambda t: bump(t, "specimen_a_counts", at), 2)
    reseal(sealed)
    (finding,) = verify(sealed).findings
    row = next(
        row for row in Chain((sealed / chain.NAME).read_bytes()) if row.first_seq <= seq < row.first_seq + row.inputs
    )
    assert f"(seq {row.first_seq} to {row.first_seq + row.inputs - 1})" in finding and "part-00002" in finding


def test_counts_put_where_a_device_said_nothing_are_found(sealed):
    def fill(table: pa.Table) -> pa.Table:
        column = table.column("specimen_a_counts").fill_null(5)
        return table.set_column(
            table.column_names.index("specimen_a_counts"), table.schema.field("specimen_a_counts"), column
        )

    change_table(sealed, fill)
    reseal(sealed)
    assert any("where its device was silent" in finding for finding in verify(sealed).findings)


def test_what_is_no_record_is_said_without_a_traceback(tmp_path):
    for place in (tmp_path, tmp_path / "nowhere", Path(__file__), Path("/dev/null")):
        findings = verify(place)
        assert not findings.ok and findings.findings[0]
    link = tmp_path / "link"
    link.symlink_to(tmp_path)
    assert "not a folder" in verify(link).findings[0]


def test_a_link_or_pipe_in_a_folder_is_not_sealed(run_maker):
    run = run_maker()
    (run.folder / "photo.jpg").symlink_to("/etc/hostname")
    os.mkfifo(run.folder / "pipe")
    with pytest.raises(RecordAltered) as refused:
        run.seal()
    assert [words for words in ("a link", "a pipe") if any(words in f for f in refused.value.findings)] == [
        "a link",
        "a pipe",
    ]


def test_a_record_folder_tells_of_a_vanished_or_replaced_run(tmp_path, run_maker):
    def add(name: str, count: int = 20) -> Path:
        run = runs.allocate(tmp_path, profile="burst", specimen=name, utc_ns=0)
        made = run_maker(f"made-{run.number}-{count}", number=run.number, count=count)
        shutil.copytree(made.folder, run.path, dirs_exist_ok=True)
        made.folder = run.path
        made.seal(previous=runs.previous_manifests(tmp_path, run.number))
        return run.path

    paths = [add("K-01"), add("K-02"), add("K-03")]
    each, folder = runs.verify_records(tmp_path)
    assert all(findings.ok for findings in each) and folder == () and [f.run for f in each] == [1, 2, 3]
    unlock(paths[1])
    shutil.rmtree(paths[1])
    assert runs.verify_records(tmp_path)[1] == ("run R0002 is missing",)
    other = run_maker("other", number=2, count=21)
    other.folder.rename(paths[1])
    other.folder = paths[1]
    other.seal()
    assert runs.verify_records(tmp_path)[1] == ("run R0002 was replaced: it is not the one run R0003 vouches for",)
    unlock(paths[2])
    shutil.rmtree(paths[2])
    assert runs.verify_records(tmp_path)[1] == ("run R0003 is missing",)  # also when it was the last
    shutil.copytree(paths[0], paths[0].with_name(paths[0].name.replace("K-01", "K-09")))
    assert "run R0001 is there twice" in runs.verify_records(tmp_path)[1]


def test_a_run_sealed_late_is_vouched_for_by_the_next_one_sealed(tmp_path, run_maker):
    late = runs.allocate(tmp_path, profile="burst", specimen="late", utc_ns=0)
    then = runs.allocate(tmp_path, profile="burst", specimen="then", utc_ns=0)
    for run in (then, late):
        made = run_maker(f"made-{run.number}", number=run.number, count=9)
        shutil.copytree(made.folder, run.path, dirs_exist_ok=True)
        made.folder = run.path
        made.seal(previous=runs.previous_manifests(tmp_path, run.number))
    assert {n for n, _ in runs.previous_manifests(tmp_path, 3)} == {1, 2}


def test_keys_are_made_once_and_guarded(tmp_path):
    path = tmp_path / "rig.key"
    key = make_key(path)
    assert path.stat().st_mode & 0o777 == 0o600 and load_key(path).public == key.public
    assert is_signed(b"x", key.sign(b"x"), key.public) and not is_signed(b"y", key.sign(b"x"), key.public)
    assert not is_signed(b"x", "zz", key.public) and not is_signed(b"x", key.sign(b"x"), "")
    with pytest.raises(CannotCreate):
        make_key(path)
    path.chmod(0o640)
    with pytest.raises(Misconfigured, match="0640"):
        load_key(path)
    path.chmod(0o600)
    path.write_text("short")
    for wrong in (path, tmp_path / "none", tmp_path):
        with pytest.raises(Misconfigured):
            load_key(wrong)


def test_the_signature_is_that_of_rfc_8032(tmp_path):
    """RFC 8032 section 7.1, TEST 1 (secret key, public key, signature of the empty message), from memory."""
    key = RigKey(bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"))
    assert key.public == "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    assert key.sign(b"") == (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b"
    )
