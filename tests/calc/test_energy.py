"""Stored energy against published formulas and numbers; the source of each row stands beside it."""

import pytest

from rigd.calc import energy

PSI = 6894.757293168362  # NIST SP 811 B.9 gives 6.894757E+03
LITRE = 1e-3
FT3 = 0.3048**3
GAS_500 = 500 * PSI + 101_000.0  # the PCC-2 form counts from 101,000 Pa


def test_gas_energy_by_published_forms():
    si = energy.gas_pcc2_j(GAS_500, LITRE)
    # E1: ASME PCC-2-2008 App. II eq. (II-2); 2005 draft. Formula read, number computed.
    assert si == pytest.approx(5665.4, rel=1e-4)
    # E2: US form, eq. (II-4): 4176.7 ft-lb = 5662.9 J, 0.05 % from the SI form.
    us = energy.gas_pcc2_us_ft_lb(514.7, LITRE / FT3)
    assert us == pytest.approx(4176.7, rel=1e-4)
    assert us * 1.3558179483314004 == pytest.approx(5662.9, rel=1e-4)
    assert us * 1.3558179483314004 == pytest.approx(si, rel=6e-4)
    # E6: exact isentropic with k = 1.4 to 101,000 Pa.
    assert energy.gas_isentropic_j(GAS_500, LITRE, ambient_pa=101_000.0) == pytest.approx(5662.2, rel=1e-4)
    # E7 and E8: Crowl, Understanding Explosions, App. B; numbers computed.
    absolute = 500 * PSI + 101_325.0
    assert energy.gas_brode_j(absolute, LITRE) == pytest.approx(8618.4, rel=1e-4)
    assert energy.gas_isothermal_j(absolute, LITRE) == pytest.approx(12_619, rel=1e-4)
    assert energy.gas_exergy_j(absolute, LITRE) == pytest.approx(9172, rel=1e-4)


def test_tnt_constants_disagree_and_are_named():
    # E3: PCC-2-2008 eqs. (II-3) and (II-5): 4,266,920 J/kg against 1,488,617 ft-lb/lb = 4,449,576 J/kg, 4.28 % apart.
    assert energy.TNT_J_PER_KG["PCC-2 US form"] == pytest.approx(4_449_576, rel=1e-6)
    ratio = energy.TNT_J_PER_KG["PCC-2 US form"] / energy.TNT_J_PER_KG["PCC-2 SI form"]
    assert ratio == pytest.approx(1.0428, abs=1e-4)
    # E16: ehs.berkeley.edu stored-energy page: high hazard from 100 kJ, 1 g TNT = 4.62 kJ.
    assert energy.HIGH_HAZARD_J == 100e3
    assert energy.tnt_kg(4620.0, "ehs.berkeley.edu") == pytest.approx(1e-3)
    # "1,551,000 ft-lb/lb" is 4.64 MJ/kg.
    assert energy.TNT_J_PER_KG["1,551,000 ft-lb/lb"] == pytest.approx(4.64e6, rel=2e-3)
    with pytest.raises(KeyError):
        energy.tnt_kg(1.0, "some other")


def test_the_distance_by_edition_and_its_floor():
    joule = energy.gas_pcc2_j(GAS_500, LITRE)
    # E4: 2.198 m (PCC-2-2008) against 2.770 m (copy with 2 TNT, piping-world.com).
    assert energy.scaled_distance_m(joule, energy.EDITION_2008) == pytest.approx(2.198, abs=5e-4)
    assert energy.scaled_distance_m(joule, energy.EDITION_LATER) == pytest.approx(2.770, abs=5e-4)
    # E5: 30 m up to 135.5 MJ (1e8 ft-lb = 135.58 MJ), 60 m up to 271 MJ, the greater of it and the formula.
    for edition in energy.EDITIONS:
        assert energy.stand_off_m(joule, edition) == 30.0
    assert energy.stand_off_m(135.4e6, energy.EDITION_2008) == pytest.approx(20 * (135.4e6 / 4_266_920) ** (1 / 3))
    # The floor governs below 14.4 MJ (TNT) and 7.2 MJ (2 TNT): physics note 3.
    assert energy.stand_off_m(14.3e6, energy.EDITION_2008) == 30.0 < energy.stand_off_m(14.5e6, energy.EDITION_2008)
    assert energy.stand_off_m(7.1e6, energy.EDITION_LATER) == 30.0 < energy.stand_off_m(7.3e6, energy.EDITION_LATER)
    assert energy.stand_off_m(136e6, energy.EDITION_2008) >= 60.0


def test_water_and_its_ratio_to_gas():
    # E13: problem physicsforums 760319 (15 MPa, 1 m3, K = 2.179 GPa): 51.63 kJ, computed.
    assert energy.water_j(15e6, 1.0, modulus_pa=2.179e9) == pytest.approx(51.63e3, rel=1e-4)
    # E14: per litre, gas by E1, water by P^2 V/2K with K = 2.18 GPa. Computed.
    table = {
        100: (879, 0.109, 8062),
        300: (3168, 0.981, 3228),
        500: (5665, 2.726, 2078),
        1000: (12_285, 10.90, 1127),
    }
    for psi, (gas, water, ratio) in table.items():
        assert energy.gas_pcc2_j(psi * PSI + 101_000, LITRE) == pytest.approx(gas, abs=0.6)
        assert energy.water_j(psi * PSI, LITRE) == pytest.approx(water, rel=5e-3)
        assert energy.gas_water_ratio(psi * PSI) == pytest.approx(ratio, abs=1.0)
    # E15: 3.17e-6 per psi at 20 degC (University of Washington PTV manual, node 27) is K = 2.175 GPa.
    assert PSI / 3.17e-6 == pytest.approx(2.175e9, rel=1e-4)
    assert PSI / 3.17e-6 == pytest.approx(energy.WATER_MODULUS_PA, rel=3e-3)


def test_relief_setting():
    # E17: ASME B31.3-2016 345.5.2: Pt + min(345 kPa, 0.1 Pt); Pt = 1.25 MPa gives 1.375 MPa.
    assert energy.relief_set_most_pa(1.25e6) == pytest.approx(1.375e6, rel=1e-12)
    assert energy.relief_set_most_pa(10e6) == pytest.approx(10.345e6, rel=1e-12)


@pytest.mark.parametrize(
    "bad",
    [
        lambda: energy.gas_pcc2_j(50e3, LITRE),  # a gauge pressure given as absolute
        lambda: energy.gas_isothermal_j(float("nan"), LITRE),
        lambda: energy.gas_brode_j(2e5, -1.0),
        lambda: energy.water_j(-1.0, 1.0),
        lambda: energy.water_j(float("inf"), 1.0),
        lambda: energy.gas_water_ratio(0.0),
    ],
)
def test_nonsense_is_refused_with_words(bad):
    with pytest.raises(ValueError, match="allowed"):
        bad()
