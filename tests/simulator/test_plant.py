"""The plant against conservation, closed formulas and what a technician expects of iron."""

import hashlib
import math
import os
import subprocess
import sys

import pytest

from rigd.model.errors import UsageRefused
from rigd.model.observations import BODY_FAILURES
from simulator.bodies import DRAWN, KINDS, PSI, STRONGEST_PSI, WEAKEST_PSI
from simulator.plant import Plant
from simulator.transducers import ATMOSPHERE_PA


def gas_j(plant: Plant) -> float:
    return (plant.supply_pa + ATMOSPHERE_PA) * plant.bottle_m3 + (plant.tank_pa + ATMOSPHERE_PA) * plant.tank_gas_m3


def test_water_and_gas_are_kept(hand) -> None:
    """Nothing opens to the outside: what leaves the tank is in the line, what leaves the bottle is in the tank."""
    run = hand(3, "strong")
    run.fill()
    plant = run.plant
    water_m3, gas = plant.tank_water_m3 + plant.water.water_m3, gas_j(plant)
    room_m3 = plant.tank_gas_m3 + plant.tank_water_m3
    run.ramp(400)
    assert plant.specimen_pa > 390 * PSI
    assert plant.tank_water_m3 + plant.water.water_m3 == pytest.approx(water_m3, rel=1e-12)
    assert plant.tank_gas_m3 + plant.tank_water_m3 == pytest.approx(room_m3, rel=1e-12)
    assert gas_j(plant) == pytest.approx(gas, rel=1e-7)  # p*V counts gas; the tank's p is of just before its last flow


def test_specimen_takes_the_volume_its_compliance_says(hand) -> None:
    """dV = V0*c*p + V/K*p + air: elastic body (C13), water (C6) and trapped air by Boyle (C12), closed form."""
    run = hand(3, "strong")
    run.fill()
    plant = run.plant
    run.wait(2.0)
    before_m3, before_pa = plant.water.water_m3, plant.specimen_pa
    run.ramp(400)
    run.wait(3.0)
    after_pa, body = plant.specimen_pa, plant.body
    air = body.trapped_air_m3 * ATMOSPHERE_PA
    boyle = air / (before_pa + ATMOSPHERE_PA) - air / (after_pa + ATMOSPHERE_PA)
    soft = body.volume_m3 * body.compliance_per_pa + plant.water.room_m3 / 2.179e9
    assert plant.water.water_m3 - before_m3 == pytest.approx(soft * (after_pa - before_pa) + boyle, rel=0.01)


@pytest.mark.parametrize("psi_per_s", [5.0, 15.0])
def test_ramp_follows_its_set_point(hand, psi_per_s: float) -> None:
    run = hand(2, "strong")
    run.fill()
    run.ramp(300, psi_per_s)
    # A first-order lag follows a ramp late by rate x lag; two of them, and the tank a little.
    assert 300 - run.log[-1].psi == pytest.approx(psi_per_s * 0.2, rel=0.2)
    late = [line for line in run.log if 100 < line.psi < 290]
    rate = (late[-1].psi - late[0].psi) / (late[-1].t_s - late[0].t_s)
    assert rate == pytest.approx(psi_per_s, rel=0.005)


def test_burst_collapses_within_a_sample(hand) -> None:
    run = hand(2, "rupture")
    run.fill()
    run.ramp(450)
    plant, truth = run.plant, run.plant.truth()
    assert truth.kind == "rupture" and truth.seen == "rupture" and truth.leak_m2 > 100e-6
    before = [line for line in run.log if line.t_s < truth.failed_at_s]
    after = [line for line in run.log if line.t_s >= truth.failed_at_s]
    assert before[-1].psi * PSI <= truth.strength_pa
    assert truth.strength_pa - before[-1].psi * PSI <= 15.5 * PSI * run.dt_s
    assert after[1].psi < 0.1 * before[-1].psi and after[0].psi < before[-1].psi
    assert truth.highest_true_pa == truth.strength_pa
    assert plant.tank_pa > 0.8 * truth.strength_pa  # the tank still pushes: the loss is the body's


def test_weep_keeps_rising_under_a_feeding_tank(hand) -> None:
    run = hand(1, "weep")
    run.fill()
    run.ramp(450, past_failure_s=1.5)
    truth, psi = run.plant.truth(), [line.psi for line in run.log]
    assert truth.seen == "weep" and truth.leak_m3_per_s > 1e-6
    assert psi[-1] * PSI > truth.strength_pa
    assert truth.highest_true_pa > truth.strength_pa  # two pressures, never one
    assert all(late > early for early, late in zip(psi[-100:], psi[-99:], strict=False))


def test_ballooned_body_holds_back_the_ramp_and_stays_grown(hand) -> None:
    run = hand(3, "ballooned")
    run.fill()
    run.ramp(300)
    truth = run.plant.truth()
    assert truth.yield_pa is not None and truth.strength_pa is None
    assert truth.seen == "ballooned" and truth.growth > 0.02
    assert max(line.tank_psi - line.psi for line in run.log[-500:]) > 20
    run.vent()
    assert run.plant.truth().growth >= truth.growth


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_each_kind_ends_as_it_says(hand, kind: str) -> None:
    run = hand(2, kind)
    run.fill()
    run.ramp(450)
    truth = run.plant.truth()
    assert truth.kind == kind
    assert (truth.strength_pa is None) == (kind == "strong")
    if kind == "strong":
        assert truth.seen == "nothing" and run.log[-1].psi > 440
        return
    assert truth.strength_pa <= truth.highest_true_pa
    if kind == "early":
        assert truth.strength_pa < 25 * PSI
    elif kind != "end_closure_leak":
        assert truth.seen in BODY_FAILURES


def test_drawn_bodies_always_fail_below_the_ceiling(rig) -> None:
    kinds = []
    for seed in range(300):
        body = Plant(rig, seed=seed).body
        kinds.append(body.kind)
        assert WEAKEST_PSI * PSI <= body.strength_pa <= STRONGEST_PSI * PSI
    for kind, share in DRAWN:
        assert kinds.count(kind) / len(kinds) == pytest.approx(share, abs=0.08)


def test_strength_depends_on_the_rate_as_documented(hand) -> None:
    """(rate / 15 psi/s)^n, n = 0.03 to 0.05: five times slower is 4.7 to 7.7 % weaker."""
    found = {}
    for rate in (3.0, 15.0):
        run = hand(2, "rupture")
        run.fill()
        run.ramp(450, rate, past_failure_s=0.0)
        found[rate] = run.plant.truth().strength_pa
    assert found[15.0] == pytest.approx(run.plant.body.strength_pa, rel=0.002)
    assert found[3.0] / found[15.0] == pytest.approx((3.0 / 15.0) ** run.plant.body.rate_exponent, rel=0.003)


def test_vent_lets_go_and_the_tank_relieves_itself(hand) -> None:
    run = hand(2, "strong")
    run.fill()
    run.ramp(300)
    run.vent()
    assert run.log[-1].psi < 0.1 and run.plant.vent_open == 1.0 and run.plant.inlet_open == 0.0
    run.wait(20.0)
    assert run.log[-1].tank_psi < 5  # a relieving regulator with its set-point at zero empties the tank


def test_steps_of_any_length_tell_the_same(hand) -> None:
    found = []
    for dt_s in (0.001, 0.004, 0.02):
        run = hand(1, "rupture", dt_s=dt_s)
        run.fill()
        run.ramp(450, past_failure_s=0.2)
        truth = run.plant.truth()
        found.append((truth.strength_pa / PSI, truth.failed_at_s))
    for psi, at_s in found[1:]:
        assert psi == pytest.approx(found[0][0], abs=0.02)
        assert at_s == pytest.approx(found[0][1], abs=0.02)
    coarse, fine = hand(1), hand(1)
    for run, times, dt_s in ((coarse, 1, 0.5), (fine, 50, 0.01)):
        run.put(watchdog=1, fill=1)
        for _ in range(times):
            run.plant.advance(dt_s)
    assert coarse.plant.t_s == pytest.approx(0.5) and coarse.plant.watchdog_dropped and fine.plant.watchdog_dropped
    assert coarse.plant.water.water_m3 == pytest.approx(fine.plant.water.water_m3, rel=0.03)  # divided


def test_relay_drops_out_and_wants_more_than_a_level(hand) -> None:
    run = hand(2, "strong")
    run.fill()
    run.ramp(100)
    plant = run.plant
    assert plant.inlet_open == 1.0 and plant.vent_open == 0.0 and not plant.watchdog_dropped
    run.kicks, last = False, plant.watchdog.last
    for _ in range(48):
        run.put(watchdog=last)  # the same level again is no sign of life
        run.wait(run.dt_s)
    assert not plant.watchdog_dropped and plant.inlet_open == 1.0
    run.wait(0.02)
    assert plant.watchdog_dropped
    run.put(inlet=1, vent=1, supply=1)  # without power nothing moves
    run.wait(0.2)
    assert plant.inlet_open == plant.supply_open == 0.0 and plant.vent_open == 1.0 and plant.set_point_pa == 0.0
    assert plant.specimen_pa < PSI
    run.kicks = True
    run.wait(0.2)
    assert not plant.watchdog_dropped
    assert plant.inlet_open == 0.0 and plant.vent_open == 1.0  # a sign of life alone energises nothing
    run.put(inlet=1)
    run.wait(0.2)
    assert plant.inlet_open == 1.0


def test_nothing_is_energised_before_the_first_sign_of_life(rig) -> None:
    plant = Plant(rig, seed=1)
    for index, output in enumerate(rig.outputs):
        if output.role != "watchdog":
            plant.drive(index, output.counts_energised)
    plant.advance(0.2)
    assert plant.watchdog_dropped and plant.supply_open == plant.inlet_open == plant.fill_open == 0.0
    assert plant.vent_open == 1.0 and plant.set_point_pa == 0.0


def test_valves_take_their_time_and_say_where_they_are(hand) -> None:
    run = hand(2, "strong", dt_s=0.001)
    run.wait(0.1)
    names = {channel.name: index for index, channel in enumerate(run.plant.rig.channels)}
    run.put(vent=1, inlet=1, supply=1, fill=1)
    read_backs = ("vent_shut", "inlet_open", "supply_open", "fill_open")
    assert all(run.log[-1].counts[names[name]] == 0 for name in read_backs)
    began = len(run.log)
    run.wait(0.1)
    for name in read_backs:
        closed = [line.counts[names[name]] for line in run.log[began:]].index(1)
        assert 25 <= closed <= 60, name  # milliseconds
    run.put(vent=0)
    run.wait(0.004)
    assert run.log[-1].counts[names["vent_shut"]] == 0 and 0.05 < run.plant.vent_open < 0.2


SOME_FAULTS = ("noise_burst", "regulator_hiccup", "sensor_a_drifts@12")


def digest(seed: int, faults: tuple[str, ...] = ()) -> str:
    """Of every count of one short run on the demo rig: what must not depend on anything but the seed."""
    from rigd.files.load import find, load_rig

    plant, sha = Plant(load_rig(find("demo", "rig")), seed=seed, faults=faults), hashlib.sha256()
    roles = {output.role: index for index, output in enumerate(plant.rig.outputs)}
    for step in range(3000):
        plant.drive(roles["watchdog"], step + 1)
        plant.drive(roles["fill"], int(step < 900))
        plant.drive(roles["vent"], int(step > 800))
        plant.drive(roles["supply"], 1)
        plant.drive(roles["inlet"], int(step > 950))
        plant.drive(roles["set_point"], max(step - 1000, 0) * 4)
        plant.advance(0.01)
        sha.update(repr(plant.counts(0)).encode())
    sha.update(repr(plant.truth()).encode())
    return sha.hexdigest()


def test_same_seed_same_bytes_in_any_process() -> None:
    code = f"import runpy; print(runpy.run_path({__file__!r})['digest'](7, {SOME_FAULTS!r}))"
    found = set()
    for hash_seed in ("0", "4711"):
        environment = {**os.environ, "PYTHONHASHSEED": hash_seed}
        done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr
        found.add(done.stdout.strip())
    assert len(found) == 1
    assert found == {digest(7, SOME_FAULTS)}
    assert digest(8) != digest(7)


def test_truth_is_exact_at_the_crossing(hand) -> None:
    """The strength recorded is the crossing itself, not the step that noticed it."""
    for seed in range(12):
        run = hand(seed)
        run.fill()
        run.ramp(450, past_failure_s=0.0)
        truth = run.plant.truth()
        early, late = [line for line in run.log if line.t_s < truth.failed_at_s][-2:]
        per_s = (late.psi - early.psi) / (late.t_s - early.t_s)
        expected = late.psi + per_s * (truth.failed_at_s - late.t_s)
        assert truth.strength_pa / PSI == pytest.approx(expected, abs=0.02)


def test_wrong_requests_are_refused_with_what_is_allowed(rig) -> None:
    with pytest.raises(UsageRefused, match="allowed: rupture, weep"):
        Plant(rig, seed=1, body="meltdown")
    with pytest.raises(UsageRefused) as refused:
        Plant(rig, seed=1, faults=("gremlins", "door_opened@soon", "supply_lost@-1", "door_opened@inf"))
    assert str(refused.value).count("allowed:") == 4
    with pytest.raises(UsageRefused, match="float32"):
        Plant(rig, seed=1, faults=("sensor_not_finite",))
    assert math.isfinite(Plant(rig, seed=1, faults=("door_opened@3",)).t_s)
