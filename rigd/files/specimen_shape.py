"""How a specimen is written down: what is known of one body before its test. What is missing is asked at the rig."""

from typing import Literal

from pydantic import Field

from rigd.files import units
from rigd.files.fields import Label, Shape, Temperature, Volume, Words, quantity
from rigd.model.specimen import CHOICES, FACTS

Conditioning = quantity(units.TIME, low="0 s", high="1000 day")


class SpecimenShape(Shape):
    """A specimen file. Every fact may be left out and is then asked of a named person."""

    specimen: Label = Field(description="id of this one body")
    make: Label | None = Field(default=None, description=FACTS["make"])
    size: Label | None = Field(default=None, description=FACTS["size"])
    lot: Label | None = Field(default=None, description=FACTS["lot"])
    water_temperature: Temperature | None = Field(default=None, description=FACTS["water_temperature"])
    specimen_temperature: Temperature | None = Field(default=None, description=FACTS["specimen_temperature"])
    conditioning: Conditioning | None = Field(default=None, description=FACTS["conditioning"])
    surroundings: Literal[CHOICES["surroundings"]] | None = Field(default=None, description=FACTS["surroundings"])
    mounting: Words | None = Field(default=None, description=FACTS["mounting"])
    end_closure: Literal[CHOICES["end_closure"]] | None = Field(default=None, description=FACTS["end_closure"])
    volume: Volume | None = Field(default=None, description="free inside volume")
