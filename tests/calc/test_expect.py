"""What is foretold of the demo rig, against arithmetic by hand and published formulas."""

import math
from dataclasses import replace

import pytest

from rigd.calc import energy, expect
from rigd.files import load

PSI = 6894.757293168362
ATM = 101_325.0


@pytest.fixture(scope="module")
def demo():
    rig = load.load_rig(load.find("demo", "rig"))
    profile = load.load_profile(load.find("timed-burst", "profile"))
    return rig, profile, load.load_specimen(load.find("K-07", "specimen"))


def test_steps_and_times(demo):
    foretold = expect.forecast(*demo)
    steps = {step.kind: step for step in foretold.steps}
    assert [step.kind for step in foretold.steps] == ["mount", "fill", "proof", "ramp", "vent", "ask", "close_down"]
    # Ramp from 0 to 450 psi at 300 psi in 65 s (ASTM D1599-18 4.2: failure in 60 s to 70 s).
    assert steps["ramp"].rate_pa_per_s == pytest.approx(300 * PSI / 65)
    assert steps["ramp"].most_s == pytest.approx(450 / (300 / 65))
    assert steps["proof"].to_pa == 0.0 and steps["fill"].to_pa == pytest.approx(10 * PSI)
    assert steps["mount"].waits_for_person and steps["ask"].waits_for_person
    assert foretold.expected_pa == pytest.approx(300 * PSI) and foretold.peak_pa == pytest.approx(450 * PSI)
    assert foretold.most_s == pytest.approx(sum(step.most_s for step in foretold.steps))
    assert foretold.least_s < foretold.most_s


def test_disk_is_four_bytes_a_channel_sample(demo):
    rig, profile, _ = demo
    foretold = expect.forecast(rig, profile)
    assert foretold.bytes_per_s == pytest.approx(4 * len(rig.channels) * 100)
    assert foretold.disk_bytes == pytest.approx(foretold.bytes_per_s * foretold.most_s)


def test_energy_and_distance(demo):
    foretold = expect.forecast(*demo)
    charges = {charge.name: charge for charge in foretold.charges}
    # E1 (ASME PCC-2-2008 eq. II-2): 5665.4 J a litre at 500 psi gauge; the tank holds 4 L of gas.
    assert charges["bladder tank"].gas_j == pytest.approx(4 * 5665.4, rel=1e-4)
    # E14: 2.726 J a litre of water at 500 psi; it holds 6 L.
    assert charges["bladder tank"].water_j == pytest.approx(6 * 2.726, rel=1e-3)
    assert charges["specimen K-07"].water_j == pytest.approx(energy.water_j(450 * PSI, 1.4e-3))
    assert [stand_off.distance_m for stand_off in foretold.stand_offs] == [30.0, 30.0]  # E5: the floor
    assert {stand_off.edition for stand_off in foretold.stand_offs} == {edition.name for edition in energy.EDITIONS}
    assert foretold.energy_j > charges["nitrogen bottle"].gas_j


def test_what_the_rig_can_do_and_notice(demo):
    rig, profile, _ = demo
    foretold = expect.forecast(rig, profile)
    assert foretold.set_point_step_pa == pytest.approx(1000 * PSI / 16000)
    # Gas at one temperature: V dp/dt over one atmosphere.
    assert foretold.gas_flow_m3_per_s == pytest.approx(4e-3 * 300 * PSI / 65 / ATM)
    assert foretold.gas_m3 == pytest.approx(4e-3 * 450 * PSI / ATM)
    assert foretold.hidden_pa == pytest.approx(300 * PSI / 65 * 0.01)
    # 1 L/min at 10 psi across the inlet, as the rig file says; flow goes with the root of pressure.
    assert foretold.opening_flow_m3_per_s == pytest.approx(1e-3 / 60 * math.sqrt(profile.signs.lag_pa / (10 * PSI)))
    channels = tuple(channel if channel.role != "feed" else replace(channel, role="other") for channel in rig.channels)
    blind = expect.forecast(replace(rig, channels=channels), profile)
    behind = profile.signs.lag_pa + rig.control.trim_pa
    assert blind.opening_flow_m3_per_s == pytest.approx(1e-3 / 60 * math.sqrt(behind / (10 * PSI)))
    assert blind.opening_m2 > foretold.opening_m2


def test_hole_by_the_orifice_equation():
    # L15 of the published check values: 0.1 mm hole, 40 psi, Cd 0.62 passes 6.868 mL/min (computed).
    area = expect.hole_m2(6.868e-6 / 60, 40 * PSI)
    assert 2 * math.sqrt(area / math.pi) == pytest.approx(0.1e-3, rel=1e-3)


def test_limits_in_order_and_the_weakest_part(demo):
    rig, profile, _ = demo
    foretold = expect.forecast(rig, profile)
    pressures = [limit.pressure_pa for limit in foretold.limits]
    assert pressures == sorted(pressures)
    names = [limit.name for limit in foretold.limits]
    order = ["vent limit", "profile max", "trip overpressure_a", "relief reseat", "relief set", "weakest part: hose"]
    assert [name for name in names if name in order] == order
    assert expect.weakest_part(rig) == ("hose", pytest.approx(800 * PSI))


def test_one_file_alone(demo):
    rig, profile, _ = demo
    alone = expect.forecast(None, profile)
    assert alone.peak_pa == pytest.approx(450 * PSI) and alone.charges == () and alone.opening_m2 == 0.0
    of_rig = expect.forecast(rig, None)
    assert of_rig.steps == () and of_rig.energy_j > 0 and of_rig.gas_flow_m3_per_s == 0.0
