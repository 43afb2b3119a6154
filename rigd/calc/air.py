"""Air left in a water-filled specimen, told by how soft the water feels; and a bladder, by softness that changes.

Water and body give a volume for every pascal, always nearly the same; air gives much at low pressure and little at
high. So the volume that goes in for a step of pressure is a straight line in one over the pressure squared: its rise is
the air, its foot is water and body together. The body is much softer than the water in it, so the foot is measured and
never computed; where the water volume is known, what remains of the foot is the body.

Air is stated as free air: the volume it would fill at a stated absolute pressure, at the water's temperature. All
pressures are absolute. This refuses to know where the air sits, and air that dissolves. A pulse faster than bubbles
give off their heat makes them seem up to 1.4 times smaller: wait between pulses.
"""

from dataclasses import dataclass
from math import isfinite, sqrt

import numpy as np
import scipy
from numpy.typing import ArrayLike

from rigd.calc.water import compressibility_per_pa

ATMOSPHERE_PA = 101_325.0
LEAST_POINTS = 5
"""Three unknowns and two points over, so that a misfit can show (house rule)."""
MISFIT_CHANCE = 0.001
"""A fit is refused when noise as stated would miss this badly only so seldom (house rule)."""
FALSE_ALARM_CHANCE = 0.001
"""Chance that a day on which nothing changed reads as softer: about once in three years of days (house rule)."""
LEAST_HISTORY = 5
"""With fewer days the limit is mostly the factor of Student's t (house rule)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """Free air in a specimen, and what is soft besides. Each `_u_` is a standard uncertainty, in its value's unit."""

    free_air_m3: float  # at reference_pa; may come out a little below 0 where there is none
    free_air_u_m3: float
    reference_pa: float  # absolute
    foot_m3_per_pa: float  # water and body together
    foot_u_m3_per_pa: float
    body_m3_per_pa: float  # the foot less the water
    body_u_m3_per_pa: float
    correlation: float  # of free air and foot [-]
    points: int
    misfit_chance: float  # chance that noise as stated misses at least this badly [-]

    def compliance(self, absolute_pa: float) -> tuple[float, float]:
        """Return dV/dp at an absolute pressure and its standard uncertainty [m3/Pa]: what a water leak needs."""
        rise = self.reference_pa / absolute_pa**2
        air_u = rise * self.free_air_u_m3
        both = 2.0 * self.correlation * air_u * self.foot_u_m3_per_pa
        return rise * self.free_air_m3 + self.foot_m3_per_pa, sqrt(air_u**2 + self.foot_u_m3_per_pa**2 + both)


@dataclass(frozen=True, slots=True, kw_only=True)
class Softness:
    """Today's softness against the days when the rig was known to be sound, in the unit of the values."""

    softer: bool  # above the limit: no arm
    today: float
    usual: float
    limit: float
    days: int  # of the history
    why: str


def _check_positive(what: str, values: ArrayLike, todo: str) -> np.ndarray:
    made = np.asarray(values, dtype=float)
    if not np.all(np.isfinite(made) & (made > 0.0)):
        raise ValueError(f"{what} is {values}; allowed: finite and above 0; {todo}")
    return made


def mixture_modulus_pa(
    free_air_share: ArrayLike, absolute_pa: ArrayLike, water_k: float, reference_pa: float = ATMOSPHERE_PA
) -> np.ndarray:
    """Return how stiff water is with bubbles in it.

    Parameters
    ----------
    free_air_share : array_like
        Volume of the air at `reference_pa` over the volume of all [-].
    absolute_pa : array_like
        Absolute pressure [Pa].
    water_k : float
        Temperature [K].
    reference_pa : float
        Absolute pressure at which the air is stated [Pa].

    Returns
    -------
    ndarray
        Isothermal bulk modulus, of the broadcast shape [Pa].

    Raises
    ------
    ValueError
        If a pressure is not above 0, the share not from 0 to below 1, or the water is not liquid.

    Assumes
    -------
    Slow, isothermal, ideal gas that does not dissolve; share p0/p at pressure p.

    Source
    ------
    C = s/p + (1 - s) C_water, after White, Fluid Mechanics (quoted by a paper; seen there).

    Examples
    --------
    A thousandth of air at one atmosphere makes water 22 times softer; at 40 psi gauge still 2.5 times [MPa]:

    >>> [round(float(mixture_modulus_pa(0.001, p, 293.15)) / 1e6, 1) for p in (101_325.0, 101_325.0 + 40 * 6894.757)]
    [96.8, 853.8]
    """
    pressure = _check_positive("absolute pressure", absolute_pa, "is it gauge?")
    share = np.asarray(free_air_share, dtype=float) * _check_positive("reference pressure", reference_pa, "give it")
    if not np.all((share >= 0.0) & (share < reference_pa)):
        raise ValueError(f"share of free air is {free_air_share}; allowed: 0 to below 1; is it in per cent?")
    share = share / pressure
    return 1.0 / (share / pressure + (1.0 - share) * compressibility_per_pa(water_k))


def compliance_m3_per_pa(
    absolute_pa: ArrayLike,
    free_air_m3: float,
    water_m3: float,
    water_k: float,
    body_m3_per_pa: float = 0.0,
    reference_pa: float = ATMOSPHERE_PA,
) -> np.ndarray:
    """Return dV/dp: how much more goes in for a pascal more.

    Parameters
    ----------
    absolute_pa : array_like
        Absolute pressure, any shape [Pa].
    free_air_m3 : float
        Free air at `reference_pa` [m3].
    water_m3 : float
        Water in specimen and line, up to the shut valve [m3].
    water_k : float
        Temperature of the water [K].
    body_m3_per_pa : float
        How the body grows [m3/Pa].
    reference_pa : float
        Absolute pressure at which the air is stated [Pa].

    Returns
    -------
    ndarray
        Compliance, same shape [m3/Pa].

    Raises
    ------
    ValueError
        If a pressure is not above 0, or the water is not liquid.

    Assumes
    -------
    Isothermal ideal gas that does not dissolve, small beside the water; a body that grows in proportion.

    Source
    ------
    dV/dp = Vw/K + Cs + Va0 p0/p^2, derived from pV = const; volume-based estimates of air also in Water UK IGN
    4-01-03 App. B.

    Examples
    --------
    A litre with 5 mL of free air and a rigid body, at 200 and 3500 kPa absolute [mL/MPa]:

    >>> (compliance_m3_per_pa([200e3, 3500e3], 5e-6, 1e-3, 293.15) * 1e12).round(3).tolist()
    [13.125, 0.5]
    """
    pressure = _check_positive("absolute pressure", absolute_pa, "is it gauge?")
    return water_m3 * compressibility_per_pa(water_k) + body_m3_per_pa + free_air_m3 * reference_pa / pressure**2


def air_from_volume(
    absolute_pa: ArrayLike,
    added_m3: ArrayLike,
    *,
    pressure_u_pa: float,
    zero_u_pa: float,
    volume_u_m3: float,
    volume_scale_u: float,
    water_m3: float,
    water_k: float,
    reference_pa: float = ATMOSPHERE_PA,
) -> Air:
    """Return the free air from pressures and the volume that had gone in at each: by pulses, syringe, or a flow meter.

    Parameters
    ----------
    absolute_pa : array_like
        Absolute pressure after each step, settled, rising, shape (n,) [Pa].
    added_m3 : array_like
        Volume added since the first point, shape (n,); for pulses, their number times one stroke [m3].
    pressure_u_pa : float
        Standard uncertainty of each pressure by itself: noise and resolution [Pa].
    zero_u_pa : float
        Standard uncertainty common to all: zero and barometer [Pa].
    volume_u_m3 : float
        Standard uncertainty of each volume by itself [m3].
    volume_scale_u : float
        Relative standard uncertainty common to all volumes: of the stroke, of the meter [-].
    water_m3, water_k : float
        Water up to the shut valve [m3], its temperature [K].
    reference_pa : float
        Absolute pressure at which the air is stated [Pa].

    Returns
    -------
    Air

    Raises
    ------
    ValueError
        If there are fewer than `LEAST_POINTS`, the pressures do not rise, an uncertainty is missing, or the points
        do not follow the law: the body creeps, something leaks, or air moves in.

    Assumes
    -------
    As `compliance_m3_per_pa`, and steps slow enough for bubbles to give off their heat and for the body to settle.

    Source
    ------
    The integral of dV/dp: V = const + C p - Va0 p0/p, exact for steps of any size; weighted least squares, GUM (JCGM
    100:2008) 5.2 for the common parts.

    Examples
    --------
    5 mL of free air in a litre of water, rigid body, 24 strokes:

    >>> p = np.linspace(150e3, 600e3, 25)
    >>> strokes = 1e-3 * 4.5892e-10 * (p - p[0]) + 5e-6 * 101325.0 * (1 / p[0] - 1 / p)
    >>> air = air_from_volume(p, strokes, pressure_u_pa=100.0, zero_u_pa=500.0, volume_u_m3=1e-9, volume_scale_u=0.01,
    ...                       water_m3=1e-3, water_k=293.15)
    >>> "%.2f mL, u %.2f mL" % (air.free_air_m3 * 1e6, air.free_air_u_m3 * 1e6)
    '5.00 mL, u 0.06 mL'
    """
    pressure, volume = _check_points(absolute_pa, added_m3)
    _check_uncertainties(pressure_u_pa, zero_u_pa, volume_u_m3, volume_scale_u)

    def design(shift_pa: float) -> np.ndarray:
        moved = pressure + shift_pa
        return np.column_stack([-reference_pa / moved, moved, np.ones_like(moved)])

    rough = np.linalg.lstsq(_scaled(design(0.0)), volume, rcond=None)[0] / _scales(design(0.0))
    slope = np.abs(rough[0] * reference_pa / pressure**2 + rough[1])  # what a pascal of noise looks like, as volume
    each_u = np.sqrt(volume_u_m3**2 + (slope * pressure_u_pa) ** 2)
    best, covariance, misfit = _fit(design(0.0), volume, each_u)
    shifted = _fit(design(zero_u_pa), volume, each_u)[0] - best
    common = np.outer(shifted, shifted) + volume_scale_u**2 * np.outer(best, best)
    return _as_air(best, covariance + common, misfit, pressure.size, water_m3, water_k, reference_pa)


def air_from_compliance(
    absolute_pa: ArrayLike,
    compliance_m3_per_pa: ArrayLike,
    compliance_u_m3_per_pa: ArrayLike,
    *,
    water_m3: float,
    water_k: float,
    reference_pa: float = ATMOSPHERE_PA,
) -> Air:
    """Return the free air from dV/dp measured at several pressures: a straight line in one over pressure squared.

    Parameters
    ----------
    absolute_pa : array_like
        Absolute pressures, rising, shape (n,), n of at least `LEAST_POINTS` - 1 [Pa].
    compliance_m3_per_pa, compliance_u_m3_per_pa : array_like
        dV/dp at each and its standard uncertainty, shape (n,) [m3/Pa].
    water_m3, water_k, reference_pa : float
        As `air_from_volume`.

    Returns
    -------
    Air

    Raises
    ------
    ValueError
        As `air_from_volume`.

    Assumes
    -------
    Each dV/dp belongs to its pressure alone. For steps that share their pressures use `air_from_volume`, which knows
    that neighbours share an error; for a step from p1 to p2 the pressure of its dV/dp is sqrt(p1 p2), exactly.

    Source
    ------
    As `compliance_m3_per_pa`.

    Examples
    --------
    >>> p = np.array([200e3, 500e3, 1000e3, 3500e3])
    >>> dv_dp = np.array([13.125, 2.4854, 0.96555, 0.50028]) * 1e-12
    >>> air = air_from_compliance(p, dv_dp, 0.001 * dv_dp, water_m3=1e-3, water_k=293.15)
    >>> "%.2f mL, K %.2f GPa" % (air.free_air_m3 * 1e6, 1e-3 / air.foot_m3_per_pa / 1e9)
    '5.00 mL, K 2.18 GPa'
    """
    pressure, values = _check_points(absolute_pa, compliance_m3_per_pa, least=LEAST_POINTS - 1)
    each_u = np.broadcast_to(
        _check_positive("uncertainty of dV/dp", compliance_u_m3_per_pa, "state what is known"), pressure.shape
    )
    best, covariance, misfit = _fit(
        np.column_stack([reference_pa / pressure**2, np.ones_like(pressure)]), values, each_u
    )
    return _as_air(best, covariance, misfit, pressure.size, water_m3, water_k, reference_pa)


def _check_points(
    absolute_pa: ArrayLike, values: ArrayLike, least: int = LEAST_POINTS
) -> tuple[np.ndarray, np.ndarray]:
    pressure, made = np.asarray(absolute_pa, dtype=float), np.asarray(values, dtype=float)
    if pressure.ndim != 1 or pressure.shape != made.shape or pressure.size < least or not np.all(np.isfinite(made)):
        raise ValueError(
            f"pressures of shape {pressure.shape}, values of shape {made.shape}; "
            f"allowed: two rows of one length, at least {least} points, all finite; take more steps"
        )
    _check_positive("absolute pressure", pressure, "is it gauge?")
    if not np.all(np.diff(pressure) > 0.0):
        raise ValueError(
            f"pressures {pressure.tolist()} do not all rise; allowed: each above the one before; does it leak?"
        )
    return pressure, made


def _check_uncertainties(pressure_u: float, zero_u: float, volume_u: float, scale_u: float) -> None:
    sound = all(isfinite(value) and value >= 0.0 for value in (pressure_u, zero_u, volume_u, scale_u))
    if not (sound and pressure_u + volume_u > 0.0 and scale_u < 1.0):
        raise ValueError(
            f"uncertainties: pressure {pressure_u} Pa, zero {zero_u} Pa, volume {volume_u} m3, scale {scale_u}; "
            "allowed: at least 0, pressure and volume not both 0, scale below 1; state what is known"
        )


def _scales(design: np.ndarray) -> np.ndarray:
    return np.linalg.norm(design, axis=0)


def _scaled(design: np.ndarray) -> np.ndarray:
    """Columns of length 1: pascals squared beside ones would lose half the digits."""
    return design / _scales(design)


def _fit(design: np.ndarray, values: np.ndarray, each_u: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the best coefficients, their covariance from the stated uncertainties, and the chance of such a misfit."""
    weighted = design / each_u[:, None]
    scales = _scales(weighted)
    best, _, rank, _ = np.linalg.lstsq(weighted / scales, values / each_u, rcond=1e-10)
    if rank < design.shape[1]:
        raise ValueError(
            "the pressures are too close together to tell air from the rest; allowed: a rise of some ten per cent or "
            "more of absolute pressure; start lower or go higher"
        )
    inverse = np.linalg.inv((weighted / scales).T @ (weighted / scales))
    missed = values / each_u - weighted @ (best / scales)
    freedom = values.size - design.shape[1]
    return best / scales, inverse / np.outer(scales, scales), float(scipy.stats.chi2.sf(missed @ missed, freedom))


def _as_air(
    best: np.ndarray,
    covariance: np.ndarray,
    misfit: float,
    points: int,
    water_m3: float,
    water_k: float,
    reference_pa: float,
) -> Air:
    if misfit < MISFIT_CHANCE:
        raise ValueError(
            f"the points miss the law of air, water and body: noise as stated does so with a chance of {misfit:.1g}; "
            f"allowed: at least {MISFIT_CHANCE}; the body creeps or yields, something leaks, or air came in: "
            "wait longer between steps, stay lower, look for drips"
        )
    air_u, foot_u = float(np.sqrt(covariance[0, 0])), float(np.sqrt(covariance[1, 1]))
    water = float(_check_positive("water volume", water_m3, "weigh it")) * float(compressibility_per_pa(water_k))
    return Air(
        free_air_m3=float(best[0]),
        free_air_u_m3=air_u,
        reference_pa=reference_pa,
        foot_m3_per_pa=float(best[1]),
        foot_u_m3_per_pa=foot_u,
        body_m3_per_pa=float(best[1]) - water,
        body_u_m3_per_pa=foot_u,  # the water's own uncertainty is a per cent of a small part
        correlation=float(covariance[0, 1]) / (air_u * foot_u),
        points=points,
        misfit_chance=misfit,
    )


def judge_air(air: Air, most_m3: float, level: float = 0.95) -> str:
    """Say whether there is little enough air for hands, heads or meters to go by.

    Parameters
    ----------
    air : Air
        As measured.
    most_m3 : float
        Free air that a profile allows, at the same reference pressure [m3].
    level : float
        One-sided chance that must stand behind a yes or a no [-].

    Returns
    -------
    str
        ``accept``, ``reject`` or ``undecided``. Undecided is not a yes: bleed again, or measure better.

    Raises
    ------
    ValueError
        If the limit is not above 0, or the level not from 0.5 to below 1.

    Source
    ------
    Guard band by the uncertainty, as ISO 14253-1 does (from memory): 1.645 u for a one-sided 95 %.

    Examples
    --------
    >>> air = Air(free_air_m3=4e-6, free_air_u_m3=0.5e-6, reference_pa=101325.0, foot_m3_per_pa=3e-12,
    ...           foot_u_m3_per_pa=1e-14, body_m3_per_pa=2.5e-12, body_u_m3_per_pa=1e-14, correlation=0.0, points=20,
    ...           misfit_chance=0.5)
    >>> judge_air(air, 5e-6), judge_air(air, 4.5e-6), judge_air(air, 3e-6)
    ('accept', 'undecided', 'reject')
    """
    _check_positive("most free air", most_m3, "a profile that asks for none asks for what cannot be measured")
    if not 0.5 <= level < 1.0:
        raise ValueError(f"level is {level}; allowed: 0.5 to below 1, such as 0.95")
    guard = float(scipy.stats.norm.ppf(level)) * air.free_air_u_m3
    if air.free_air_m3 + guard <= most_m3:
        return "accept"
    return "reject" if air.free_air_m3 - guard > most_m3 else "undecided"


def watch_softness(sound_days: ArrayLike, today: float, least_sigma: float = 0.0) -> Softness:
    """Say whether today is softer than the days when the rig was known to be sound: a bladder fails like that.

    Parameters
    ----------
    sound_days : array_like
        dV/dp of the same line at the same pressure, or its apparent free air, on days after the bladder was proven,
        shape (n,). They stay as they are: a limit that follows the last days follows a slow leak too [one unit].
    today : float
        The same, today [same unit].
    least_sigma : float
        Smallest scatter believed, such as the standard uncertainty of one day's value [same unit].

    Returns
    -------
    Softness
        ``softer`` means no arm, until a person has looked. Stiffer is not judged here.

    Raises
    ------
    ValueError
        If there are fewer than `LEAST_HISTORY` days, a value is not finite, or the days never differ and no
        `least_sigma` is given.

    Assumes
    -------
    Same line, same pressure, same temperature within a few kelvin; days about normal. A bladder that failed before the
    first of these days is part of what is usual.

    Source
    ------
    One-sided prediction limit for one future value, mean + t s sqrt(1 + 1/n) (from memory).

    Examples
    --------
    >>> watch_softness([3.00, 3.02, 2.98, 3.01, 2.99, 3.00], 3.05).softer
    False
    >>> watch_softness([3.00, 3.02, 2.98, 3.01, 2.99, 3.00], 3.40).softer
    True
    """
    days = np.asarray(sound_days, dtype=float)
    if days.ndim != 1 or days.size < LEAST_HISTORY or not np.all(np.isfinite(np.append(days, today))):
        raise ValueError(
            f"history of shape {days.shape}, today {today}; allowed: one row of at least {LEAST_HISTORY} finite values "
            "from days when the bladder was proven, and a finite one today; commission the rig first"
        )
    sigma = max(float(np.std(days, ddof=1)), least_sigma)
    if not sigma > 0.0:
        raise ValueError(
            f"the {days.size} days are all {days[0]}; allowed: some scatter, or its least given as least_sigma; "
            "a value that never differs is not measured finely enough"
        )
    usual = float(np.mean(days))
    reach = float(scipy.stats.t.ppf(1.0 - FALSE_ALARM_CHANCE, days.size - 1))
    limit = usual + reach * sigma * sqrt(1.0 + 1.0 / days.size)
    softer = not today <= limit
    why = (
        f"softer than on {days.size} sound days: {today:g}, usual {usual:g}, limit {limit:g}. "
        "Air or a failed bladder: water may have become a gas test. Do not arm; vent, bleed, prove the bladder"
    )
    return Softness(softer=softer, today=today, usual=usual, limit=limit, days=days.size, why=why if softer else "")
