"""The array twin of the burst rule against the engine's own, sample by sample; and the rule against made-up traces.

The traces are invented; what each must give follows from the definitions in calc.exact.burst.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rigd.calc.burst import Watched, find_failure
from rigd.calc.exact.burst import NOT_FOLLOWING, PRESSURE_FALL, SUPPLY_LAG, BurstWatch, trace_class_of
from rigd.calc.exact.noise import NoiseMeter
from rigd.calc.exact.ramp import RampFit
from rigd.model.profile import FailureSigns

PSI = 6894.757293168362
SIGNS = FailureSigns(drop_pa=8 * PSI, drop_fraction=0.03, lag_pa=4 * PSI, lag_ns=300_000_000, mark_ns=3_000_000_000)
DT_NS = 10_000_000


def scalar(watched: Watched, settle_ns: int):
    """Run the engine's rule over the same samples; what findings keep."""
    watch, meter, fit = BurstWatch(SIGNS), NoiseMeter(), RampFit()
    for at, t_ns in enumerate(watched.t_ns.tolist()):
        p = float(watched.pressure_pa[at])
        sign = watch.add(
            t_ns, p, float(watched.second_pa[at]), float(watched.feed_pa[at]), float(watched.target_pa[at])
        )
        if t_ns >= int(watched.t_ns[0]) + settle_ns:
            if watch.onset_ns == t_ns:
                meter.add(p)
                fit.add(t_ns, p)
            else:
                meter.pause()
        if sign:
            return sign, at, watch, meter, fit
    return "", -1, watch, meter, fit


def assert_same(watched: Watched, settle_ns: int = 0) -> str:
    sign, fired_at, watch, meter, fit = scalar(watched, settle_ns)
    found = find_failure(watched, SIGNS, settle_ns)
    assert (found.sign, found.fired_at) == (sign, fired_at)
    assert (found.onset_ns, found.onset_pa, found.gap_ns) == (watch.onset_ns, watch.onset_pa, watch.gap_ns)
    assert found.highest_pa == watch.highest_pa
    assert found.noise_pa == meter.deviation()
    assert found.rate_pa_per_s == fit.rate()
    return sign


def ramp(n=2000, rate=15.0, noise=0.08, seed=1):
    t_ns = np.arange(1, n + 1, dtype=np.int64) * DT_NS
    rng = np.random.default_rng(seed)
    clean = rate * PSI * t_ns / 1e9

    def noisy(values):
        return values + rng.normal(0.0, noise * PSI, n)

    return t_ns, clean, noisy


def watched_of(t_ns, p, second, feed, target) -> Watched:
    return Watched(t_ns=t_ns, pressure_pa=p, second_pa=second, feed_pa=feed, target_pa=target)


def test_a_burst_fires_at_once_and_names_the_last_sample_that_stood():
    t_ns, clean, noisy = ramp()
    body = clean.copy()
    body[1500:] *= 0.1
    watched = watched_of(t_ns, noisy(body), noisy(body), noisy(clean), clean)
    assert assert_same(watched, 1_000_000_000) == PRESSURE_FALL
    found = find_failure(watched, SIGNS, 1_000_000_000)
    assert (found.fired_at, found.onset_at) == (1500, 1499)
    assert trace_class_of(found.sign, found.fall_pa, found.highest_pa, found.latency_ns, False) == "collapse"
    assert found.noise_pa == pytest.approx(0.08 * PSI, rel=0.1)
    assert found.rate_pa_per_s == pytest.approx(15 * PSI, rel=1e-3)


def test_a_leak_that_the_tank_feeds_fires_by_not_following():
    t_ns, clean, noisy = ramp()
    body = clean.copy()
    body[1200:] -= 6 * PSI
    watched = watched_of(t_ns, noisy(body), noisy(body), noisy(clean), clean)
    assert assert_same(watched) == NOT_FOLLOWING
    assert find_failure(watched, SIGNS, 0).onset_at == 1199


def test_a_burst_of_noise_is_not_a_burst_of_the_body():
    t_ns, clean, noisy = ramp()
    rng = np.random.default_rng(7)
    loud = np.zeros((2, len(t_ns)))
    loud[:, 1000:1100] = rng.normal(0.0, 6 * PSI, (2, 100))
    watched = watched_of(t_ns, noisy(clean) + loud[0], noisy(clean) + loud[1], noisy(clean), clean)
    assert assert_same(watched) == ""


def test_trapped_air_that_shrinks_is_not_a_leak():
    t_ns, clean, noisy = ramp()
    absolute = clean + 101_325
    body = clean - np.minimum(clean, 12 * PSI * (101_325 / absolute) ** 2 * 8)
    watched = watched_of(t_ns, noisy(body), noisy(body), noisy(clean), clean)
    assert (clean - body).max() > 2 * SIGNS.lag_pa
    assert assert_same(watched) == ""


def test_what_the_tank_shares_is_not_the_body():
    t_ns, clean, noisy = ramp()
    sagging = clean.copy()
    sagging[1000:1060] *= 0.8
    watched = watched_of(t_ns, noisy(sagging), noisy(sagging), noisy(sagging), clean)
    assert assert_same(watched) == ""


def test_a_supply_that_stays_behind_is_told_apart():
    t_ns, clean, noisy = ramp()
    flat = np.minimum(clean, 150 * PSI)
    watched = watched_of(t_ns, noisy(flat), noisy(flat), noisy(flat), clean)
    assert assert_same(watched) == SUPPLY_LAG


def test_one_dying_sensor_is_not_a_burst():
    t_ns, clean, noisy = ramp()
    dying = clean.copy()
    dying[1500:] *= 0.5
    assert assert_same(watched_of(t_ns, noisy(dying), noisy(clean), noisy(clean), clean)) == ""


def test_without_a_feed_channel_the_target_takes_its_place():
    t_ns, clean, noisy = ramp()
    nothing = np.full(len(t_ns), math.nan)
    body = clean.copy()
    body[900:] -= 6 * PSI
    assert assert_same(watched_of(t_ns, noisy(body), nothing, nothing, clean)) == NOT_FOLLOWING


def test_no_samples_is_no_failure():
    empty = np.array([])
    found = find_failure(watched_of(empty.astype(np.int64), empty, empty, empty, empty), SIGNS, 0)
    assert found.sign == "" and found.rate_pa_per_s is None


PRESSURES = st.one_of(st.floats(-5 * PSI, 450 * PSI), st.sampled_from([100 * PSI, 108 * PSI, 92 * PSI, 104 * PSI]))


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_any_trace_gives_the_same_in_both(data):
    n = data.draw(st.integers(1, 60))
    gaps = data.draw(st.lists(st.sampled_from([1_000, DT_NS, 150_000_000, 700_000_000]), min_size=n, max_size=n))
    column = st.lists(PRESSURES, min_size=n, max_size=n)
    lost = st.lists(st.one_of(PRESSURES, st.just(math.nan)), min_size=n, max_size=n)
    watched = watched_of(
        np.cumsum(np.array(gaps, dtype=np.int64)),
        np.array(data.draw(column)), np.array(data.draw(lost)), np.array(data.draw(lost)), np.array(data.draw(column)),
    )  # fmt: skip
    assert_same(watched, data.draw(st.sampled_from([0, 200_000_000])))
