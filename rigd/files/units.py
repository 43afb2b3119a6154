"""Units stop at this door: text such as `380 psi` becomes an SI float here, and an SI float becomes text for people.

The text is split into number and unit by our own pattern and never given to pint's parser, which takes `100,5 psi` for
1005 psi, `psi` for 1 psi and `1/8 turn` for 0.125. Which units may be written is a closed list for each kind of
quantity; pint only answers what one of them is worth, once. It refuses to know of gauge and absolute: that is the
attribute `reference` of a channel. A gauge "unit" would freeze one atmosphere into a file and compare wrongly across
its own offset.
"""

import difflib
import math
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any

NUMBER = r"[-+]?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][-+]?[0-9]{1,2})?"
_SPLIT = re.compile(rf"\s*({NUMBER})\s*([^\s0-9.,+:±-].*?)?\s*", re.DOTALL)
MAX_TEXT = 64  # longest quantity ever meant; longer text is a mistake and is not worth parsing


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of quantity: what a person may write and the unit it ends in."""

    name: str
    si: str
    units: tuple[str, ...]
    examples: tuple[str, ...]

    @property
    def allowed(self) -> str:
        article = "an" if self.name[0] in "aeiou" else "a"
        return f"{article} {self.name} with its unit, such as {' or '.join(self.examples)}"


_PRESSURE_UNITS = (
    *("psi", "kPa", "MPa", "bar", "Pa", "hPa", "mbar", "ksi", "atm", "kgf/cm^2", "torr", "mmHg", "cmHg", "inHg"),
    *("inHg_32F", "inHg_60F", "inH2O", "inH2O_39F", "inH2O_4C", "inH2O_60F", "ftH2O", "ftH2O_4C", "cmH2O", "cmH2O_4C"),
)
_RATE_UNITS = tuple(f"{unit}/{per}" for unit in ("psi", "kPa", "MPa", "bar", "Pa") for per in ("s", "min"))
_PINT_SPELLING = {"inH2O_39F": "inH2O_4C"}

PRESSURE = Kind(name="pressure", si="Pa", units=_PRESSURE_UNITS, examples=("380 psi", "2.6 MPa"))
RATE = Kind(name="pressure rate", si="Pa/s", units=_RATE_UNITS, examples=("8 psi/s", "3 bar/min"))
TIME = Kind(name="time", si="s", units=("us", "ms", "s", "min", "h", "day"), examples=("10 ms", "2 h"))
TEMPERATURE = Kind(name="temperature", si="K", units=("degC", "degF", "K"), examples=("21 degC", "70 degF"))
DIFFERENCE = Kind(
    name="temperature difference", si="K", units=("K", "delta_degC", "delta_degF"), examples=("0.5 K", "1 delta_degF")
)
LENGTH = Kind(name="length", si="m", units=("m", "cm", "mm", "inch", "ft"), examples=("0.3 m", "12 inch"))
VOLUME = Kind(
    name="volume", si="m^3", units=("L", "mL", "cm^3", "m^3", "gallon", "inch^3", "ft^3"), examples=("1.4 L", "50 mL")
)
FLOW = Kind(
    name="flow",
    si="m^3/s",
    units=("L/min", "L/s", "L/h", "mL/min", "m^3/h", "m^3/s", "ft^3/min", "gpm"),
    examples=("2 L/min", "0.5 gpm"),
)
MASS = Kind(name="mass", si="kg", units=("kg", "g", "mg", "lb", "oz"), examples=("1.5 kg", "20 g"))
ENERGY = Kind(name="energy", si="J", units=("J", "kJ", "MJ", "ft_lb"), examples=("40 kJ", "3000 ft_lb"))
ANGLE = Kind(name="angle", si="deg", units=("deg",), examples=("90 deg", "15 deg"))
STRETCH = Kind(
    name="growth in volume per pressure", si="m^3/Pa", units=("mL/MPa", "mL/bar", "mL/psi"),
    examples=("2 mL/MPa", "0.01 mL/psi"),
)
EXPANSION = Kind(
    name="linear expansion per temperature", si="1/K", units=("um/m/K", "mm/m/K"),
    examples=("70 um/m/K", "0.07 mm/m/K"),
)
CURRENT = Kind(name="current", si="mA", units=("mA", "A", "uA"), examples=("4 mA", "0.02 A"))
VOLTAGE = Kind(name="voltage", si="V", units=("V", "mV"), examples=("0.5 V", "5000 mV"))
COUNTS = Kind(name="number of counts", si="counts", units=("counts",), examples=("0 counts", "4000 counts"))
FRACTION = Kind(name="percentage", si="", units=("%",), examples=("5 %", "0.5 %"))

KINDS = (
    *(PRESSURE, RATE, TIME, TEMPERATURE, DIFFERENCE, LENGTH, VOLUME, FLOW, MASS, ENERGY, ANGLE, CURRENT, VOLTAGE),
    *(STRETCH, EXPANSION, COUNTS, FRACTION),
)
SIGNALS = {"mA": CURRENT, "V": VOLTAGE, "counts": COUNTS}

MARKED = {
    f"{unit}{mark}": (unit, "gauge" if "g" in mark else "absolute")
    for unit in ("psi", "bar", "kPa", "MPa", "Pa", "mbar")
    for mark in ("g", "a", "(g)", "(a)", "_g", "_a")
}
"""Marks the trade writes on units. They are refused by name, with the way to say it here."""

_SLIPS = {"C": "degC", "°C": "degC", "F": "degF", "°F": "degF", "in": "inch", "l": "L", "l/min": "L/min", "sec": "s"}
_SLIPS |= {"minutes": "min", "hours": "h", "seconds": "s", "percent": "%", "psi/sec": "psi/s", "lpm": "L/min"}


class NotAQuantity(ValueError):
    """The text is not a quantity of the kind that is due; says what is allowed and what to do."""

    def __init__(self, allowed: str, todo: str) -> None:
        self.allowed = allowed
        self.todo = todo
        super().__init__(f"allowed: {allowed}. {todo}")


@cache
def _registry() -> Any:
    """The one registry: quantities of two registries do not mix. Made on first use, since it costs some 0.3 s.

    It works in fractions, so that a value is rounded once, when it becomes a float.
    """
    import pint

    made = pint.UnitRegistry(non_int_type=Fraction)
    made.define("gpm = gallon / minute")
    made.define("ft_lb = foot * force_pound")
    return made


@cache
def _worth(unit: str, si: str) -> tuple[Fraction, Fraction]:
    """What one unit is worth, exactly: SI = value * factor + offset."""
    if unit == si:
        return Fraction(1), Fraction(0)
    if unit == "%":
        return Fraction(1, 100), Fraction(0)
    unit = _PINT_SPELLING.get(unit, unit)
    offset = Fraction(_registry().Quantity(Fraction(0), unit).to(si).magnitude)
    return Fraction(_registry().Quantity(Fraction(1), unit).to(si).magnitude) - offset, offset


@cache
def _parse_text(text: str, kind: Kind) -> float:
    match = _SPLIT.fullmatch(text)
    if match is None:
        raise NotAQuantity(kind.allowed, _why_not(text))
    number, unit = match[1], match[2]
    if not unit:
        raise NotAQuantity(kind.allowed, f"A bare number is refused where a unit is due: write the unit after {number}")
    if unit not in kind.units:
        raise NotAQuantity(kind.allowed, _why_not_unit(unit, kind))
    factor, offset = _worth(unit, kind.si)
    return float(Fraction(number) * factor + offset)  # at most two digits of exponent, so it stays finite


def parse(text: Any, kind: Kind) -> float:
    """Turn text into the value in `kind.si`. Results are cached. Raises NotAQuantity."""
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise NotAQuantity(kind.allowed, "")
    if not isinstance(text, str):
        raise NotAQuantity(kind.allowed, f"A bare number is refused where a unit is due: write the unit after {text}")
    if len(text) > MAX_TEXT:
        raise NotAQuantity(kind.allowed, f"The text is longer than {MAX_TEXT} characters")
    return _parse_text(text, kind)


ANSWERED = {kind.si: kind for kind in (PRESSURE, TIME, TEMPERATURE, LENGTH, VOLUME, FLOW, MASS)}
"""Kinds a person may be asked for, by their SI unit."""


def answer_in(si: str, text: str) -> str:
    """What a person typed, as the text of a number in `si` that an engine takes: "" is no quantity and stays as typed,
    "number" is a plain number. Raises NotAQuantity."""
    if not si:
        return text
    if si in ANSWERED:
        return repr(parse(text, ANSWERED[si]))
    try:
        value = float(text)
    except ValueError:
        value = math.inf
    if not math.isfinite(value):
        raise NotAQuantity("a plain number such as 12 or 3.5", "")
    return repr(value)


def say(value_si: float, unit: str, kind: Kind = PRESSURE, digits: int = 4) -> str:
    """Write a value given in `kind.si` in `unit`, for people."""
    factor, offset = _worth(unit, kind.si)
    return f"{(value_si - float(offset)) / float(factor):.{digits}g} {unit}"


def pattern(kind: Kind) -> str:
    """The pattern of a JSON Schema for this kind: what an editor can check without knowing units."""
    return rf"^\s*{NUMBER}\s*({'|'.join(re.escape(unit) for unit in kind.units)})\s*$"


def unit_of(text: str) -> str:
    """The unit a person wrote, of text that parses."""
    match = _SPLIT.fullmatch(text)
    assert match and match[2]
    return match[2]


def per(kind: Kind, signal: Kind, power: int) -> Kind:
    """The kind of coefficient number `power` of a polynomial: psi, psi/mA, psi/mA^2. Counts are plain numbers."""
    assert power >= 0
    if power == 0:
        return kind
    over = kind if kind is not TEMPERATURE else DIFFERENCE
    raised = f"^{power}" if power > 1 else ""
    return Kind(
        name=f"{over.name} per {signal.si}{raised}",
        si=f"{over.si}/{_pint_signal(signal.si)}{raised}",
        units=tuple(f"{unit}/{by}{raised}" for unit in over.units for by in signal.units),
        examples=(f"1.5 {over.units[0]}/{signal.units[0]}{raised}",),
    )


def _pint_signal(si: str) -> str:
    return "count" if si == "counts" else si


def _why_not(text: str) -> str:
    """Name the usual slips; each of them has been a number somebody believed."""
    if re.search(r"[0-9],[0-9]", text):
        return "A comma is not a decimal point: write 100.5"
    if re.search(r"(nan|inf|infinity)\b", text, re.IGNORECASE):
        return "Not-a-number and infinity are not quantities"
    if "±" in text or "+-" in text:
        return "A tolerance has a key of its own"
    if re.match(r"\s*[-+]?0[0-9]", text):
        return "A number does not begin with 0: it could be octal"
    if re.match(r"\s*[0-9]+:[0-9]", text):
        return "A colon is not part of a quantity: write 90 s or 1.5 min"
    if re.match(r"\s*[A-Za-z]", text):
        return "The number is missing"
    return "Write one number, a space and one unit"


def _why_not_unit(unit: str, kind: Kind) -> str:
    squeezed = unit.replace(" ", "")
    if squeezed in MARKED:
        plain, reference = MARKED[squeezed]
        return f"Write {plain}: gauge or absolute is not a unit but the channel's key `reference: {reference}`"
    if "±" in unit or "+-" in unit:
        return "A tolerance has a key of its own"
    if kind is DIFFERENCE and unit in TEMPERATURE.units:
        return f"{unit} is a point on a scale and a difference is due: write K or delta_{unit}"
    other = next((known.name for known in KINDS if unit in known.units), "")
    if other:
        return f"{unit} is a unit of {other}"
    close = [_SLIPS[unit]] if _SLIPS.get(unit) in kind.units else _close(squeezed, kind.units)
    hint = f"; did you mean {close[0]}?" if close else f"; known here: {', '.join(kind.units[:8])}"
    return f"Unknown unit {unit!r}{hint}"


def _close(unit: str, units: tuple[str, ...]) -> list[str]:
    same_letters = [known for known in units if known.lower() == unit.lower()]
    return same_letters or difflib.get_close_matches(unit, units, n=1)
