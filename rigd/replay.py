"""Replay: the stored inputs through the engine again, and every output compared, byte for byte.

The engine is deterministic and its inputs are all in the record, so whatever it said can be said again. Where it is not
said again, either the record is not what was recorded or the engine is not the one that ran, and the first difference
is told in words: when, which message, which field, what is stored and what was worked out now. Nothing here waits or
knows a device.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from rigd.engine.engine import Engine
from rigd.files.load import load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.model.errors import RecordAltered
from rigd.model.messages import Event, Input, Message, Opened, Output, Reading
from rigd.store.archive import Archive
from rigd.store.encode import decode, encode, prefixed, split

RIG, PROFILE, SPECIMEN = "rig.yaml", "profile.yaml", "specimen.yaml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """The first thing that did not come out the same."""

    seq: int
    t_ns: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """One block run through the engine again."""

    outputs: bytes  # all but Readings, canonical, each behind its length
    readings: tuple[Reading, ...]
    readings_sha256: bytes


def engine_of(read: Mapping[str, bytes]) -> Engine:
    """The engine of a record, from the exact bytes of its files."""
    return Engine(
        load_rig_bytes(read[RIG], RIG),
        load_profile_bytes(read[PROFILE], PROFILE),
        load_specimen_bytes(read[SPECIMEN], SPECIMEN),
    )


def turn_block(engine: Engine, inputs: Iterable[Input]) -> Turned:
    """Run one block of inputs through the engine."""
    outputs, readings, digest = bytearray(), [], hashlib.sha256()
    for message in inputs:
        for output in engine.step(message):
            data = prefixed(encode(output))
            if type(output) is Reading:
                readings.append(output)
                digest.update(data)
            else:
                outputs += data
    return Turned(outputs=bytes(outputs), readings=tuple(readings), readings_sha256=digest.digest())


def replay(archive: Archive) -> Iterator[Difference | Output]:
    """Run a whole sealed record. Yields its Events, Prompts and Result as they come, and at the first Difference ends.

    Raises RecordAltered when the record's files do not belong to each other.
    """
    read = {name: archive.read(name) for name in (RIG, PROFILE, SPECIMEN)}
    engine = engine_of(read)
    for block in archive.blocks():
        for message in block.inputs:
            if type(message) is Opened:
                _check_files(message, read)
        turned = turn_block(engine, block.inputs)
        if turned.outputs != block.output_bytes:
            yield first_difference(block.output_bytes, turned.outputs)
            return
        if turned.readings_sha256 != block.row.readings_digest:
            at = block.inputs[0]
            yield Difference(
                seq=at.seq,
                t_ns=at.t_ns,
                words=f"at {at.t_ns / 1e9:.3f} s, block of message {at.seq}: the readings worked out now are not the "
                "readings whose digest is stored; every other output of the block is the same",
            )
            return
        for data in split(turned.outputs):
            yield decode(data)


def _check_files(opened: Opened, read: Mapping[str, bytes]) -> None:
    for name, told in ((RIG, opened.rig_sha256), (PROFILE, opened.profile_sha256), (SPECIMEN, opened.specimen_sha256)):
        if told and hashlib.sha256(read[name]).hexdigest() != told:
            raise RecordAltered((f"{name} is not the file this run was built from",))


def first_difference(stored: bytes, now: bytes) -> Difference:
    """Tell the first difference between two runs of outputs."""
    olds, news = split(stored), split(now)
    for old, new in zip(olds, news, strict=False):
        if old != new:
            return _told(decode(old), decode(new))
    longer, who = (olds, "stored") if len(olds) > len(news) else (news, "worked out now")
    extra = decode(longer[min(len(olds), len(news))])
    other = "worked out now" if who == "stored" else "stored"
    words = f"{_name(extra)} is {who} but not {other}"
    return Difference(seq=extra.seq, t_ns=extra.t_ns, words=words)


def _told(old: Message, new: Message) -> Difference:
    if type(old) is not type(new):
        words = f"stored {_name(old)}, worked out now {_name(new)}"
    else:
        name = next((f.name for f in fields(old) if getattr(old, f.name) != getattr(new, f.name)), "")
        words = f"{_name(old)}, field {name}: stored {getattr(old, name)!r}, worked out now {getattr(new, name)!r}"
    return Difference(seq=old.seq, t_ns=old.t_ns, words=words)


def _name(message: Message) -> str:
    kind = f" {message.kind!r}" if type(message) is Event else ""
    return f"at {message.t_ns / 1e9:.3f} s, message {message.seq}: {type(message).__name__}{kind}"


def read_files(folder: Path) -> dict[str, bytes]:
    """The three files a run was built from, from a folder that is not sealed yet."""
    return {name: (folder / name).read_bytes() for name in (RIG, PROFILE, SPECIMEN)}
