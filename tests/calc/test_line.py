"""The numbers of the demo rig's line, worked out again by hand, and what a worse line would make of them.

The formulas are held against published values and an independent solution in test_surge; the rig is invented.
"""

import math
from dataclasses import asdict, replace

import pytest

from rigd.calc import line
from rigd.files import load

PSI = 6894.757293168362
RHO = 998.2072  # water at 20 degC, IAPWS-95
K = 2.19341e9  # isentropic, IAPWS-95


@pytest.fixture(scope="module")
def demo():
    return load.load_rig(load.find("demo", "rig")), load.load_profile(load.find("ramped-burst", "profile"))


def with_line(rig, **different):
    return replace(rig, line=replace(rig.line, **different))


def test_the_demo_line_by_hand(demo):
    foretold = line.foretell(*demo)
    a = math.sqrt(K / RHO) / math.sqrt(1.0 + K * 12.0 / (1.5e9 * 2.0))
    assert foretold.wave_speed_m_per_s == pytest.approx(a, rel=1e-6)
    assert foretold.period_s == pytest.approx(5.2 / a) and foretold.needed_hz == pytest.approx(10 * a / 5.2)
    # 1 L/min at 10 psi across the inlet; flow goes with the root of pressure: 450 psi is the profile's max.
    flow = 1e-3 / 60 * math.sqrt(45.0) / (math.pi / 4 * 0.012**2)
    assert foretold.flow_m_per_s == pytest.approx(flow) and foretold.driving_name == "profile max"
    assert not foretold.sudden
    assert foretold.declared.rise_pa == pytest.approx(2 * RHO * 2.6 * flow / 0.05)  # Michaud
    assert foretold.at_once.rise_pa == pytest.approx(RHO * a * flow, rel=1e-6)  # Joukowsky
    assert foretold.declared.peak_pa == pytest.approx(450 * PSI + foretold.declared.rise_pa)
    assert foretold.declared.exceeded == ()
    assert [name for name, _ in foretold.at_once.exceeded] == ["trip overpressure_a", "trip overpressure_b"]
    assert (foretold.channel, foretold.scan_hz, foretold.lag_s) == ("specimen_a", 100.0, 0.02)
    assert not foretold.resolved
    assert foretold.blind_trips == ("overpressure_a", "overpressure_b", "tank_overpressure")


def test_a_stiffer_line_and_a_faster_valve_reach_one_limit_after_the_other(demo):
    rig, profile = demo
    slow = line.foretell(with_line(rig, modulus_pa=200e9, closes_ns=50_000_000), profile)
    fast = line.foretell(with_line(rig, modulus_pa=200e9, closes_ns=0), profile)
    assert fast.sudden and fast.declared == fast.at_once and fast.declared.rise_pa > 5 * slow.declared.rise_pa
    names = [name for name, _ in fast.declared.exceeded]
    assert names == ["trip overpressure_a", "trip overpressure_b", "relief set"]
    narrow = line.foretell(with_line(rig, modulus_pa=200e9, closes_ns=0, inside_m=0.006), profile)
    names = [name for name, _ in narrow.declared.exceeded]
    assert names[2:5] == ["relief set", "hose", "bladder tank"], "and every part, not only the weakest"
    narrower = line.foretell(with_line(rig, modulus_pa=200e9, closes_ns=0, inside_m=0.004), profile)
    assert {"proof of specimen_a", "proof of specimen_b", "proof of tank"} <= {n for n, _ in narrower.declared.exceeded}
    assert "proof of supply" not in {name for name, _ in narrower.declared.exceeded}, "no water there"


def test_an_anchored_line_is_stiffer(demo):
    rig, profile = demo
    held = line.foretell(with_line(rig, restraint="anchored_throughout", poisson=0.4), profile)
    assert held.wave_speed_m_per_s > line.foretell(rig, profile).wave_speed_m_per_s


def test_a_rig_alone_and_a_rig_without_a_line(demo):
    rig, profile = demo
    alone = line.foretell(rig)
    assert alone.driving_name == "trip tank_overpressure" and alone.driving_pa == pytest.approx(530 * PSI)
    assert [name for name, _ in alone.declared.exceeded] == [], "what the drive itself is above needs no surge"
    assert [name for name, _ in alone.at_once.exceeded] == ["relief set"]
    no_feed = replace(rig, rows=tuple(row for row in rig.rows if row.name != "tank_overpressure"))
    assert line.foretell(no_feed).driving_name == "end of set_point"
    assert line.foretell(replace(rig, line=None), profile) is None


def test_a_fast_and_quick_channel_sees_it(demo):
    rig, profile = demo
    device = replace(rig.devices[0], scan_ns=1_000_000)
    channels = tuple(replace(channel, tau_ns=500_000) for channel in rig.channels)
    seen = line.foretell(replace(rig, devices=(device,), channels=channels), profile)
    assert seen.resolved and seen.scan_hz == 1000.0
    assert seen.blind_trips == ("tank_overpressure",), "it waits 20 ms, longer than a peak lasts"
    lame = line.foretell(replace(rig, devices=(device,)), profile)
    assert lame.resolved and len(lame.blind_trips) == 3, "read fast enough, but a lag of 20 ms flattens it"


def test_it_is_plain_data(demo):
    body = asdict(line.foretell(*demo))
    assert body["at_once"]["exceeded"][0][0] == "trip overpressure_a"
