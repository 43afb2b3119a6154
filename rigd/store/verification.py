"""Is this record what was sealed? Stand-alone: a folder, at most a public key, and no neighbour.

Everything is read before anything is trusted: first the manifest's own shape and seal, then every file's kind, size and
SHA-256, then the chain's links, then the trace and the events against the chain, block by block, so that a finding
names the file and, inside the trace, the block. Findings are words for an auditor; there is no exception to catch for
an altered record. A record that its owner forged as a whole, chain and all, is found by the signature and by the runs
after it.
"""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from rigd.model.errors import RecordAltered
from rigd.store import events, heads, manifest, seal
from rigd.store.chain import NAME as CHAIN_NAME
from rigd.store.chain import Chain, key_of
from rigd.store.disk import read_file
from rigd.store.encode import parse_json
from rigd.store.keys import is_signed
from rigd.store.sealed import SealedBlock, rebuild

MAX_FINDINGS = 50
"""Enough to see what happened; one altered byte early in a chain could otherwise give half a million lines."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What was found wrong, in words; `ok` when nothing. `notes` are for an auditor to know and no alteration."""

    folder: Path
    run: int | None
    findings: tuple[str, ...]
    files: int  # hashed
    blocks: int  # of the chain, held against trace and events
    seal: str  # who sealed it, in words
    manifest_sha256: str
    previous: tuple[tuple[int, str], ...]
    notes: tuple[str, ...]
    public_key: str  # of the seal, "" when there is no signature

    @property
    def ok(self) -> bool:
        return not self.findings


def verify(folder: Path, *, public_key: str = "") -> Findings:
    """Verify one record. `public_key`: the rig's, kept elsewhere than in the record; then only its seal is accepted."""
    check = _Check(folder, public_key)
    check.all()
    found = check.found
    if len(found) > MAX_FINDINGS:
        found = [*found[:MAX_FINDINGS], f"and {len(found) - MAX_FINDINGS} more"]
    sealed = check.sealed
    return Findings(
        folder=folder,
        run=None if sealed is None else sealed.run,
        findings=tuple(found),
        files=check.files,
        blocks=check.blocks,
        seal=check.seal,
        manifest_sha256=check.manifest_sha256,
        previous=() if sealed is None else sealed.previous,
        notes=tuple(check.notes),
        public_key="" if sealed is None else sealed.public_key,
    )


class _Check:
    """One pass over one record; `found` grows."""

    def __init__(self, folder: Path, public_key: str) -> None:
        self.folder, self.public_key = folder, public_key
        self.found: list[str] = []
        self.notes: list[str] = []
        self.sealed: manifest.Manifest | None = None
        self.files = self.blocks = 0
        self.seal = "nothing is sealed"
        self.manifest_sha256 = ""

    def all(self) -> None:
        if self.folder.is_symlink() or not self.folder.is_dir():
            self.found.append(f"{self.folder} is not a folder")
            return
        try:
            data = manifest.manifest_bytes(self.folder)
            self.manifest_sha256 = hashlib.sha256(data).hexdigest()
            self.sealed = manifest.parse(data)
        except RecordAltered as altered:
            self.found += altered.findings
            return
        self._check_seal(self.sealed)
        try:
            self._check_files(self.sealed)
            self._check_chain(self.sealed)
        except RecordAltered as altered:
            self.found += altered.findings
        except OSError as error:
            self.found.append(f"the folder cannot be read: {error.strerror or error}")

    def _check_seal(self, sealed: manifest.Manifest) -> None:
        if hashlib.sha256(sealed.sealed_bytes).hexdigest() != sealed.seal_sha256:
            self.found.append(f"{manifest.NAME} was altered: it does not match its own seal")
        self.seal = "sealed without a key"
        if sealed.public_key or sealed.signature:
            self.seal = f"sealed by the rig with key {sealed.public_key[:16]}"
            if not is_signed(sealed.sealed_bytes, sealed.signature, sealed.public_key):
                self.found.append(f"{manifest.NAME}: the signature is not that of its key")
        if self.public_key and sealed.public_key != self.public_key.lower():
            whose = f"by key {sealed.public_key[:16]}" if sealed.public_key else "without a key"
            self.found.append(f"{manifest.NAME} is sealed {whose}, not by the key given ({self.public_key[:16]})")

    def _check_files(self, sealed: manifest.Manifest) -> None:
        missing = dict(sealed.files)
        folders = {part for name in sealed.files for part in _parents(name)}
        for name, entry in manifest.listing(self.folder):
            if name == manifest.NAME or (name in folders and entry.is_dir(follow_symlinks=False)):
                continue
            expected = missing.pop(name, None)
            if expected is None:
                self.found.append(f"{name!r} does not belong to the record: {self._why(name, entry)}")
            elif not entry.is_file(follow_symlinks=False):
                self.found.append(f"{name} is {manifest.kind_of(entry)} where a file was sealed")
            else:
                self._check_file(name, *expected)
        self.found += [f"{name} is missing" for name in sorted(missing)]

    @staticmethod
    def _why(name: str, entry: os.DirEntry) -> str:
        if name.split("/")[0] in manifest.WORKING:
            return "left behind when closing was interrupted, or added; closing the run again removes it"
        return f"{manifest.kind_of(entry)} that was added after sealing"

    def _check_file(self, name: str, size: int, sha256: str) -> None:
        try:
            data = read_file(self.folder / name)
        except OSError as error:
            self.found.append(f"{name} cannot be read: {error.strerror or error}")
            return
        self.files += 1
        if len(data) != size:
            self.found.append(f"{name} was altered: it has {len(data)} bytes where {size} were sealed")
        elif hashlib.sha256(data).hexdigest() != sha256:
            self.found.append(f"{name} was altered: its SHA-256 is not the one sealed")

    def _read(self, name: str) -> bytes:
        try:
            return read_file(self.folder / name)
        except OSError as error:
            raise RecordAltered((f"{name} cannot be read: {error.strerror or error}",)) from None

    def _check_chain(self, sealed: manifest.Manifest) -> None:
        chain = Chain(self._read(CHAIN_NAME))
        self.found += list(chain.broken_links())[:MAX_FINDINGS]
        if (chain.head.hex(), len(chain), chain.closed) != (sealed.chain_head, sealed.chain_blocks, sealed.closed):
            self.found.append(f"{CHAIN_NAME} does not end with the block that was sealed")
        self._check_identity(chain.identity, sealed)
        signed = self._signed_heads(chain, sealed)
        for block in rebuild(chain, self._read(events.NAME), self._part):
            self.blocks += 1
            self._check_block(block)
            if signed is not None:
                signed.add(block.row.hash)
        if signed is not None:
            self.found += signed.findings()

    def _signed_heads(self, chain: Chain, sealed: manifest.Manifest) -> heads.HeadCheck | None:
        """The signatures that were made while the run was open; None for a run that was recorded without a key."""
        key = key_of(chain.identity)
        if not key:
            return None
        if not sealed.public_key:
            self.notes.append(f"sealed without a key, although it was recorded with key {key[:16]}")
        elif sealed.public_key != key:
            self.found.append(f"recorded with key {key[:16]} and sealed with another, {sealed.public_key[:16]}")
        if self.public_key and key != self.public_key.lower():
            self.found.append(f"{CHAIN_NAME}: recorded with key {key[:16]}, not with the one given")
        first = hashlib.sha256(chain.identity).digest()
        return heads.HeadCheck(heads.parse(self._read(heads.NAME)), key, first)

    def _part(self, number: int) -> tuple[str, bytes] | None:
        name = seal.part_path(Path(), number).as_posix()
        return (name, self._read(name)) if os.path.lexists(self.folder / name) else None

    def _check_identity(self, identity: bytes, sealed: manifest.Manifest) -> None:
        """The chain begins with the hashes of the files the run was built from: swapping one breaks the chain too."""
        try:
            who = parse_json(identity)
            files, run = dict(who["files"]), who["run"]
        except (ValueError, KeyError, TypeError):
            self.found.append(f"{CHAIN_NAME} does not say whose chain it is")
            return
        if run != sealed.run:
            self.found.append(f"the chain is of run {run}, the manifest of run {sealed.run}: one was swapped")
        for name, sha256 in files.items():
            if sealed.files.get(name, (0, ""))[1] != sha256:
                self.found.append(f"{name} is not the file this run was recorded with")

    def _check_block(self, block: SealedBlock) -> None:
        row = block.row
        inputs_hold = hashlib.sha256(block.inputs).digest() == row.inputs_digest
        outputs_hold = hashlib.sha256(block.outputs).digest() == row.outputs_digest
        if inputs_hold and outputs_hold:
            return
        where = f"block {block.number} (seq {row.first_seq} to {row.first_seq + max(row.inputs - 1, 0)})"
        if not inputs_hold:
            place = f"{block.part} or {events.NAME}" if row.inputs > row.rows else block.part
            self.found.append(f"{place}: {where} is not what was recorded")
        if not outputs_hold:
            self.found.append(f"{events.NAME}: what the engine said in {where} is not what was recorded")


def _parents(name: str) -> list[str]:
    parts = name.split("/")[:-1]
    return ["/".join(parts[: n + 1]) for n in range(len(parts))]
