"""Cracks of 0.1 to 10 mm2 under a tank that keeps feeding: no result says more than the body stood.

The flow of a crack is that of a sharp-edged orifice (0.62 A sqrt(2 dp / rho), as in the plant); whether the rig can
notice it depends on what the inlet lets after, and on whether somebody watches. Where nothing notices, the result has
no failure pressure, and no criterion is met by the pressure that was reached.
"""

from dataclasses import replace

import pytest

from rigd.files.load import find, load_profile, load_rig
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from rigd.store.journal import BlockBuilder, identity
from simulator.bodies import MM2, PSI
from simulator.person import Person
from simulator.plant import MINDS_FROM, Plant
from simulator.swarm import FED_M3_PER_S, flow_meter, wet_switch
from simulator.world import Names, World

RIG = load_rig(find("demo", "rig"))
MINIMUM_PA = 200.0 * PSI
PROFILE = replace(load_profile(find("ramped-burst", "profile")), minimum_pa=MINIMUM_PA)
SIZES_MM2 = (0.1, 0.2, 0.3, 0.5, 1.0, 3.0, 10.0)


class Absent(Person):
    """Nobody at the window; afterwards the body is looked at all the same."""

    def sees(self, sight, t_s):
        return None


def crack(opening_mm2: float, strength_psi: float, who: type[Person], rig: Rig = RIG, profile: Profile = PROFILE):
    plant, person = Plant(rig, seed=3, body="weep"), who("A. Person", 3)
    plant.body = replace(plant.body, opening_m2=opening_mm2 * MM2, strength_pa=strength_psi * PSI, rate_exponent=0.0)
    plant._minds_pa = plant.body.strength_pa * MINDS_FROM
    facts = tuple((name, person.facts[name]) for name in profile.required)
    builder = BlockBuilder(identity(run=1, version="0", files=()))
    world = World(
        rig, profile, Specimen(id="crack", facts=facts, volume_m3=0.0), plant, person, builder, [].append,
        Names(run=1, utc_ns=10**18, version="0"),
    )  # fmt: skip
    return world.run(), plant.truth()


@pytest.mark.parametrize("who", [Person, Absent])
@pytest.mark.parametrize("strength_psi", [60.0, 150.0, 300.0])
def test_a_crack_under_a_feeding_tank_is_not_overstated(who, strength_psi):
    noticed = []
    for size_mm2 in SIZES_MM2:
        result, truth = crack(size_mm2, strength_psi, who)
        assert result.outcome == "weep" and truth.strength_pa == pytest.approx(strength_psi * PSI), (size_mm2, result)
        if result.failure_pa is None:
            assert result.trace_class == "ceiling" and result.verdict == "undecided", (size_mm2, result)
        else:
            off_pa = truth.strength_pa - result.failure_pa
            assert -result.bound_down_pa <= off_pa <= result.bound_up_pa, (size_mm2, result)
            noticed.append(size_mm2)
        if strength_psi * PSI < MINIMUM_PA:
            assert result.verdict != "accept", (size_mm2, result)
    assert noticed == sorted(noticed) and noticed[-1] == SIZES_MM2[-1], noticed
    if who is Person:
        assert noticed == list(SIZES_MM2), "whoever watches sees a crack of a tenth of a square millimetre"
    else:
        assert SIZES_MM2[0] not in noticed, "with nobody there the inlet feeds a small crack unseen"


@pytest.mark.parametrize("strength_psi", [60.0, 150.0, 300.0])
def test_a_wet_switch_sees_with_nobody_there_what_a_person_would_see(strength_psi):
    """A millilitre beneath the specimen is enough: every crack of the range has a failure pressure, and a true one."""
    rig = replace(RIG, channels=(*RIG.channels, wet_switch(RIG.channels)))
    for size_mm2 in SIZES_MM2:
        result, truth = crack(size_mm2, strength_psi, Absent, rig)
        off_pa = truth.strength_pa - result.failure_pa
        assert result.outcome == "weep" and -result.bound_down_pa <= off_pa <= result.bound_up_pa, (size_mm2, result)
        assert result.signs == ("wet",) or size_mm2 > 0.2, (size_mm2, result)
    assert "wet" not in result.signs, "what the trace shows at once needs no water on the floor"


@pytest.mark.parametrize("strength_psi", [60.0, 150.0, 300.0])
def test_a_meter_behind_the_inlet_sees_with_nobody_there_what_the_tank_hides(strength_psi):
    """Every crack of the range passes more at these pressures than the limit allows, and is found where it began."""
    rig = replace(RIG, channels=(*RIG.channels, flow_meter(RIG.channels)))
    profile = replace(PROFILE, signs=replace(PROFILE.signs, flow_m3_per_s=FED_M3_PER_S))
    for size_mm2 in SIZES_MM2:
        result, truth = crack(size_mm2, strength_psi, Absent, rig, profile)
        off_pa = truth.strength_pa - result.failure_pa
        assert result.outcome == "weep" and -result.bound_down_pa <= off_pa <= result.bound_up_pa, (size_mm2, result)
        assert result.signs == ("supply_flow",) or size_mm2 > 0.2, (size_mm2, result)
    tight, _ = crack(1.0, 2000.0, Absent, rig, profile)
    assert tight.outcome == "ceiling" and tight.signs == (), tight
    assert any("under 0.0" in flag for flag in tight.flags), "the smallest opening the meter would have noticed"
