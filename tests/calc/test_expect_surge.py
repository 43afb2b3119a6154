"""What is foretold of a night of surges, worked out again by hand; the rig and the profile are invented."""

from dataclasses import replace

import pytest

from rigd.calc import energy, expect, surge
from rigd.files import load
from rigd.model.profile import Surge

PSI = 6894.757293168362


@pytest.fixture(scope="module")
def night():
    rig = load.load_rig(load.find("demo-surge", "rig"))
    profile = load.load_profile(load.find("cyclic-surge", "profile"))
    return rig, profile, load.load_specimen(load.find("K-21", "specimen"))


def with_step(profile, **changes):
    steps = tuple(replace(step, **changes) if isinstance(step, Surge) else step for step in profile.steps)
    return replace(profile, steps=steps)


def test_cycles_and_times(night):
    (told,) = expect.forecast(*night).surges
    assert (told.owed, told.blocks, told.stations, told.inspections) == (24, 2, 4, 0)
    # 150 ms charge, 30 ms opening, 50 ms rise, 400 ms hold, 200 ms drain, 1 s rest; at most 3 s blow-down, and 300 ms
    # that the part may take beyond the drain.
    assert told.cycle_least_s == pytest.approx(1.83) and told.cycle_most_s == pytest.approx(1.83 + 3.3)
    # One rest of 20 s between the two blocks, in place of 1 s.
    assert told.least_s == pytest.approx(24 * 1.83 + 19) and told.most_s == pytest.approx(24 * 5.13 + 19)
    step = next(step for step in expect.forecast(*night).steps if step.kind == "surge")
    assert (step.least_s, step.most_s) == (told.least_s, told.most_s)


def test_a_long_night_and_its_disk(night):
    rig, profile, _ = night
    long = with_step(profile, blocks=(12,) * 834, between_ns=60_000_000_000)
    told = expect.forecast(rig, long)
    assert told.surges[0].owed == 10_008 and told.surges[0].least_s == pytest.approx(10_008 * 1.83 + 833 * 59)
    # Four bytes a channel and scan (the limit that benchmarks hold): 9 shared channels and 7 of its own in each record
    # of four, 100 scans a second.
    own = sum(1 for channel in rig.channels if channel.station == 1)
    shared = sum(1 for channel in rig.channels if channel.station == 0)
    assert told.bytes_per_s == pytest.approx(4 * 4.0 * (own + shared) * 100)
    assert told.disk_bytes == pytest.approx(told.bytes_per_s * told.most_s)
    inspected = expect.forecast(rig, with_step(profile, between="inspect", between_prompt="look")).surges[0]
    assert inspected.inspections == 1 and inspected.least_s == pytest.approx(24 * 1.83)


def test_stored_energy(night):
    rig, _, specimen = night
    water = expect.forecast(*night).surges[0]
    assert water.gas_j == 0.0 and water.specimen_known
    # P^2 V/(2 K) with K = 2.18 GPa (E14 of the check values), 0.8 L of specimen and a quarter of 0.8 L of lines.
    assert water.water_j == pytest.approx((86 * PSI) ** 2 * 1.0e-3 / (2 * 2.18e9), rel=1e-9)
    assert water.behind_j == pytest.approx(energy.gas_pcc2_j(86 * PSI + 101_000.0, 4e-3))
    by_air = expect.forecast(rig, load.load_profile(load.find("surge-air-over-water", "profile")), specimen).surges[0]
    # All gas behind the regulator, and air in place of the water of line and specimen: 4 + 0.2 + 0.8 L.
    assert by_air.gas_j == pytest.approx(energy.gas_pcc2_j(62 * PSI + 101_000.0, 5e-3))
    assert by_air.gas_j > 1000 * by_air.water_j


def test_the_hammer_of_the_shot(night):
    rig, profile, specimen = night
    told = expect.forecast(*night)
    release, line = told.surges[0].release, told.surge
    # Michaud's 2 rho L V/t for 30 ms, longer than 2L/a; flow by the root of the charge.
    flow = (4e-3 / 60) * (8.6**0.5) / (3.141592653589793 / 4 * 0.02**2)
    assert not release.sudden and release.opens_s == 0.03
    assert release.rise_pa == pytest.approx(2 * surge.WATER_KG_PER_M3 * 1.2 * flow / 0.03, rel=1e-6)
    assert release.peak_pa == pytest.approx(86 * PSI + release.rise_pa) and told.surges[0].exceeded == ()
    fast = expect.forecast(rig, with_step(profile, release_ns=1_000_000), specimen).surges[0]
    assert fast.release.sudden
    assert fast.release.rise_pa == pytest.approx(surge.joukowsky_pa(line.wave_speed_m_per_s, flow), rel=1e-6)
    assert {"trip overpressure_a_1", "trip overpressure_b_4"} <= {name for name, _ in fast.exceeded}
    assert "charge vessel" not in {name for name, _ in fast.exceeded}
    assert expect.forecast(replace(rig, line=None), profile).surges[0].release is None


def test_the_station_that_is_read_most_seldom_is_the_one_that_counts():
    rig = load.load_rig(load.find("demo-surge-8", "rig"))
    assert expect.forecast(rig, None).surge.channel == "specimen_a_1"
    devices = tuple(replace(d, scan_ns=50_000_000) if d.name == "io_6" else d for d in rig.devices)
    slow = expect.forecast(replace(rig, devices=devices), None).surge
    assert (slow.channel, slow.scan_hz) == ("specimen_a_6", 20.0)


def test_without_a_rig(night):
    _, profile, _ = night
    (told,) = expect.forecast(None, profile).surges
    assert (told.stations, told.owed, told.gas_j, told.release) == (1, 24, 0.0, None)
