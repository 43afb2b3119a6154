"""Free air from pressures and the water that went in for each, while the body is still on the rig.

The same rule as `calc.air.air_from_volume`, written out in plain arithmetic; a test holds the two equal. Besides, the
stiffness of water and body may be given from elsewhere with its uncertainty, so that one or two steps are enough.
Pressures are absolute, volumes are since the first point.
"""

from math import isfinite, sqrt
from typing import NamedTuple

ATMOSPHERE_PA = 101_325.0
ONE_SIDED_95 = 1.6448536269514722  # quantile of the normal distribution
WATER_PER_PA = 4.59e-10  # isothermal compressibility at 20 degC: 1 / 2.179 GPa (IAPWS-95, checks/physics.md C6)
WATER_U = 0.05  # of it, over 5 to 35 degC: 4.9e-10 to 4.4e-10 (IAPWS-95)
MISFIT = (10.828, 13.816, 16.266, 18.467, 20.515, 22.458, 24.322, 26.124, 27.877, 29.588)
"""Chi squared that noise as stated passes once in a thousand, for 1 to 10 degrees of freedom (any table of it)."""
UNTOLD = 1e-12
"""Part of the product of the two sums below which their difference is only rounding."""
SOUND, TOO_FEW, TOO_CLOSE, MISSED = "", "too few points", "pressures too close together", "off the law of air and water"


class Point(NamedTuple):
    absolute_pa: float
    added_m3: float


class Foot(NamedTuple):
    """dV/dp of water and body together, known from elsewhere, with its standard uncertainty [m3/Pa]."""

    m3_per_pa: float
    u: float


class FreeAir(NamedTuple):
    """What was found; `why` is SOUND or says why nothing below it may be believed."""

    why: str
    air_m3: float  # at one standard atmosphere
    air_u_m3: float  # standard uncertainty
    foot_m3_per_pa: float
    foot_u_m3_per_pa: float

    def compliance(self, absolute_pa: float) -> float:
        """dV/dp at an absolute pressure [m3/Pa]."""
        return self.air_m3 * ATMOSPHERE_PA / (absolute_pa * absolute_pa) + self.foot_m3_per_pa


class Fit(NamedTuple):
    air: float
    foot: float
    air_var: float
    foot_var: float
    misses: float  # weighted squares left over


def body_between(least: float, most: float) -> Foot:
    """A body anywhere between two bounds [m3/Pa]: a rectangular distribution (JCGM 100:2008 4.3.7)."""
    return Foot((least + most) / 2.0, (most - least) / (2.0 * sqrt(3.0)))


def foot_of(water_m3: float, body: Foot) -> Foot:
    """Water, computed, and the body."""
    by_water = water_m3 * WATER_PER_PA * WATER_U
    return Foot(water_m3 * WATER_PER_PA + body.m3_per_pa, sqrt(by_water * by_water + body.u * body.u))


def free_air(
    points: tuple[Point, ...],
    *,
    pressure_u_pa: float,
    zero_u_pa: float,
    volume_u_m3: float,
    volume_scale_u: float,
    foot: Foot | None,
) -> FreeAir:
    """Free air with its standard uncertainty; parameters as `calc.air.air_from_volume`, and `foot` where it is known.

    Source: V = const + C p - Va0 p0/p, the integral of checks/physics.md C12; weighted least squares, GUM (JCGM
    100:2008) 5.2 for what is common to all points.
    """
    unknowns = 3 if foot is None else 2
    if len(points) < unknowns:
        return _nothing(TOO_FEW)
    rough = _fit(points, 0.0, (1.0,) * len(points), foot)
    if rough is None:
        return _nothing(TOO_CLOSE)
    each_u = []
    for pressure_pa, _ in points:
        slope = rough.air * ATMOSPHERE_PA / (pressure_pa * pressure_pa) + rough.foot
        by_pressure = slope * pressure_u_pa
        each_u.append(sqrt(volume_u_m3 * volume_u_m3 + by_pressure * by_pressure))
    best = _fit(points, 0.0, tuple(each_u), foot)
    shifted = _fit(points, zero_u_pa, tuple(each_u), foot)
    if best is None or shifted is None:
        return _nothing(TOO_CLOSE)
    freedom = len(points) - unknowns
    if freedom > 0 and best.misses > MISFIT[(freedom if freedom < len(MISFIT) else len(MISFIT)) - 1]:
        return _nothing(MISSED)
    by_zero, by_scale = shifted.air - best.air, volume_scale_u * best.air
    foot_by_zero, foot_by_scale = shifted.foot - best.foot, volume_scale_u * best.foot
    return FreeAir(
        SOUND, best.air, sqrt(best.air_var + by_zero * by_zero + by_scale * by_scale), best.foot,
        sqrt(best.foot_var + foot_by_zero * foot_by_zero + foot_by_scale * foot_by_scale),
    )  # fmt: skip


def _nothing(why: str) -> FreeAir:
    return FreeAir(why, float("nan"), float("nan"), float("nan"), float("nan"))


def _fit(points: tuple[Point, ...], shift_pa: float, each_u: tuple[float, ...], foot: Foot | None) -> Fit | None:
    """Weighted least squares of V = const + foot p - air p0/p, the constant taken out by centring; None where the
    pressures cannot tell the two apart. In units of one atmosphere, so that no digits are lost."""
    weight = across_total = along_total = volume_total = 0.0
    rows = []
    for (pressure_pa, added_m3), u in zip(points, each_u, strict=True):
        across, along = -ATMOSPHERE_PA / (pressure_pa + shift_pa), (pressure_pa + shift_pa) / ATMOSPHERE_PA
        w = 1.0 / (u * u)
        rows.append((w, across, along, added_m3))
        weight += w
        across_total += w * across
        along_total += w * along
        volume_total += w * added_m3
    s_aa = s_ff = s_af = s_av = s_fv = 0.0
    for w, across, along, volume in rows:
        a, f, v = across - across_total / weight, along - along_total / weight, volume - volume_total / weight
        s_aa += w * a * a
        s_ff += w * f * f
        s_af += w * a * f
        s_av += w * a * v
        s_fv += w * f * v
    known = known_w = 0.0
    if foot is not None:
        known, known_u = foot.m3_per_pa * ATMOSPHERE_PA, foot.u * ATMOSPHERE_PA
        known_w = 1.0 / (known_u * known_u)
        if each_u[0] == 1.0:  # the rough fit, where nothing has a weight yet: the foot as it is known
            air = (s_av - s_af * known) / s_aa
            return Fit(air, foot.m3_per_pa, 0.0, 0.0, 0.0) if isfinite(air) else None
        s_ff += known_w
        s_fv += known_w * known
    both = s_aa * s_ff - s_af * s_af
    if not both > UNTOLD * s_aa * s_ff:
        return None
    air, slope = (s_av * s_ff - s_fv * s_af) / both, (s_fv * s_aa - s_av * s_af) / both
    misses = known_w * (slope - known) * (slope - known)
    for w, across, along, volume in rows:
        a, f, v = across - across_total / weight, along - along_total / weight, volume - volume_total / weight
        off = v - air * a - slope * f
        misses += w * off * off
    scale = ATMOSPHERE_PA
    return Fit(air, slope / scale, s_ff / both, s_aa / both / (scale * scale), misses)


def judge(air: FreeAir, most_m3: float) -> str:
    """passed or failed only with 95 % behind it, one-sided (guard band as ISO 14253-1 has it; from memory)."""
    if air.why:
        return "undecided"
    guard = ONE_SIDED_95 * air.air_u_m3
    if air.air_m3 + guard <= most_m3:
        return "passed"
    return "failed" if air.air_m3 - guard > most_m3 else "undecided"
