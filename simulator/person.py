"""A simulated person: does what is asked, answers what is true, and presses *mark* when something is seen to fail.

A person knows what lies on the bench (make, size, lot, temperature of the water) and what can be seen through the
window, and nothing else: no pressures, no plans of the body. Time is given, never asked for. How fast a person reacts
and what can be seen is invented.
"""

from collections.abc import Callable
from functools import partial
from random import Random
from typing import Protocol

from rigd.files import units
from simulator.bodies import draw_body

QUICKEST_S, SLOWEST_S = 0.7, 2.0
"""From seeing to pressing. A profile's `signs.mark` must be at least the slowest."""

SEEN_M3_PER_S = 1e-6  # 1 mL/s: a drip every few hundredths of a second, or a fine jet
SEEN_GROWTH = 0.02  # of the body's volume
SPENT_PA = 20e3  # with less pressure than this on, there is nothing left to mark
DONE = "done"
NOT_KNOWN = "not known"
NOTHING_TO_SEE = "nothing"


WORKED_S = 1.0  # how long a button is held or a door stands open that a walk asks for


class Iron(Protocol):
    """What hands can work at a rig."""

    def set_switches(self, *, door_shut: bool | None = None, emergency_stop_released: bool | None = None) -> None: ...

    def call_later(self, delay_s: float, action: Callable[[], None]) -> None: ...


def work_by_hand(iron: Iron, field: str) -> float:
    """Do what a question of the commissioning walk asks for; returns how long it takes [s], 0 for any other."""
    key = {"emergency_stop": "emergency_stop_released", "door": "door_shut"}.get(field)
    if key is None:
        return 0.0
    iron.set_switches(**{key: False})
    iron.call_later(WORKED_S, partial(iron.set_switches, **{key: True}))
    return 2.0 * WORKED_S


class Question(Protocol):
    """What a person needs of a prompt: a message or what the screen shows of it."""

    kind: str
    field: str
    choices: tuple[str, ...]
    si: str


class Sight(Protocol):
    """What can be seen and heard through the window."""

    pressure_pa: float
    leak_m3_per_s: float
    growth: float
    vent_open: bool


class Person:
    """Truthful and obedient. The same name and seed answer and react the same."""

    def __init__(self, name: str, seed: int) -> None:
        self.name = name
        bench = draw_body("", seed)  # a person on the bench knows these parts of it, which no kind of end changes
        degrees = f"{bench.water_k - 273.15:.1f} degC"
        rng = Random(f"{seed}/{name}")
        self.facts = {
            "make": bench.make,
            "size": bench.size,
            "lot": bench.lot,
            "water_temperature": degrees,
            "specimen_temperature": degrees,
            "conditioning": f"{rng.randrange(2, 25)} h",
            "surroundings": "in air",
            "mounting": "hanging from its cap in the cage",
            "end_closure": "free",
            "loosenings": "0",
        }
        self._reaction = rng.uniform
        self._marks_at_s: float | None = None
        self._marked = False

    def answer(self, prompt: Question, seen: str) -> str:
        """Answer one question; `seen` is what the person sees of the specimen now."""
        if prompt.kind == "confirm":
            return DONE
        truth = self.facts.get(prompt.field, seen if prompt.kind == "choose" else NOT_KNOWN)
        if not prompt.choices or truth in prompt.choices:
            return truth
        return NOTHING_TO_SEE if NOTHING_TO_SEE in prompt.choices else prompt.choices[-1]

    def says(self, prompt: Question, seen: str) -> str:
        """The same as an engine takes it: a quantity as a number in the unit the question names."""
        return units.answer_in(prompt.si, self.answer(prompt, seen))

    def sees(self, sight: Sight, t_s: float) -> str | None:
        """Look through the window at t_s [s]: "mark" at the moment the key is pressed, once, else None.

        Nothing is pressed for what is over: when the line was vented or has emptied itself before the finger is down.
        """
        under_pressure = sight.pressure_pa > SPENT_PA and not sight.vent_open
        fails = sight.leak_m3_per_s >= SEEN_M3_PER_S or sight.growth >= SEEN_GROWTH
        if self._marked or not (under_pressure and fails):
            self._marks_at_s = None
            return None
        if self._marks_at_s is None:
            self._marks_at_s = t_s + self._reaction(QUICKEST_S, SLOWEST_S)
        if t_s < self._marks_at_s:
            return None
        self._marked = True
        return "mark"
