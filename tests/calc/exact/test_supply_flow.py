"""The flow sign: a leak is what is fed above the least of the ramp; holds and shrinking air are none.

The flow of a hole is checked by checks/physics.md L15 (sharp-edged orifice, Cd 0.62).
"""

from math import pi

import pytest

from rigd.calc.exact.burst import opening_m2
from rigd.calc.exact.supply_flow import BLOCK_NS, FlowWatch

ML = 1e-6
SCAN_NS = 50_000_000
LIMIT = 1.0 * ML


def fed(flows, called=None):
    """The watch, and the sample at which it answered; the ramp rises by 1 kPa a sample."""
    watch = FlowWatch(LIMIT)
    for at, flow in enumerate(flows):
        pressure_pa = 1000.0 * (at if called is None else called[at])
        if watch.add(at * SCAN_NS, pressure_pa, flow, pressure_pa):
            return watch, at
    return watch, None


def test_a_leak_is_told_within_two_blocks_and_began_after_the_onset():
    watch, at = fed([0.2 * ML] * 100 + [1.5 * ML] * 60)
    assert at is not None and 0 < (at - 100) * SCAN_NS <= 2 * BLOCK_NS + 2 * SCAN_NS
    assert watch.onset_ns <= 100 * SCAN_NS and watch.onset_pa == 1000.0 * watch.onset_ns / SCAN_NS
    assert 100 * SCAN_NS - watch.onset_ns <= 2 * BLOCK_NS


@pytest.mark.parametrize("flows", [
    [17.0 * ML / (1 + at / 10) ** 2 for at in range(400)],  # air that shrinks takes less and less
    [1.1 * ML] * 400,  # a soft body takes much, steadily
    [0.2 * ML] * 100 + [1.1 * ML] * 60,  # below the limit
    [float("nan")] * 400,
])  # fmt: skip
def test_a_tight_body_is_none(flows):
    assert fed(flows)[1] is None


def test_a_hold_lowers_nothing():
    """While the pressure called for stands still a tight body takes nothing; going on it takes its own flow again."""
    called = [*range(1, 101), *[100] * 60, *range(101, 201)]
    flows = [1.2 * ML] * 100 + [0.0] * 60 + [1.2 * ML] * 100
    assert fed(flows, called)[1] is None
    assert fed(flows, range(1, 261))[1] is not None, "without the hold that would be a leak"


def test_the_opening_of_a_flow_is_that_of_an_orifice():
    """L15: a round hole of 0.1 mm at 40 psi passes 6.868 mL/min."""
    assert opening_m2(6.868 * ML / 60.0, 40.0 * 6894.757) == pytest.approx(pi / 4.0 * 0.1e-3**2, rel=1e-3)
