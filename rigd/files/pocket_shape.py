"""How a rig file says where pressure can hide, and when people may be told that it is safe to open.

Also the keys of the same kind beside it: the rise test after a run, how old a relief test and a commissioning walk may
be. What is proven when is the engine's business (`engine.opening`).
"""

from typing import Any

from pydantic import Field

from rigd.files.fields import PositivePressure, Shape, Words, duration
from rigd.files.rig_stations import is_repeated
from rigd.model.rig import Pocket

MAX_POCKETS = 24  # a rig with more places that can hold pressure wants another manifold
AgeLimit = duration("1 day", "3650 day")


class PocketShape(Shape):
    """A place that can hold pressure by itself."""

    sensor: Words | None = Field(default=None, description="the pressure channel that proves it low")
    vent: Words | None = Field(default=None, description="the output that lets it out when de-energised")
    hand_checked: bool = Field(default=False, description="true: a person checks it, each time, before hands go in")


class IsolationTestShape(Shape):
    """After a run, at zero: the vent is shut for a while to see that nothing comes."""

    shut_for: duration("500 ms", "10 min") = Field(description="for this long")
    rise: PositivePressure = Field(description="no specimen channel may rise by more")


def build_pockets(written: dict[str, Any], channels: list[str], outputs: list[str]) -> tuple[Pocket, ...]:
    """`written`: the file as it stands; `channels`, `outputs`: names of the whole rig. A pocket whose sensor or vent
    stands at every station is one at each of them."""
    pockets = []
    for name, shape in (written.get("pockets") or {}).items():
        each = (shape.sensor and is_repeated(written, "channels", shape.sensor)) or (
            shape.vent and is_repeated(written, "outputs", shape.vent)
        )
        for number in range(1, int(written.get("stations") or 1) + 1) if each else (0,):
            pockets.append(
                Pocket(
                    name=f"{name} {number}" if number else name,
                    channel=_place(shape.sensor, number, channels),
                    vent=_place(shape.vent, number, outputs),
                    hand_checked=shape.hand_checked,
                )
            )
    return tuple(pockets)


def _place(name: str | None, number: int, names: list[str]) -> int:
    if name is None:
        return -1
    return names.index(name if name in names else f"{name}_{number}")
