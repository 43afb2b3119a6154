"""Water hammer: how far pressure jumps when moving water is stopped, how fast the jump travels, and who could see it.

Textbook forms for one pipe of one size, full of water, without friction. They give bounds for choosing a valve, a
relief, a transducer and a sampling rate before anything is pressurised; none is a measurement and none a safety case.
Joukowsky is not always the most: branches, a change of bore or material, the packing of a long line, and above all the
collapse of a vapour pocket can exceed it (Walters & Leishear, ASME J. Pressure Vessel Technol. 141 (2019) 060801,
abstract read). A jump downwards is as large as the jump upwards; where less than that stands in the line, it boils.

Nothing is known here of a rig (`line` puts its numbers in) nor of air in front of the water (`column`). Pressures
called absolute are; all others are differences.
"""

from math import inf, isfinite, sqrt

ATMOSPHERE_PA = 101_325.0
WATER_KG_PER_M3 = 998.2072
"""Air-free water at 20 degC and one atmosphere, IAPWS-95."""
WATER_MODULUS_PA = 2.19341e9
"""Isentropic bulk modulus at 20 degC, IAPWS-95: a surge leaves no time for heat. The isothermal one is 0.7 % less."""
SAMPLES_PER_PERIOD = 10.0
"""A surge counts as resolved with this many samples in 2L/a (house rule of this project; no standard was found)."""


def need_above_zero(**values: float) -> None:
    """Refuse in words what is not finite or not above 0. Raises ValueError."""
    for name, value in values.items():
        if not (isfinite(value) and value > 0.0):
            raise ValueError(f"{name} is {value}; allowed: a finite number above 0")


def need_zero_or_more(**values: float) -> None:
    """Refuse in words what is not finite or is negative. Raises ValueError."""
    for name, value in values.items():
        if not (isfinite(value) and value >= 0.0):
            raise ValueError(f"{name} is {value}; allowed: a finite number, 0 or more")


def restraint_factor(restraint: str, poisson: float) -> float:
    """Return c of the wave-speed formula: how the pipe is held along its length.

    Parameters
    ----------
    restraint : str
        ``expansion_joints`` (free to stretch, c = 1), ``anchored_upstream`` (held at one end, c = 1 - nu/2) or
        ``anchored_throughout`` (cannot stretch, c = 1 - nu^2).
    poisson : float
        Poisson's ratio nu of the wall, 0 to 0.5 [-]. Without effect for expansion joints.

    Returns
    -------
    float
        c [-].

    Raises
    ------
    ValueError
        If the restraint is not one of the three or nu is outside 0 to 0.5.

    Source
    ------
    Wylie & Streeter, Fluid Transients in Systems (1993), as quoted in public pages. Older books print 5/4 - nu for the
    second (from memory): which convention was used belongs beside the number.

    Examples
    --------
    >>> [round(restraint_factor(word, 0.4), 3) for word in ("expansion_joints", "anchored_throughout")]
    [1.0, 0.84]
    """
    if not 0.0 <= poisson <= 0.5:
        raise ValueError(f"Poisson's ratio is {poisson}; allowed: 0 to 0.5")
    factors = {
        "expansion_joints": 1.0,
        "anchored_upstream": 1.0 - poisson / 2.0,
        "anchored_throughout": 1.0 - poisson * poisson,
    }
    if restraint not in factors:
        raise ValueError(f"restraint {restraint!r} is unknown; allowed: {', '.join(factors)}")
    return factors[restraint]


def mixture_modulus_pa(
    air_fraction: float, absolute_pa: float, *, water_modulus_pa: float = WATER_MODULUS_PA, exponent: float = 1.0
) -> float:
    """Return the bulk modulus of water with free air in it.

    Parameters
    ----------
    air_fraction : float
        Part of the volume that is air when at one atmosphere, 0 up to (not including) 1 [-].
    absolute_pa : float
        Absolute pressure it is at now [Pa].
    water_modulus_pa : float
        Modulus of the water alone [Pa].
    exponent : float
        1 for slow change (isothermal), 1.4 for sudden (adiabatic) [-].

    Returns
    -------
    float
        Modulus of the mixture [Pa].

    Raises
    ------
    ValueError
        If the fraction is outside 0 to 1, or the rest is not above 0.

    Assumes
    -------
    Small bubbles, evenly spread, none dissolved: phi = phi0 (p0/p)^(1/n), C = phi/(n p) + (1 - phi) C_water.

    Source
    ------
    C_eff = phi C_air + (1 - phi) C_water, as quoted with White's textbook.

    Examples
    --------
    One part in a thousand makes water 22 times softer at one atmosphere:

    >>> f"{mixture_modulus_pa(0.001, 101325.0, water_modulus_pa=1 / 4.54e-10) / 1e6:.1f} MPa"
    '96.9 MPa'
    """
    if not 0.0 <= air_fraction < 1.0:
        raise ValueError(f"air fraction is {air_fraction}; allowed: 0 up to 1, at one atmosphere")
    need_above_zero(absolute_pa=absolute_pa, water_modulus_pa=water_modulus_pa, exponent=exponent)
    fraction = air_fraction * (ATMOSPHERE_PA / absolute_pa) ** (1.0 / exponent)
    if fraction >= 1.0:
        raise ValueError(f"{absolute_pa} Pa absolute swells the air beyond the whole volume; allowed: more pressure")
    return 1.0 / (fraction / (exponent * absolute_pa) + (1.0 - fraction) / water_modulus_pa)


def wave_speed_m_per_s(
    inside_m: float,
    wall_m: float,
    wall_modulus_pa: float,
    *,
    c: float,
    bulk_modulus_pa: float = WATER_MODULUS_PA,
    density_kg_per_m3: float = WATER_KG_PER_M3,
) -> float:
    """Return the speed of a pressure wave in a pipe full of water.

    Parameters
    ----------
    inside_m, wall_m : float
        Inside diameter and wall thickness [m].
    wall_modulus_pa : float
        Young's modulus of the wall for *quick* loading [Pa]; infinite for a rigid pipe. A plastic is stiffer in a
        millisecond than in a data sheet's minutes, and a stiffer wall means a higher surge: when in doubt, the larger.
    c : float
        From `restraint_factor` [-].
    bulk_modulus_pa : float
        Of what fills the pipe [Pa]; with free air from `mixture_modulus_pa`.
    density_kg_per_m3 : float
        Of what fills the pipe [kg/m3].

    Returns
    -------
    float
        Wave speed a [m/s].

    Raises
    ------
    ValueError
        If anything is not above 0.

    Assumes
    -------
    A thin elastic wall. In a thick one (D/e below about 25) the true speed is a little lower, some 10 % at D/e = 6
    (thick-wall form, from memory); the thin-wall form then overstates both the rise and the sampling rate needed.

    Source
    ------
    Korteweg's form a = sqrt(K/rho)/sqrt(1 + c K D/(E e)): Wylie & Streeter (1993), as quoted in public pages.

    Examples
    --------
    Half-inch schedule 40 PVC, E = 2.758 GPa, water with K = 2.179 GPa:

    >>> round(wave_speed_m_per_s(0.622 * 0.0254, 0.109 * 0.0254, 2.758e9, c=1.0, bulk_modulus_pa=2.179e9), 1)
    629.5
    """
    need_above_zero(
        inside_m=inside_m, wall_m=wall_m, c=c, bulk_modulus_pa=bulk_modulus_pa, density_kg_per_m3=density_kg_per_m3
    )
    if wall_modulus_pa != inf:
        need_above_zero(wall_modulus_pa=wall_modulus_pa)
    softening = c * bulk_modulus_pa * inside_m / (wall_modulus_pa * wall_m)
    return sqrt(bulk_modulus_pa / density_kg_per_m3) / sqrt(1.0 + softening)


def joukowsky_pa(
    wave_speed_m_per_s: float, stopped_m_per_s: float, *, density_kg_per_m3: float = WATER_KG_PER_M3
) -> float:
    """Return the jump of pressure where a flow is stopped at once.

    Parameters
    ----------
    wave_speed_m_per_s : float
        a [m/s].
    stopped_m_per_s : float
        Change of velocity [m/s].
    density_kg_per_m3 : float
        [kg/m3].

    Returns
    -------
    float
        Rise above the pressure before [Pa].

    Raises
    ------
    ValueError
        If the change is negative, or anything is not finite.

    Source
    ------
    Joukowsky (1898): dp = rho a dv; any handbook of hydraulics.

    Examples
    --------
    A head of 285.423 m at a = 1400 m/s and 2 m/s (g = 9.81 m/s2):

    >>> round(joukowsky_pa(1400.0, 2.0, density_kg_per_m3=1000.0) / (1000.0 * 9.81), 3)
    285.423
    """
    need_above_zero(wave_speed_m_per_s=wave_speed_m_per_s, density_kg_per_m3=density_kg_per_m3)
    need_zero_or_more(stopped_m_per_s=stopped_m_per_s)
    return density_kg_per_m3 * wave_speed_m_per_s * stopped_m_per_s


def pipe_period_s(length_m: float, wave_speed_m_per_s: float) -> float:
    """Return 2L/a, the time in which a wave is back where it began [s].

    Raises
    ------
    ValueError
        If length [m] or speed [m/s] is not above 0.

    Source
    ------
    Any handbook of hydraulics.

    Examples
    --------
    >>> round(pipe_period_s(1000.0, 1191.4), 3)
    1.679
    """
    need_above_zero(length_m=length_m, wave_speed_m_per_s=wave_speed_m_per_s)
    return 2.0 * length_m / wave_speed_m_per_s


def is_sudden(closing_s: float, period_s: float) -> bool:
    """Say whether a valve shuts before its own wave is back: closing time strictly below 2L/a, both in [s].

    Raises
    ------
    ValueError
        If the closing time is negative or the period not above 0.

    Source
    ------
    tc < 2L/a, strictly (curioustab.com, question 67458). Nothing hangs on it: at equality both forms agree.

    Examples
    --------
    >>> is_sudden(0.001, 0.00635), is_sudden(0.00635, 0.00635)
    (True, False)
    """
    need_zero_or_more(closing_s=closing_s)
    need_above_zero(period_s=period_s)
    return closing_s < period_s


def closure_rise_pa(
    length_m: float,
    wave_speed_m_per_s: float,
    stopped_m_per_s: float,
    closing_s: float,
    *,
    density_kg_per_m3: float = WATER_KG_PER_M3,
) -> float:
    """Return the rise from a valve that shuts in a given time: Joukowsky when sudden, else 2 rho L V/tc.

    Parameters
    ----------
    length_m, wave_speed_m_per_s, stopped_m_per_s : float
        Line [m], a [m/s], velocity that is stopped [m/s].
    closing_s : float
        Time in which the *flow* stops [s]. A ball valve does most of that in the last part of its stroke, so this is
        shorter than the stroke, perhaps a fifth of it (common practice).
    density_kg_per_m3 : float
        [kg/m3].

    Returns
    -------
    float
        Rise above the pressure before, at the valve [Pa].

    Raises
    ------
    ValueError
        As `joukowsky_pa`, `is_sudden`.

    Assumes
    -------
    Velocity falling in a straight line from V to 0. A valve that stops most of the flow in less than 2L/a is sudden,
    whatever its stroke takes.

    Source
    ------
    Michaud's form dH = 2 L V/(g tc) for tc > 2L/a: reuven.tools/tools/water-hammer.

    Examples
    --------
    1000 m, 2 m/s, 5 s: 8.00 bar.

    >>> round(closure_rise_pa(1000.0, 1191.4, 2.0, 5.0, density_kg_per_m3=1000.0) / 1e5, 2)
    8.0
    """
    sudden_pa = joukowsky_pa(wave_speed_m_per_s, stopped_m_per_s, density_kg_per_m3=density_kg_per_m3)
    period_s = pipe_period_s(length_m, wave_speed_m_per_s)
    return sudden_pa if is_sudden(closing_s, period_s) else sudden_pa * period_s / closing_s


def needed_rate_hz(period_s: float, *, samples: float = SAMPLES_PER_PERIOD) -> float:
    """Return how often pressure must be sampled to see a surge: `samples` in one period 2L/a [s].

    Raises
    ------
    ValueError
        If anything is not above 0.

    Source
    ------
    fs >= 10/(2L/a), the rule of this project; see `SAMPLES_PER_PERIOD`.

    Examples
    --------
    A line of 2 m at a = 629.5 m/s:

    >>> round(needed_rate_hz(pipe_period_s(2.0, 629.5)))
    1574
    """
    need_above_zero(period_s=period_s, samples=samples)
    return samples / period_s


def is_resolved(rate_hz: float, period_s: float) -> bool:
    """Say whether a peak sampled at this rate [Hz] may be called one in a line of this period [s].

    Raises
    ------
    ValueError
        If either is not above 0.

    Source
    ------
    As `needed_rate_hz`. A transducer slower than the peak spoils it as well; that is not asked here.

    Examples
    --------
    >>> is_resolved(100.0, 0.00635), is_resolved(2000.0, 0.00635)
    (False, True)
    """
    need_above_zero(rate_hz=rate_hz)
    return rate_hz >= needed_rate_hz(period_s)
