"""A column of water on the move with air before it: how fast it gets, what it does to a pocket, how hard it strikes.

These are the shots of a surge rig that fills, blows and empties a body. Compressed air behind water in a plastic part
is the most dangerous thing in such a lab; the forms here are rigid-column bounds for deciding what must never be tried,
not permission for anything. Friction is left out or given, the front stays flat, and one pipe of one bore holds it all.

Nothing is known here of a rig, nor of waves beyond the one jump of `surge`.
"""

from math import ceil, exp, hypot, inf, log, sqrt

import scipy

from rigd.calc.surge import WATER_KG_PER_M3, joukowsky_pa, need_above_zero, need_zero_or_more

MOST_LOG_SQUEEZE = log(1e6)
"""A pocket squeezed a million times is water on water: there the rigid column has long ceased to describe it [-]."""
NO_LOSS = 1e-12
"""Below this many velocity heads along the way, friction is lost in the rounding [-]."""


def column_speed_m_per_s(
    driving_pa: float,
    column_m: float,
    travel_m: float,
    *,
    loss: float = 0.0,
    density_kg_per_m3: float = WATER_KG_PER_M3,
) -> float:
    """Return how fast a column of water has become, pushed from rest with nothing in front of it.

    Parameters
    ----------
    driving_pa : float
        Pressure behind the column less pressure in front of it, steady [Pa].
    column_m, travel_m : float
        Length of the column (a slug, the same all the way) and the way it went [m].
    loss : float
        Everything that takes pressure, in velocity heads: dp = loss rho v^2/2 [-]. 0 gives the upper bound.
    density_kg_per_m3 : float
        [kg/m3].

    Returns
    -------
    float
        Velocity [m/s].

    Raises
    ------
    ValueError
        If the driving pressure, the way or the loss is negative, or the column is not above 0.

    Assumes
    -------
    A rigid column. One that is drawn from a tank grows and is slower than a slug as short as it was at first.

    Source
    ------
    Derivation: Newton for the column, v^2 = 2 dp/(loss rho) (1 - exp(-loss x/L)); without loss v^2 = 2 dp x/(rho L).

    Examples
    --------
    A slug of 1 m behind 85 psi, after 1 m of empty pipe:

    >>> round(column_speed_m_per_s(85 * 6894.757, 1.0, 1.0), 1)
    34.3
    """
    need_above_zero(column_m=column_m, density_kg_per_m3=density_kg_per_m3)
    need_zero_or_more(driving_pa=driving_pa, travel_m=travel_m, loss=loss)
    ways = travel_m / column_m
    heads = ways if loss * ways < NO_LOSS else (1.0 - exp(-loss * ways)) / loss
    return sqrt(2.0 * driving_pa / density_kg_per_m3 * heads)


def pocket_peak_pa(
    driving_pa: float,
    pocket_pa: float,
    pocket_m3: float,
    *,
    exponent: float,
    column_kg: float = 0.0,
    speed_m_per_s: float = 0.0,
) -> float:
    """Return the highest pressure in a pocket of air that a rigid column of water runs into.

    Parameters
    ----------
    driving_pa, pocket_pa : float
        Absolute pressure behind the column, steady, and in the pocket at the start [Pa].
    pocket_m3 : float
        Its volume at the start [m3].
    exponent : float
        Polytropic exponent n: 1 slow, 1.4 sudden [-]. Between them 1.2 is often taken (common practice).
    column_kg, speed_m_per_s : float
        Mass of the column [kg] and its speed at the start [m/s].

    Returns
    -------
    float
        Absolute pressure at the turning point [Pa]; that of the start when nothing pushes, infinity when the pocket
        would be squeezed more than a million times, where only `strike_through_pocket_pa` has an answer.

    Raises
    ------
    ValueError
        If a pressure, volume or exponent is not above 0, or mass or speed is negative.

    Assumes
    -------
    A rigid column, no friction, no air escaping. Without speed at the start the result does not depend on the column at
    all, nor on the size of the pocket.

    Source
    ------
    Derivation: work of the driving pressure and energy of the column are the work done on the gas,
    m v^2/2 + p_d (V0 - V) = p0 V0/(n-1) [(V0/V)^(n-1) - 1], for n = 1: p0 V0 ln(V0/V). With a small excess of pressure
    the pocket overshoots by as much again, p = 2 p_d - p0, as any spring does.

    Examples
    --------
    >>> round(pocket_peak_pa(1.02e5, 1.00e5, 1e-4, exponent=1.2) / 1e5, 2)
    1.04
    """
    need_above_zero(driving_pa=driving_pa, pocket_pa=pocket_pa, pocket_m3=pocket_m3, exponent=exponent)
    need_zero_or_more(column_kg=column_kg, speed_m_per_s=speed_m_per_s)
    motion_pa = column_kg * speed_m_per_s * speed_m_per_s / 2.0 / pocket_m3

    def surplus_pa(log_squeeze: float) -> float:
        """What is left of the energy [J per m3 of pocket] when the volume is V0/exp(log_squeeze)."""
        return motion_pa + driving_pa * (1.0 - exp(-log_squeeze)) - _work_pa(pocket_pa, log_squeeze, exponent)

    if motion_pa == 0.0 and driving_pa <= pocket_pa:
        return pocket_pa
    if surplus_pa(MOST_LOG_SQUEEZE) > 0.0:
        return inf
    start = _log_squeeze_at_balance(driving_pa, pocket_pa, exponent)
    turn = scipy.optimize.brentq(surplus_pa, start, MOST_LOG_SQUEEZE, xtol=1e-13, rtol=1e-13)
    return pocket_pa * exp(exponent * turn)


def strike_through_pocket_pa(
    driving_pa: float,
    pocket_pa: float,
    pocket_m3: float,
    *,
    exponent: float,
    column_m: float,
    area_m2: float,
    wave_speed_m_per_s: float,
    speed_m_per_s: float = 0.0,
    density_kg_per_m3: float = WATER_KG_PER_M3,
) -> float:
    """Return the highest pressure when a column runs into a pocket, however small: the lesser of two bounds.

    Parameters
    ----------
    driving_pa, pocket_pa, pocket_m3, exponent, speed_m_per_s : float
        As `pocket_peak_pa` [Pa], [Pa], [m3], [-], [m/s]. The driving pressure comes on at once.
    column_m, area_m2 : float
        Length [m] and cross-section [m2] of the column.
    wave_speed_m_per_s, density_kg_per_m3 : float
        a [m/s] and [kg/m3] of the column.

    Returns
    -------
    float
        Absolute pressure [Pa].

    Raises
    ------
    ValueError
        As `pocket_peak_pa`, and if length, area or wave speed is not above 0.

    Assumes
    -------
    No friction, so both bounds are above the truth. The gas bound is the truth for a large pocket, before which the
    water seems rigid; in a small one the water's own springiness governs.

    Source
    ------
    Derivation: `pocket_peak_pa`; and by characteristics: while the pocket is soft, each round trip 2L/a adds twice the
    excess of the drive, 2 dp, to what arrives at the front, until the space is used up in trip n; what then arrives at
    a front that has become hard is rho a v0 + 2 n dp. No air at all: n = 1, a step onto a dead end doubles. The least
    bubble: n = 2, four times. Held against a numerical solution in the tests.

    Examples
    --------
    10 mL of air at one atmosphere before 2 m of water in a 12 mm line, 85 psi above it behind: as a gas 13 times the
    drive, as springy water nine times.

    >>> drive, area = 85 * 6894.757 + 101325, 1.131e-4
    >>> peak = strike_through_pocket_pa(
    ...     drive, 101325, 10e-6, exponent=1.4, column_m=2.0, area_m2=area, wave_speed_m_per_s=630.0
    ... )
    >>> round(pocket_peak_pa(drive, 101325, 10e-6, exponent=1.4) / drive), round(peak / drive)
    (13, 9)
    """
    need_above_zero(column_m=column_m, area_m2=area_m2, density_kg_per_m3=density_kg_per_m3)
    need_above_zero(wave_speed_m_per_s=wave_speed_m_per_s)
    mass_kg = density_kg_per_m3 * column_m * area_m2
    gas_pa = pocket_peak_pa(
        driving_pa, pocket_pa, pocket_m3, exponent=exponent, column_kg=mass_kg, speed_m_per_s=speed_m_per_s
    )
    brought_pa = density_kg_per_m3 * wave_speed_m_per_s * speed_m_per_s
    excess_pa = driving_pa - pocket_pa
    if excess_pa <= 0.0:
        return min(gas_pa, pocket_pa + brought_pa)
    gained_m_per_s = sqrt(2.0 * excess_pa * pocket_m3 / mass_kg)
    gained_pa = density_kg_per_m3 * wave_speed_m_per_s * gained_m_per_s
    # The space is used up when v0 (n - 1) + (dp/rho a) n (n - 1) trips' worth of it is: a quadratic in n.
    trips = ceil((hypot(brought_pa + excess_pa, gained_pa) + excess_pa - brought_pa) / (2.0 * excess_pa))
    return min(gas_pa, pocket_pa + brought_pa + 2.0 * excess_pa * trips)


def _log_squeeze_at_balance(driving_pa: float, pocket_pa: float, exponent: float) -> float:
    """ln(V0/V) where gas and drive are equal and the column is fastest; 0 when nothing pushes."""
    return max(0.0, log(driving_pa / pocket_pa) / exponent)


def _work_pa(pocket_pa: float, log_squeeze: float, exponent: float) -> float:
    """Work to squeeze a gas from V0 to V0/exp(log_squeeze), per volume V0 [J/m3]."""
    if abs(exponent - 1.0) < 1e-9:
        return pocket_pa * log_squeeze
    return pocket_pa * (exp((exponent - 1.0) * log_squeeze) - 1.0) / (exponent - 1.0)


def outlet_strike_pa(
    wave_speed_m_per_s: float,
    arriving_m_per_s: float,
    *,
    opening: float,
    before_pa: float = 0.0,
    density_kg_per_m3: float = WATER_KG_PER_M3,
) -> float:
    """Return the jump of pressure when a column of water strikes an outlet that air has left through.

    Parameters
    ----------
    wave_speed_m_per_s, arriving_m_per_s : float
        a, and the speed of the column as it arrives [m/s].
    opening : float
        Effective area of the outlet over that of the pipe, Cd Ao/A [-]: 0 capped, 0.62 for a sharp-edged hole of the
        whole bore (common practice).
    before_pa : float
        Pressure at the front just before, above that outside [Pa].
    density_kg_per_m3 : float
        [kg/m3].

    Returns
    -------
    float
        Rise above the pressure before [Pa]; 0 when the outlet passes the column as it comes.

    Raises
    ------
    ValueError
        If the speed of the wave is not above 0, or anything else is negative.

    Assumes
    -------
    All air has left, the front is flat and strikes at once, one pipe. Air left in a corner softens it.

    Source
    ------
    Derivation: Joukowsky for the water that is stopped, dp = rho a (v1 - v2), and the orifice equation of any handbook
    for what still passes, v2 = opening sqrt(2 (p + dp)/rho). A hole lets air out some 30 times faster than water, so
    nothing has slowed the column before.

    Examples
    --------
    A slug at 10 m/s onto an outlet of a tenth of the bore, 2.1 MPa; onto a cap Joukowsky's whole 6 MPa:

    >>> [round(outlet_strike_pa(600.0, 10.0, opening=opening) / 1e6, 1) for opening in (0.1, 0.0)]
    [2.1, 6.0]
    """
    need_above_zero(wave_speed_m_per_s=wave_speed_m_per_s, density_kg_per_m3=density_kg_per_m3)
    need_zero_or_more(arriving_m_per_s=arriving_m_per_s, opening=opening, before_pa=before_pa)
    capped_pa = joukowsky_pa(wave_speed_m_per_s, arriving_m_per_s, density_kg_per_m3=density_kg_per_m3)
    # With y = sqrt(p + dp): y^2 + 2 half y - (p + capped) = 0, the positive root.
    half = wave_speed_m_per_s * opening * sqrt(density_kg_per_m3 / 2.0)
    root = sqrt(half * half + before_pa + capped_pa) - half
    return max(0.0, root * root - before_pa)
