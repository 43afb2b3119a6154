"""Nights of bursts in which nothing bursts, and what goes wrong waits for the moments in which it matters most: as the
words SAFE TO OPEN are said, and as somebody has armed.

A rise test is made only when the body held, and its words stand until the next run. Where nearly every body breaks and
nobody lingers, such moments are short, and few faults fall into one: a wrong in what is said then lives for a hundred
hours. Here bodies hold, the person goes away as soon as the words are said, and every such moment is struck.
"""

from dataclasses import replace
from functools import partial

from rigd.model.messages import Event, Output
from rigd.model.states import ARMED, RUNNING, SAFE_TO_OPEN
from simulator.night import Night, Report
from simulator.nights import play_night
from simulator.sometimes import Seen
from simulator.swarm import draw_swarm
from simulator.weather import KINDS

BLOWS = (
    ("sensor_spike",), ("noise",), ("inlet_stuck_open",), ("read_back_lies",), ("vent_stuck_shut",),
    ("sensor_uncertain", "half_open"),
)  # fmt: skip
"""What strikes in such a moment, one after another; in every other moment it is any of the night's kinds."""
WITHIN_S, NEXT_WITHIN_S = 2.5, 1.0
AWAY_S = (2.0, 50.0)
ENDED_EARLY, ENDED_WITHIN_S = 0.3, 30.0  # share of the runs that a person ends
NEVER_S = 1e9


class RestNight(Night):
    def _hear(self, output: Output) -> None:
        super()._hear(output)
        if type(output) is not Event or self.storm.over:
            return
        if output.kind == "words" and output.text == SAFE_TO_OPEN:
            self._strike_soon()
            away_s = self.rng.uniform(*AWAY_S)
            self.crowd.go_away(away_s)
            self.later(away_s, partial(self.act, "reset"))
        elif output.kind == "state" and dict(output.data)["to"] == ARMED:
            self._strike_soon()
        elif output.kind == "state" and dict(output.data)["to"] == RUNNING and self.rng.random() < ENDED_EARLY:
            self.later(self.rng.uniform(0.0, ENDED_WITHIN_S), partial(self.act, self.rng.choice(("stop", "vent"))))

    def _strike_soon(self) -> None:
        at_s = self.rng.uniform(0.0, WITHIN_S)
        known = self.rng.random() < 0.5
        for kind in self.rng.choice(BLOWS) if known else (self.rng.choice(self.swarm.kinds),):
            self.later(at_s, partial(self._strike, kind))
            at_s += self.rng.uniform(0.0, NEXT_WITHIN_S)

    def _strike(self, kind: str) -> None:
        if not self.storm.over and not self.storm.is_active(kind):
            self.storm.strike(kind)


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    swarm = replace(draw_swarm(seed, tuple(KINDS)), bodies=("strong",), gap_s=NEVER_S)
    return play_night(RestNight(swarm, Seen()))
