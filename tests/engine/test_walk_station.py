"""The commissioning walk of one station of the simulated surge rig, the others guarded beside it.

What it checks is told in `test_walk`; here it is shown that the shipped walk of a surge rig fits its rig, that a
neighbour's engine does not keep the relay fed while the walk is silent, and that a person who leaves the mains open is
told so. The figures are invented.
"""

import pytest

from rigd.calc.exact.days import DAY_NS, day_number
from rigd.files.load import find, load_profile, load_rig
from rigd.model.messages import Event, Judgement
from rigd.model.specimen import Specimen
from rigd.model.states import SAFE_TO_OPEN
from rigd.model.stations import of_station
from rigd.model.walk import CHECKS
from simulator.open_invariants import OpeningWatch
from simulator.stations import Mounted, Nothing, StationsWorld
from simulator.surge_bench import SurgeBench
from simulator.world import Names

STATION = 2
RIG = load_rig(find("demo-surge", "rig"))
PROFILE = load_profile(find(RIG.walk, "profile"))
BLANK = Specimen(id="blank", facts=(("mounting", "plug"),), volume_m3=0.0)
UTC_NS = (day_number(RIG.relief.tested) + 100) * DAY_NS


class Walk(StationsWorld):
    def __init__(self, bench: SurgeBench) -> None:
        self.watch, self.judgements, self.words = OpeningWatch(of_station(RIG, STATION).rig), [], []
        names = Names(run=1, utc_ns=UTC_NS, version="0")
        walked = Mounted(specimen=BLANK, names=names, builder=Nothing())
        super().__init__(RIG, PROFILE, bench, tuple(walked if at == STATION - 1 else None for at in range(4)))
        self.run()
        self.result = self.runs[0].result

    def turned(self, at, message, said) -> None:
        if at != STATION - 1:
            return
        self.watch.turned(message, said)
        self.judgements += [one for one in said if type(one) is Judgement]
        self.words += [one.text for one in said if type(one) is Event and one.kind == "words"]

    def of(self, check: str) -> list[Judgement]:
        return [one for one in self.judgements if dict(one.data)["check"] == check]


def bench_of(*faults: str) -> SurgeBench:
    return SurgeBench(RIG, seed=5, bodies=("strong",) * 4, faults=faults)


def test_a_sound_station_passes_every_check_and_may_be_opened():
    walk = Walk(bench_of())
    assert walk.result.outcome == "commissioned", walk.result
    passed = {check for check in CHECKS if walk.of(check) and all(j.verdict == "passed" for j in walk.of(check))}
    assert passed == set(CHECKS) - {"bladder"}
    outputs = [dict(j.data)["output"] for j in walk.of("outputs")]
    own = [f"{role}_valve_{STATION}" for role in ("inlet", "air", "vent", "fill")]
    assert sorted(outputs) == sorted([*own, "supply_valve"])
    drop_ns = dict(walk.of("watchdog")[0].data)["drop_out_ns"]
    assert RIG.watchdog_ns <= drop_ns <= RIG.watchdog_ns + 50_000_000, "a neighbour fed the relay"
    assert walk.words[-1] == SAFE_TO_OPEN and walk.watch.safe_said


@pytest.mark.parametrize("wrong", ["mains", "vent"])
def test_what_is_wrong_ends_the_walk_before_anything_is_charged(wrong):
    bench = bench_of()
    if wrong == "mains":
        bench.turn_mains = lambda is_open: None  # the person says that it is done
    else:
        bench.stick_valve("vent", 0.0, STATION)
    walk = Walk(bench)
    (failed,) = [j for j in walk.judgements if j.verdict == "failed"]
    assert dict(failed.data)["check"] == "outputs" and walk.result.outcome == "not_commissioned"
    words = "mains are not shut by hand" if wrong == "mains" else f"vent_valve_{STATION} does not follow"
    assert words in failed.text
    assert not walk.of("vent") and bench.feed_pa < RIG.vent.limit_pa
