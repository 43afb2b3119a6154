"""Messages to canonical bytes and back: one message, one byte string, on every machine and in every Python.

The bytes are what is chained, compared and replayed, so nothing here may depend on dictionary order, hash seed,
locale or version. The three shapes that come a thousand times a second (Scan, Tick, Reading) are packed integers and
float64; all others are canonical JSON on one line, the very line that stands in events.jsonl. Layouts are derived
from the dataclasses: a new message or field needs no edit here. This file knows nothing of files, blocks or clocks.

Packed: tag u8, length of the tuples u16, then scalars in field order (int64 or float64), then tuples in field order;
all little-endian. Any NaN becomes the one quiet NaN, because 0/0 has its sign set on some processors and not on
others. JSON: sorted keys, no spaces, ASCII with escapes (so control characters, direction marks and lone surrogates
survive and cannot disturb a screen), shortest float text, null for what is not finite, and the shape's name under
`type`. A high and a low surrogate standing side by side are the one character they spell.
"""

import json
import struct
from collections.abc import Callable
from dataclasses import fields
from functools import cache
from math import isfinite
from operator import attrgetter
from types import NoneType, UnionType
from typing import Any, get_args, get_origin, get_type_hints

from rigd.model.errors import RecordAltered
from rigd.model.messages import Input, Message, Output, Reading, Scan, Tick

MAX_MESSAGE_BYTES = 1 << 20
"""No message of a rig is near this; what is longer is damage or an attack."""

INPUTS = {shape.__name__: shape for shape in get_args(Input)}
OUTPUTS = {shape.__name__: shape for shape in get_args(Output)}
SHAPES = INPUTS | OUTPUTS
TAGS: dict[type, int] = {Scan: 1, Tick: 2, Reading: 3}
JSON_TAG = ord("{")
NAN = struct.unpack("<d", bytes.fromhex("000000000000f87f"))[0]

_LENGTH = struct.Struct("<I")
_TAG = struct.Struct("<BH")
_SCAN_HEAD = struct.Struct("<IBH")
_SHAPE_OF_TAG = {tag: shape for shape, tag in TAGS.items()}
_CODES = {int: "q", float: "d", tuple[int, ...]: "q", tuple[float, ...]: "d"}


@cache
def _hints(shape: type) -> dict[str, Any]:
    return get_type_hints(shape)


@cache
def layout(shape: type, n: int) -> tuple[tuple[str, str, int], ...]:
    """How a packed shape lies in memory after tag and n: (field, "q" or "d", how many), scalars first."""
    hints = _hints(shape)
    scalars = [(name, _CODES[hint], 1) for name, hint in hints.items() if get_origin(hint) is None]
    tuples = [(name, _CODES[hint], n) for name, hint in hints.items() if get_origin(hint) is tuple]
    return (*scalars, *tuples)


@cache
def _packed(shape: type, n: int) -> struct.Struct:
    return struct.Struct("<BH" + "".join(code * count for _, code, count in layout(shape, n)))


def _scalar_getter(shape: type) -> Callable[[Any], tuple]:
    return attrgetter(*(name for name, _, count in layout(shape, 0) if count == 1))


def _json_parts(shape: type) -> tuple[tuple[str, ...], Callable[[Any], tuple]]:
    names = tuple(field.name for field in fields(shape))
    assert "type" not in names and len(names) > 1
    return names, attrgetter(*names)


_SCAN_SCALARS = _scalar_getter(Scan)
_READING_SCALARS = _scalar_getter(Reading)
_TICK_SCALARS = _scalar_getter(Tick)
_JSON_PARTS = {shape: _json_parts(shape) for shape in SHAPES.values() if shape not in TAGS}
_DUMPS = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False).encode
_WORDS = {int: str, bool: {True: "true", False: "false"}.__getitem__, str: _DUMPS}


def _json_line(shape: type) -> tuple[str, tuple[Callable[[Any], str], ...], Callable[[Any], tuple]] | None:
    """The line of a shape that has nothing but whole numbers, words and truths, with a gap for each: the same bytes as
    from `canonical_json` in a third of the time, for a Kick and a HostReport ten times a second."""
    hints = _hints(shape)
    if set(hints.values()) - set(_WORDS):
        return None
    named = {"type": f'"{shape.__name__}"'} | dict.fromkeys(hints, "%s")
    line = ",".join(f'"{name}":{text}' for name, text in sorted(named.items()))
    names = sorted(hints)
    return f"{{{line}}}", tuple(_WORDS[hints[name]] for name in names), attrgetter(*names)


_JSON_LINES = {shape: line for shape in _JSON_PARTS if (line := _json_line(shape))}


def encode(message: Message) -> bytes:
    """The canonical bytes of a message."""
    shape = type(message)
    if shape is Scan:
        counts = message.counts
        n = len(counts)
        return _packed(Scan, n).pack(TAGS[Scan], n, *_SCAN_SCALARS(message), *counts)
    if shape is Reading:
        n = len(message.values)
        assert len(message.quality) == n, "a Reading has one quality per value"
        scalars, values = _READING_SCALARS(message), message.values
        if not isfinite(sum(values, message.target_pa + message.highest_pa)):  # only then is there a NaN to make ours
            scalars = tuple([v if v == v else NAN for v in scalars])
            values = tuple([v if v == v else NAN for v in values])
        return _packed(Reading, n).pack(TAGS[Reading], n, *scalars, *values, *message.quality)
    if shape is Tick:
        return _packed(Tick, 0).pack(TAGS[Tick], 0, *_TICK_SCALARS(message))
    if shape in _JSON_LINES:
        line, words, get = _JSON_LINES[shape]
        return (line % tuple([word(value) for word, value in zip(words, get(message), strict=True)])).encode("ascii")
    names, get = _JSON_PARTS[shape]
    plain = dict(zip(names, get(message), strict=True))
    plain["type"] = shape.__name__
    return canonical_json(plain)


def canonical_json(plain: Any) -> bytes:
    """Any plain value as canonical JSON on one line; what is not finite becomes null."""
    try:
        return _DUMPS(plain).encode("ascii")
    except ValueError:
        return _DUMPS(_finite(plain)).encode("ascii")


def _finite(plain: Any) -> Any:
    if isinstance(plain, float):
        return plain if plain - plain == 0.0 else None
    if isinstance(plain, dict):
        return {key: _finite(value) for key, value in plain.items()}
    if isinstance(plain, (list, tuple)):
        return [_finite(value) for value in plain]
    return plain


def decode(data: bytes) -> Message:
    """The message of these bytes. Raises RecordAltered, in words, for anything `encode` cannot have written."""
    if not 0 < len(data) <= MAX_MESSAGE_BYTES:
        raise RecordAltered((f"a message of {len(data)} bytes; allowed: 1 to {MAX_MESSAGE_BYTES}",))
    if data[0] == JSON_TAG:
        return _decode_json(data)
    return _decode_packed(data)


def packed_numbers(data: bytes) -> tuple[type, int, tuple]:
    """Shape, n and numbers of a packed message, for whoever makes columns of many."""
    shape = _SHAPE_OF_TAG.get(data[0]) if len(data) >= _TAG.size else None
    if shape is None:
        raise RecordAltered((f"a message of {len(data)} bytes with an unknown tag; allowed: {sorted(_SHAPE_OF_TAG)}",))
    _, n = _TAG.unpack_from(data)
    packed = _packed(shape, n)
    if packed.size != len(data) or (n and shape is Tick):  # a Tick has no tuples to be long
        raise RecordAltered((f"a {shape.__name__} of {len(data)} bytes; allowed for {n} channels: {packed.size}",))
    return shape, n, packed.unpack(data)[2:]


@cache
def _places(shape: type, n: int) -> tuple[tuple[tuple[str, int], ...], tuple[tuple[str, slice], ...]]:
    """Where in the numbers of a packed message each scalar and each tuple stands."""
    hints, at = _hints(shape), 0
    scalars, tuples = [], []
    for name, _, count in layout(shape, n):
        if get_origin(hints[name]) is tuple:
            tuples.append((name, slice(at, at + count)))
        else:
            scalars.append((name, at))
        at += count
    return tuple(scalars), tuple(tuples)


def _decode_packed(data: bytes) -> Message:
    shape, n, numbers = packed_numbers(data)
    scalars, tuples = _places(shape, n)
    arguments: dict[str, Any] = {name: numbers[at] for name, at in scalars}
    for name, part in tuples:
        arguments[name] = numbers[part]
    message = shape(**arguments)
    if shape is Reading and encode(message) != data:
        raise RecordAltered(("a Reading not in canonical form: one of its NaNs is another than the one written",))
    return message


def decode_all(data: bytes) -> tuple[Message, ...]:
    """The messages of these bytes, each behind its length: `split` and `decode` in one, for Scans by the million."""
    found, at, end = [], 0, len(data)
    while at < end:
        if at + _SCAN_HEAD.size <= end and data[at + 4] == TAGS[Scan]:
            length, _, n = _SCAN_HEAD.unpack_from(data, at)
            packed = _packed(Scan, n)
            after = at + 4 + length
            if packed.size == length and after <= end:
                _, _, seq, t_ns, device, age_us, width_us, *counts = packed.unpack_from(data, at + 4)
                found.append(
                    Scan(seq=seq, t_ns=t_ns, device=device, age_us=age_us, width_us=width_us, counts=tuple(counts))
                )
                at = after
                continue
        (one,) = split(data[at : at + 4 + int.from_bytes(data[at : at + 4], "little")])
        found.append(decode(one))
        at += 4 + len(one)
    return tuple(found)


def parse_json(data: bytes) -> Any:
    """Strict JSON: no NaN, no endless nesting. Raises ValueError in words."""
    try:
        return _READ(data.decode())
    except RecursionError:
        raise ValueError("nested too deep") from None


def _refuse_constant(text: str) -> None:
    raise ValueError(f"{text} is not JSON")


_READ = json.JSONDecoder(parse_constant=_refuse_constant).decode


def _decode_json(data: bytes) -> Message:
    try:
        plain = parse_json(data)
    except ValueError as wrong:
        raise RecordAltered((f"a message that is not JSON ({wrong}): {_start(data)}",)) from None
    name = plain.pop("type", None)
    shape = SHAPES.get(name) if isinstance(name, str) else None
    if shape not in _JSON_PARTS:
        raise RecordAltered((f"a message of no known type: {_start(data)}",))
    hints = _hints(shape)
    if plain.keys() != hints.keys():
        odd = ", ".join(sorted(plain.keys() ^ hints.keys()))
        raise RecordAltered((f"a {shape.__name__} with fields missing or unknown ({odd}): {_start(data)}",))
    for name, value in plain.items():
        if type(value) is list:
            plain[name] = value = _tuples(value)
        if type(value) is not hints[name] and not _fits(value, hints[name]):
            raise RecordAltered((f"a {shape.__name__} whose {name} is {value!r:.60}; allowed: {hints[name]}",))
    message = shape(**plain)
    if encode(message) != data:
        raise RecordAltered((f"a {shape.__name__} not in canonical form: {_start(data)}",))
    return message


def _start(data: bytes) -> str:
    return repr(bytes(data[:60]))


def _tuples(value: Any) -> Any:
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


def _fits(value: Any, hint: Any) -> bool:
    if type(hint) is type:
        return type(value) is hint or (hint is float and type(value) is int)
    if get_origin(hint) is tuple:
        inner = get_args(hint)
        if not isinstance(value, tuple):
            return False
        if inner[1:] == (...,):
            return all(_fits(item, inner[0]) for item in value)
        return len(value) == len(inner) and all(_fits(item, part) for item, part in zip(value, inner, strict=True))
    if get_origin(hint) is UnionType or isinstance(hint, UnionType):
        return any(_fits(value, part) for part in get_args(hint))
    if hint in (None, NoneType):
        return value is None
    if hint is float:
        return type(value) in (float, int)
    return type(value) is hint


def prefixed(data: bytes) -> bytes:
    """The bytes with their length before them, so that messages can stand one after the other."""
    return _LENGTH.pack(len(data)) + data


def join(messages: list[bytes] | tuple[bytes, ...]) -> bytes:
    """Encoded messages one after the other, each behind its length."""
    return b"".join([_LENGTH.pack(len(data)) + data for data in messages])


def split(data: bytes) -> list[bytes]:
    """The inverse of `join`. Raises RecordAltered when lengths and bytes do not meet."""
    found, at, end = [], 0, len(data)
    while at < end:
        if at + 4 > end:
            raise RecordAltered((f"{end - at} stray bytes after {len(found)} messages",))
        (length,) = _LENGTH.unpack_from(data, at)
        at += 4
        if at + length > end:
            raise RecordAltered((f"message {len(found)} says {length} bytes where {end - at} are left",))
        found.append(data[at : at + length])
        at += length
    return found
