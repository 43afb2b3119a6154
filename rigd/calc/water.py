"""Liquid water as a rig needs it: how heavy it is, how stiff it is, and what a column of it weighs.

Two published correlations at one atmosphere, good from ice water to a hot day; pressure up to a few megapascals changes
density by 0.1 % and stiffness by 1 %, which is less than what is known about any plastic body, so pressure is left out
on purpose. The coefficients are Kell's, entered from memory and then compared over the whole range with IAPWS-95 in the
tests. This file knows nothing of gas in the water, nor of the walls around it: both are softer than water and are
measured, not assumed.
"""

import numpy as np
from numpy.typing import ArrayLike

STANDARD_GRAVITY_M_PER_S2 = 9.80665
"""Exact by convention: 3rd CGPM, 1901; also ISO 80000-3."""

ZERO_CELSIUS_K = 273.15
"""Exact by the definition of the degree Celsius."""

COLDEST_K, HOTTEST_K = 273.15, 333.15
"""Range of validity kept here [K]: liquid at one atmosphere, and as far as the comparison with IAPWS-95 goes."""

_DENSITY = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_COMPRESSIBILITY = (50.88496, 0.6163813, 1.459187e-3, 20.08438e-6, -58.47727e-9, 410.4110e-12)


def _celsius(temperature_k: ArrayLike) -> np.ndarray:
    """Return degrees Celsius, refusing what is not liquid water in the range of the correlations."""
    temperature = np.asarray(temperature_k, dtype=float)
    if not np.all((temperature >= COLDEST_K) & (temperature <= HOTTEST_K)):
        raise ValueError(
            f"water temperature is {temperature_k} K; allowed: {COLDEST_K} K to {HOTTEST_K} K; "
            "is it in degrees Celsius, or is the thermometer dry?"
        )
    return temperature - ZERO_CELSIUS_K


def density_kg_per_m3(temperature_k: ArrayLike) -> np.ndarray:
    """Return the density of air-free water at one atmosphere.

    Parameters
    ----------
    temperature_k : array_like
        Water temperature, any shape [K].

    Returns
    -------
    ndarray
        Density, same shape [kg/m3], within 5e-6 of IAPWS-95.

    Raises
    ------
    ValueError
        If any temperature is outside `COLDEST_K` to `HOTTEST_K`, or NaN.

    Assumes
    -------
    Clean water at 101,325 Pa. Tap water is about 0.02 % heavier (common practice).

    Source
    ------
    G. S. Kell, J. Chem. Eng. Data 20 (1975) 97 (coefficients from memory). Check: IAPWS-95, 998.2072 kg/m3 at 20 degC.

    Examples
    --------
    >>> round(float(density_kg_per_m3(293.15)), 2)
    998.2
    """
    celsius = _celsius(temperature_k)
    return np.polynomial.polynomial.polyval(celsius, _DENSITY) / (1.0 + 16.879850e-3 * celsius)


def compressibility_per_pa(temperature_k: ArrayLike) -> np.ndarray:
    """Return the isothermal compressibility of air-free water at one atmosphere.

    Parameters
    ----------
    temperature_k : array_like
        Water temperature, any shape [K].

    Returns
    -------
    ndarray
        Compressibility, same shape [1/Pa], within 1e-4 of IAPWS-95.

    Raises
    ------
    ValueError
        As `density_kg_per_m3`.

    Assumes
    -------
    Slow change of pressure. A surge is isentropic and sees water 0.7 % stiffer at 20 degC.

    Source
    ------
    G. S. Kell, J. Chem. Eng. Data 20 (1975) 97 (coefficients from memory). Check: IAPWS-95, 1/2.17906 GPa at 20 degC.

    Examples
    --------
    >>> f"{float(compressibility_per_pa(293.15)):.4e}"
    '4.5892e-10'
    """
    celsius = _celsius(temperature_k)
    per_bar_e6 = np.polynomial.polynomial.polyval(celsius, _COMPRESSIBILITY) / (1.0 + 19.67348e-3 * celsius)
    return per_bar_e6 * 1e-11


def bulk_modulus_pa(temperature_k: ArrayLike) -> np.ndarray:
    """Return the isothermal bulk modulus of air-free water at one atmosphere.

    Parameters
    ----------
    temperature_k : array_like
        Water temperature, any shape [K].

    Returns
    -------
    ndarray
        Bulk modulus, same shape [Pa].

    Raises
    ------
    ValueError
        As `density_kg_per_m3`.

    Assumes
    -------
    As `compressibility_per_pa`.

    Source
    ------
    One over `compressibility_per_pa`.

    Examples
    --------
    >>> f"{float(bulk_modulus_pa(293.15)) / 1e9:.3f} GPa"
    '2.179 GPa'
    """
    return 1.0 / compressibility_per_pa(temperature_k)


def column_pa(height_m: ArrayLike, temperature_k: ArrayLike) -> np.ndarray:
    """Return the pressure under a column of water at rest.

    Parameters
    ----------
    height_m : array_like
        Height of the water's surface, or of the datum, above the point [m]; below it counts negative.
    temperature_k : array_like
        Water temperature [K].

    Returns
    -------
    ndarray
        Pressure, of the broadcast shape [Pa].

    Raises
    ------
    ValueError
        As `density_kg_per_m3`.

    Assumes
    -------
    Standard gravity; local gravity differs by up to 0.3 % from equator to pole (common practice).

    Source
    ------
    Hydrostatics, p = rho g h. Check: 1 m at 20 degC is 9789.07 Pa, computed from IAPWS-95 density.

    Examples
    --------
    >>> round(float(column_pa(1.0, 293.15)), 1)
    9789.0
    """
    return density_kg_per_m3(temperature_k) * STANDARD_GRAVITY_M_PER_S2 * np.asarray(height_m, dtype=float)
