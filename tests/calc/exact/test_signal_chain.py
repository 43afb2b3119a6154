"""From the words on the wire to a pressure, through the code the engine runs, against published conversions.

Status words: *seen* = read in a public copy of the source; *memory* = not; *computed* = an independent computation.
The chain is linear in the unit of pressure, so cases printed without a unit are used without one.
"""

import doctest
import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as some

from drivers.plan import plan_scan
from drivers.registers import decode
from rigd.calc.exact import calibration, head, reference
from rigd.calc.exact.calibration import compile_channel, float32_of, is_failed, line
from rigd.calc.exact.quality import (
    FAILED_HIGH,
    FAILED_LOW,
    GOOD,
    IMPLAUSIBLE,
    NOT_FINITE,
    UNCERTAIN,
    current_quality,
)
from rigd.model.rig import REFERENCES, Address, Calibration, Signal

PSI = 8896443230521 / 1290320000  # Pa, from lbf and inch, both exact
EVERYTHING = {"range_low": -1e30, "range_high": 1e30}


def two_point(low: float, high: float) -> Calibration:
    return Calibration(kind="two_point", points=((4.0, low), (20.0, high)))


@pytest.mark.parametrize(
    ("microamperes", "low", "high", "expected"),
    [(16500, 0.0, 1500.0, 1171.875), (13500, 0.0, 10.0, 5.9375), (12000, -50.0, 50.0, 0.0)],
)
def test_current_to_value(make_channel, microamperes, low, high, expected):
    """C1, PV = (I - 4)/16 * span + LRV: instrumentationtools.com (seen). All three are exact in binary."""
    evaluate = compile_channel(make_channel(calibration=two_point(low, high), **EVERYTHING))
    assert evaluate(microamperes) == (expected, GOOD)


def test_value_to_current(make_channel):
    """C2, I = 16 x + 4: 40 % is 10.4 mA, 20 degC of 0..100 is 7.2 mA; instrumentationtools.com, divize.com (seen)."""
    assert line(0.40, 0.0, 4.0, 16.0) == pytest.approx(10.4, rel=1e-15)
    assert line(20.0, 0.0, 4.0, 16.0 / 100.0) == pytest.approx(7.2, rel=1e-15)
    evaluate = compile_channel(make_channel(calibration=two_point(0.0, 100.0), **EVERYTHING))
    assert evaluate(10400)[0] == pytest.approx(40.0, rel=1e-14)
    assert evaluate(7200)[0] == pytest.approx(20.0, rel=1e-14)


@pytest.mark.parametrize(
    ("microamperes", "psi", "quality"),
    [
        (3600, -25.0, FAILED_LOW),
        (3800, -12.5, GOOD),
        (20500, 1031.25, GOOD),
        (21000, 1062.5, FAILED_HIGH),
        (3601, None, UNCERTAIN),
        (3799, None, UNCERTAIN),
        (20501, None, UNCERTAIN),
        (20999, None, UNCERTAIN),
        (0, -250.0, FAILED_LOW),
        (-32768, None, FAILED_LOW),
        (32767, None, FAILED_HIGH),
    ],
)
def test_ne_43(make_channel, microamperes, psi, quality):
    """C3, 1000 psi span: zeroinstrument.com, instrunexus.com (seen; they disagree on the gaps, hence UNCERTAIN)."""
    value, got = compile_channel(make_channel(**EVERYTHING))(microamperes)
    assert got == quality
    assert is_failed(got) == (quality in (FAILED_LOW, FAILED_HIGH))
    if psi is not None:
        assert value / PSI == pytest.approx(psi, rel=1e-12), "the record shows what was said: never clamped"


def test_ne_43_bands_end_where_they_are_printed_to_the_last_bit():
    """C3 at the neighbouring floats of each boundary, and beyond what is a number."""
    for boundary, below, at, above in [
        (3.6, FAILED_LOW, FAILED_LOW, UNCERTAIN),
        (3.8, UNCERTAIN, GOOD, GOOD),
        (20.5, GOOD, GOOD, UNCERTAIN),
        (21.0, UNCERTAIN, FAILED_HIGH, FAILED_HIGH),
    ]:
        sides = math.nextafter(boundary, -math.inf), boundary, math.nextafter(boundary, math.inf)
        assert tuple(map(current_quality, sides)) == (below, at, above), boundary
    assert [current_quality(odd) for odd in (-math.inf, math.inf, math.nan)] == [FAILED_LOW, FAILED_HIGH, NOT_FINITE]


@pytest.mark.parametrize("counts_per_ma", [10, 25, 100, 125, 250, 700, 1000, 1250, 2000, 3000, 10_000, 1_000_000])
@pytest.mark.parametrize(("low", "high", "from_zero"), [(4.0, 20.0, True), (4.0, 20.0, False), (0.0, 24.0, True)])
def test_scaling_of_counts_moves_no_boundary(make_channel, counts_per_ma, low, high, from_zero):
    """However a module scales its counts, exactly 3.6, 3.8, 20.5 and 21 mA fall on the printed side of the band."""
    start = 0.0 if from_zero else low * counts_per_ma
    signal = Signal(
        kind="mA",
        counts_low=start,
        counts_high=start + (high - low) * counts_per_ma,
        signal_low=low,
        signal_high=high,
    )
    evaluate = compile_channel(make_channel(type="int32", signal=signal, **EVERYTHING))
    for tenths, quality in [(36, FAILED_LOW), (38, GOOD), (205, GOOD), (210, FAILED_HIGH)]:
        tenths_from_start = tenths * counts_per_ma - round(10 * (low * counts_per_ma - start))
        if tenths_from_start % 10 == 0:  # this module can say that current exactly
            assert evaluate(tenths_from_start // 10)[1] == quality, tenths / 10


def test_implausible_is_not_good_though_the_current_is(make_channel):
    """A value outside the channel's plausible range is no result; a failed current keeps its own, clearer word."""
    evaluate = compile_channel(make_channel(range_low=0.0, range_high=900.0 * PSI))
    assert [evaluate(counts)[1] for counts in (4000, 18400, 18401, 3999, 3700, 3000)] == [
        GOOD,
        GOOD,
        IMPLAUSIBLE,
        IMPLAUSIBLE,
        UNCERTAIN,
        FAILED_LOW,
    ]
    assert is_failed(IMPLAUSIBLE)
    assert not is_failed(UNCERTAIN)


def test_voltage_has_no_current_bands(make_channel):
    """0-10 V as millivolts for 0..1000 psi: 0 V is zero pressure, not a broken wire (common practice)."""
    volts = Signal(kind="V", counts_low=0.0, counts_high=10_000.0, signal_low=0.0, signal_high=10.0)
    line_to_psi = Calibration(kind="two_point", points=((0.0, 0.0), (10.0, 1000.0 * PSI)))
    evaluate = compile_channel(make_channel(signal=volts, calibration=line_to_psi))
    assert evaluate(0) == (0.0, GOOD)
    assert evaluate(5_000) == (pytest.approx(500.0 * PSI, rel=1e-15), GOOD)


def test_polynomial_and_table_give_a_published_curve(make_channel):
    """Platinum thermometer of 100 ohm, IEC 60751 (memory): R = 100 (1 + A t + B t^2), and its table every 10 degC."""
    table = ((0.0, 100.00), (10.0, 103.90), (20.0, 107.79), (30.0, 111.67), (40.0, 115.54), (50.0, 119.40))
    curve = Calibration(kind="polynomial", coefficients=(100.0, 0.39083, -5.775e-5))
    ohms = compile_channel(make_channel(bare=True, calibration=curve, **EVERYTHING))
    for celsius, printed in table:
        assert ohms(int(celsius)) == (pytest.approx(printed, abs=0.005), GOOD)
    points = tuple((resistance, celsius) for celsius, resistance in table)
    centiohms = Signal(kind="counts", counts_low=0.0, counts_high=10_000.0, signal_low=0.0, signal_high=100.0)
    backwards = Calibration(kind="table", points=points)
    celsius = compile_channel(make_channel(signal=centiohms, calibration=backwards, **EVERYTHING))
    for resistance, printed in points:
        assert celsius(round(resistance * 100)) == (pytest.approx(printed, abs=1e-9), GOOD)
    assert celsius(10_973)[0] == pytest.approx(25.0, abs=0.01), "between two points: 109.73 ohm is 25 degC"
    assert celsius(12_324)[0] == pytest.approx(60.0, abs=0.1), "the last segment goes on: 123.24 ohm is 60 degC"
    assert celsius(9_609)[0] == pytest.approx(-10.0, abs=0.1), "and the first: 96.09 ohm is -10 degC"


def test_kinds_of_calibration_agree_on_a_straight_line(make_channel):
    """The same line told as two points, as a polynomial and as a table of three points (theory)."""
    rise, offset = 1000.0 * PSI / 16.0, -4.0 * 1000.0 * PSI / 16.0
    kinds = [
        Calibration(kind="two_point", points=((4.0, 0.0), (20.0, 1000.0 * PSI))),
        Calibration(kind="polynomial", coefficients=(offset, rise)),
        Calibration(kind="table", points=((4.0, 0.0), (9.0, 5.0 * rise), (20.0, 1000.0 * PSI))),
    ]
    for counts in range(3500, 21_500, 50):
        answers = [compile_channel(make_channel(calibration=kind, **EVERYTHING))(counts) for kind in kinds]
        assert {quality for _, quality in answers} == {current_quality(counts / 1000)}
        assert [value for value, _ in answers] == pytest.approx([answers[0][0]] * 3, abs=1e-6)


def test_head_is_added_so_that_the_value_is_that_of_the_specimen(make_channel):
    """C8 (computed from IAPWS-95): a transducer 1 m above the datum reads 9789.07 Pa too little."""
    above = make_channel(head_pa=head.head_pa(1.0))
    value, quality = compile_channel(above)(12000)
    assert quality == GOOD
    assert value - compile_channel(make_channel())(12000)[0] == pytest.approx(9789.07, abs=0.005)
    assert head.head_pa(0.3048) / PSI == pytest.approx(0.43275, abs=5e-6)


def test_gauge_absolute_and_sealed():
    """C14 (definition, computed): the weather's 100 hPa moves a sealed transducer by 1.450 psi, a gauge one not at all.

    10 kPa / 6894.757 Pa. An absolute transducer in open air reads the atmosphere, 14.696 psi (101325 Pa, exact).
    """
    high, low = 105_000.0, 95_000.0  # Pa
    swing = {kind: reference.gauge_pa(0.0, kind, low) - reference.gauge_pa(0.0, kind, high) for kind in REFERENCES}
    assert swing["gauge"] == 0.0
    assert swing["sealed"] / PSI == pytest.approx(1.450, abs=5e-4)
    assert swing["absolute"] == swing["sealed"]
    for ambient in (high, low):  # the same 500 psi gauge, seen by three transducers
        said = {
            "gauge": 500.0 * PSI,
            "absolute": 500.0 * PSI + ambient,
            "sealed": 500.0 * PSI + ambient - reference.STANDARD_ATMOSPHERE_PA,
        }
        for kind, reading in said.items():
            assert reference.gauge_pa(reading, kind, ambient) == pytest.approx(500.0 * PSI, rel=1e-15), kind
    assert reference.STANDARD_ATMOSPHERE_PA / PSI == pytest.approx(14.696, abs=5e-4)
    with pytest.raises(AssertionError):
        reference.gauge_pa(0.0, "differential", low)


def test_published_float32_words_through_the_whole_chain(make_channel):
    """C16: words 3F80 0000 and 42F6 E979 are 1.0 and 123.456 (seen); in each of the four orders of a config file."""
    unity = Calibration(kind="two_point", points=((0.0, 0.0), (1.0, 1.0)))
    evaluate = compile_channel(make_channel(bare=True, type="float32", calibration=unity, **EVERYTHING))
    assert evaluate(decode((0x3F80, 0x0000), "float32", "ABCD")) == (1.0, GOOD)
    for words, order in [
        ((0x42F6, 0xE979), "ABCD"),
        ((0xE979, 0x42F6), "CDAB"),
        ((0xF642, 0x79E9), "BADC"),
        ((0x79E9, 0xF642), "DCBA"),
    ]:
        value, quality = evaluate(decode(words, "float32", order))
        assert (value, quality) == (pytest.approx(123.456, rel=1e-7), GOOD), order
    wrong, _ = evaluate(decode((0x42F6, 0xE979), "float32", "CDAB"))
    assert wrong != pytest.approx(123.456, rel=0.5), "the word order matters, so it is a field of the channel"


@pytest.mark.parametrize(
    "pattern", [0x7F800000, 0xFF800000, 0x7FC00000, 0xFFC00000, 0x7F800001, 0x7FFFFFFF, 0xFFFFFFFF]
)
@pytest.mark.parametrize("kind", ["mA", "V", "counts"])
def test_float32_that_is_no_number_is_failed_and_never_a_value(make_channel, pattern, kind):
    """IEEE 754: all exponent bits set is an infinity or a NaN, quiet or signalling (0xFFFFFFFF: an empty register)."""
    signal = Signal(kind=kind, counts_low=0.0, counts_high=1.0, signal_low=0.0, signal_high=1.0)
    value, quality = compile_channel(make_channel(type="float32", signal=signal, **EVERYTHING))(pattern)
    assert math.isnan(value)
    assert quality == NOT_FINITE
    assert is_failed(quality)


@given(some.integers(0, 2**32 - 1))
def test_float32_by_integer_arithmetic_is_what_the_processor_reads(pattern):
    """Every pattern, subnormal numbers and both zeroes too, against the machine's own IEEE 754 unit."""
    (machine,) = struct.unpack(">f", struct.pack(">I", pattern))
    ours = float32_of(pattern)
    if math.isfinite(machine):
        assert struct.pack(">d", ours) == struct.pack(">d", machine)
    else:
        assert math.isnan(ours)


def test_overflow_in_the_arithmetic_is_no_number_either(make_channel):
    steep = Calibration(kind="polynomial", coefficients=(0.0, 0.0, 1e300))
    evaluate = compile_channel(make_channel(bare=True, type="float32", calibration=steep, **EVERYTHING))
    value, quality = evaluate(0x7F7FFFFF)  # the largest float32
    assert math.isnan(value)
    assert quality == NOT_FINITE


def test_switch_is_0_or_1(make_channel):
    door = make_channel(type="bit", quantity="switch", role="door", signal=None, calibration=None, reference="")
    assert [compile_channel(door)(counts) for counts in (0, 1)] == [(0.0, GOOD), (1.0, GOOD)]


def test_largest_reply_of_a_planned_read(make_channel):
    """C15: at most 125 registers a read, so a 255-byte RTU reply (limit 256), 292.2 ms at 9600 baud (computed).

    Modbus limits quoted at csdn 140827116 (seen); 11 bits a character on a serial line (spec V1.02, seen quoted).
    """
    channels = [make_channel(name=f"c{n}", address=Address(table="holding", offset=n)) for n in range(300)]
    plan = plan_scan(channels)
    assert sum(block.count for block in plan.blocks) == 300
    assert max(block.count for block in plan.blocks) == 125
    reply_bytes = max(1 + 1 + 1 + block.byte_count + 2 for block in plan.blocks)  # unit, function, length, data, CRC
    assert reply_bytes == 255
    assert 1000.0 * reply_bytes * 11 / 9600 == pytest.approx(292.2, abs=0.05)


def test_worked_cases_in_the_docstrings():
    for module in (calibration, head, reference):
        failed, tried = doctest.testmod(module)
        assert (failed, tried > 0) == (0, True), module.__name__
