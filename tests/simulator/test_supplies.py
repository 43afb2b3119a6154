"""SUPPLY_COVERS_THE_NIGHT, invariant 32 of SAFETY: what a simulated rig really takes of gas, water and cycles is no
more than what `calc.supplies` says it may, so a run that is allowed by its budgets is covered by them. The judge is the
bench's iron and gas law (simulator.surge_bench), not the engine and not the forecast."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from rigd.calc.supplies import MARGIN, needs
from rigd.files.load import find, load_profile, load_rig
from rigd.model.profile import Surge
from rigd.model.rig import Budgets, PartLife
from rigd.model.specimen import Specimen
from simulator.stations import Mounted, Nothing, StationsWorld
from simulator.surge_bench import SurgeBench
from simulator.surge_bodies import draw_surge_body
from simulator.transducers import ATMOSPHERE_PA
from simulator.world import Names

VALVE = PartLife(name="valve", cycles=1, per_cycle=1, each_station=True)
FILL_M3_PER_S = 1e-4


class Metered(SurgeBench):
    """The bench, with a meter on what leaves its vessel and on what comes from its gas supply."""

    water_out_m3 = gas_in_j = 0.0

    def _push_gas(self, dt_s, follow, flow_follow, out_m3, out_j):
        self.water_out_m3 += out_m3
        return super()._push_gas(dt_s, follow, flow_follow, out_m3, out_j)

    def _fed(self, *asked):
        fed_j = super()._fed(*asked)
        self.gas_in_j += fed_j
        return fed_j


@pytest.mark.parametrize("medium", ["water", "alternating"])
def test_what_the_iron_takes_is_within_what_was_foretold(medium):
    rig = load_rig(find("demo-surge", "rig"))
    rig = replace(rig, budgets=replace(rig.budgets, parts=(VALVE,)))
    test = load_profile(find("cyclic-surge", "profile"))
    test = replace(test, steps=tuple(
        replace(step, blocks=(10,), between="rest", medium=medium) if isinstance(step, Surge) else step
        for step in test.steps
    ))  # fmt: skip
    bodies = tuple(draw_surge_body("strong", 1, number) for number in (1, 2, 3, 4))
    bench = Metered(rig, seed=3, bodies=bodies)
    facts = (("make", "K"),)
    specimens = tuple(Specimen(id=f"K-{n}", facts=facts, volume_m3=body.volume_m3) for n, body in enumerate(bodies))
    world = StationsWorld(rig, test, bench, tuple(
        Mounted(specimen=one, builder=Nothing(), names=Names(run=at, utc_ns=0, version="0"))
        for at, one in enumerate(specimens, 1)
    ))  # fmt: skip
    world.run()
    taken = {"gas": bench.gas_in_j / ATMOSPHERE_PA, "water": bench.water_out_m3,
             "valve": max(bench.truth(n).cycles for n in (1, 2, 3, 4))}  # fmt: skip
    foretold = {need.name: need.needed / MARGIN for need in needs(rig, test, specimens)}
    foretold["valve"] += 1.0  # a stiff body feels the mains when the fill ends, which is no surge and moves no valve
    assert all(0.0 < taken[name] <= foretold[name] for name in taken), (taken, foretold)


def test_a_budget_covers_or_does_not_by_its_own_number():
    rig, profile = load_rig(find("demo-surge", "rig")), load_profile(find("cyclic-surge", "profile"))
    specimens = (None,)
    by_name = {need.name: need for need in needs(rig, profile, specimens)}
    water_m3 = by_name["water"].needed

    def covered(**budgets: object) -> dict[str, bool]:
        stated = {"gas_m3": 0.0, "water_m3": 0.0, "drain_m3": 0.0, "fill_m3_per_s": FILL_M3_PER_S, "parts": (VALVE,)}
        made = replace(rig, budgets=Budgets(**stated | budgets))
        return {need.name: need.is_covered for need in needs(made, profile, specimens)}

    assert covered() == {"gas": True, "water": True, "drain": True, "valve": False}, "0 is not limited; 1 cycle is few"
    assert not covered(water_m3=0.999 * water_m3)["water"] and covered(water_m3=1.001 * water_m3)["water"]
    assert not covered(drain_m3=None)["drain"], "what is not stated covers nothing"
    owed = sum(next(step.blocks for step in profile.steps if isinstance(step, Surge)))
    life = replace(VALVE, cycles=-int(-MARGIN * owed // 1))
    assert covered(parts=(life,))["valve"] and not covered(parts=(replace(life, cycles=life.cycles - 1),))["valve"]
    four = needs(replace(rig, budgets=Budgets(gas_m3=0.0, water_m3=0.0, drain_m3=0.0, fill_m3_per_s=FILL_M3_PER_S,
                                              parts=(replace(life, each_station=False),))), profile, specimens * 4)
    assert not four[-1].is_covered, "a part that works for all of them makes the cycles of all"


def test_what_is_taken_grows_with_what_is_owed():
    """Handbook arithmetic: slug times cycles is the least that can be right."""
    rig, profile = load_rig(find("demo-surge", "rig")), load_profile(find("surge-air-over-water", "profile"))
    surge = next(step for step in profile.steps if isinstance(step, Surge))
    taken = SimpleNamespace(water=0.0)
    for blocks in ((100,), (1000,)):
        made = replace(profile, steps=tuple(replace(s, blocks=blocks) if s is surge else s for s in profile.steps))
        water_m3 = next(need.needed for need in needs(rig, made, (None,)) if need.name == "water")
        assert water_m3 >= sum(blocks) * surge.slug_m3 and water_m3 > taken.water
        taken.water = water_m3
