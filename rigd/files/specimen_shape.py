"""How a specimen is written down: what is known of one body before its test. What is missing is asked at the rig."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from rigd.files import units
from rigd.files.fields import Label, Shape, Temperature, Volume, Words, quantity, refusal
from rigd.model.specimen import CHOICES, FACTS


def _read_times(text: Any) -> str:
    if isinstance(text, bool) or not isinstance(text, int) or not 0 <= text <= MOST_TIMES:
        raise refusal(f"a whole number from 0 to {MOST_TIMES}")
    return str(text)


MOST_TIMES = 10_000  # a seal loosened more often has its own story
Times = Annotated[
    str, BeforeValidator(_read_times), WithJsonSchema({"type": "integer", "minimum": 0, "maximum": MOST_TIMES})
]
Conditioning = quantity(units.TIME, low="0 s", high="1000 day")
Stretch = quantity(units.STRETCH, low="0.0001 mL/MPa", high="1000 mL/MPa")


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
    loosenings: Times | None = Field(default=None, description=FACTS["loosenings"])
    volume: Volume | None = Field(default=None, description="free inside volume")
    stretch: Stretch | None = Field(default=None, description="growth of the inside volume with pressure, as measured")
    stretch_uncertainty: Stretch | None = Field(default=None, description="its standard uncertainty")
