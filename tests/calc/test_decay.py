"""Leak, creep and temperature told apart, on simulated vessels that know the truth; expansion against IAPWS-95.

No published example of the separation was found: ASTM E2930-13(2021) 1.1 (seen) leaves deformable vessels out. So the
check is coverage: over hundreds of invented vessels the stated interval must hold the true leak as often as it says.
The vessels creep by three laws, of which the fit knows two; leak with the root of the pressure, which is not the middle
of what the fit expects; warm with either sign; and hold air that makes the stiffness change as the pressure falls.
"""

import doctest
from dataclasses import dataclass

import iapws
import numpy as np
import pytest

from rigd.calc import decay
from rigd.calc.air import Air

ATM = 101_325.0
MM3 = 1e-9
TEST_PA = 207e3  # 30 psi, gauge
LIMIT = 0.15 * MM3  # 0.009 mL a minute
SPREAD = 2e-5  # of a plastic's expansion about 7e-5 a kelvin; both are invented for these vessels


@dataclass(frozen=True, slots=True, kw_only=True)
class Vessel:
    time: np.ndarray
    pressure: np.ndarray
    temperature: np.ndarray
    air: Air
    leak: float  # true mean over the dwell
    creep: float  # true volume over the dwell
    heat: float  # true volume over the dwell, taken out


def grow(rng, law, loads):
    """Growth with time under pressure, whatever its size: a power, a logarithm, or a spectrum of relaxation times.
    `loads`: (times since the load came, its size); each is answered as if it were the only one."""
    if law == "power":
        power = min(0.45, max(0.02, rng.normal(0.15, 0.15)))
        return sum(size * since**power for since, size in loads) / (600.0**power - 60.0**power)
    if law == "logarithm":
        return sum(size * np.log10(since) for since, size in loads)
    times, weights = 10.0 ** np.arange(1.0, 4.0, 0.5), rng.uniform(0.3, 1.7, 6)
    return 0.5 * sum(
        size * weight * -np.expm1(-since / each)
        for since, size in loads for weight, each in zip(weights, times, strict=True)
    )  # fmt: skip


def vessel(seed, *, law, dwell_s=300.0, age_s=60.0, noise_k=3e-3, leak=None, warming=0.3, before=()):
    rng = np.random.default_rng(seed)
    time = np.linspace(0.0, dwell_s, 3001)
    body = 2.1e-12 * rng.uniform(0.7, 1.3)
    foot, free_air, start = 1e-3 * 4.589e-10 + body, rng.uniform(0.0, 2e-6), ATM + TEST_PA
    loads = [(time + age, size) for age, size in (*before, (age_s, 1.0))]
    grown = grow(rng, law, loads) * rng.uniform(0.01, 0.05) * body * TEST_PA
    warmed = rng.normal(0.0, warming) * -np.expm1(-time / rng.uniform(300.0, 3000.0))
    thermal = 1e-3 * (2.068e-4 - 3.0 * rng.normal(7e-5, SPREAD))
    full = rng.uniform(0.0, 0.1 * MM3) if leak is None else leak
    pressure = np.full_like(time, start)
    for _ in range(4):  # the leak follows the pressure that follows the leak
        rate = full * np.sqrt((pressure - ATM) / TEST_PA)
        out = np.append(0.0, np.cumsum((rate[1:] + rate[:-1]) / 2.0 * np.diff(time)))
        change = -out - (grown - grown[0]) + thermal * warmed
        held = free_air * ATM
        b = held / start - foot * start - change
        pressure = (-b + np.sqrt(b * b + 4.0 * foot * held)) / (2.0 * foot)
    stiffness_u = 0.01
    known = 1.0 + stiffness_u * rng.normal()  # the stiffness was measured, not given
    return Vessel(
        time=time,
        pressure=pressure + rng.normal(0.0, 300.0, time.size),
        temperature=293.15 + warmed + rng.normal(0.0, noise_k, time.size),
        air=Air(
            free_air_m3=free_air * known,
            free_air_u_m3=free_air * stiffness_u,
            reference_pa=ATM,
            foot_m3_per_pa=foot * known,
            foot_u_m3_per_pa=foot * stiffness_u,
            body_m3_per_pa=body,
            body_u_m3_per_pa=foot * stiffness_u,
            correlation=1.0,
            points=20,
            misfit_chance=0.5,
        ),
        leak=out[-1] / dwell_s,
        creep=grown[-1] - grown[0],
        heat=-thermal * warmed[-1],
    )


def tell(made, loads=((60.0, 1.0),), limit=LIMIT, **more):
    return decay.separate(
        made.time,
        made.pressure,
        made.temperature,
        air=made.air,
        ambient_pa=ATM,
        loads=loads,
        thermal=decay.thermal_m3_per_k(1e-3, 293.15, 7e-5, SPREAD),
        limit_m3_per_s=limit,
        **more,
    )


LAWS = ("power", "logarithm", "spectrum")


def test_the_interval_holds_the_truth_as_often_as_it_says():
    # 500 vessels, a 95 % interval, 92 to 98 in 100 where it does not refuse.
    told, refused = [], 0
    for seed in range(500):
        made = vessel(seed, law=LAWS[seed % 3])
        found = tell(made)
        if isinstance(found, decay.NotTold):
            refused += 1
            continue
        assert (found.low_m3_per_s + found.high_m3_per_s) / 2.0 == pytest.approx(found.leak_m3_per_s)
        told.append((found, made))
    assert refused / 5.0 == pytest.approx(decay.REFUSED_IN_100["shut for 300 s after 60 s at pressure"], abs=3.0)
    held = np.mean([found.low_m3_per_s <= made.leak <= found.high_m3_per_s for found, made in told])
    print(f"\n500 vessels: refused {refused / 5.0:.1f} in 100, interval held {100.0 * held:.1f} in 100 of the others")
    assert 0.92 <= held <= 0.98, (held, len(told))
    creeps = [(found.creep.m3 - made.creep) / found.creep.u_m3 for found, made in told]
    heats = [(found.temperature.m3 - made.heat) / found.temperature.u_m3 for found, made in told]
    for scores in (creeps, heats):
        assert 0.9 <= np.mean(np.abs(scores) < 1.96), np.mean(np.abs(scores) < 1.96)
    # And it is worth having: a tenth of the limit at most, while all causes together look like several times the leak.
    assert max(found.leak_u_m3_per_s for found, _ in told) <= LIMIT / 10.0
    naive = [abs(made.creep + made.heat) / 300.0 for _, made in told]
    assert np.median(naive) > 3.0 * np.median([found.leak_u_m3_per_s for found, _ in told])


LOOKS = ((1200.0, 1.0), (780.0, -1.0), (520.0, 1.0), (160.0, -1.0))
"""A cap is looked at again and again: loaded for some minutes, let go for some, twice before this time."""


def test_a_body_that_comes_back_from_earlier_loads_is_told_when_they_are_known():
    told = blind = held = held_blind = 0
    for seed in range(300):
        made = vessel(seed, law=LAWS[seed % 3], before=LOOKS, leak=0.02 * MM3)
        for before in (LOOKS, ()):
            found = tell(made, loads=(*before, (60.0, 1.0)))
            if isinstance(found, decay.Separation):
                holds = found.low_m3_per_s <= made.leak <= found.high_m3_per_s
                told, held = told + bool(before), held + (bool(before) and holds)
                blind, held_blind = blind + (not before), held_blind + (not before and holds)
    assert told > 270 and 0.92 <= held / told <= 0.98, (told, held / told)
    assert held_blind / blind < held / told, "and worse where they are not counted"


@pytest.mark.parametrize(
    ("kind", "different"),
    [
        ("shut for 100 s after 60 s", {"dwell_s": 100.0}),
        ("shut for 60 s after 300 s", {"dwell_s": 60.0, "age_s": 300.0}),
        ("shut for 300 s after 60 s, temperature moving by kelvins", {"warming": 2.0}),
    ],
)
def test_it_refuses_as_often_as_it_says(kind, different):
    load = (different.get("age_s", 60.0), 1.0)
    found = [tell(vessel(seed, law=LAWS[seed % 3], **different), (load,)) for seed in range(120)]
    refused = [each for each in found if isinstance(each, decay.NotTold)]
    assert len(refused) / 1.2 == pytest.approx(decay.REFUSED_IN_100[kind], abs=10.0)
    assert sum(each.reason == "too uncertain" for each in refused) > 0.8 * len(refused)
    assert all(kind in each.why for each in refused if each.reason == "too uncertain")


def test_a_poor_thermometer_widens_the_interval_and_does_not_break_it():
    pairs = [(tell(made), made) for made in (vessel(seed, law="power", noise_k=0.1) for seed in range(200))]
    told = [(found, made) for found, made in pairs if isinstance(found, decay.Separation)]
    assert len(told) > 100
    assert np.mean([found.low_m3_per_s <= made.leak <= found.high_m3_per_s for found, made in told]) >= 0.92


def test_a_tight_body_that_creeps_and_warms_is_not_called_leaking():
    # One-sided 2.5 % is what the interval promises.
    found = [tell(vessel(seed, law=LAWS[seed % 3], leak=0.0)) for seed in range(150)]
    told = [each for each in found if isinstance(each, decay.Separation)]
    assert len(told) > 120 and np.mean([each.low_m3_per_s > 0.0 for each in told]) <= 0.06
    # While a leak of the whole limit is never taken for none.
    leaking = [tell(vessel(seed, law=LAWS[seed % 3], leak=LIMIT)) for seed in range(30)]
    assert all(each.low_m3_per_s > 0.0 for each in leaking if isinstance(each, decay.Separation))


def test_what_noise_does_not_explain_is_refused():
    made = vessel(4, law="power")
    hand = 300.0 * np.exp(-(((made.time - 170.0) / 8.0) ** 2))  # somebody held the body for some seconds
    found = decay.separate(
        made.time,
        made.pressure + hand,
        made.temperature,
        air=made.air,
        ambient_pa=ATM,
        loads=((60.0, 1.0),),
        thermal=(0.0, 6e-8),
        limit_m3_per_s=LIMIT,
    )
    assert isinstance(found, decay.NotTold) and found.reason == "misfit" and "a body touched" in found.why
    gone = tell(vessel(4, law="power", leak=0.4 * MM3))
    assert gone.reason == "changed too far" and gone.leak_u_m3_per_s is None
    assert gone.lost_m3 == pytest.approx(0.4 * MM3 * 300.0, rel=0.2), "what was lost by all causes is still known"


def test_expansion_of_water_and_body():
    # IAPWS-95 through `iapws`, a test-only package: 2.068e-4/K at 20 degC.
    for kelvin in (278.15, 293.15, 313.15):
        mean, u = decay.thermal_m3_per_k(1e-3, kelvin, 0.0, 2e-5)
        assert mean == pytest.approx(1e-3 * iapws.IAPWS95(T=kelvin, P=0.101325).alfav, abs=1e-9)
        assert u == pytest.approx(6e-8)
    signs = [decay.thermal_m3_per_k(1e-3, kelvin, 7e-5, 2e-5)[0] > 0.0 for kelvin in (283.15, 303.15)]
    assert signs == [False, True], "the sign is not known beforehand"


def test_impossible_input_is_refused_in_words():
    made = vessel(1, law="power")
    for change, words in [
        ({"loads": ()}, "one load at least"),
        ({"loads": ((0.0, 1.0),)}, "age of a load above 0"),
        ({"limit": 0.0}, "limit, ambient"),
        ({"resolutions": (-1.0, 0.0)}, "steps"),
    ]:
        with pytest.raises(ValueError, match=words):
            tell(made, **change)
    short = Vessel(
        time=made.time[:100],
        pressure=made.pressure,
        temperature=made.temperature,
        air=made.air,
        leak=0,
        creep=0,
        heat=0,
    )
    with pytest.raises(ValueError, match="in rows of one length"):
        tell(short)
    gap = made.time + 30.0 * (made.time > 100.0)
    with pytest.raises(ValueError, match="a trace with a gap"):
        decay.separate(
            gap,
            made.pressure,
            made.temperature,
            air=made.air,
            ambient_pa=ATM,
            loads=((60.0, 1.0),),
            thermal=(0.0, 6e-8),
            limit_m3_per_s=LIMIT,
        )
    still = np.full(made.time.size, 293.15)
    with pytest.raises(ValueError, match="without any noise or step"):
        decay.separate(
            made.time,
            made.pressure,
            still,
            air=made.air,
            ambient_pa=ATM,
            loads=((60.0, 1.0),),
            thermal=(0.0, 6e-8),
            limit_m3_per_s=LIMIT,
        )


def test_worked_cases_in_the_docstrings():
    assert doctest.testmod(decay) == (0, 7)
