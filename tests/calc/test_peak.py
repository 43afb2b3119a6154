"""Peak capture: closed forms against simulation, against another program's linear systems, and against old tables.

Status words: *seen*, *memory*, *computed* as in test_hoop. Seeds are fixed; tolerances are several standard errors.
"""

import doctest
import math

import numpy as np
import pytest
from scipy import signal, special

from rigd.calc import peak
from rigd.calc.exact.noise import EXPECTED_MAXIMUM, EXPECTED_MAXIMUM_BEYOND, NoiseMeter, expected_maximum

RATE, INTERVAL, TAU = 10.0, 0.1, 0.020  # psi/s, s, s: the numbers of checks P1 and P2


def test_sampling_misses_at_most_rate_times_interval_and_half_on_average():
    """P1 (geometry, computed): 10 psi/s every 0.1 s misses at most 1.0 psi, 0.5 psi on average."""
    assert peak.missed_between_samples_pa(RATE, INTERVAL) == 1.0
    drops = np.random.default_rng(1).uniform(50.0, 60.0, 20_000)  # the body fails at any moment alike
    last_sample = np.floor(drops / INTERVAL) * INTERVAL
    missed = RATE * (drops - last_sample)
    assert missed.max() <= 1.0 + 1e-9
    assert missed.max() == pytest.approx(1.0, abs=0.01)
    assert missed.mean() == pytest.approx(0.5, abs=0.01)


def test_lag_reads_below_a_ramp_by_rate_times_tau():
    """P2 (theory, computed): 10 psi/s through 20 ms reads 0.2 psi low; scipy integrates the lag independently."""
    times = np.linspace(0.0, 1.0, 2001)
    _, read, _ = signal.lsim(signal.TransferFunction([1.0], [TAU, 1.0]), RATE * times, times)
    missed = RATE * times - read
    assert missed[-1] == pytest.approx(0.2, rel=1e-6)
    assert peak.missed_by_lag_pa(RATE, TAU) == pytest.approx(0.2, rel=1e-12)
    assert peak.missed_by_lag_pa(RATE, TAU, times) == pytest.approx(missed, abs=1e-9)


def test_bandwidth_and_rise_time():
    """P3: BW * tr = ln 9 / 2 pi = 0.34970 (seen); P4: 2 ms is 175 Hz (2 ms seen in a maker's sheet, 175 computed)."""
    assert peak.bandwidth_hz(1.0) == pytest.approx(0.34970, abs=5e-6)
    assert peak.bandwidth_hz(0.002) == pytest.approx(175.0, abs=0.5)
    system = signal.TransferFunction([1.0], [peak.time_constant_s(0.002), 1.0])
    times, step = signal.step(system, T=np.linspace(0.0, 0.02, 200_001))
    rise = np.interp(0.9, step, times) - np.interp(0.1, step, times)
    assert rise == pytest.approx(0.002, rel=1e-6)
    _, response = signal.freqresp(system, w=[2.0 * math.pi * peak.bandwidth_hz(0.002)])
    assert abs(response[0]) == pytest.approx(math.sqrt(0.5), rel=1e-9)


def test_undamped_gauge_exaggerates():
    """P5 (theory, computed): +1.0, 4.2, 9.9, 33 % at r = 0.1, 0.2, 0.3, 0.5; scipy's frequency response agrees."""
    ratios = np.array([0.1, 0.2, 0.3, 0.5])
    overread = peak.undamped_overread(ratios)
    assert 100.0 * overread == pytest.approx([1.0, 4.2, 9.9, 33.3], abs=0.05)
    _, response = signal.freqresp(signal.TransferFunction([1.0], [1.0, 0.0, 1.0]), w=ratios)
    assert overread == pytest.approx(np.abs(response) - 1.0, rel=1e-9)
    for ratio in (1.0, 1.5, -0.1, float("nan")):
        with pytest.raises(ValueError, match="stiffer, shorter gauge"):
            peak.undamped_overread(ratio)


def test_missed_adds_up_and_covers_a_simulated_ramp():
    """Rate * dt + rate * tau + half a step (checks, section 6): no noiseless ramp may ever miss more."""
    step = 0.25
    bound = peak.missed_pa(RATE, INTERVAL, TAU, step)
    assert bound == pytest.approx(1.0 + 0.2 + 0.125)
    random = np.random.default_rng(2)
    drops = random.uniform(5.0, 6.0, 20_000)
    sampled = drops - random.uniform(0.0, INTERVAL, len(drops))
    highest = np.round((RATE * sampled - peak.missed_by_lag_pa(RATE, TAU, sampled)) / step) * step
    missed = RATE * drops - highest
    assert missed.max() <= bound
    assert missed.max() > 0.95 * bound, "a bound much wider than what happens would say nothing"


def test_expected_maximum_of_a_plateau_is_the_published_one():
    """Closed forms for 2 and 3 (theory); Tippett 1925 and Harter 1961 (memory), which exact/noise.py also quotes."""
    assert peak.expected_maximum_sd(1) == pytest.approx(0.0, abs=1e-9)
    assert peak.expected_maximum_sd(2) == pytest.approx(1.0 / math.sqrt(math.pi), abs=1e-9)
    assert peak.expected_maximum_sd(3) == pytest.approx(1.5 / math.sqrt(math.pi), abs=1e-9)
    table = list(enumerate(EXPECTED_MAXIMUM))[1:] + list(EXPECTED_MAXIMUM_BEYOND) + [(1000, 3.2414)]
    for samples, printed in table:
        assert peak.expected_maximum_sd(samples) == pytest.approx(printed, abs=6e-5), samples


def test_the_engines_allowance_for_noise_is_never_too_small():
    """exact/noise.py rounds the number of competitors up, so it may only err upwards, up to the 4 sd it stops at."""
    for samples in (1, 2, 3, 9, 10, 11, 20, 21, 49, 51, 100, 101, 1000, 10_000):
        assert expected_maximum(samples) >= peak.expected_maximum_sd(samples) - 6e-5, samples


@pytest.mark.parametrize("step_sd", [0.0, 0.003, 0.1, 1.0, 5.0])
def test_expected_maximum_on_a_ramp_is_what_simulation_finds(step_sd):
    """Monte Carlo (computed): only the last samples of a ramp compete, so the excess falls as the ramp steepens."""
    samples, trials = 400, 5_000
    noisy = np.random.default_rng(3).standard_normal((trials, samples)) - step_sd * np.arange(samples)
    highest = noisy.max(axis=1)
    standard_error = highest.std() / math.sqrt(trials)
    assert peak.expected_maximum_sd(samples, step_sd) == pytest.approx(highest.mean(), abs=4.0 * standard_error)
    level = float(np.quantile(highest, 0.9))
    assert peak.maximum_within(level, samples, step_sd) == pytest.approx(0.9, abs=0.02)
    longer = peak.expected_maximum_sd(samples * 100, step_sd)
    assert longer > peak.expected_maximum_sd(samples, step_sd) + 0.5 if step_sd == 0.0 else longer < 3.5


def test_weighing_close_neighbours_as_one_changes_nothing_that_matters():
    """A slow ramp's neighbours are grouped to stay cheap; here is the product over every single sample instead."""
    levels = np.linspace(0.5, 5.0, 10)
    for samples, step_sd in [(7_001, 0.003), (1_000, 0.0007), (3, 0.004)]:
        each = special.ndtr(levels[:, None] + step_sd * np.arange(samples)).prod(axis=1)
        assert peak.maximum_within(levels, samples, step_sd) == pytest.approx(each, abs=2e-5)


def test_without_a_noise_term_the_bound_fails_and_with_four_sd_it_holds():
    """Checks, section 6 (computed): 1 kHz, 8 psi/s, noise 0.08 psi, so that a sample's rise is a tenth of the noise."""
    step_sd, samples = 8.0 * 0.001 / 0.08, 60_000
    assert peak.maximum_within(step_sd, samples, step_sd) < 0.16  # highest minus truth at most rate * dt
    assert peak.maximum_within(step_sd + 4.0, samples, step_sd) > 0.9999


def test_noise_meter_finds_the_noise_of_a_ramp_that_bends():
    """The engine's own noise: second differences have six times the variance (theory); 6 % is 4 standard errors."""
    random = np.random.default_rng(4)
    times = np.arange(5_000) / 1000.0
    pressures = 8.0 * times + 0.05 * times**2 + 0.08 * random.standard_normal(len(times))
    meter = NoiseMeter()
    for pressure in pressures:
        meter.add(float(pressure))
    assert meter.deviation() == pytest.approx(0.08, rel=0.06)
    straight = NoiseMeter()
    for count in range(100):
        straight.add(0.25 * count)
    assert straight.deviation() == 0.0


def test_nonsense_is_refused():
    for samples in (0, -1, peak.LONGEST_RAMP_SAMPLES + 1):
        with pytest.raises(ValueError, match="is the sampling rate right"):
            peak.expected_maximum_sd(samples)
    for step_sd in (-0.1, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="the ramp must rise"):
            peak.expected_maximum_sd(10, step_sd)
    slow = peak.expected_maximum_sd(1000, 5e-324)  # the slowest ramp there is counts as a plateau, and ends
    assert slow == pytest.approx(peak.expected_maximum_sd(1000), abs=1e-9)


def test_worked_cases_in_the_docstrings():
    assert doctest.testmod(peak) == (0, 8)
