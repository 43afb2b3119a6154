"""How a rig file says what an unattended run may use up: gas, water, room in the drain, life of parts (SAFETY S23)."""

from typing import Any

from pydantic import Field

from rigd.files import units
from rigd.files.fields import Label, PositiveFlow, Shape, quantity
from rigd.model.rig import Budgets, PartLife

NOT_LIMITED = "not limited"
MAX_CYCLES = 1_000_000_000
Amount = quantity(units.VOLUME, low="0.1 L", high="10000 m^3", word=NOT_LIMITED)


class PartLifeShape(Shape):
    """A part that wears out by cycles."""

    cycles: int = Field(ge=1, le=MAX_CYCLES, description="cycles left to it: as rated, less those it has made")
    per_cycle: int = Field(default=1, ge=1, le=100, description="how often it works in one cycle of a test")
    each_station: bool = Field(default=False, description="true: one at every station; false: it works for all of them")


class BudgetsShape(Shape):
    """What there is for one unattended run. Whoever starts it may state less with --left."""

    gas: Amount | None = Field(default=None, description="gas there is, at ambient conditions, or `not limited`")
    water: Amount | None = Field(default=None, description="water there is to feed, or `not limited` for mains")
    drain: Amount | None = Field(default=None, description="what the drain can take, or `not limited`")
    fill_flow: PositiveFlow = Field(description="water that the open fill valve passes at most")
    parts: dict[Label, PartLifeShape] | None = Field(default=None, max_length=24, description="what wears, by name")


def build_budgets(shape: BudgetsShape | None) -> Budgets | None:
    if shape is None:
        return None
    parts = tuple(
        PartLife(name=name, cycles=part.cycles, per_cycle=part.per_cycle, each_station=part.each_station)
        for name, part in (shape.parts or {}).items()
    )
    return Budgets(
        gas_m3=shape.gas, water_m3=shape.water, drain_m3=shape.drain, fill_m3_per_s=shape.fill_flow, parts=parts
    )  # fmt: skip


def with_left(budgets: Budgets, left: dict[str, str]) -> Budgets:
    """The budgets with what a person says is left, by name. Raises ValueError in words."""
    stated: dict[str, Any] = {"gas": budgets.gas_m3, "water": budgets.water_m3, "drain": budgets.drain_m3}
    parts = {part.name: part for part in budgets.parts}
    changed: dict[str, Any] = {}
    for name, text in left.items():
        if name in parts:
            if not text.isdigit() or not 1 <= int(text) <= parts[name].cycles:
                raise ValueError(f"{name}={text}: allowed: whole cycles, at most {parts[name].cycles} of the rig file")
            part = parts[name]
            parts[name] = PartLife(
                name=name, cycles=int(text), per_cycle=part.per_cycle, each_station=part.each_station
            )  # fmt: skip
        elif name in stated:
            amount = units.parse(text, units.VOLUME)
            if amount <= 0.0 or (stated[name] and amount > stated[name]):
                raise ValueError(f"{name}={text}: allowed: a volume, at most what the rig file states")
            changed[f"{name}_m3"] = amount
        else:
            raise ValueError(f"{name}: allowed: {', '.join([*stated, *parts])}")
    kept = {field: getattr(budgets, field) for field in ("gas_m3", "water_m3", "drain_m3")}
    return Budgets(**kept | changed, fill_m3_per_s=budgets.fill_m3_per_s, parts=tuple(parts.values()))
