"""How much gas leaks from a shut vessel: moles by the gas law, and standard volumes only with their temperature.

Gas under pressure is dangerous: per litre it holds some 2,000 times the energy of water at 500 psi. A gas test is for a
shut chamber, with nobody near, and never with a cap that a hand turns; and for a vessel that does not deform, or one
whose change over the dwell is stated and counted (`rigd.calc.leak.faults_of_method` says so). A tenth of a kelvin looks
like a leak; hence absolute pressure, absolute temperature, and no function here that leaves either out. The arithmetic
is that of `rigd.calc.exact.gas_leak`, which the engine judges by.

A "standard" cubic centimetre is 7 % more or less by whether standard is 0 or 20 degC, so the reference temperature has
no default. This file knows no real-gas behaviour, and nothing of gas that dissolves or that passes through plastic.
"""

from dataclasses import dataclass
from itertools import pairwise
from math import isfinite

import numpy as np

from rigd.calc.exact.gas_leak import GAS_CONSTANT_J_PER_MOL_K, Look, Unseen, leaked, sccm_of

LEAST_K = 200.0
"""No test is colder; a smaller number is in degrees Celsius."""


def _need(above_0: dict[str, float], kelvins: dict[str, float], at_least_0: dict[str, float]) -> None:
    wrong = [f"{name} {value}, not above 0" for name, value in above_0.items() if not (isfinite(value) and value > 0.0)]
    wrong += [f"{name} {value} K, is it in degC?" for name, value in kelvins.items() if not LEAST_K <= value < 1000.0]
    wrong += [f"{name} {value}, below 0" for name, value in at_least_0.items() if not (isfinite(value) and value >= 0)]
    if wrong:
        raise ValueError(
            f"{'; '.join(wrong)}; allowed: absolute pressures above 0, temperatures in kelvin, finite numbers"
        )


def _need_reference(leak_mol_per_s: float, reference_k: float) -> None:
    _need({}, {"reference": reference_k}, {"leak without its sign": abs(leak_mol_per_s)})


def from_decay_mol_per_s(
    *,
    volume_m3: float,
    start_pa: float,
    start_k: float,
    end_pa: float,
    end_k: float,
    duration_s: float,
    volume_u_m3: float,
    pressure_u_pa: float,
    temperature_u_k: float,
) -> tuple[float, float]:
    """Return the leak of a shut vessel of gas from its pressures and temperatures.

    Parameters
    ----------
    volume_m3 : float
        Of all that is shut in, and its standard uncertainty in `volume_u_m3` [m3].
    start_pa, end_pa : float
        **Absolute** pressures [Pa]; `pressure_u_pa` is the standard uncertainty of each by itself.
    start_k, end_k : float
        Temperatures of the gas [K]; `temperature_u_k` is the standard uncertainty of each by itself.
    duration_s : float
        Between the two [s].

    Returns
    -------
    leak, u : float
        [mol/s]; below 0 when gas came in.

    Raises
    ------
    ValueError
        If a pressure, volume or time is not above 0, a temperature is not in kelvin, or an uncertainty below 0.

    Assumes
    -------
    Ideal gas, all at the temperature measured; a volume that does not change. ASTM E2930-13(2021), 1.1, leaves
    deformable vessels out for that reason.

    Source
    ------
    n = pV/(RT), compensated for temperature. Uncertainty by JCGM 100:2008, 5.1.

    Examples
    --------
    Two litres, 500 to 499.2 kPa absolute while it cools by 0.2 K in two minutes:

    >>> leak, u = from_decay_mol_per_s(volume_m3=2e-3, start_pa=500e3, start_k=295.15, end_pa=499.2e3, end_k=294.95,
    ...     duration_s=120.0, volume_u_m3=2e-5, pressure_u_pa=10.0, temperature_u_k=0.01)
    >>> f"{leak:.5e} mol/s, {sccm(leak, 273.15):.3f} sccm (0 degC), {sccm(leak, 293.15):.3f} sccm (20 degC)"
    '3.13433e-06 mol/s, 4.215 sccm (0 degC), 4.524 sccm (20 degC)'
    """
    _need(
        {"volume": volume_m3, "start": start_pa, "end": end_pa, "duration": duration_s},
        {"start": start_k, "end": end_k},
        {"volume_u": volume_u_m3, "pressure_u": pressure_u_pa, "temperature_u": temperature_u_k},
    )
    start = Look(start_pa, pressure_u_pa, start_k, temperature_u_k)
    end = Look(end_pa, pressure_u_pa, end_k, temperature_u_k)
    found = leaked(start, end, duration_s, Unseen(volume_m3, volume_u_m3))
    return found.flow, found.u


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Samples of one channel."""

    t_s: np.ndarray
    value: np.ndarray

    def mean(self, from_s: float, until_s: float) -> float:
        """NaN where there is none."""
        within = self.value[(self.t_s >= from_s) & (self.t_s < until_s)]
        return float(within.mean()) if len(within) else float("nan")


def over_windows_mol_per_s(
    absolute: Rows, gas: Rows, *, starts_s: tuple[float, ...], window_s: float, volume_m3: float
) -> tuple[float, ...] | None:
    """Return the leak from each window of a record to the next, from its samples alone.

    Parameters
    ----------
    absolute, gas : Rows
        Absolute pressure and temperature of the gas [s, Pa; s, K].
    starts_s : tuple of float
        Where each window begins, rising, two or more [s].
    window_s : float
        How long each is [s].
    volume_m3 : float
        Of all that is shut in [m3].

    Returns
    -------
    tuple of float or None
        One fewer than there are windows [mol/s]; None when a window has no sample.

    Source
    ------
    As `from_decay_mol_per_s`.

    Examples
    --------
    >>> t = np.linspace(0.0, 120.0, 1201)
    >>> told = over_windows_mol_per_s(Rows(t_s=t, value=500e3 - t * 20 / 3), Rows(t_s=t, value=295.15 - t / 600),
    ...     starts_s=(0.0, 119.9), window_s=0.15, volume_m3=2e-3)
    >>> f"{told[0]:.4e}"
    '3.1343e-06'
    """
    looks = [(absolute.mean(start, start + window_s), gas.mean(start, start + window_s), start) for start in starts_s]
    if not all(isfinite(pressure_pa) and isfinite(temperature_k) for pressure_pa, temperature_k, _ in looks):
        return None
    return tuple(
        from_decay_mol_per_s(
            volume_m3=volume_m3, start_pa=before[0], start_k=before[1], end_pa=after[0], end_k=after[1],
            duration_s=after[2] - before[2], volume_u_m3=0.0, pressure_u_pa=0.0, temperature_u_k=0.0,
        )[0]
        for before, after in pairwise(looks)
    )  # fmt: skip


def sccm(leak_mol_per_s: float, reference_k: float) -> float:
    """Return a leak of gas as standard cubic centimetres a minute; the temperature belongs beside it in print.

    Parameters
    ----------
    leak_mol_per_s : float
        [mol/s].
    reference_k : float
        What "standard" means here: 273.15 K and 293.15 K are both in use; the pressure is 101,325 Pa [K].

    Returns
    -------
    float
        [cm3/min at the reference].

    Raises
    ------
    ValueError
        If the reference is not in kelvin.

    Source
    ------
    V = nRT/p. ASTM E1003-13(2018), 1.3, and the footnote of E1003-05 that gives 0 degC: 1e-4 std cm3/s = 4.5e-9 mol/s.

    Examples
    --------
    >>> round(sccm(4.4615e-9, 273.15) / 60.0 * 1e4, 4)
    1.0
    """
    _need_reference(leak_mol_per_s, reference_k)
    return sccm_of(leak_mol_per_s, reference_k)


def from_sccm_mol_per_s(flow_sccm: float, reference_k: float) -> float:
    """Return a flow in standard cubic centimetres a minute as moles.

    Parameters
    ----------
    flow_sccm : float
        [cm3/min at the reference].
    reference_k : float
        As `sccm` [K].

    Returns
    -------
    float
        [mol/s].

    Raises
    ------
    ValueError
        As `sccm`.

    Source
    ------
    As `sccm`.

    Examples
    --------
    >>> f"{from_sccm_mol_per_s(6e-3, 273.15):.4e}"
    '4.4615e-09'
    """
    return flow_sccm / sccm(1.0, reference_k)


def from_mol_pa_m3_per_s(leak_mol_per_s: float, reference_k: float) -> float:
    """Return a leak of gas as pressure times volume a second.

    Parameters
    ----------
    leak_mol_per_s : float
        [mol/s].
    reference_k : float
        Temperature at which the volume is meant [K].

    Returns
    -------
    float
        [Pa m3/s].

    Raises
    ------
    ValueError
        As `sccm`.

    Source
    ------
    pV = nRT. A table of ped-online.com: 1 mol/s is 2271.1 Pa m3/s at 0 degC.

    Examples
    --------
    >>> round(from_mol_pa_m3_per_s(1.0, 273.15), 1)
    2271.1
    """
    _need_reference(leak_mol_per_s, reference_k)
    return leak_mol_per_s * GAS_CONSTANT_J_PER_MOL_K * reference_k


def false_rise_pa(absolute_pa: float, warming_k: float, temperature_k: float) -> float:
    """Return by how much shut gas changes its pressure because it warms, with no leak at all.

    Parameters
    ----------
    absolute_pa : float
        Absolute pressure [Pa].
    warming_k : float
        Change of its temperature; below 0 when it cools, and looks like a leak [K].
    temperature_k : float
        Temperature [K].

    Returns
    -------
    float
        Change of pressure [Pa].

    Raises
    ------
    ValueError
        If the pressure is not above 0 or the temperature not in kelvin.

    Source
    ------
    dp/p = dT/T at constant volume.

    Examples
    --------
    40 psi gauge, cooling by a tenth of a kelvin:

    >>> round(false_rise_pa(101_325.0 + 40 * 6894.757, -0.1, 293.15), 1)
    -128.6
    """
    _need({"pressure": absolute_pa}, {"temperature": temperature_k}, {"change without its sign": abs(warming_k)})
    return absolute_pa * warming_k / temperature_k
