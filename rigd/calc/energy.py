"""Energy stored in what a rig charges, and how far away to stand when there is no barrier.

Gas is the hazard: a litre of gas at 500 psi holds some 2,000 times what a litre of water holds. Published methods
differ by more than two, and one of them by edition and by unit form, so every number here is made by a named method and
says which. None of them is a safety case: a chamber is judged by who proved it, a distance by people licensed to do so.

Nothing is known here of fragments, hoses or jets, which hurt before blast does, nor of real-gas behaviour: nitrogen is
taken as an ideal gas, which overstates its energy at bottle pressure by a few per cent (common practice).
"""

from dataclasses import dataclass
from math import isfinite, log

PSI_PA = 8896443230521 / 1290320000  # exact: pound-force (0.45359237 kg x 9.80665) per square inch (0.0254 m)
FT_LB_J = 1.3558179483314004  # exact foot x pound-force, rounded to a float
ATMOSPHERE_PA = 101_325.0
WATER_MODULUS_PA = 2.18e9
"""Isothermal bulk modulus of water at 20 degC and one atmosphere, 2.17906 GPa by IAPWS-95, rounded."""
DIATOMIC = 1.4
"""Ratio of specific heats of nitrogen and air [-]."""
HIGH_HAZARD_J = 100_000.0
"""Marker of high hazard on the stored-energy page of ehs.berkeley.edu: a threshold for a note, not a limit."""

PCC2_ATMOSPHERE_PA = 101_000.0
PCC2_ATMOSPHERE_PSI = 14.7
PCC2_EXPONENT = 0.286  # printed so; exactly (k - 1)/k = 0.285714 for k = 1.4

TNT_J_PER_KG = {
    "PCC-2 SI form": 4_266_920.0,
    "PCC-2 US form": 1_488_617.0 * FT_LB_J / 0.45359237,
    "ehs.berkeley.edu": 4_620_000.0,
    "1,551,000 ft-lb/lb": 1_551_000.0 * FT_LB_J / 0.45359237,
    "convention": 4_184_000.0,
}
"""TNT equivalents in circulation [J/kg]; the two of PCC-2 disagree by 4.3 %. `convention` is from memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edition:
    """Which copy of ASME PCC-2 a distance follows: they differ by a factor of two in the charge (1.26 in distance)."""

    name: str
    doubled: bool  # R = Rs (2 TNT)^(1/3) instead of Rs TNT^(1/3)


EDITION_2008 = Edition(name="ASME PCC-2-2008 App. II", doubled=False)
EDITION_LATER = Edition(name="ASME PCC-2, later copies", doubled=True)
EDITIONS = (EDITION_2008, EDITION_LATER)

SCALED_DISTANCE_M_PER_KG3 = 20.0
"""Least scaled distance Rs of PCC-2 [m/kg^(1/3)] (50 ft/lb^(1/3) = 19.83)."""
FLOORS = ((135.5e6, 30.0), (271.0e6, 60.0))
"""Least distance whatever the formula says: up to this energy [J], this far [m]. It governs every bench rig."""


def _check(pressure_pa: float, ambient_pa: float, volume_m3: float) -> None:
    if not (isfinite(pressure_pa) and isfinite(volume_m3) and pressure_pa >= ambient_pa > 0.0 and volume_m3 >= 0.0):
        raise ValueError(
            f"pressure {pressure_pa} Pa absolute in {volume_m3} m3; allowed: a pressure of at least the surroundings "
            f"({ambient_pa} Pa), a volume of at least 0; is the pressure gauge?"
        )


def gas_pcc2_j(pressure_pa: float, volume_m3: float) -> float:
    """Return the energy of a gas charge by the SI form of ASME PCC-2.

    Parameters
    ----------
    pressure_pa : float
        Absolute pressure of the gas [Pa].
    volume_m3 : float
        Its volume [m3].

    Returns
    -------
    float
        Energy released in an isentropic expansion to 101,000 Pa [J].

    Raises
    ------
    ValueError
        If the pressure is below 101,000 Pa or anything is not finite.

    Assumes
    -------
    Air or nitrogen, ideal, exponent 0.286.

    Source
    ------
    ASME PCC-2-2008, Mandatory Appendix II, eq. (II-2): E = 2.5 Pat V [1 - (Pa/Pat)^0.286].

    Example
    -------
    One litre at 500 psi gauge.

    >>> round(gas_pcc2_j(500 * PSI_PA + 101_000, 1e-3), 1)
    5665.4
    """
    _check(pressure_pa, PCC2_ATMOSPHERE_PA, volume_m3)
    return 2.5 * pressure_pa * volume_m3 * (1.0 - (PCC2_ATMOSPHERE_PA / pressure_pa) ** PCC2_EXPONENT)


def gas_pcc2_us_ft_lb(pressure_psi: float, volume_ft3: float) -> float:
    """Return the energy of a gas charge by the US form of ASME PCC-2.

    Parameters
    ----------
    pressure_psi : float
        Absolute pressure [psi].
    volume_ft3 : float
        Volume [ft3].

    Returns
    -------
    float
        Energy [ft-lb].

    Raises
    ------
    ValueError
        If the pressure is below 14.7 psi or anything is not finite.

    Assumes
    -------
    As `gas_pcc2_j`; 360 stands for 2.5 x 144 in2/ft2.

    Source
    ------
    ASME PCC-2-2008, Mandatory Appendix II, eq. (II-4): E = 360 Pat V [1 - (Pa/Pat)^0.286], Pa = 14.7 psia.
    """
    _check(pressure_psi, PCC2_ATMOSPHERE_PSI, volume_ft3)
    return 360.0 * pressure_psi * volume_ft3 * (1.0 - (PCC2_ATMOSPHERE_PSI / pressure_psi) ** PCC2_EXPONENT)


def gas_isentropic_j(
    pressure_pa: float, volume_m3: float, *, ambient_pa: float = ATMOSPHERE_PA, k: float = DIATOMIC
) -> float:
    """Return the work of an ideal gas expanding isentropically to the surroundings.

    Parameters
    ----------
    pressure_pa : float
        Absolute pressure [Pa].
    volume_m3 : float
        Volume [m3].
    ambient_pa : float
        Absolute pressure of the surroundings [Pa].
    k : float
        Ratio of specific heats [-].

    Returns
    -------
    float
        Energy [J].

    Raises
    ------
    ValueError
        If the pressure is below the surroundings' or anything is not finite.

    Source
    ------
    The formula that PCC-2 eq. (II-2) rounds: E = P V/(k - 1) [1 - (Pa/P)^((k-1)/k)]; textbook thermodynamics.
    """
    _check(pressure_pa, ambient_pa, volume_m3)
    return pressure_pa * volume_m3 / (k - 1.0) * (1.0 - (ambient_pa / pressure_pa) ** ((k - 1.0) / k))


def gas_brode_j(
    pressure_pa: float, volume_m3: float, *, ambient_pa: float = ATMOSPHERE_PA, k: float = DIATOMIC
) -> float:
    """Return Brode's energy of a gas charge: what it takes to raise the pressure at constant volume.

    Parameters
    ----------
    pressure_pa, volume_m3, ambient_pa, k : float
        As `gas_isentropic_j` [Pa], [m3], [Pa], [-].

    Returns
    -------
    float
        Energy [J], the highest of the usual estimates but for the isothermal.

    Raises
    ------
    ValueError
        As `gas_isentropic_j`.

    Source
    ------
    Crowl, Understanding Explosions (CCPS), Appendix B: E = (P - Pa) V/(k - 1).
    """
    _check(pressure_pa, ambient_pa, volume_m3)
    return (pressure_pa - ambient_pa) * volume_m3 / (k - 1.0)


def gas_isothermal_j(pressure_pa: float, volume_m3: float, *, ambient_pa: float = ATMOSPHERE_PA) -> float:
    """Return the work of a gas expanding at constant temperature, the largest estimate of all.

    Parameters
    ----------
    pressure_pa, volume_m3, ambient_pa : float
        As `gas_isentropic_j` [Pa], [m3], [Pa].

    Returns
    -------
    float
        Energy [J].

    Raises
    ------
    ValueError
        As `gas_isentropic_j`.

    Source
    ------
    Crowl, Understanding Explosions (CCPS), Appendix B: E = P V ln(P/Pa).
    """
    _check(pressure_pa, ambient_pa, volume_m3)
    return pressure_pa * volume_m3 * log(pressure_pa / ambient_pa)


def gas_exergy_j(pressure_pa: float, volume_m3: float, *, ambient_pa: float = ATMOSPHERE_PA) -> float:
    """Return the thermodynamic availability of a gas charge: isothermal work less what pushes the air away.

    Parameters
    ----------
    pressure_pa, volume_m3, ambient_pa : float
        As `gas_isentropic_j` [Pa], [m3], [Pa].

    Returns
    -------
    float
        Energy [J].

    Raises
    ------
    ValueError
        As `gas_isentropic_j`.

    Source
    ------
    Crowl, Understanding Explosions (CCPS), Appendix B: E = P V [ln(P/Pa) - (1 - Pa/P)].
    """
    _check(pressure_pa, ambient_pa, volume_m3)
    return pressure_pa * volume_m3 * (log(pressure_pa / ambient_pa) - (1.0 - ambient_pa / pressure_pa))


def water_j(pressure_pa: float, volume_m3: float, *, modulus_pa: float = WATER_MODULUS_PA) -> float:
    """Return the energy of compressed water alone.

    Parameters
    ----------
    pressure_pa : float
        Gauge pressure [Pa].
    volume_m3 : float
        Volume of water [m3].
    modulus_pa : float
        Isothermal bulk modulus [Pa].

    Returns
    -------
    float
        Energy [J].

    Raises
    ------
    ValueError
        If anything is negative or not finite.

    Assumes
    -------
    No gas in the water and stiff walls. A plastic body stores several times this in its own stretch, and trapped air
    more still: this is a lower bound for what a filled body lets go.

    Source
    ------
    E = P^2 V/(2 K), linear elasticity; check value in the tests.
    """
    if not (isfinite(pressure_pa) and isfinite(volume_m3) and pressure_pa >= 0.0 and volume_m3 >= 0.0):
        raise ValueError(f"water at {pressure_pa} Pa in {volume_m3} m3; allowed: finite, not negative")
    return pressure_pa * pressure_pa * volume_m3 / (2.0 * modulus_pa)


def gas_water_ratio(gauge_pa: float, *, modulus_pa: float = WATER_MODULUS_PA) -> float:
    """Return how many times more a volume of gas holds than the same volume of water at the same pressure.

    Parameters
    ----------
    gauge_pa : float
        Gauge pressure, above 0 [Pa].
    modulus_pa : float
        Bulk modulus of water [Pa].

    Returns
    -------
    float
        Ratio [-]: 1,000 to 8,000 at rig pressures. The "200 times" of ISO 4126 is true only near 45 MPa.

    Raises
    ------
    ValueError
        If the pressure is not above 0.

    Source
    ------
    `gas_pcc2_j` over `water_j`.
    """
    if not gauge_pa > 0.0:
        raise ValueError(f"pressure {gauge_pa} Pa gauge; allowed: above 0")
    return gas_pcc2_j(gauge_pa + PCC2_ATMOSPHERE_PA, 1.0) / water_j(gauge_pa, 1.0, modulus_pa=modulus_pa)


def tnt_kg(energy_j: float, constant: str = "PCC-2 SI form") -> float:
    """Return the mass of TNT of the same energy, by a named constant.

    Parameters
    ----------
    energy_j : float
        Energy [J].
    constant : str
        A key of `TNT_J_PER_KG` [-].

    Returns
    -------
    float
        Mass [kg].

    Raises
    ------
    KeyError
        If the constant is not one of the named.

    Source
    ------
    ASME PCC-2-2008 App. II eqs. (II-3) and (II-5): E/4,266,920 kg, E/1,488,617 lb.
    """
    return energy_j / TNT_J_PER_KG[constant]


def scaled_distance_m(energy_j: float, edition: Edition) -> float:
    """Return Rs TNT^(1/3), or Rs (2 TNT)^(1/3), before the floor.

    Parameters
    ----------
    energy_j : float
        Energy [J].
    edition : Edition
        Which copy of PCC-2 [-].

    Returns
    -------
    float
        Distance [m].

    Source
    ------
    ASME PCC-2-2008 App. II (single charge); later copies print the doubled charge.
    """
    charge_kg = tnt_kg(energy_j) * (2.0 if edition.doubled else 1.0)
    return SCALED_DISTANCE_M_PER_KG3 * charge_kg ** (1.0 / 3.0)


def stand_off_m(energy_j: float, edition: Edition) -> float:
    """Return the distance to keep from a gas charge with no barrier between: the formula or the floor, the greater.

    Parameters
    ----------
    energy_j : float
        Energy of all gas that can go at once [J].
    edition : Edition
        Which copy of PCC-2 [-].

    Returns
    -------
    float
        Distance [m], never below 30 m.

    Assumes
    -------
    Blast only, in the open. It says nothing of fragments and nothing of a chamber.

    Source
    ------
    ASME PCC-2-2008 App. II: 30 m up to 135.5 MJ, 60 m up to 271 MJ, and the scaled distance.
    """
    floor = next((least for most_j, least in FLOORS if energy_j <= most_j), FLOORS[-1][1])
    return max(floor, scaled_distance_m(energy_j, edition))


def relief_set_most_pa(test_pa: float) -> float:
    """Return the highest relief setting for a test pressure.

    Parameters
    ----------
    test_pa : float
        Test pressure, gauge [Pa].

    Returns
    -------
    float
        Pt + the lesser of 345 kPa and 10 % of Pt [Pa].

    Source
    ------
    ASME B31.3-2016 para. 345.5.2 (a rule for pneumatic tests of piping; a rig may choose to follow it).

    Example
    -------
    >>> relief_set_most_pa(1.25e6)
    1375000.0
    """
    return test_pa + min(345_000.0, 0.1 * test_pa)
