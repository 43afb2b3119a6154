"""The twin for arrays gives the engine's bits: every value and every quality, whatever a transmitter says."""

import doctest
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from rigd.calc import trace
from rigd.calc.exact.calibration import compile_channel
from rigd.model.rig import Calibration, Signal

DTYPES = {"int16": np.int16, "uint16": np.uint16, "int32": np.int32, "uint32": np.uint32, "float32": np.uint32}
EDGES_MA = (3.6, 3.8, 4.0, 20.0, 20.5, 21.0)
KNOT = (11.0, 0.9)

sizes = some.floats(-1e9, 1e9, allow_nan=False)
tame = some.floats(-1e4, 1e4, allow_nan=False).filter(lambda number: number == 0.0 or abs(number) > 1e-3)


@some.composite
def calibrations(draw):
    kind = draw(some.sampled_from(["two_point", "polynomial", "table"]))
    if kind == "polynomial":
        return Calibration(kind=kind, coefficients=tuple(draw(some.lists(sizes, min_size=1, max_size=5))))
    most = 2 if kind == "two_point" else 8
    at_x = sorted(draw(some.lists(some.integers(-40, 400), min_size=2, max_size=most, unique=True)))
    return Calibration(kind=kind, points=tuple((x / 10.0, draw(sizes)) for x in at_x))


@some.composite
def signals(draw):
    counts = draw(some.tuples(tame, tame).filter(lambda pair: pair[0] != pair[1]))
    levels = draw(some.sampled_from([(4.0, 20.0), (0.0, 24.0), (0.0, 10.0), (-5.0, 5.0), (0.0, 1.0)]))
    kind = draw(some.sampled_from(["mA", "V", "counts"]))
    return Signal(kind=kind, counts_low=counts[0], counts_high=counts[1], signal_low=levels[0], signal_high=levels[1])


def counts_of(type_: str, signal: Signal | None, data) -> np.ndarray:
    """Anything the type can carry, and what lies on and beside the edges of the bands."""
    dtype = DTYPES[type_]
    limits = np.iinfo(dtype)
    drawn = data.draw(some.lists(some.integers(limits.min, limits.max), min_size=1, max_size=60))
    if type_ == "float32":
        drawn += [0x7F800000, 0xFF800000, 0x7FC00000, 0xFFFFFFFF, 0x00000001, 0x80000000, 0x7F7FFFFF, 0x7F800001]
    elif signal is not None:
        per_level = (signal.counts_high - signal.counts_low) / (signal.signal_high - signal.signal_low)
        for edge in EDGES_MA:
            near = round(signal.counts_low + (edge - signal.signal_low) * per_level)
            drawn += [count for count in (near - 1, near, near + 1) if limits.min <= count <= limits.max]
    return np.array(drawn, dtype=dtype)


def assert_same_bits(counts: np.ndarray, channel) -> None:
    values, quality = trace.values_from_counts(counts, channel)
    scalar = [compile_channel(channel)(int(count)) for count in counts]
    assert quality.tolist() == [code for _, code in scalar]
    assert [struct.pack(">d", value) for value in values] == [struct.pack(">d", value) for value, _ in scalar]
    assert values.dtype == np.float64
    assert quality.dtype == np.uint8


@settings(max_examples=300, deadline=None)
@given(some.sampled_from(sorted(DTYPES)), signals(), calibrations(), sizes, sizes, some.floats(0.0, 1e9), some.data())
def test_twin_gives_the_engines_bits(make_channel, type_, signal, curve, head_pa, low, span, data):
    channel = make_channel(
        type=type_, signal=signal, calibration=curve, head_pa=head_pa, range_low=low, range_high=low + span
    )
    assert_same_bits(counts_of(type_, signal, data), channel)


@settings(max_examples=60, deadline=None)
@given(some.sampled_from(sorted(DTYPES)), some.data())
def test_twin_gives_the_engines_bits_for_the_commonest_channel(make_channel, type_, data):
    channel = make_channel(type=type_)
    assert_same_bits(counts_of(type_, channel.signal, data), channel)


def test_every_count_of_a_16_bit_channel(make_channel):
    """All 65,536, which is also more than one block, so that the seams between blocks are crossed."""
    everything = np.arange(-32768, 32768).astype(np.int16)
    assert len(everything) > 2 * trace.BLOCK_SAMPLES
    bent = Calibration(kind="table", points=((4.0, 0.0), (11.0, 3.1e6), (12.0, 3.5e6), (20.0, 6.9e6)))
    narrow = {"range_low": 0.0, "range_high": 6e6}  # within the bands and yet implausible, and the other way round
    for channel in (make_channel(head_pa=9789.07), make_channel(calibration=bent), make_channel(**narrow)):
        assert_same_bits(everything, channel)
        assert set(trace.values_from_counts(everything, channel)[1].tolist()) >= {0, 1, 2, 3}


def test_a_point_of_a_table_is_met_to_the_bit(make_channel):
    """At a point the segment that begins there counts, so the certificate's own number comes out.

    The segment that ends there would miss it by a bit, in both twins.
    """
    points = ((4.0, 0.0), KNOT, (20.0, 16.0))
    channel = make_channel(calibration=Calibration(kind="table", points=points), range_low=-10.0, range_high=30.0)
    assert (KNOT[0] - 4.0) * (KNOT[1] / (KNOT[0] - 4.0)) != KNOT[1]
    counts = np.array([round(KNOT[0] * 1000)], dtype=np.int16)
    assert trace.values_from_counts(counts, channel)[0].tolist() == [KNOT[1]]
    assert_same_bits(counts, channel)


def test_what_overflows_is_no_number_in_both_twins(make_channel):
    steep = Calibration(kind="polynomial", coefficients=(0.0, 0.0, 1e305))
    channel = make_channel(bare=True, calibration=steep, range_low=-1e300, range_high=1e300)
    assert_same_bits(np.array([-32768, -1, 0, 1, 32767], dtype=np.int16), channel)
    assert trace.values_from_counts(np.array([32767]), channel)[1].tolist() == [4]


def test_dtype_of_the_column_does_not_matter(make_channel):
    """A record stores what fits; a reader may widen it. The pattern of a float32 may even come back signed."""
    counts = np.array([3599, 3600, 3700, 3800, 12000, 20500, 20999, 21000], dtype=np.int16)
    first = trace.values_from_counts(counts, make_channel())
    for dtype in (np.int32, np.int64, np.uint16, np.uint64):
        again = trace.values_from_counts(counts.astype(dtype), make_channel())
        assert [column.tolist() for column in again] == [column.tolist() for column in first]
    patterns = np.array([0x42F6E979, 0xC2F6E979], dtype=np.uint32)
    for same in (patterns, patterns.view(np.int32), patterns.astype(np.int64)):
        values, _ = trace.values_from_counts(same, make_channel(type="float32", bare=True))
        assert values[0] > 0.0 > values[1]


def test_switches_empty_traces_and_what_is_refused(make_channel):
    door = make_channel(type="bit", quantity="switch", role="door", signal=None, calibration=None, reference="")
    assert_same_bits(np.array([0, 1, 1, 0], dtype=np.uint16), door)
    for channel in (door, make_channel()):
        assert [len(column) for column in trace.values_from_counts(np.array([], dtype=np.int16), channel)] == [0, 0]
    for wrong in (np.array([1.0, np.nan]), np.zeros((2, 2), dtype=np.int16), np.array([True])):
        with pytest.raises(TypeError, match=r"allowed: integers of shape \(n,\)"):
            trace.values_from_counts(wrong, make_channel())


def test_worked_case_in_the_docstring():
    assert doctest.testmod(trace) == (0, 5)
