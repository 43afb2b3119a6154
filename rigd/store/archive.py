"""A sealed record, verified and then read: the one way in for whoever replays, measures, reports or exports.

`open_run` refuses an altered record with everything that is wrong with it. Afterwards files are read again and held
against the manifest at each reading, so nothing can be slipped in between verifying and using.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from rigd.model.errors import NoSuchRun, RecordAltered
from rigd.model.messages import Input, Message, Output
from rigd.store import events, manifest, seal
from rigd.store.chain import NAME as CHAIN_NAME
from rigd.store.chain import Chain, ChainRow
from rigd.store.disk import read_file
from rigd.store.encode import decode, decode_all, parse_json
from rigd.store.sealed import rebuild
from rigd.store.trace import read_parquet
from rigd.store.verification import verify

RUN_NAME = "run.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedBlock:
    """One block of the record; `row` carries the digests that replay must meet."""

    row: ChainRow
    inputs: tuple[Input, ...]
    output_bytes: bytes  # all outputs but Readings, each behind its length

    def outputs(self) -> tuple[Output, ...]:
        return decode_all(self.output_bytes)


class Archive:
    """Made by `open_run` only, after verification."""

    def __init__(self, folder: Path, sealed: manifest.Manifest, manifest_sha256: str) -> None:
        self.folder, self.manifest, self.manifest_sha256 = folder, sealed, manifest_sha256

    @property
    def run(self) -> dict[str, Any]:
        """run.json: who, what, when, outcome, verdict."""
        return parse_json(self.read(RUN_NAME))

    @property
    def identity(self) -> dict[str, Any]:
        """What the chain begins with: run number, version, hashes of the files the run was built from."""
        return parse_json(Chain(self.read(CHAIN_NAME)).identity)

    def read(self, name: str) -> bytes:
        """The bytes of a file of the record, exactly as sealed. Raises RecordAltered when they are not."""
        if name not in self.manifest.files:
            raise RecordAltered((f"{name} is missing: the record has no such file",))
        try:
            data = read_file(self.folder / name)
        except OSError as error:
            raise RecordAltered((f"{name} cannot be read: {error.strerror or error}",)) from None
        if hashlib.sha256(data).hexdigest() != self.manifest.files[name][1]:
            raise RecordAltered((f"{name} was altered while it was being used",))
        return data

    def blocks(self) -> Iterator[ArchivedBlock]:
        """The run as it was recorded, block by block."""
        for block in rebuild(Chain(self.read(CHAIN_NAME)), self.read(events.NAME), self._part):
            yield ArchivedBlock(row=block.row, inputs=decode_all(block.inputs), output_bytes=block.outputs)

    def inputs(self) -> Iterator[Input]:
        """Every input in order, for feeding an engine."""
        for block in self.blocks():
            yield from block.inputs

    def outputs(self) -> Iterator[Output]:
        """Every output but Readings, in order, straight from events.jsonl."""
        for line in self.read(events.NAME).splitlines():
            if not events.is_input(line):
                yield decode(line)

    def events(self) -> Iterator[Message]:
        """Every line of events.jsonl, inputs and outputs, in order."""
        return (decode(line) for line in self.read(events.NAME).splitlines())

    def trace(self, columns: list[str] | None = None) -> pa.Table:
        """All parts as one table, of these columns or of all."""
        return pa.concat_tables(list(self.parts(columns)), promote_options="permissive")

    def parts(self, columns: list[str] | None = None) -> Iterator[pa.Table]:
        """One part of the trace after the other, of these columns or of all."""
        number = 1
        while (found := self._part(number)) is not None:
            yield read_parquet(found[1], columns=columns, name=found[0])
            number += 1
        if number == 1:
            raise RecordAltered((f"{seal.TRACE} has no parts",))

    def _part(self, number: int) -> tuple[str, bytes] | None:
        name = seal.part_path(Path(), number).as_posix()
        return (name, self.read(name)) if name in self.manifest.files else None


def open_run(folder: Path, *, public_key: str = "") -> Archive:
    """Verify, then read. Raises NoSuchRun when there is no folder, RecordAltered with every finding."""
    if not folder.is_dir():
        raise NoSuchRun(f"there is no record at {folder}; see: rigd runs list")
    findings = verify(folder, public_key=public_key)
    if not findings.ok:
        raise RecordAltered(findings.findings)
    data = manifest.manifest_bytes(folder)
    sealed = manifest.parse(data)
    if hashlib.sha256(data).hexdigest() != findings.manifest_sha256:
        raise RecordAltered((f"{manifest.NAME} was altered while it was being verified",))
    return Archive(folder, sealed, findings.manifest_sha256)
