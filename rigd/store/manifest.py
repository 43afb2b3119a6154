"""manifest.json: what belongs to a record and what each file was when it was sealed. Written last; without it, no
record.

It holds the SHA-256 and size of each file, the head of the chain, the hashes of earlier manifests in the folder (so
that a vanished run shows), versions, and a seal: the SHA-256 of all of this, signed by the rig's key when there is
one. Its bytes are the one rendering of its content, so no bit of it can change unseen. What reads a record verifies
first: see `verification`.
"""

import hashlib
import json
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigd.model.errors import RecordAltered
from rigd.store import chain, journal, seal
from rigd.store.disk import DISK, READ_ONLY, READ_ONLY_FOLDER, TEMPORARY, Disk, digest_file, read_file, write_file
from rigd.store.encode import parse_json
from rigd.store.keys import RigKey

NAME = "manifest.json"
FORMAT = 1
MAX_MANIFEST_BYTES = 1 << 24
MAX_FILES = 100_000
"""A week of one-minute parts is ten thousand; a folder with more is not ours, and listing it must end."""

WORKING = (journal.FOLDER, seal.PIECES)
"""Folders that exist only until the manifest does."""

DAMAGED = "damaged-journal"
"""Where a damaged journal is kept, whole, in the sealed record: what lies behind the damage is evidence too."""

KEYS = ("chain_blocks", "chain_head", "closed", "files", "format", "previous", "run", "seal", "versions")


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """A manifest as read; shapes are checked, nothing else is believed."""

    run: int
    chain_head: str
    chain_blocks: int
    closed: bool  # the journal ended with its closing block
    files: dict[str, tuple[int, str]]  # path: (size, SHA-256)
    previous: tuple[tuple[int, str], ...]  # (run, SHA-256 of its manifest)
    versions: dict[str, str]
    public_key: str  # "" when not signed
    signature: str
    sealed_bytes: bytes  # what the seal is over
    seal_sha256: str


def render(content: dict[str, Any]) -> bytes:
    """The one rendering: sorted, one space, ASCII, a line feed at the end."""
    return (json.dumps(content, sort_keys=True, indent=1, ensure_ascii=True, allow_nan=False) + "\n").encode("ascii")


def parse(data: bytes) -> Manifest:
    """Raises RecordAltered, in words, for anything `render` of a manifest of this version cannot have given."""
    try:
        content = parse_json(data)
    except ValueError as wrong:
        raise RecordAltered((f"{NAME} is not JSON: {wrong}",)) from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        found = content.get("format") if isinstance(content, dict) else type(content).__name__
        raise RecordAltered((f"{NAME} is of format {found!r:.40}; allowed: {FORMAT}",))
    try:
        seal_part = content.pop("seal")
        sealed_bytes = render(content)
        if render({**content, "seal": seal_part}) != data or {*content, "seal"} != set(KEYS):
            raise RecordAltered((f"{NAME} is not as it was written",))
        return Manifest(
            run=_whole(content["run"]),
            chain_head=_sha256(content["chain_head"]),
            chain_blocks=_whole(content["chain_blocks"]),
            closed=bool(content["closed"]),
            files={name: (_whole(f["bytes"]), _sha256(f["sha256"])) for name, f in content["files"].items()},
            previous=tuple((_whole(p["run"]), _sha256(p["sha256"])) for p in content["previous"]),
            versions={name: str(text) for name, text in content["versions"].items()},
            public_key=_hex(seal_part.get("public_key", ""), 64),
            signature=_hex(seal_part.get("signature", ""), 128),
            sealed_bytes=sealed_bytes,
            seal_sha256=_sha256(seal_part["sha256"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as wrong:
        raise RecordAltered((f"{NAME} lacks something or has it in another shape: {wrong}",)) from None


def _whole(value: Any) -> int:
    if type(value) is not int or value < 0:
        raise ValueError(f"{value!r:.40} is not a whole number")
    return value


def _sha256(value: Any) -> str:
    if not value:
        raise ValueError("a SHA-256 is missing")
    return _hex(value, 64)


def _hex(value: Any, digits: int) -> str:
    """Lower-case only: a letter that changed its case would be another byte and the same number."""
    if not isinstance(value, str) or len(value) not in (0, digits) or set(value) - set("0123456789abcdef"):
        raise ValueError(f"{value!r:.80} is not {digits} digits of lower-case hex")
    return value


def load_manifest(folder: Path) -> Manifest:
    """The manifest of a record. Raises RecordAltered when it cannot be read as one."""
    return parse(manifest_bytes(folder))


def manifest_bytes(folder: Path) -> bytes:
    try:
        return read_file(folder / NAME, limit=MAX_MANIFEST_BYTES)
    except FileNotFoundError:
        raise RecordAltered((f"{NAME} is missing: not sealed yet, or removed",)) from None
    except OSError as error:
        raise RecordAltered((f"{NAME} cannot be read: {error.strerror or error}",)) from None


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def listing(folder: Path, *, skip: tuple[str, ...] = ()) -> Iterator[tuple[str, os.DirEntry]]:
    """Everything below a folder, links not followed: (path with slashes, entry). Bounded by MAX_FILES."""
    waiting, count = [(folder, "")], 0
    while waiting:
        place, prefix = waiting.pop()
        with os.scandir(place) as entries:
            found = sorted(entries, key=lambda entry: entry.name)
        for entry in found:
            name = prefix + entry.name
            if name in skip:
                continue
            count += 1
            if count > MAX_FILES:
                raise RecordAltered((f"{folder} has more than {MAX_FILES} files: it is no record",))
            yield name, entry
            if entry.is_dir(follow_symlinks=False):
                waiting.append((Path(entry.path), name + "/"))


def seal_folder(
    folder: Path,
    *,
    run: int,
    versions: dict[str, str],
    previous: tuple[tuple[int, str], ...] = (),
    key: RigKey | None = None,
    keep_journal: bool = False,
    disk: Disk = DISK,
) -> Path:
    """Hash every file, write the manifest, make all read-only, remove the journal. Can be done again after a crash.

    `keep_journal`: its reader ended in damage, so its segments are sealed with the record, under DAMAGED.
    events.jsonl and chain.bin must be there (`seal.join_pieces`). Raises RecordAltered for what cannot be sealed (a
    link, a pipe, a file name that is no text), OSError when the disk fails.
    """
    manifest_path = folder / NAME
    if not manifest_path.exists():
        if keep_journal:
            _keep_journal(folder, disk)
        files = _files_to_seal(folder, disk)
        links = chain.Chain(read_file(folder / chain.NAME))
        content = {
            "format": FORMAT,
            "run": run,
            "chain_head": links.head.hex(),
            "chain_blocks": len(links),
            "closed": links.closed,
            "files": files,
            "previous": [{"run": number, "sha256": digest} for number, digest in previous],
            "versions": versions,
        }
        write_file(
            manifest_path, render({**content, "seal": _seal_of(render(content), key)}), disk=disk, mode=READ_ONLY
        )
    clear_up(folder, disk=disk)
    return manifest_path


def clear_up(folder: Path, *, disk: Disk = DISK) -> None:
    """What follows once the manifest, and with it everything the journal held, is on the disk: journal and pieces go,
    folders become read-only. Whoever finds a manifest does this again: a closing process may have died before it."""
    assert (folder / NAME).is_file(), "the journal is the only truth until there is a manifest"
    for name in WORKING:
        place = folder / name
        if place.is_dir():
            for path in sorted(place.iterdir()):
                disk.remove(path)
            os.rmdir(place)
    disk.sync_folder(folder)
    for _, entry in listing(folder):
        if entry.is_dir(follow_symlinks=False):
            os.chmod(entry.path, READ_ONLY_FOLDER)
    os.chmod(folder, READ_ONLY_FOLDER)


def _keep_journal(folder: Path, disk: Disk) -> None:
    (folder / DAMAGED).mkdir(mode=0o750, exist_ok=True)
    disk.sync_folder(folder)
    for path in journal.segments(folder):
        write_file(folder / DAMAGED / path.name, read_file(path), disk=disk)


def _seal_of(sealed_bytes: bytes, key: RigKey | None) -> dict[str, str]:
    made = {"sha256": hashlib.sha256(sealed_bytes).hexdigest()}
    return made if key is None else {**made, "public_key": key.public, "signature": key.sign(sealed_bytes)}


def _files_to_seal(folder: Path, disk: Disk) -> dict[str, dict[str, Any]]:
    files, odd = {}, []
    for name, entry in list(listing(folder, skip=WORKING)):
        if entry.name.startswith(TEMPORARY):
            disk.remove(Path(entry.path))
        elif entry.is_file(follow_symlinks=False):
            if not name.isprintable():
                odd.append(f"{name!r} is no name for a file of a record")
                continue
            os.chmod(entry.path, READ_ONLY)
            size, digest = digest_file(Path(entry.path))
            files[name] = {"bytes": size, "sha256": digest}
        elif not entry.is_dir(follow_symlinks=False):
            odd.append(f"{name!r} is {kind_of(entry)}: only files and folders can be sealed")
    if odd:
        raise RecordAltered(tuple(odd))
    return files


def kind_of(entry: os.DirEntry) -> str:
    """What a thing in a folder is, in words."""
    if entry.is_symlink():
        return "a link"
    mode = entry.stat(follow_symlinks=False).st_mode
    for is_kind, words in (
        (stat.S_ISDIR, "a folder"),
        (stat.S_ISREG, "a file"),
        (stat.S_ISFIFO, "a pipe"),
        (stat.S_ISSOCK, "a socket"),
    ):
        if is_kind(mode):
            return words
    return "a device"
