"""Who turns the cap and looks at it: an obedient technician, one with a human hand, and one who does it nearly right.

They read the question as a person does (which mark, what was asked) and do it to the cap of the bench: tighten, loosen
by hand with an error of the hand, put the cage on, wipe, look. What they answer is what they believe. Invented.
"""

import re
from dataclasses import dataclass
from fractions import Fraction
from random import Random

from simulator.cap import LEAST_VISIBLE_M3_PER_S, seen_of
from simulator.cap_bench import CapBench, CapTruth
from simulator.person import DONE, Person, Question

MARK = re.compile(r"to (?:(\d+) )?(?:(\d+)/(\d+)|(\d+(?:\.\d+)?)) turn from the fully tightened mark")
DROP_M3 = 0.05e-6  # that falls from this cap
NS = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """How somebody works."""

    angle_error_turns: float  # at most, either way
    sees_from_m3_per_s: float
    forgets: float  # chance of leaving out what was asked and saying *done*
    slowest_ns: int  # longest time to an answer


OBEDIENT = Care(angle_error_turns=0.0, sees_from_m3_per_s=LEAST_VISIBLE_M3_PER_S, forgets=0.0, slowest_ns=2 * NS)
"""Does exactly what is asked."""
HUMAN = Care(angle_error_turns=0.8 / 64.0, sees_from_m3_per_s=LEAST_VISIBLE_M3_PER_S, forgets=0.0, slowest_ns=5 * NS)
"""As obedient, with the hand that the shipped profile allows for: within a sixty-fourth of a turn."""
CARELESS = Care(
    angle_error_turns=2.5 / 64.0, sees_from_m3_per_s=6.0 * LEAST_VISIBLE_M3_PER_S, forgets=0.15, slowest_ns=70 * NS
)
"""Turns by eye, overlooks a weep, forgets the cage, answers when it suits: now and then too late."""


CARE = {"obedient": OBEDIENT, "human": HUMAN, "careless": CARELESS}


class Technician:
    """`bench`: whose cap is turned. The same name, seed and care do and answer the same."""

    def __init__(self, name: str, seed: int, bench: CapBench, care: Care = OBEDIENT) -> None:
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
                bench.cap.retained = bench.cap.retained or not forgets
                return "on"
            case "cap_wiped" | "chamber_shut":
                self._caught_kg = bench.caught_kg
                return DONE
            case "leak_seen":
                return seen_of(bench.truth().leak_m3_per_s, self._care.sees_from_m3_per_s)
            case "drops_counted":
                return str(int((bench.caught_kg - self._caught_kg) / 998.2 / DROP_M3))
            case "caught_g":
                return f"{1e3 * (bench.caught_kg - self._caught_kg):.2f}"
        return self._person.says(prompt, seen)

    def _error(self) -> float:
        return self._chance.uniform(-1.0, 1.0) * self._care.angle_error_turns


def mark_in(text: str) -> float:
    """The turn that a question asks for."""
    found = MARK.search(text)
    assert found, text
    whole, above, below, plain = found.groups()
    return float(Fraction(plain) if plain else Fraction(int(whole or 0)) + Fraction(int(above), int(below)))
