"""The body under test and what must be known about it before pressure (ASTM D1599-99(2005) 11.1 asks for these)."""

from dataclasses import dataclass

FACTS = {
    "make": "Make code",
    "size": "Size",
    "lot": "Lot",
    "water_temperature": "Temperature of the test water, with unit",
    "specimen_temperature": "Temperature of the specimen, with unit",
    "conditioning": "Conditioning time, with unit",
    "surroundings": "Immersed or in air",
    "mounting": "How is it mounted",
    "end_closure": "End closure free or restrained",
    "loosenings": "How often has this cap been loosened since its seal was new (0 for never)",
}
CAP_FACTS = ("make", "size", "loosenings")
"""What a cap-turn leak test must know: which thread it is, and whether the seal is new."""
CHOICES = {"surroundings": ("immersed", "in air"), "end_closure": ("free", "restrained")}
QUANTITY_FACTS = {"water_temperature": "K", "specimen_temperature": "K", "conditioning": "s"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """`facts`: (name, value as text) for what is already known; quantities are SI numbers written as text, see
    QUANTITY_FACTS. What is missing and required is asked for, and answered by a named person."""

    id: str
    facts: tuple[tuple[str, str], ...]
    volume_m3: float  # free inside volume, 0 = unknown
    stretch_m3_per_pa: float = 0.0  # how much it grows, 0 = unknown
    stretch_u_m3_per_pa: float = 0.0  # standard uncertainty
