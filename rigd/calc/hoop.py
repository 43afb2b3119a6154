"""Hoop stress of a tube under internal pressure, and how fast a ramp must rise to fail it in the standard's window.

Four formulas are in use for one stress, and on a thick small tube they differ by thirty per cent: a stress without the
name of its form is not a result, so every function here takes the form by name. All forms are linear in pressure;
`stress_pa` and `pressure_pa` are therefore one factor, used both ways. This file knows nothing of strength tables, of
moulded bodies (for which no published burst clause could be read: such limits belong to the profile), nor of what a rig
can do.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

Factor = Callable[[np.ndarray, np.ndarray], np.ndarray]

FORMS: dict[str, Factor] = {
    # ASTM D1599-99(2005) 10.1: the wall's middle carries the load; the form behind PVC pipe ratings.
    "mean_diameter": lambda outside, wall: (outside - wall) / (2.0 * wall),
    # Barlow's formula: conservative, and what steel pipe tables use (common practice).
    "outside_diameter": lambda outside, wall: outside / (2.0 * wall),
    # Load on the bore alone: the least conservative of the three thin-wall forms (common practice).
    "inside_diameter": lambda outside, wall: (outside - 2.0 * wall) / (2.0 * wall),
    # Lame, thick wall, at the bore where it is greatest: Moser, Buried Pipe Design, eq. 4.1, p. 184.
    "lame_bore": lambda outside, wall: (
        (outside**2 + (outside - 2.0 * wall) ** 2) / (outside**2 - (outside - 2.0 * wall) ** 2)
    ),
}
"""Hoop stress per unit of gauge pressure [-], by the name of its form, from outside diameter and wall [m]."""

FAILURE_WINDOW_S = (60.0, 70.0)
"""When a quick burst test must end, ends included [s]. ASTM D1599-18, 4.2 and 9.1.3."""


def _factor(outside_m: ArrayLike, wall_m: ArrayLike, form: str) -> np.ndarray:
    """Return stress per pressure, refusing a tube that cannot exist."""
    if form not in FORMS:
        raise ValueError(f"hoop form {form!r} is unknown; allowed: {', '.join(FORMS)}")
    outside, wall = np.asarray(outside_m, dtype=float), np.asarray(wall_m, dtype=float)
    if not np.all((wall > 0.0) & (outside > 2.0 * wall) & np.isfinite(outside)):
        raise ValueError(
            f"outside diameter {outside_m} m with wall {wall_m} m is no tube; "
            "allowed: a wall above 0 and below half the outside diameter; measure both again"
        )
    return FORMS[form](outside, wall)


def stress_pa(pressure_pa: ArrayLike, outside_m: ArrayLike, wall_m: ArrayLike, form: str) -> np.ndarray:
    """Return the hoop stress that a pressure puts in a tube.

    Parameters
    ----------
    pressure_pa : array_like
        Gauge pressure inside [Pa]; any shape that broadcasts with the sizes.
    outside_m : array_like
        Outside diameter [m].
    wall_m : array_like
        Least wall thickness [m].
    form : str
        A key of `FORMS`; it belongs beside the stress wherever that is printed.

    Returns
    -------
    ndarray
        Hoop stress [Pa], of the broadcast shape.

    Raises
    ------
    ValueError
        If the form is unknown, or the wall is not between 0 and half the outside diameter.

    Assumes
    -------
    A straight tube of one material, elastic for ``lame_bore``; no bending, no end effects.

    Source
    ------
    ASTM D1599-99(2005), 10.1 (mean diameter); Moser, Buried Pipe Design, eq. 4.1 (Lame).

    Examples
    --------
    Half-inch schedule 40 pipe, 0.840 in with a wall of 0.109 in, at 1000 psi (the form is linear, so psi in, psi out):

    >>> round(float(stress_pa(1000.0, 0.840 * 0.0254, 0.109 * 0.0254, "mean_diameter")), 3)
    3353.211
    """
    return np.asarray(pressure_pa, dtype=float) * _factor(outside_m, wall_m, form)


def pressure_pa(stress_pa: ArrayLike, outside_m: ArrayLike, wall_m: ArrayLike, form: str) -> np.ndarray:
    """Return the pressure at which a tube's hoop stress reaches a given value.

    Parameters
    ----------
    stress_pa : array_like
        Hoop stress [Pa].
    outside_m : array_like
        Outside diameter [m].
    wall_m : array_like
        Least wall thickness [m].
    form : str
        A key of `FORMS`.

    Returns
    -------
    ndarray
        Gauge pressure inside [Pa], of the broadcast shape.

    Raises
    ------
    ValueError
        As `stress_pa`.

    Assumes
    -------
    As `stress_pa`.

    Source
    ------
    PVC pipe ratings at a hydrostatic design stress of 2000 psi: Moser, Buried Pipe Design, ch. 4, p. 204-206.

    Examples
    --------
    Two-inch schedule 40 pipe at 2000 psi is rated 280 psi:

    >>> round(float(pressure_pa(2000.0, 2.375 * 0.0254, 0.154 * 0.0254, "mean_diameter")), -1)
    280.0
    """
    return np.asarray(stress_pa, dtype=float) / _factor(outside_m, wall_m, form)


def ramp_window_pa_per_s(expected_pa: float, window_s: tuple[float, float] = FAILURE_WINDOW_S) -> tuple[float, float]:
    """Return the slowest and the fastest uniform ramp that fails a specimen inside the window.

    Parameters
    ----------
    expected_pa : float
        Expected failure pressure, gauge [Pa].
    window_s : tuple of float
        Earliest and latest time to failure [s].

    Returns
    -------
    slowest, fastest : float
        Ramp rates [Pa/s].

    Raises
    ------
    ValueError
        If the expected pressure is not above 0, or the window is not two rising times above 0.

    Assumes
    -------
    The ramp starts at zero gauge and stays uniform: ASTM D1599-99(2005), 9.2.2.

    Source
    ------
    ASTM D1599-18, 4.2 and 9.1.3 (60 s to 70 s).

    Examples
    --------
    >>> [round(rate, 3) for rate in ramp_window_pa_per_s(500.0)]
    [7.143, 8.333]
    """
    earliest_s, latest_s = window_s
    if not expected_pa > 0.0:
        raise ValueError(f"expected failure pressure is {expected_pa} Pa; allowed: above 0; give a best guess")
    if not 0.0 < earliest_s <= latest_s:
        raise ValueError(f"failure window is {window_s} s; allowed: two times above 0, the earlier first")
    return expected_pa / latest_s, expected_pa / earliest_s


def in_failure_window(time_s: float, window_s: tuple[float, float] = FAILURE_WINDOW_S) -> bool:
    """Say whether a time to failure lies inside the window, its ends included.

    Parameters
    ----------
    time_s : float
        From the start of the ramp to failure [s].
    window_s : tuple of float
        Earliest and latest time to failure [s].

    Returns
    -------
    bool
        False for a NaN too: an unknown time is not inside.

    Source
    ------
    ASTM D1599-18, 4.2 and 9.1.3; Note 2 there tells why it matters: failures at 65 s and 85 s differ significantly.

    Examples
    --------
    >>> in_failure_window(65.0), in_failure_window(85.0)
    (True, False)
    """
    return window_s[0] <= time_s <= window_s[1]
