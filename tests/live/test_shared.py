"""What goes out at once and what waits for its record, where stations share an output."""

from types import SimpleNamespace

import pytest

from rigd.files.load import find, load_rig
from rigd.live.shared import Shared
from rigd.model.states import RUNNING, VENTING
from rigd.model.stations import of_station

RIG = load_rig(find("demo-surge", "rig"))
SET_POINT = next(at for at, output in enumerate(RIG.outputs) if output.role == "set_point")


class Bench:
    """Two running stations whose engines do nothing by themselves; `happened` is everything in order."""

    def __init__(self) -> None:
        self.happened: list[object] = []
        self.orders = [self.order(at) for at in range(2)]
        self.shared = Shared(RIG, self.orders, lambda output, counts: self.happened.append((output, counts)))
        for order in self.orders:
            self.shared.settle(order)
        self.happened.clear()

    def order(self, at: int) -> SimpleNamespace:
        doubt = SimpleNamespace(isolation_in_doubt=lambda now_ns: False)
        return SimpleNamespace(
            at=at, place=of_station(RIG, at + 1), standing=(),
            engine=SimpleNamespace(state=RUNNING, wants_hands=False, now_ns=0, interlocks=doubt),
            loop=SimpleNamespace(flush=lambda: self.happened.append(f"record of {at}")),
            tell_neighbours=lambda *told: self.happened.append(("neighbours of", at, *told)),
        )  # fmt: skip

    def asks(self, at: int, counts: int) -> list[object]:
        """One turn of a station in which it commands the set-point."""
        output = self.orders[at].place.outputs.index(SET_POINT)
        self.shared.drive(self.orders[at], output, counts)
        before = list(self.happened)
        self.shared.settle(self.orders[at])
        now, self.happened = self.happened, []
        assert now[: len(before)] == before
        return now


def test_what_raises_waits_for_the_record_of_whoever_caused_it() -> None:
    bench = Bench()
    assert bench.asks(0, 6000) == ["record of 0", (SET_POINT, 6000)]
    assert bench.asks(1, 8000) == [], "what one body must not see none is given"
    assert bench.asks(1, 4000) == [(SET_POINT, 4000)], "what lowers goes out in the middle of the turn"
    assert bench.asks(1, 0) == ["record of 1", (SET_POINT, 6000)], "a command to safe that raises the others'"


@pytest.mark.parametrize("lowest", [0, 1])
def test_a_station_that_stops_running_gives_way_in_the_same_order(lowest: int) -> None:
    bench = Bench()
    bench.asks(lowest, 4000)
    bench.asks(1 - lowest, 7000)
    bench.orders[lowest].engine.state = VENTING
    bench.shared.settle(bench.orders[lowest])
    assert bench.happened[:2] == [f"record of {lowest}", (SET_POINT, 7000)]
    assert ("neighbours of", 1 - lowest, 1, False) in bench.happened[2:]


def test_doubt_about_a_valve_makes_what_is_shared_safe_for_all() -> None:
    bench = Bench()
    bench.asks(0, 6000)
    bench.orders[1].engine.state = VENTING
    bench.orders[1].engine.interlocks.isolation_in_doubt = lambda now_ns: True
    bench.shared.settle(bench.orders[1])
    assert bench.happened[0] == (SET_POINT, 0)
