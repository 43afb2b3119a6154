"""Lag, sampling, noise and the signal chain against checks/physics.md P1, P2, C1 to C3, C16, and against the engine's
own way back from counts to SI (rigd.calc.exact), which is written separately."""

import dataclasses
import statistics
from random import Random

import pytest

from rigd.calc.exact.calibration import compile_channel
from rigd.calc.exact.quality import FAILED_LOW, GOOD, NOT_FINITE
from rigd.model.rig import Calibration, Channel, Signal
from simulator.bodies import PSI
from simulator.plant import Plant
from simulator.transducers import Transducer, pattern_of

PSI_PER_S = 10.0


@pytest.fixture
def channel(rig) -> Channel:
    return next(channel for channel in rig.channels if channel.role == "specimen")


def watch(channel: Channel, true_psi: list[float], dt_s: float) -> list[float]:
    """What a noiseless transducer says of these true values, in psi, by the engine's own calibration."""
    transducer, back = Transducer(channel, source=0, place=0), compile_channel(channel)
    transducer.pace(dt_s)
    readings = []
    for psi in true_psi:
        now, before = psi * PSI, transducer.before
        transducer.seen = now + transducer.blend * (before - now) + transducer.decay * (transducer.seen - before)
        transducer.before = now
        readings.append(back(transducer.counts_now(0.0, 0.0))[0] / PSI)
    return readings


@pytest.mark.parametrize("dt_s", [0.001, 0.01, 0.1])
def test_lag_on_a_ramp_is_rate_times_tau(channel: Channel, dt_s: float) -> None:
    # checks/physics.md P2: 10 psi/s and 20 ms: 0.2 psi, whatever the step.
    assert channel.tau_ns == 20_000_000
    ramp = [PSI_PER_S * dt_s * step for step in range(round(10 / dt_s))]
    readings = watch(dataclasses.replace(channel, type="float32"), ramp, dt_s)  # float32: no rounding to hide in
    late = [true - read for true, read in zip(ramp, readings, strict=True)][len(ramp) // 2 :]
    assert late == pytest.approx([0.2] * len(late), abs=0.001)
    rounded = watch(channel, ramp, dt_s)[len(ramp) // 2 :]
    exact = readings[len(ramp) // 2 :]
    assert max(abs(a - b) for a, b in zip(rounded, exact, strict=True)) <= 0.51 * 1000 / 16000  # half a count


def test_sampling_hides_at_most_rate_times_interval(channel: Channel) -> None:
    # checks/physics.md P1: 10 psi/s sampled each 0.1 s then a drop: at most 1.0 psi hidden, 0.5 psi in the mean.
    fast, missed = dataclasses.replace(channel, tau_ns=0), []
    for step in range(200):
        strength = 50.0 + 3.0 * step / 200  # the moment of failure wanders through the interval
        ramp = [psi if (psi := PSI_PER_S * 0.1 * k) < strength else 0.0 for k in range(60)]
        missed.append(strength - max(watch(fast, ramp, 0.1)))
    count_psi = 1000 / 16000
    assert 0.0 - count_psi <= min(missed) and max(missed) <= 1.0 + count_psi
    assert statistics.fmean(missed) == pytest.approx(0.5, abs=0.05)


def test_noise_and_rounding_are_as_declared(rig) -> None:
    plant = Plant(rig, seed=5)
    plant.advance(0.01)
    samples = [plant.counts(0) for _ in range(4000)]
    a, b = [s[0] * 1000 / 16000 for s in samples], [s[1] * 1000 / 16000 for s in samples]
    # Rounding to whole counts adds step/sqrt(12) (common practice).
    assert statistics.stdev(a) == pytest.approx((0.08**2 + 0.0625**2 / 12) ** 0.5, rel=0.05)
    assert abs(statistics.correlation(a, b)) < 0.06
    assert statistics.fmean(a) == pytest.approx(250.0, abs=0.01)  # 4 mA is zero


def test_a_good_transmitter_saturates_and_a_broken_one_says_so(channel: Channel) -> None:
    # checks/physics.md C1: 13.5 mA of 0-10 is 5.9375. C3: 3.8/20.5 mA are -12.5/1031.25 psi; below 3.6 mA: fault.
    back = compile_channel(channel)
    transducer = Transducer(channel, source=0, place=0)
    for true_psi, expected in ((593.75, 593.75), (-400.0, -12.5), (4000.0, 1031.25)):
        transducer.seen = true_psi * PSI
        value, quality = back(transducer.counts_now(0.0, 0.0))
        assert value / PSI == pytest.approx(expected, abs=0.04) and quality == GOOD
    assert transducer.counts_of(593.75 * PSI) == pytest.approx(13500.0)
    transducer.wrong = lambda counts, t_s: transducer.broken
    assert back(transducer.counts_now(0.0, 0.0))[1] == FAILED_LOW


TWO_POINT = Calibration(kind="two_point", points=((0.0, -2e5), (10.0, 8e6)))
CURVED = Calibration(kind="polynomial", coefficients=(-1e5, 6e5, 1.5e4))
TABLE = Calibration(kind="table", points=((0.0, -1e5), (3.0, 2e6), (7.0, 4e6), (10.0, 8e6)))


@pytest.mark.parametrize("calibration", [TWO_POINT, CURVED, TABLE], ids=lambda c: c.kind)
@pytest.mark.parametrize("type", ["int16", "uint16", "int32", "uint32", "float32"])
@pytest.mark.parametrize("reference", ["gauge", "absolute", "sealed"])
def test_every_chain_leads_back_to_the_truth(channel, calibration, type, reference) -> None:
    """Forward here, backward in the engine's arithmetic: they must meet within one count."""
    top = 30000.0 if "16" in type else 1e6
    other = dataclasses.replace(
        channel, type=type, calibration=calibration, reference=reference, head_pa=-3000.0, range_low=-1e9,
        range_high=1e9, signal=Signal(kind="V", counts_low=0.0, counts_high=top, signal_low=0.0, signal_high=10.0),
    )  # fmt: skip
    transducer, back = Transducer(other, source=0, place=0), compile_channel(other)
    step_pa = 10.0 / top * 1e6
    for true_pa in (0.0, 3e5, 1.1e6, 2.3e6, 5.2e6):
        transducer.seen = true_pa
        count = transducer.counts_now(0.0, 0.0)
        assert type == "float32" or isinstance(count, int)
        value, quality = back(count)
        assert quality == GOOD and value == pytest.approx(true_pa, abs=step_pa)


def test_float32_is_its_pattern_and_can_be_no_number(rig, channel: Channel) -> None:
    # checks/physics.md C16: 3F80 0000 is 1.0, 42F6 E979 is 123.456.
    assert pattern_of(1.0) == 0x3F800000 and pattern_of(123.456) == 0x42F6E979
    wide = dataclasses.replace(channel, type="float32")
    plant = Plant(
        dataclasses.replace(rig, channels=(wide, *rig.channels[1:])), seed=1, faults=("sensor_not_finite@0.1",)
    )
    back = compile_channel(wide)
    plant.advance(0.02)
    assert back(plant.counts(0)[0])[1] == GOOD
    for _ in range(10):
        plant.advance(0.02)
    assert back(plant.counts(0)[0])[1] == NOT_FINITE


def test_noise_comes_from_the_seed_alone(rig) -> None:
    def reading(seed: int) -> tuple[int, ...]:
        Random().random()
        plant = Plant(rig, seed=seed)
        plant.advance(0.01)
        return plant.counts(0)

    assert reading(1) == reading(1) != reading(2)
