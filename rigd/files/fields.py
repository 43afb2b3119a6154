"""The types that fields of our files may have, each able to refuse in words and to describe itself to an editor.

A type here turns text into SI (Pa, s, ns, K, m3) while pydantic walks the shape; what a field means to the rig is not
its business. Every refusal is a PydanticCustomError that carries `allowed` and `todo`, which `faults` makes a Fault.
"""

import re
from collections.abc import Callable
from datetime import date
from typing import Annotated, Any, NamedTuple, Union

from pydantic import BaseModel, BeforeValidator, ConfigDict, Discriminator, Field, Tag, WithJsonSchema
from pydantic_core import PydanticCustomError

from rigd.files import units
from rigd.files.units import Kind, NotAQuantity

NAME_PATTERN = r"^[a-z][a-z0-9_]{0,39}$"  # becomes a column name of the record
LABEL_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,59}$"  # becomes part of a folder name, so nothing a path could misread
MAX_WORDS = 400  # one screen line is 100; four are the most a person reads at a rig
NS = 1_000_000_000
MAX_OFFSET = 65535  # a Modbus address is 16 bits


class Shape(BaseModel):
    """Strict: no unknown key, no coercion, no infinity."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


def refusal(allowed: str, todo: str = "") -> PydanticCustomError:
    return PydanticCustomError("rigd", "{allowed}", {"allowed": allowed, "todo": todo})


def quantity(kind: Kind, low: str = "", high: str = "", scale: float = 1.0, whole: bool = False, word: str = "") -> Any:
    """A type for quantities of `kind` between two bounds, themselves written as text; `word` stands for 0."""
    bound_low = units.parse(low, kind) if low else None
    bound_high = units.parse(high, kind) if high else None
    bounds = _say_bounds(low, high)
    or_word = f", or `{word}`" if word else ""

    def read(text: Any) -> float | int:
        if word and text == word:
            return 0.0
        try:
            value = units.parse(text, kind)
        except NotAQuantity as trouble:
            raise refusal(trouble.allowed + or_word, trouble.todo) from trouble
        if (bound_low is not None and value < bound_low) or (bound_high is not None and value > bound_high):
            raise refusal(f"a {kind.name} {bounds}{or_word}")
        return round(value * scale) if whole else value * scale

    schema = {
        "type": "string",
        "pattern": units.pattern(kind),
        "examples": list(kind.examples),
        "description": f"{kind.allowed}{f' ({bounds})' if bounds else ''}{or_word}",
    }
    if word:
        schema = {"anyOf": [schema, {"const": word}]}
    return Annotated[int if whole else float, BeforeValidator(read), WithJsonSchema(schema)]


def duration(low: str, high: str) -> Any:
    """Time as whole nanoseconds."""
    return quantity(units.TIME, low, high, scale=NS, whole=True)


def _say_bounds(low: str, high: str) -> str:
    if low and high:
        return f"from {low} to {high}"
    return f"at least {low}" if low else f"at most {high}" if high else ""


class SignalValue(NamedTuple):
    value: float
    kind: str  # "mA", "V", "counts"


def _read_signal(text: Any) -> SignalValue:
    for name, kind in units.SIGNALS.items():
        try:
            return SignalValue(units.parse(text, kind), name)
        except NotAQuantity:
            continue
    raise refusal("a signal with its unit, such as 4 mA, 0.5 V or 4000 counts", "")


def _read_address(text: Any) -> tuple[str, int]:
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        return _read_number_address(str(text))
    match = re.fullmatch(r"(holding|input|coil|discrete):(0|[1-9][0-9]{0,4})", text) if isinstance(text, str) else None
    if match is None:
        return _read_number_address(text if isinstance(text, str) else "")
    offset = int(match[2])
    if offset > MAX_OFFSET:
        raise refusal(f"an offset from 0 to {MAX_OFFSET}")
    return match[1], offset


ADDRESS_ALLOWED = "holding:0, input:0, coil:0 or discrete:0 (counted from 0), or 40001 / 30001 (counted from 1)"
_BY_DIGIT = {"4": "holding", "3": "input"}


def _read_number_address(text: str) -> tuple[str, int]:
    match = re.fullmatch(r"([34])([0-9]{4,5})", text)
    if match and 1 <= int(match[2]) <= MAX_OFFSET + 1:
        return _BY_DIGIT[match[1]], int(match[2]) - 1
    todo = ""
    if text.isdigit() and len(text) < 5:
        todo = f"A bare {text} could count from 0 or from 1: write holding:{text} or {40001 + int(text)}"
    raise refusal(ADDRESS_ALLOWED, todo)


def _read_date(text: Any) -> str:
    allowed = "a date written as 2026-06-12"
    if not isinstance(text, str) or not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        raise refusal(allowed)
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as trouble:
        raise refusal(allowed, f"There is no such day ({trouble})") from trouble


def _read_words(text: Any) -> str:
    if not isinstance(text, str):
        raise refusal("words", f"Put it in quotes if {text} is meant as text" if isinstance(text, int | float) else "")
    if not text.strip() or len(text) > MAX_WORDS or not text.isprintable():
        raise refusal(f"1 to {MAX_WORDS} printable characters")
    return text


def label_reader(pattern: str, allowed: str) -> Callable[[Any], str]:
    def read(text: Any) -> str:
        if isinstance(text, str) and re.fullmatch(pattern, text):
            return text
        todo = f'Put it in quotes: "{text}"' if isinstance(text, int | float) and not isinstance(text, bool) else ""
        raise refusal(allowed, todo)

    return read


def _read_blocks(text: Any) -> tuple[int, ...]:
    """One block, or as many alike as `20 x 12` says."""
    match = re.fullmatch(r"(?:([1-9][0-9]{0,3}) x )?([1-9][0-9]{0,6})", str(text))
    if isinstance(text, bool) or not isinstance(text, int | str) or match is None:
        raise refusal("a number of cycles, or blocks alike such as `20 x 12`, which is 20 blocks of 12")
    return (int(match[2]),) * int(match[1] or 1)


NAME_ALLOWED = "a name of small letters, digits and _, at most 40, beginning with a letter"
LABEL_ALLOWED = "letters, digits, spaces and . _ -, at most 60"
Name = Annotated[
    str,
    BeforeValidator(label_reader(NAME_PATTERN, NAME_ALLOWED)),
    WithJsonSchema({"type": "string", "pattern": NAME_PATTERN}),
]
Label = Annotated[
    str,
    BeforeValidator(label_reader(LABEL_PATTERN, LABEL_ALLOWED)),
    WithJsonSchema({"type": "string", "pattern": LABEL_PATTERN}),
]
Words = Annotated[
    str, BeforeValidator(_read_words), WithJsonSchema({"type": "string", "minLength": 1, "maxLength": MAX_WORDS})
]
Day = Annotated[
    str, BeforeValidator(_read_date), WithJsonSchema({"type": "string", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"})
]
AddressText = Annotated[
    Any,
    BeforeValidator(_read_address),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "pattern": "^(holding|input|coil|discrete):(0|[1-9][0-9]{0,4})$"},
                {"type": "integer", "minimum": 30001, "maximum": 465536},
            ],
            "description": ADDRESS_ALLOWED,
            "examples": ["holding:0", 40001],
        }
    ),
]
Blocks = Annotated[
    Any,
    BeforeValidator(_read_blocks),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 1, "maximum": 9_999_999},
                {"type": "string", "pattern": "^[1-9][0-9]{0,3} x [1-9][0-9]{0,6}$"},
            ]
        }
    ),
]
EACH = "each"


def _read_station(text: Any) -> int | str:
    if text == EACH or (isinstance(text, int) and not isinstance(text, bool) and text >= 1):
        return text
    raise refusal(f"`{EACH}` for all stations, or the number of one, from 1")


StationText = Annotated[
    Any,
    BeforeValidator(_read_station),
    WithJsonSchema({"anyOf": [{"const": EACH}, {"type": "integer", "minimum": 1}]}),
]


def one_or_each(item: Any) -> Any:
    """One for all, or a list with one for each station. The tags keep a fault at the piece it is about."""
    return Annotated[
        Union[Annotated[item, Tag("one")], Annotated[list[item], Field(min_length=1), Tag("list")]],  # noqa: UP007
        Discriminator(lambda value: "list" if isinstance(value, list) else "one"),
    ]


Signal = Annotated[
    Any,
    BeforeValidator(_read_signal),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": rf"^\s*{units.NUMBER}\s*(mA|A|uA|V|mV|counts)\s*$",
            "examples": ["4 mA", "0.5 V", "4000 counts"],
        }
    ),
]

Pressure = quantity(units.PRESSURE, low="-1 bar", high="10000 bar")
PressureReading = quantity(units.PRESSURE, low="-10000 bar", high="10000 bar")
PositivePressure = quantity(units.PRESSURE, low="1 Pa", high="10000 bar")
Rate = quantity(units.RATE, low="1 Pa/s", high="1000 bar/s")
Temperature = quantity(units.TEMPERATURE, low="-60 degC", high="200 degC")
TemperatureDifference = quantity(units.DIFFERENCE, low="0 K", high="100 K")
Length = quantity(units.LENGTH, low="0 m", high="1000 m")
Height = quantity(units.LENGTH, low="-100 m", high="100 m")
Volume = quantity(units.VOLUME, low="0 L", high="100 m^3")
Flow = quantity(units.FLOW, low="0 L/min", high="10 m^3/s")
FlowReading = quantity(units.FLOW, low="-10 m^3/s", high="10 m^3/s")
PositiveFlow = quantity(units.FLOW, low="0.001 L/min", high="10 m^3/s")
Mass = quantity(units.MASS, low="-1000 kg", high="1000 kg")
MassDifference = quantity(units.MASS, low="0 kg", high="1000 kg")
Energy = quantity(units.ENERGY, low="0 J", high="1000 MJ")
Share = quantity(units.FRACTION, low="0 %", high="100 %")
Percent = quantity(units.FRACTION, low="0 %", high="50 %")
