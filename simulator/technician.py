"""Who turns the cap and looks at it: an obedient technician, one with a human hand, and one who does it nearly right.

They read the question as a person does (which mark, what was asked) and do it to the cap of the bench: tighten, loosen
by hand with an error of the hand, put the cage on, wipe, look. What they answer is what they believe. Invented.
"""

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from random import Random
from typing import Protocol

from rigd.files import units
from rigd.model.leak import SEEN
from simulator.cap_bench import CapTruth
from simulator.person import DONE, Person, Question

MARK = re.compile(r"to (?:(\d+) )?(?:(\d+)/(\d+)|(\d+(?:\.\d+)?)) turn from the fully tightened mark")
TIGHT = SEEN[0]
DROP_M3 = 0.05e-6  # that falls from this cap
NS = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """How somebody works."""

    angle_error_turns: float  # at most, either way
    overlooks: tuple[str, ...]  # words of model.leak.SEEN
    forgets: float  # chance of leaving out what was asked and saying *done*
    slowest_ns: int  # longest time to an answer
    looks_away: float = 0.0  # chance of saying that it is tight without a look


OBEDIENT = Care(angle_error_turns=0.0, overlooks=(), forgets=0.0, slowest_ns=2 * NS)
"""Does exactly what is asked."""
HUMAN = Care(angle_error_turns=0.8 / 64.0, overlooks=(), forgets=0.0, slowest_ns=5 * NS)
"""As obedient, with the hand that the shipped profile allows for: within a sixty-fourth of a turn."""
CARELESS = Care(angle_error_turns=2.5 / 64.0, overlooks=("weep",), forgets=0.15, slowest_ns=70 * NS)
"""Turns by eye, overlooks a weep, forgets the cage, answers when it suits: now and then too late."""
BLIND = replace(CARELESS, looks_away=0.2)
"""As careless, and now and then does not look at all: what leaked is then called tight at a larger turn."""


CARE = {"obedient": OBEDIENT, "human": HUMAN, "careless": CARELESS}


class CapAndScale(Protocol):
    """What hands and eyes have before them: a CapBench, or one behind a window."""

    def tighten(self) -> None: ...

    def loosen_to(self, turns: float) -> None: ...

    def retain(self) -> None: ...

    @property
    def caught_kg(self) -> float: ...

    @property
    def at_the_cap(self) -> str: ...


class Technician:
    """`bench`: whose cap is turned. The same name, seed and care do and answer the same."""

    def __init__(self, name: str, seed: int, bench: CapAndScale, care: Care = OBEDIENT) -> None:
        self.name, self._bench, self._care = name, bench, care
        self._person = Person(name, seed)
        self._chance = Random(f"{seed}/{name}/hands")
        self._caught_kg = 0.0
        self.forgot: list[str] = []

    @property
    def hesitates_ns(self) -> int:
        """Time until the next answer."""
        return int(self._chance.uniform(0.2, 1.0) * self._care.slowest_ns)

    def sees(self, truth: CapTruth, t_s: float) -> str | None:
        """Nothing is pressed: this one waits to be asked."""
        del truth, t_s
        return None

    def says(self, prompt: Question, seen: str) -> str:
        """As an engine takes it."""
        return units.answer_in(prompt.si, self.answer(prompt, seen))

    def answer(self, prompt: Question, seen: str) -> str:
        """What is asked is done, and answered."""
        bench, forgets = self._bench, self._chance.random() < self._care.forgets
        if forgets and prompt.field in ("cap_tightened", "cap_loosened", "cap_retained", "cap_wiped"):
            self.forgot.append(prompt.field)
        match prompt.field:
            case "cap_tightened":
                if not forgets:
                    bench.tighten()
                return DONE
            case "cap_loosened":
                if not forgets:
                    bench.loosen_to(max(0.0, mark_in(prompt.text) + self._error()))
                return DONE
            case "cap_retained":
                if not forgets:
                    bench.retain()
                return "on"
            case "cap_wiped" | "chamber_shut":
                self._caught_kg = bench.caught_kg
                return DONE
            case "leak_seen":
                looks_away = self._care.looks_away and self._chance.random() < self._care.looks_away
                return TIGHT if looks_away or bench.at_the_cap in self._care.overlooks else bench.at_the_cap
            case "drops_counted":
                return str(int((bench.caught_kg - self._caught_kg) / 998.2 / DROP_M3))
            case "caught_g":
                return f"{1e3 * (bench.caught_kg - self._caught_kg):.2f}"
        return self._person.answer(prompt, seen)

    def _error(self) -> float:
        return self._chance.uniform(-1.0, 1.0) * self._care.angle_error_turns


def mark_in(text: str) -> float:
    """The turn that a question asks for."""
    found = MARK.search(text)
    assert found, text
    whole, above, below, plain = found.groups()
    return float(Fraction(plain) if plain else Fraction(int(whole or 0)) + Fraction(int(above), int(below)))
