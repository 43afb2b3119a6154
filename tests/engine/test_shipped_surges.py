"""A station of the shipped surge rig runs the shipped surge profiles from the fill to the last cycle.

The plant of the bench is a toy; the simulator has a better one. What is shown here is that the files that ship, read by
`files`, are work for the engine as they stand.
"""

import pytest

from rigd.files.load import find, load_profile, load_rig
from rigd.model.messages import Cycle
from rigd.model.stations import of_station

SPAN = 16000 / 300  # counts of a transducer for each psi


@pytest.fixture
def station_bench(bench_of, demo_rig, demo_profile):
    """A bench whose channels and outputs go by role, at one station of the surge rig."""
    kind = type(bench_of(demo_profile, demo_rig))

    class StationBench(kind):
        supply, back = 145.0, 1

        def counts(self):
            psi = {"specimen": self.a, "feed": self.tank, "supply": self.supply, "held_peak": self.a}
            switches = {"wet": 1, "returned": self.back, **self.switches}
            found = []
            for at, channel in enumerate(self.rig.channels):
                if channel.role in psi:
                    found.append(round(4000 + SPAN * psi[channel.role]))
                elif channel.role == "water_temperature":
                    found.append(2100)
                elif channel.role == "read_back":
                    found.append(next(self.outputs[o.name] for o in self.rig.outputs if o.read_back == at))
                else:
                    found.append(switches[channel.role])
            return tuple(found)

        def _physics(self):
            on = {o.role: self.outputs[o.name] == o.counts_energised for o in self.rig.outputs}
            set_point = next(self.outputs[o.name] / 100 for o in self.rig.outputs if o.role == "set_point")
            self.supply = 145.0  # a bottle of the burst bench stands higher
            if on["supply"]:
                self.tank += (set_point - self.tank) * 0.3
            if not on["vent"]:
                self.a *= 0.7
            elif on["inlet"] or on["air"]:
                self.a += (self.tank - self.a) * 0.6
            elif on["fill"]:
                self.a = min(self.a + 1.0, 15.0)

    def make(profile: str, station: int):
        rig = of_station(load_rig(find("demo-surge", "rig")), station).rig
        return StationBench(rig, load_profile(find(profile, "profile")))

    return make


@pytest.mark.parametrize(("profile", "station"), [("cyclic-surge", 3), ("surge-air-over-water", 1)])
def test_the_shipped_profiles_run_to_their_last_cycle(station_bench, profile, station):
    bench = station_bench(profile, station)
    bench.to_running()
    for _ in range(60):
        bench.seconds(10.0)
        if bench.engine.state == "VENTED":
            if bench.engine.done or (bench.engine.questions.prompt is None and not bench.engine.view().paused):
                break
            bench.answer_all()
            if bench.engine.view().paused:  # an inspection between two blocks
                bench.seconds(1.0)
                bench.act("arm"), bench.act("start")
    result = bench.finish("nothing")
    assert (result.outcome, result.verdict) == ("run_out", "accept" if profile == "cyclic-surge" else "none")
    cycles = [said for said in bench.said if type(said) is Cycle]
    assert len(cycles) == 24 and all(cycle.valid and cycle.applied for cycle in cycles)
    assert {cycle.returned for cycle in cycles} == ({True} if profile == "cyclic-surge" else {None})
    air = [command for command in bench.said if getattr(command, "raises", False)
           and bench.rig.outputs[command.output].role == "air"]  # fmt: skip
    assert len(air) == (0 if profile == "cyclic-surge" else 24)


def test_a_stuck_indicator_gets_its_extra_cycle_and_then_a_person(station_bench):
    bench = station_bench("cyclic-surge", 2)
    bench.to_running()
    for _ in range(6000):
        bench.scan()
        cycles = [said for said in bench.said if type(said) is Cycle]
        bench.back = 0 if len(cycles) >= 2 else 1
        if bench.engine.view().paused:
            break
    assert [(c.extra, c.returned) for c in cycles] == [(False, True), (False, True), (False, False), (True, False)]
    assert bench.is_safe
