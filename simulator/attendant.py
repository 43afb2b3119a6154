"""One simulated person who looks after all stations of a surge rig: answers, frees stuck parts, arms and starts.

Truthful and obedient as `simulator.person` is, and careful: the chamber is open only while a question has hands in it,
and pressure is started only with the door shut and nothing asked. It learns from the screen (the engines' questions and
states) and through the window (what is seen of each specimen), and nothing else.
"""

from collections.abc import Callable, Sequence

from rigd.engine.engine import Engine
from rigd.model.states import ARMED, READY, RESETTABLE, UNPROVEN
from simulator.person import Person, work_by_hand
from simulator.surge_bench import SurgeBench

WAIT_NS = 300_000_000  # between seeing that something may be done and doing it
ANSWER_NS = 400_000_000
STUCK = "moving_part"  # the fact asked for when a part needs a hand
FREED = "freed by hand"
PART = "indicator"  # a question that names it is answered with a hand on it
MAINS, SHUT, OPEN = "water mains", "Shut by hand", "Open by hand"  # a question that says so is done before its answer

Act = Callable[[int, str, int | None, str | None], None]
"""(index of the station, act, prompt, answer)."""


class Attendant:
    def __init__(self, name: str, seed: int, bench: SurgeBench) -> None:
        self.name, self._bench = name, bench
        count = len(bench.stations)
        self._people = [Person(name, seed + at) for at in range(count)]  # each station has a specimen of its own
        self._asked_ns: list[int] = [-1] * count
        self._act_at_ns = -1

    def look(self, t_ns: int, engines: Sequence[Engine], act: Act) -> None:
        """Do what is due now, through `act`."""
        prompts = [engine.questions.prompt for engine in engines]
        hands_in = any(engine.questions.has_hands_in for engine in engines)
        if hands_in == self._bench.door_shut:
            self._bench.set_switches(door_shut=not hands_in)
        for at, prompt in enumerate(prompts):
            if prompt is None:
                self._asked_ns[at] = -1
            elif self._asked_ns[at] < 0:
                self._asked_ns[at] = t_ns
            elif t_ns - self._asked_ns[at] >= ANSWER_NS:
                self._asked_ns[at] = -1
                act(at, "confirm", prompt.prompt, self._answer(at, prompt))
        self._go_on(t_ns, engines, act, any(prompts))

    def _answer(self, at: int, prompt: object) -> str:
        if MAINS in prompt.text and prompt.text.startswith((SHUT, OPEN)):
            self._bench.turn_mains(prompt.text.startswith(OPEN))
        work_by_hand(self._bench, prompt.field)
        if prompt.field == STUCK or PART in prompt.text:
            self._bench.free_part(at + 1)
        if prompt.field == STUCK:
            return FREED
        return self._people[at].says(prompt, self._bench.truth(at + 1).seen)

    def _go_on(self, t_ns: int, engines: Sequence[Engine], act: Act, asked: bool) -> None:
        """Arm and start what is ready when nothing is asked, reset what is healthy again, check by hand what nobody can
        prove: after a moment, all of them."""
        due = []
        for at, engine in enumerate(engines):
            if engine.profile is None:
                continue
            if engine.interlocks.state == RESETTABLE:
                due.append((at, "reset"))
            elif engine.state == UNPROVEN:
                due.append((at, "hand_check"))
            elif engine.state in (READY, ARMED) and not asked:
                due.append((at, "arm" if engine.state == READY else "start"))
        if not due:
            self._act_at_ns = -1
        elif self._act_at_ns < 0:
            self._act_at_ns = t_ns + WAIT_NS
        elif t_ns >= self._act_at_ns:
            self._act_at_ns = -1
            for at, what in due:
                act(at, what, None, None)
