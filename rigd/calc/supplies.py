"""What a run takes of gas, water, room in the drain and life of parts, as an upper bound, against what there is.

For a run that nobody watches (SAFETY S23, invariant SUPPLY_COVERS_THE_NIGHT). Bounds, all common practice:
water of a surge: its slug, and what the open inlet passes, Q = k sqrt(charge), while the shot lasts; of a ramp or hold:
what the inlet may feed before the body is called not following, Q = k sqrt(lag); of a fill: line and body, and the open
fill valve for the bleed. Gas by Boyle's law at ambient conditions: what takes the water's place at the charge, a
charge of all gas behind the regulator for each time the rig is vented and charged again, and where air drives a surge
the line and the body with it. On all of it MARGIN, for cycles that are not valid and are given again.
"""

from dataclasses import dataclass
from math import ceil, sqrt

from rigd.calc.expect import ATMOSPHERE_PA, forecast, gas_behind_regulator_m3
from rigd.model.profile import Fill, Hold, Profile, Proof, Ramp, Surge
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen

MARGIN = 1.2
GAS, WATER, DRAIN, CYCLES = "gas", "water", "drain", "cycles"


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    name: str  # "gas", "water", "drain", or of a part
    kind: str  # "gas", "water", "drain" [m3], or "cycles"
    needed: float
    budget: float | None  # None: not stated; 0: not limited

    @property
    def is_covered(self) -> bool:
        return self.budget is not None and (self.budget == 0.0 or self.needed <= self.budget)


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """At one station, without margin."""

    gas_m3: float
    water_m3: float
    cycles: int


def needs(rig: Rig, profile: Profile, specimens: tuple[Specimen | None, ...]) -> tuple[Need, ...]:
    """What a run with these specimens, one a station, takes of each budget, margin included."""
    uses = [use(rig, profile, specimen) for specimen in specimens]
    budgets = rig.budgets
    shared_m3 = gas_behind_regulator_m3(rig) * (forecast(rig, profile).peak_pa + ATMOSPHERE_PA) / ATMOSPHERE_PA
    gas_m3 = shared_m3 * charges(profile) + sum(each.gas_m3 for each in uses)
    water_m3 = sum(each.water_m3 for each in uses)
    found = [
        Need(name=name, kind=name, needed=MARGIN * needed, budget=getattr(budgets, f"{name}_m3", None))
        for name, needed in ((GAS, gas_m3), (WATER, water_m3), (DRAIN, water_m3))
    ]
    each, everywhere = max(each.cycles for each in uses), sum(each.cycles for each in uses)
    for part in budgets.parts if budgets else ():
        cycles = ceil(MARGIN * part.per_cycle * (each if part.each_station else everywhere))
        found.append(Need(name=part.name, kind=CYCLES, needed=float(cycles), budget=float(part.cycles)))
    return tuple(found)


def charges(profile: Profile) -> int:
    """How often the tank may be charged from nothing."""
    pauses = [len(step.blocks) - 1 for step in profile.steps if isinstance(step, Surge)]
    return 1 + len([step for step in profile.steps if isinstance(step, Proof | Ramp)]) + sum(pauses)


def use(rig: Rig, profile: Profile, specimen: Specimen | None) -> Use:
    """What one station takes."""
    body_m3 = (specimen.volume_m3 if specimen else 0.0) + _line_m3(rig)
    fill_m3_per_s = rig.budgets.fill_m3_per_s if rig.budgets else 0.0
    steps = forecast(rig, profile, specimen).steps
    gas_m3 = water_m3 = 0.0
    cycles = 0
    for at, step in enumerate(profile.steps):
        if isinstance(step, Fill):
            water_m3 += body_m3 + fill_m3_per_s * step.bleed_ns / 1e9
        elif isinstance(step, Proof | Ramp | Hold):
            taken_m3 = rig.inlet_m3_per_s_pa * sqrt(profile.signs.lag_pa) * steps[at].most_s
            water_m3, gas_m3 = water_m3 + taken_m3, gas_m3 + taken_m3 * _ratio(steps[at].to_pa)
            cycles += isinstance(step, Ramp)
        elif isinstance(step, Surge):
            owed = sum(step.blocks)
            open_s = (step.release_ns + step.rise_ns + step.hold_ns) / 1e9
            shot_m3 = rig.inlet_m3_per_s_pa * sqrt(step.charge_pa) * open_s
            driven_m3 = shot_m3 if step.medium == "water" else shot_m3 + body_m3
            water_m3 += owed * (shot_m3 + step.slug_m3)
            gas_m3 += owed * driven_m3 * _ratio(step.charge_pa)
            cycles += owed
    return Use(gas_m3=gas_m3, water_m3=water_m3, cycles=cycles)


def _ratio(gauge_pa: float) -> float:
    return (gauge_pa + ATMOSPHERE_PA) / ATMOSPHERE_PA


def _line_m3(rig: Rig) -> float:
    """Water without gas over it, shared out among the stations."""
    return sum(volume.water_m3 for volume in rig.volumes if volume.gas_m3 == 0.0) / rig.stations
