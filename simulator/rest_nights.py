"""Nights of bursts in which nothing bursts, and what goes wrong waits for the moments in which it matters most: as
somebody has armed, as a run is under way, as a rise test is made, and as the words SAFE TO OPEN are said.

A rise test is made only when the body held, and its words stand until the next run. Where nearly every body breaks and
nobody lingers, such moments are short, and few faults fall into one: a wrong in what is said then lives long. Here
bodies hold, the person goes away as soon as the words are said, and such moments are struck.
"""

from dataclasses import replace
from functools import partial
from typing import NamedTuple

from rigd.model.messages import Event, Output
from rigd.model.profile import Hold
from rigd.model.states import ARMED, RUNNING, SAFE_TO_OPEN
from simulator.night import Night, Report
from simulator.nights import play_night
from simulator.sometimes import Seen
from simulator.swarm import draw_swarm
from simulator.weather import KINDS


class Moment(NamedTuple):
    struck: float  # share of such moments in which anything strikes
    within_s: float
    blows: tuple[tuple[str, ...], ...]  # faults, one after another; every other time it is any of the night's kinds


IN_ARMED = Moment(0.5, 2.5, (("read_back_lies",), ("vent_stuck_shut", "double_start"),
                             ("sensor_uncertain", "half_open")))  # fmt: skip
IN_RUN = Moment(0.6, 30.0, (("person_stops",), ("person_vents",)))
IN_HOLD = Moment(1.0, 3.0, (("slow_valve",),))  # before the vent opens and shuts amid a run
IN_TEST = Moment(0.5, 3.0, (("sensor_spike",), ("valve_passes", "sensor_spike"), ("vent_stuck_shut",)))
AS_SAFE = Moment(1.0, 2.5, (("sensor_spike",), ("noise",), ("inlet_stuck_open",), ("read_back_lies",)))
NEXT_WITHIN_S = 1.0
AWAY_S = (2.0, 50.0)
NEVER_S = 1e9


class RestNight(Night):
    def _hear(self, output: Output) -> None:
        super()._hear(output)
        if type(output) is not Event or self.storm.over:
            return
        data = dict(output.data)
        if output.kind == "words" and output.text == SAFE_TO_OPEN:
            self._strike_in(AS_SAFE)
            away_s = self.rng.uniform(*AWAY_S)
            self.crowd.go_away(away_s)
            self.later(away_s, partial(self.act, "reset"))
        elif output.kind == "isolation" and "takes_ns" in data:
            self._strike_in(IN_TEST)
        elif output.kind == "state" and data["to"] in (ARMED, RUNNING):
            self._strike_in(IN_ARMED if data["to"] == ARMED else IN_RUN)
        elif output.kind == "step" and type(self.swarm.profile.steps[data["step"]]) is Hold:
            self._strike_in(IN_HOLD)

    def _strike_in(self, moment: Moment) -> None:
        rng = self.rng
        if rng.random() >= moment.struck:
            return
        at_s = rng.uniform(0.0, moment.within_s)
        for kind in rng.choice(moment.blows) if rng.random() < 0.5 else (rng.choice(self.swarm.kinds),):
            self.later(at_s, partial(self._strike, kind))
            at_s += rng.uniform(0.0, NEXT_WITHIN_S)

    def _strike(self, kind: str) -> None:
        if not self.storm.over and not self.storm.is_active(kind):
            self.storm.strike(kind)


def play(seed: int) -> Report:
    """One night. Raises Violation, with the night as its `night`."""
    swarm = replace(draw_swarm(seed, tuple(KINDS)), bodies=("strong",), gap_s=NEVER_S)
    return play_night(RestNight(swarm, Seen()))
