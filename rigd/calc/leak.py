"""How much water leaks, by each way a rig has of measuring it: with its uncertainty, and what it could resolve.

A decay of pressure times the stiffness measured at the test pressure, water fed to hold the pressure, water caught on a
scale, drops counted. A measuring way must resolve a tenth of its limit, or the profile that asks for it is refused.
What an eye sees is an attribute and not here; gas is in `rigd.calc.gas_leak`.

A decay does not tell a leak from creep or warming: `rigd.calc.decay` does, and for plastic it comes first. This file
knows no drop: how large one is differs fivefold between sources, so it is given. It never carries a leak from one
pressure to another by a root: openings in plastic grow with pressure (van Zyl & Clayton 2006).
"""

from dataclasses import dataclass
from math import isfinite, pi, sqrt

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rigd.calc.water import density_kg_per_m3

MOST_DROPS_PER_S = 5.0
"""Five a second are a steady stream (AWWA, drinktap.org): catch and weigh it instead."""
COUNT_U = 1.0 / sqrt(6.0)
"""Standard uncertainty of a count of drops that fall steadily: it misses by less than one, mostly by little."""
RESOLVED_PARTS = 10.0
"""Of its limit that a method resolves, at least: ASTM E2930-13(2021) 5.1 (seen); for other methods a house rule."""
ACCURATE_PARTS = 4.0
"""Of its limit within which a decay test is accurate, at least: same clause."""
LARGEST_FALL = 0.10
"""Of the starting pressure, in a decay test: same clause."""
METHODS = ("decay", "make_up", "scale", "drops", "gas_decay")

DROPS_IN_CIRCULATION_M3 = {
    "API 598, ISO 5208: 16 a mL": 1e-6 / 16.0,
    "pharmacy: 20 a mL (from memory)": 1e-6 / 20.0,
    "USGS, a dripping tap: 4 a mL": 1e-6 / 4.0,
    "a town's leak chart: 6.3 a mL": 0.158e-6,
}
"""To show how far apart they are. None is a default: weigh a hundred of the drops in question."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """Water lost, at the pressure and temperature it was measured at."""

    method: str  # of METHODS
    m3_per_s: float
    u_m3_per_s: float  # standard uncertainty
    resolves_m3_per_s: float  # standard uncertainty of no leak at all, or one drop


def _need(what: str, sound: bool, found: object, allowed: str) -> None:
    if not sound:
        raise ValueError(f"{what}: {found}; allowed: {allowed}")


def _need_numbers(above_0: dict[str, float], at_least_0: dict[str, float], finite: dict[str, float]) -> None:
    """Refuse all that is wrong with a call at once."""
    wrong = [f"{name} {value}, not above 0" for name, value in above_0.items() if not (isfinite(value) and value > 0.0)]
    wrong += [
        f"{name} {value}, below 0" for name, value in at_least_0.items() if not (isfinite(value) and value >= 0.0)
    ]
    wrong += [f"{name} {value}" for name, value in finite.items() if not isfinite(value)]
    _need("measurement", not wrong, "; ".join(wrong), "finite numbers of the sign a scale, a clock or a gauge can give")


def fit_fall(time_s: ArrayLike, pressure_pa: ArrayLike, resolution_pa: float) -> tuple[float, float]:
    """Return how fast a pressure falls, as a straight line, and its standard uncertainty.

    Parameters
    ----------
    time_s, pressure_pa : array_like
        Shape (n,), n of at least 3 [s], [Pa].
    resolution_pa : float
        Step of the gauge: the line is not believed beyond it [Pa].

    Returns
    -------
    fall, u : float
        Above 0 when the pressure falls [Pa/s].

    Raises
    ------
    ValueError
        If the rows differ or are short, time does not rise, or a value is not finite.

    Assumes
    -------
    White noise about a straight line. A body that creeps does not follow one: see `rigd.calc.decay`.

    Source
    ------
    Least squares; its slope's uncertainty: JCGM 100:2008 H.3. Two readings, each known to a step over the root of 12.

    Examples
    --------
    >>> "%.3f, u %.3f" % fit_fall([0.0, 10.0, 20.0, 30.0], [1000.0, 990.0, 980.0, 970.0], resolution_pa=1.0)
    '1.000, u 0.014'
    """
    time, pressure = np.asarray(time_s, dtype=float), np.asarray(pressure_pa, dtype=float)
    sound = time.ndim == 1 and time.shape == pressure.shape and time.size >= 3
    sound = sound and bool(np.all(np.isfinite(time) & np.isfinite(pressure)) and np.all(np.diff(time) > 0.0))
    _need(
        "trace", sound, f"shapes {time.shape} and {pressure.shape}", "two finite rows of one length, 3 or more, rising"
    )
    _need_numbers({}, {"resolution": resolution_pa}, {})
    about = time - np.mean(time)
    spread = float(about @ about)
    slope = float(about @ pressure) / spread
    left = pressure - np.mean(pressure) - slope * about
    noise = float(left @ left) / (time.size - 2) / spread
    steps = 2.0 * resolution_pa**2 / 12.0 / float(time[-1] - time[0]) ** 2
    return -slope, sqrt(noise + steps)


def from_decay(
    fall_pa_per_s: float, fall_u_pa_per_s: float, compliance_m3_per_pa: float, compliance_u_m3_per_pa: float
) -> Leak:
    """Return the leak of a shut body full of water from how fast its pressure falls.

    Parameters
    ----------
    fall_pa_per_s, fall_u_pa_per_s : float
        From `fit_fall`; above 0 when it falls [Pa/s].
    compliance_m3_per_pa, compliance_u_m3_per_pa : float
        dV/dp **at the test pressure**, measured there: `rigd.calc.air.Air.compliance` [m3/Pa].

    Returns
    -------
    Leak

    Raises
    ------
    ValueError
        If a number is not finite, the compliance not above 0, or an uncertainty below 0.

    Assumes
    -------
    The fall is all leak. It is not in plastic, where creep and warming come first: `rigd.calc.decay`.

    Source
    ------
    Continuity: leak = (dV/dp)(-dp/dt). Uncertainty by JCGM 100:2008, 5.1.

    Examples
    --------
    100 Pa/s from a line that takes 3 mm3 a kPa is 0.3 mm3/s:

    >>> leak = from_decay(100.0, 2.0, 3e-12, 0.06e-12)
    >>> "%.3f mm3/s, u %.3f" % (leak.m3_per_s * 1e9, leak.u_m3_per_s * 1e9)
    '0.300 mm3/s, u 0.008'
    """
    _need_numbers(
        {"compliance": compliance_m3_per_pa},
        {"uncertainty of the fall": fall_u_pa_per_s, "uncertainty of the compliance": compliance_u_m3_per_pa},
        {"fall": fall_pa_per_s},
    )
    resolves = compliance_m3_per_pa * fall_u_pa_per_s
    return Leak(
        method="decay",
        m3_per_s=compliance_m3_per_pa * fall_pa_per_s,
        u_m3_per_s=sqrt(resolves**2 + (fall_pa_per_s * compliance_u_m3_per_pa) ** 2),
        resolves_m3_per_s=resolves,
    )


def from_make_up(
    added_m3: float,
    added_u_m3: float,
    duration_s: float,
    rise_pa: float,
    rise_u_pa: float,
    compliance_m3_per_pa: float,
) -> Leak:
    """Return the leak from the water that had to be fed to hold the pressure.

    Parameters
    ----------
    added_m3, added_u_m3 : float
        Water fed, and its standard uncertainty [m3].
    duration_s : float
        Over this time [s].
    rise_pa, rise_u_pa : float
        Pressure at the end less that at the start, and the standard uncertainty of the difference: what is stored
        did not leak [Pa].
    compliance_m3_per_pa : float
        dV/dp at the test pressure, of all that the feed fills [m3/Pa].

    Returns
    -------
    Leak

    Raises
    ------
    ValueError
        If a number is not finite or has a sign that cannot be.

    Assumes
    -------
    No creep and no warming over the time: both are fed too. The outlet is shut.

    Source
    ------
    Continuity. Uncertainty by JCGM 100:2008, 5.1; that of dV/dp is left out because the rise is kept near 0.

    Examples
    --------
    60 mm3 in a minute, of which 3 are stored because the pressure rose by 1 kPa:

    >>> "%.3f mm3/s" % (from_make_up(60e-9, 1e-9, 60.0, 1000.0, 50.0, 3e-12).m3_per_s * 1e9)
    '0.950 mm3/s'
    """
    _need_numbers(
        {"duration": duration_s, "compliance": compliance_m3_per_pa},
        {"uncertainty of the water": added_u_m3, "uncertainty of the rise": rise_u_pa},
        {"water": added_m3, "rise": rise_pa},
    )
    u = sqrt(added_u_m3**2 + (compliance_m3_per_pa * rise_u_pa) ** 2) / duration_s
    leaked = (added_m3 - compliance_m3_per_pa * rise_pa) / duration_s
    return Leak(method="make_up", m3_per_s=leaked, u_m3_per_s=u, resolves_m3_per_s=u)


def from_scale(
    caught_kg: float, caught_u_kg: float, duration_s: float, water_k: float, dried_kg_per_s: float = 0.0
) -> Leak:
    """Return the leak from water caught on a scale.

    Parameters
    ----------
    caught_kg, caught_u_kg : float
        Reading at the end less that at the start, and the standard uncertainty of the difference [kg].
    duration_s : float
        Over this time [s].
    water_k : float
        Temperature of the water [K].
    dried_kg_per_s : float
        What the tray loses by itself, measured without a leak [kg/s].

    Returns
    -------
    Leak

    Raises
    ------
    ValueError
        If a number is not finite or has a sign that cannot be, or the water is not liquid.

    Assumes
    -------
    All that leaks reaches the tray; what stays on the body is wiped off and weighed with it. The lift of air, 0.1 %, is
    left out.

    Source
    ------
    Mass over density (`rigd.calc.water`).

    Examples
    --------
    A gram in a quarter of an hour at 20 degC:

    >>> "%.3f mm3/s" % (from_scale(1e-3, 1e-5, 900.0, 293.15).m3_per_s * 1e9)
    '1.113 mm3/s'
    """
    _need_numbers(
        {"duration": duration_s},
        {"uncertainty of the catch": caught_u_kg, "drying": dried_kg_per_s},
        {"catch": caught_kg},
    )
    density = float(density_kg_per_m3(water_k))
    u = caught_u_kg / density / duration_s
    leaked = (caught_kg / duration_s + dried_kg_per_s) / density
    return Leak(method="scale", m3_per_s=leaked, u_m3_per_s=u, resolves_m3_per_s=u)


def from_drops(drops: int, duration_s: float, drop_m3: float, drop_u_m3: float) -> Leak:
    """Return the leak from drops counted over a time.

    Parameters
    ----------
    drops : int
        Drops that fell [-].
    duration_s : float
        Over this time [s].
    drop_m3, drop_u_m3 : float
        Volume of a drop and its standard uncertainty: weigh a hundred of them; there is no default [m3].

    Returns
    -------
    Leak

    Raises
    ------
    ValueError
        If drops are not whole and at least 0, fall faster than `MOST_DROPS_PER_S`, or a number cannot be.

    Assumes
    -------
    A steady rate, so that a count misses the truth by less than one drop. None seen means less than one in the time,
    not none.

    Source
    ------
    Triangular distribution of the count, half-width 1: JCGM 100:2008, 4.3.9. A stream begins at five a second: AWWA.

    Examples
    --------
    API 598 takes sixteen drops for a millilitre:

    >>> "%.3f mL" % (from_drops(16, 60.0, 62.5e-9, 0.0).m3_per_s * 60.0 * 1e6)
    '1.000 mL'
    """
    _need_numbers({"duration": duration_s, "drop": drop_m3}, {"uncertainty of a drop": drop_u_m3}, {"drops": drops})
    _need("drops", drops >= 0 and drops == int(drops), drops, "a whole number of at least 0")
    rate = drops / duration_s
    _need(
        "drops", rate <= MOST_DROPS_PER_S, f"{rate:g} a second", f"up to {MOST_DROPS_PER_S:g}: catch and weigh a stream"
    )
    count_u = COUNT_U * drop_m3 / duration_s
    return Leak(
        method="drops",
        m3_per_s=rate * drop_m3,
        u_m3_per_s=sqrt(count_u**2 + (rate * drop_u_m3) ** 2),
        resolves_m3_per_s=drop_m3 / duration_s,
    )


def through_hole_m3_per_s(diameter_m: float, pressure_pa: float, water_k: float, discharge: float) -> float:
    """Return what a round sharp-edged hole lets out: to choose a method by, never to measure one.

    Parameters
    ----------
    diameter_m : float
        Of the hole [m].
    pressure_pa : float
        Gauge pressure inside [Pa].
    water_k : float
        Temperature [K].
    discharge : float
        Discharge coefficient, about 0.6 for a sharp edge (common practice) [-].

    Returns
    -------
    float
        Flow [m3/s].

    Raises
    ------
    ValueError
        If a number is not above 0, or the water is not liquid.

    Assumes
    -------
    A rigid hole. Openings in plastic grow with pressure (van Zyl & Clayton 2006).

    Source
    ------
    Torricelli with a discharge coefficient.

    Examples
    --------
    A tenth of a millimetre at 40 psi:

    >>> "%.2f mL/min" % (through_hole_m3_per_s(1e-4, 40 * 6894.757, 293.15, 0.62) * 60e6)
    '6.87 mL/min'
    """
    _need_numbers({"diameter": diameter_m, "pressure": pressure_pa, "discharge": discharge}, {}, {})
    speed = sqrt(2.0 * pressure_pa / float(density_kg_per_m3(water_k)))
    return discharge * pi / 4.0 * diameter_m**2 * speed


def judge_leak(leak_m3_per_s: float, u_m3_per_s: float, limit_m3_per_s: float, level: float = 0.95) -> str:
    """Say whether a leak is below its limit, above it, or too near to tell.

    Parameters
    ----------
    leak_m3_per_s, u_m3_per_s : float
        Measured, and its standard uncertainty [m3/s].
    limit_m3_per_s : float
        The largest that is accepted [m3/s].
    level : float
        One-sided chance that must stand behind a yes or a no [-].

    Returns
    -------
    str
        ``accept``, ``reject`` or ``undecided``.

    Raises
    ------
    ValueError
        If a number is not finite, the limit not above 0, or the level not from 0.5 to below 1.

    Source
    ------
    Guard band by the uncertainty, as ISO 14253-1 does (from memory): 1.645 u for a one-sided 95 %.

    Examples
    --------
    >>> [judge_leak(leak, 0.1, 1.0) for leak in (0.8, 0.9, 1.1, 1.2)]
    ['accept', 'undecided', 'undecided', 'reject']
    """
    _need_numbers({"limit": limit_m3_per_s}, {"uncertainty": u_m3_per_s}, {"leak": leak_m3_per_s})
    _need("level", 0.5 <= level < 1.0, level, "0.5 to below 1, such as 0.95")
    guard = float(scipy.stats.norm.ppf(level)) * u_m3_per_s
    if leak_m3_per_s + guard <= limit_m3_per_s:
        return "accept"
    return "reject" if leak_m3_per_s - guard > limit_m3_per_s else "undecided"


def faults_of_method(
    method: str,
    *,
    limit: float,
    resolves: float,
    accurate: float,
    fall_share: float = 0.0,
    outlet_flowing: bool = False,
    deformable: bool = True,
    separated: bool = False,
    hand_turned: bool = False,
) -> tuple[str, ...]:
    """Return everything that forbids a way of measuring a leak: a profile that has any of it is refused.

    Parameters
    ----------
    method : str
        Of `METHODS`.
    limit, resolves, accurate : float
        The leak to be judged, what the method resolves, and its expanded uncertainty near the limit [one unit of leak].
    fall_share : float
        Part of the starting pressure that a leak of the limit takes away over the dwell [-].
    outlet_flowing : bool
        Water runs through the body during the step.
    deformable : bool
        The body is plastic, or otherwise creeps.
    separated : bool
        Leak, creep and temperature will be told apart (`rigd.calc.decay`); of gas, that temperature is measured and how
        much the body may change is stated and counted (`rigd.calc.exact.gas_leak`).
    hand_turned : bool
        A hand turns a cap in this test.

    Returns
    -------
    tuple of str
        In words, all at once; empty when there is nothing against it.

    Raises
    ------
    ValueError
        If the method is unknown or a number is not above 0 (fall_share: at least 0).

    Source
    ------
    ASTM E2930-13(2021), 1.1 and 5.1 (seen in a preview): resolution ten times and accuracy four times better than the
    limit, a fall below 10 % of the start, no deformable vessel. The resolution is asked of every method (house rule).

    Examples
    --------
    >>> faults_of_method("scale", limit=1.0, resolves=0.05, accurate=0.2)
    ()
    >>> for fault in faults_of_method("make_up", limit=1.0, resolves=0.2, accurate=0.2, outlet_flowing=True):
    ...     print(fault)
    make_up resolves 0.2, its limit is 1: allowed at most a tenth, 0.1; take longer, or measure finer
    make_up with the outlet flowing: what runs through is not a leak; block the outlet, or catch, count or look
    """
    _need("method", method in METHODS, repr(method), ", ".join(METHODS))
    _need_numbers({"limit": limit, "resolves": resolves, "accurate": accurate}, {"fall_share": fall_share}, {})
    decays = method in ("decay", "gas_decay")
    found = []
    if resolves * RESOLVED_PARTS > limit:
        found.append(
            f"{method} resolves {resolves:g}, its limit is {limit:g}: allowed at most a tenth, "
            f"{limit / RESOLVED_PARTS:g}; take longer, or measure finer"
        )
    if decays and accurate * ACCURATE_PARTS > limit:
        found.append(
            f"{method} is accurate to {accurate:g}, its limit is {limit:g}: allowed at most a quarter, "
            f"{limit / ACCURATE_PARTS:g}; measure the stiffness again, or take longer"
        )
    if decays and fall_share >= LARGEST_FALL:
        found.append(
            f"{method} lets a leak of the limit take {fall_share:.0%} of the pressure: "
            f"allowed below {LARGEST_FALL:.0%}; dwell shorter"
        )
    if method in ("decay", "make_up") and outlet_flowing:
        found.append(
            f"{method} with the outlet flowing: what runs through is not a leak; "
            "block the outlet, or catch, count or look"
        )
    if method == "gas_decay" and deformable and not separated:
        found.append("gas_decay of a body that creeps: outside ASTM E2930, 1.1; state its change, or use water")
    if method == "decay" and deformable and not separated:
        found.append("decay of a body that creeps: tell leak, creep and temperature apart, or weigh, count or look")
    if method == "gas_decay" and hand_turned:
        found.append("gas_decay with a cap turned by hand: never; gas under a cap throws it. Fill it with water")
    return tuple(found)
