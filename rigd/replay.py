"""Replay: the stored inputs through the engine again, and every output compared, byte for byte.

The engine is deterministic and its inputs are all in the record, so whatever it said can be said again. Where it is not
said again, either the record is not what was recorded or the engine is not the one that ran, and the first difference
is told in words: when, which message, which field, what is stored and what was worked out now. Of the Readings only a
digest is stored exactly; where it differs, the float32 columns of the trace are asked which field it was. Nothing here
waits or knows a device: whoever wants to watch a run at its own pace takes block after block and waits by itself.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from rigd.engine.engine import Engine
from rigd.files.load import load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.model.carried import NOTHING_CARRIED, Carried
from rigd.model.earlier import NO_WALKS, Earlier, Figure
from rigd.model.errors import RecordAltered
from rigd.model.messages import Event, Input, Message, Opened, OperatorAction, Output, Prompt, Reading, Result
from rigd.model.rig import Rig
from rigd.model.stations import of_station
from rigd.store.archive import Archive
from rigd.store.edition import edition
from rigd.store.encode import canonical_json, decode, encode, join, parse_json, split
from rigd.store.trace import as_row

RIG, PROFILE, SPECIMEN = "rig.yaml", "profile.yaml", "specimen.yaml"
STATION, CARRIED, EARLIER = "station.txt", "carried.json", "earlier.json"
"""Of a rig with several stations, which one; of a resumed run, what it goes on with; of a walk, what others had found.
Others have no such files."""
OBSERVATION = "observation"  # the field of the question that asks what a person found


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """The first thing that did not come out the same."""

    seq: int
    t_ns: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """One block run through the engine again."""

    said: tuple[Output, ...]  # all but Readings
    outputs: bytes  # the same, canonical, each behind its length
    readings: tuple[Reading, ...]
    readings_sha256: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """One block of a record, replayed. With a difference the replay is over."""

    outputs: tuple[Output, ...]  # all but Readings
    readings: tuple[Reading, ...]
    difference: Difference | None = None


def engine_of(read: Mapping[str, bytes]) -> Engine:
    """The engine of a record, from the exact bytes of its files. Raises FilesRefused or RecordAltered."""
    rig = load_rig_bytes(read[RIG], RIG)
    return Engine(
        _station_of(rig, read.get(STATION, b"0")),
        load_profile_bytes(read[PROFILE], PROFILE),
        load_specimen_bytes(read[SPECIMEN], SPECIMEN),
        carried_from(read[CARRIED]) if CARRIED in read else NOTHING_CARRIED,
        earlier_from(read[EARLIER]) if EARLIER in read else NO_WALKS,
    )


def _station_of(rig: Rig, data: bytes) -> Rig:
    number = int(data) if data.strip().isdigit() and len(data) < 4 else -1
    allowed = range(1, rig.stations + 1) if rig.stations > 1 else range(2)
    if number not in allowed:
        raise RecordAltered((f"{STATION} says {data!r:.20}; allowed: 1 to {rig.stations}",))
    return of_station(rig, number).rig


def carried_bytes(carried: Carried) -> bytes:
    """What a resumed run goes on with, as the file of its record."""
    return canonical_json(asdict(carried)) + b"\n"


def carried_from(data: bytes) -> Carried:
    """The inverse of `carried_bytes`. Raises RecordAltered."""
    try:
        found = Carried(**parse_json(data))
    except (ValueError, TypeError) as wrong:
        raise RecordAltered((f"{CARRIED} cannot be read: {wrong}",)) from None
    if carried_bytes(found) != data:
        raise RecordAltered((f"{CARRIED} is not in canonical form",))
    return found


def earlier_bytes(earlier: Earlier) -> bytes:
    """What a walk is judged against, as the file of its record."""
    return canonical_json(asdict(earlier)) + b"\n"


def earlier_from(data: bytes) -> Earlier:
    """The inverse of `earlier_bytes`. Raises RecordAltered."""
    try:
        told = parse_json(data)
        found = Earlier(figures=tuple(Figure(**figure) for figure in told["figures"]))
    except (ValueError, TypeError, KeyError) as wrong:
        raise RecordAltered((f"{EARLIER} cannot be read: {wrong}",)) from None
    if earlier_bytes(found) != data:
        raise RecordAltered((f"{EARLIER} is not in canonical form",))
    return found


def turn_block(engine: Engine, inputs: Iterable[Input]) -> Turned:
    """Run one block of inputs through the engine."""
    said, readings = [], []
    for message in inputs:
        for output in engine.step(message):
            (readings if type(output) is Reading else said).append(output)
    digest = hashlib.sha256(join([encode(reading) for reading in readings])).digest()
    outputs = join([encode(output) for output in said])
    return Turned(said=tuple(said), outputs=outputs, readings=tuple(readings), readings_sha256=digest)


class Replay:
    """A sealed record on its way through the engine again. `engine.view()` is what a person would have seen."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._read = built_from(archive)
        self.engine = engine_of(self._read)

    def __iter__(self) -> Iterator[Played]:
        """Block by block, up to the first difference.

        Raises RecordAltered when the record's files do not belong to each other.
        """
        for block in self._archive.blocks():
            for message in block.inputs:
                if type(message) is Opened:
                    _check_files(message, self._read)
            turned = turn_block(self.engine, block.inputs)
            difference = None
            if turned.outputs != block.output_bytes:
                difference = first_difference(block.output_bytes, turned.outputs)
            elif turned.readings_sha256 != block.row.readings_digest:
                difference = self._reading_difference(block.inputs[0], turned.readings)
            outputs = turned.said if difference is None else ()
            yield Played(outputs=outputs, readings=turned.readings, difference=self._by_whom(difference))
            if difference is not None:
                return

    def _by_whom(self, difference: Difference | None) -> Difference | None:
        """A difference of another edition's record says so first: another engine may well say other things."""
        if difference is None:
            return None
        recorded, here = self._archive.identity["version"], edition()
        if recorded == here:
            return difference
        return replace(difference, words=f"recorded by rigd {recorded}, replayed by rigd {here}: {difference.words}")

    def _reading_difference(self, first: Input, readings: tuple[Reading, ...]) -> Difference:
        """Which field of which Reading it was, by the columns of the trace; float32 may be too coarse to tell."""
        trace = self._archive.trace()
        row_of = {seq: row for row, seq in enumerate(trace.column("seq").to_pylist())}
        for reading in readings:
            row = trace.slice(row_of[reading.seq], 1).to_pylist()[0]
            for name, now in as_row(reading, self.engine.rig).items():
                if row[name] != now and not (_is_nan(row[name]) and _is_nan(now)):
                    words = f"{_name(reading)}, field {name}: stored {row[name]!r}, worked out now {now!r}"
                    return Difference(seq=reading.seq, t_ns=reading.t_ns, words=words)
        words = (
            f"at {first.t_ns / 1e9:.3f} s, block of message {first.seq}: only the digest of the readings differs; "
            "every other output is the same, and so are the readings as far as the float32 columns of the trace tell"
        )
        return Difference(seq=first.seq, t_ns=first.t_ns, words=words)


def replay(archive: Archive) -> Iterator[Difference | Output]:
    """Run a whole sealed record. Yields its Events, Prompts, commands and Result, and at the first Difference ends."""
    for played in Replay(archive):
        yield from played.outputs
        if played.difference is not None:
            yield played.difference


def conclude_anew(archive: Archive, observation: str, person: str) -> Result | None:
    """The Result of a record had this person answered so to what was found; None where nobody was asked, so that no
    answer could have changed the outcome. The samples, and what the engine measured in them, are the same."""
    asked = answered = -1
    for message in archive.outputs():
        if type(message) is Prompt and message.field == OBSERVATION:
            asked = message.prompt
        elif type(message) is Event and message.kind == "prompt_done" and dict(message.data)["field"] == OBSERVATION:
            answered = message.seq
    if answered < 0:
        return None
    engine, result = engine_of(built_from(archive)), None
    for message in archive.inputs():
        turn: list[Input] = [message]
        if message.seq == answered:
            answer = OperatorAction(
                seq=message.seq, t_ns=message.t_ns, act="confirm", person=person, named=True, source="amendment",
                prompt=asked, answer=observation,
            )  # fmt: skip
            turn = [answer] if type(message) is OperatorAction else [answer, message]  # else the question timed out
        for said in (output for one in turn for output in engine.step(one)):
            result = said if type(said) is Result else result
    return result


def _is_nan(value: object) -> bool:
    return isinstance(value, float) and value != value


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
    """The files a run was built from, from a folder that is not sealed yet."""
    named = [name for name in (STATION, CARRIED, EARLIER) if (folder / name).is_file()]
    return {name: (folder / name).read_bytes() for name in (RIG, PROFILE, SPECIMEN, *named)}


def built_from(archive: Archive) -> dict[str, bytes]:
    """The files a sealed run was built from."""
    named = [name for name in (STATION, CARRIED, EARLIER) if name in archive.manifest.files]
    return {name: archive.read(name) for name in (RIG, PROFILE, SPECIMEN, *named)}
