"""Units against NIST SP 811 appendix B.9, and every way a quantity must not be read."""

from fractions import Fraction

import pytest

from rigd.files import units
from rigd.files.units import NotAQuantity

# NIST SP 811 B.9 (physics.nist.gov/Pubs/SP811/appenB9.html), factor to Pa as printed, and the tolerance of its digits.
# Where pint differs by more than the printed digits the tolerance says so: it has one density of mercury for 0 degC and
# "conventional", and 4 degC water stands for 39.2 degF.
NIST_PA = {
    "psi": (6.894757e3, 1e-7),
    "bar": (1e5, 0),
    "atm": (101_325.0, 0),
    "kgf/cm^2": (98_066.5, 0),
    "torr": (133.3224, 3e-7),
    "mmHg": (133.3224, 2e-7),
    "inHg": (3386.389, 2e-7),
    "inHg_60F": (3376.85, 5e-7),
    "inHg_32F": (3386.38, 3e-6),
    "cmHg": (1333.22, 3e-6),
    "inH2O": (249.0889, 5e-8),
    "inH2O_39F": (249.082, 3e-7),
    "inH2O_4C": (249.082, 3e-7),
    "inH2O_60F": (248.84, 3.5e-7),
    "ftH2O": (2989.067, 5e-8),
    "ftH2O_4C": (2988.98, 1.2e-6),
    "cmH2O": (98.0665, 0),
    "cmH2O_4C": (98.0638, 5e-7),
    "ksi": (6.894757e6, 1e-7),
    "mbar": (100.0, 0),
    "kPa": (1e3, 0),
}


@pytest.mark.parametrize("unit", NIST_PA)
def test_pressure_units_agree_with_nist(unit):
    factor, tolerance = NIST_PA[unit]
    assert units.parse(f"1 {unit}", units.PRESSURE) == pytest.approx(factor, rel=tolerance or 1e-15)


def test_units_that_look_alike_are_kept_apart():
    # NIST SP 811 B.9: conventional mmHg and torr differ by 1.4e-7; 60 degF water is 0.10 % lighter.
    one = {unit: units.parse(f"1 {unit}", units.PRESSURE) for unit in ("torr", "mmHg", "inH2O", "inH2O_60F")}
    assert one["mmHg"] / one["torr"] - 1 == pytest.approx(1.4e-7, rel=0.05)
    assert one["inH2O_60F"] / one["inH2O"] - 1 == pytest.approx(-1.0e-3, rel=0.01)


def test_psi_is_exact_and_every_value_is_rounded_once():
    psi = Fraction(8896443230521, 1290320000)  # by the definitions of pound, inch and standard gravity
    for number in ("1", "380", "0.1", "14.695948775", "1e-3", "-40"):
        assert units.parse(f"{number} psi", units.PRESSURE) == float(Fraction(number) * psi)
    assert units.parse("0.1 s", units.TIME) == 0.1
    assert units.parse("1.4 L", units.VOLUME) == 0.0014


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("600 psi", units.PRESSURE, 4136854.3759010167),
        ("  2.5   MPa ", units.PRESSURE, 2.5e6),
        ("5psi", units.PRESSURE, 34473.78646584181),
        ("20 degC", units.TEMPERATURE, 293.15),
        ("68 degF", units.TEMPERATURE, 293.15),
        ("1e2 kPa", units.PRESSURE, 1e5),
        ("5 psi/s", units.RATE, 34473.78646584181),
        ("60 psi/min", units.RATE, 6894.757293168362),
        ("2 gpm", units.FLOW, 2 * 231 * 0.0254**3 / 60),  # US gallon = 231 in3
        ("1 ft_lb", units.ENERGY, 0.3048 * 0.45359237 * 9.80665),
        ("9 delta_degF", units.DIFFERENCE, 5.0),
        ("0.02 A", units.CURRENT, 20.0),
        ("5 %", units.FRACTION, 0.05),
        ("4000 counts", units.COUNTS, 4000.0),
        ("2 h", units.TIME, 7200.0),
    ],
)
def test_accepted(text, kind, value):
    assert units.parse(text, kind) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        *("100,5 psi", "nan psi", "inf psi", "psi", "1/8 psi", "40 psi ± 2 psi", "100 PSI", "5 s*2", "", " ", "-"),
        *("1e psi", "1_000 psi", "012 psi", "0x10 psi", "1:30 psi", "1e999 psi", "5 psig", "5 psi g", "5 bara"),
        *("5 kPa(a)", "5 s", "+ 5 psi", "5 5 psi", "5 psi psi", ".5 psi", "5. psi", "٣ psi", "5 psi\n6"),
        *("5\x00psi", "5 " + "psi" * 40),
        *(5, 5.0, True, None, [], {}),
    ],
)  # fmt: skip
def test_refused_as_a_pressure_in_words(text):
    with pytest.raises(NotAQuantity) as refused:
        units.parse(text, units.PRESSURE)
    assert "a pressure with its unit" in refused.value.allowed


def test_every_listed_unit_has_a_worth_and_a_pattern():
    import re

    for kind in units.KINDS:
        for unit in kind.units:
            value = units.parse(f"3 {unit}", kind)
            assert value > 0
            assert units.say(value, unit, kind, digits=9) == f"3 {unit}"
            assert re.match(units.pattern(kind), f"3 {unit}")
        assert not re.match(units.pattern(kind), "3")
        assert all(units.parse(example, kind) >= 0 for example in kind.examples)


def test_coefficients_of_a_polynomial_have_units_too():
    # 4-20 mA to 0-1000 psi: -250 psi + 62.5 psi/mA, from PV = (I - 4)/16 span (instrumentationtools.com)
    rise = units.parse("62.5 psi/mA", units.per(units.PRESSURE, units.CURRENT, 1))
    start = units.parse("-250 psi", units.per(units.PRESSURE, units.CURRENT, 0))
    assert start + 20.0 * rise == pytest.approx(units.parse("1000 psi", units.PRESSURE), rel=1e-15)
    assert units.parse("0.01 K/counts", units.per(units.TEMPERATURE, units.COUNTS, 1)) == 0.01
    with pytest.raises(NotAQuantity, match="psi/mA"):
        units.parse("62.5 psi", units.per(units.PRESSURE, units.CURRENT, 1))


def test_an_answer_reaches_the_engine_as_a_number_in_si_or_is_refused():
    assert units.answer_in("", "K") == "K"
    assert float(units.answer_in("K", "21 degC")) == pytest.approx(294.15)  # ITS-90: 0 degC is 273.15 K
    assert float(units.answer_in("s", "2 h")) == 7200.0
    assert float(units.answer_in("kg", "20 g")) == pytest.approx(0.02)
    assert float(units.answer_in("number", "12")) == 12.0
    for si, text in (("s", "2"), ("number", "2 h"), ("number", "nan"), ("kg", "2 psi")):
        with pytest.raises(units.NotAQuantity):
            units.answer_in(si, text)
