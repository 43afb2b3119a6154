"""The leak rules that run while a cap is turned, against published tables and against the rules that calc measures by.

Row numbers are those of the project's lists of check values; the source stands beside each check. *seen*, *memory* and
*computed* as in those lists.
"""

import math
from itertools import product

import numpy as np
import pytest

from rigd.calc import leak as measured
from rigd.calc.exact.leak import (
    LEAKING,
    TIGHT,
    UNDECIDED,
    Leak,
    Mark,
    Slope,
    combined,
    count_in,
    decide,
    from_catch,
    from_decay,
    from_drops,
    from_make_up,
    next_mark,
    number_in,
    onset_of,
    reproved_before,
)
from rigd.calc.stats import intervals

PSI = 8896443230521 / 1290320000  # Pa, from lbf and inch, both exact
ML_PER_MIN = 1e-6 / 60.0
NO_LEAK = Leak(0.0, 0.0)
ORDERS = ("ascending", "descending", "bisecting")


def turned(turns, onset, order, beyond=0, undecided=()):
    """The marks of a test of a seal that leaks from `onset` on."""
    marks: tuple[Mark, ...] = ()
    for _ in range(len(turns) + 1):
        at = next_mark(turns, marks, order, beyond)
        if at is None:
            return marks
        said = UNDECIDED if turns[at] in undecided else LEAKING if turns[at] >= onset else TIGHT
        marks = (*marks, Mark(turns[at], said))
    raise AssertionError("the marks never end")


@pytest.mark.parametrize("order", ORDERS)
def test_every_order_brackets_the_onset_between_neighbouring_marks(order):
    turns = tuple(n / 16 for n in range(1, 9))
    for onset in [n / 32 for n in range(1, 20)]:
        marks = turned(turns, onset, order)
        found = onset_of(marks, 1 / 64)
        assert len({mark.turns for mark in marks}) == len(marks), "no mark is judged twice"
        below, above = [t for t in turns if t < onset], [t for t in turns if t >= onset]
        assert found.last_tight_turns == (max(below) if below else None)
        assert found.first_leaking_turns == (min(above) if above else None)
        assert found.censoring == ("left" if not below else "right" if not above else "interval")
        assert found.low_turns == (max(below) - 1 / 64 if below else 0.0)
        assert found.high_turns == (min(above) + 1 / 64 if above else None)
        if order == "bisecting":
            assert len(marks) <= math.ceil(math.log2(len(turns) + 1)), "halved each time"


def test_cap_turns_of_six_specimens_give_the_tables_masses():
    """stats.md 5.7 (computed; lifelines agrees): (0,1/4] (1/4,1/2] (1/2,2] (1/2,2] (2,3] (1/2,2]: masses 1/6 1/6 1/2
    1/6. The specimen that leaks at the first mark is left-censored, from 0 (the trap that section names)."""
    turns, onsets = (0.25, 0.5, 2.0, 3.0), (0.2, 0.3, 1.0, 1.5, 2.5, 0.7)
    for order in ORDERS:
        found = [onset_of(turned(turns, onset, order), 0.0) for onset in onsets]
        assert found[0].censoring == "left" and found[0].low_turns == 0.0 and found[0].last_tight_turns is None
        told = intervals.distribution([f.low_turns for f in found], [f.high_turns for f in found])
        assert told.mass == pytest.approx([1 / 6, 1 / 6, 1 / 2, 1 / 6], abs=1e-6)


def test_undecided_and_never_leaking_specimens_give_the_tables_masses():
    """physics.md L10 (own EM and lifelines): [0,1/4] (1/4,1/2] (1/2,2] (1/2,3] (2,3] (3,inf): masses 1/6 1/6 1/4 1/4
    1/6. A mark that could not be decided, here 2 turns of the fourth, only leaves its interval wider."""
    turns = (0.25, 0.5, 2.0, 3.0)
    plans = ((0.2, ()), (0.4, ()), (1.0, ()), (1.0, (2.0,)), (2.5, ()), (9.0, ()))
    found = [onset_of(turned(turns, onset, "ascending", undecided=open_at), 0.0) for onset, open_at in plans]
    assert (found[3].low_turns, found[3].high_turns) == (0.5, 3.0)
    assert found[5].censoring == "right" and found[5].high_turns is None
    high = [math.inf if f.high_turns is None else f.high_turns for f in found]
    told = intervals.distribution([f.low_turns for f in found], high)
    assert told.mass == pytest.approx([1 / 6, 1 / 6, 1 / 4, 1 / 4, 1 / 6], abs=1e-4)


def test_the_rule_says_what_calc_says_for_any_marks():
    turns = (0.25, 0.5, 0.75)
    for said in product((TIGHT, LEAKING, UNDECIDED, None), repeat=3):
        marks = tuple(Mark(turn, verdict) for turn, verdict in zip(turns, said, strict=True) if verdict)
        decided = [(mark.turns, mark.verdict == LEAKING) for mark in marks if mark.verdict != UNDECIDED]
        found = onset_of(marks, 0.01)
        if not decided:
            assert found.censoring == "none" and found.low_turns is None
            continue
        same = intervals.find_onset(decided, 0.01)
        if isinstance(same, intervals.NoOnset):
            assert found.censoring == "not monotone" == same.reason and found.low_turns is None
            assert next_mark(turns, marks, "bisecting", 5) is None, "a contradiction ends the test"
            continue
        assert (found.censoring, found.last_tight_turns, found.first_leaking_turns, found.low_turns) == (
            same.censoring, same.last_tight_turns, same.first_leaking_turns, same.low_turns,
        )  # fmt: skip
        assert (math.inf if found.high_turns is None else found.high_turns) == same.high_turns


def test_marks_beyond_the_turn_over_are_tried_where_they_are_asked_for():
    turns = (1.0, 2.0, 3.0, 4.0, 5.0)
    assert [m.turns for m in turned(turns, 2.5, "ascending", beyond=1)] == [1.0, 2.0, 3.0, 4.0]
    assert [m.turns for m in turned(turns, 2.5, "ascending", beyond=9)] == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert [m.turns for m in turned(turns, 3.5, "descending", beyond=1)] == [5.0, 4.0, 3.0, 2.0]
    assert [m.turns for m in turned(turns, 2.5, "bisecting", beyond=1)][:3] == [3.0, 2.0, 4.0]
    assert not reproved_before("ascending", (Mark(1.0, TIGHT),)) and reproved_before("ascending", ())
    assert all(reproved_before(order, (Mark(1.0, LEAKING),)) for order in ("descending", "bisecting"))


def test_leaking_then_tight_at_a_larger_turn_is_no_onset():
    found = onset_of((Mark(0.25, LEAKING), Mark(0.5, TIGHT)), 0.01)
    assert found.censoring == "not monotone" and found.low_turns is None and found.high_turns is None
    assert onset_of((Mark(0.25, LEAKING), Mark(0.25, TIGHT)), 0.0).censoring == "not monotone"


def test_decided_as_calc_decides():
    # ISO 14253-1 (memory): one-sided 95 % is 1.645 u.
    words = {"accept": TIGHT, "reject": LEAKING, "undecided": UNDECIDED}
    for flow in np.linspace(0.5, 1.5, 401):
        assert decide(Leak(float(flow), 0.1), 1.0) == words[measured.judge_leak(float(flow), 0.1, 1.0)]
    assert combined((TIGHT, UNDECIDED, LEAKING)) == LEAKING
    assert combined((TIGHT, TIGHT)) == TIGHT
    assert combined((TIGHT, UNDECIDED)) == UNDECIDED == combined(())


def test_a_hole_of_a_tenth_of_a_millimetre_by_every_method():
    # L15 (computed): 0.1 mm, 40 psi, Cd .62: 6.868 mL/min.
    flow = 6.868 * ML_PER_MIN
    stiffness, seconds = Leak(4e-12, 4e-14), 30.0
    falls = Leak(flow / stiffness.flow, 0.0)
    assert from_decay(falls, NO_LEAK, stiffness).flow == pytest.approx(flow)
    fed = Leak(flow + stiffness.flow * -500.0 / seconds, 1e-10)  # 500 Pa lower at the end: less was fed
    assert from_make_up(fed, -500.0, 20.0, seconds, stiffness).flow == pytest.approx(flow)
    assert from_catch(Leak(flow * 998.2, 0.0)).flow == pytest.approx(flow)
    # L16 (seen): API 598: 16 drops a mL. L20 (AWWA, seen): five a second are a stream.
    assert from_drops(16, 60.0, 62.5e-9, 0.0).flow == pytest.approx(ML_PER_MIN)
    assert from_drops(301, 60.0, 62.5e-9, 0.0) is None and from_drops(300, 60.0, 62.5e-9, 0.0) is not None


def test_leaks_are_those_of_calc_with_their_uncertainty():
    rng = np.random.default_rng(6)
    for _ in range(200):
        c, cu, p, pu = rng.uniform(1e-12, 1e-11), rng.uniform(0, 1e-12), rng.normal(0, 300), rng.uniform(1, 50)
        same = measured.from_decay(p, pu, c, cu)
        assert from_decay(Leak(p, pu), NO_LEAK, Leak(c, cu)) == pytest.approx((same.m3_per_s, same.u_m3_per_s))
        fed, fed_u = rng.uniform(0, 1e-7), rng.uniform(0, 1e-9)
        same = measured.from_make_up(fed * 30, fed_u * 30, 30.0, p, pu, c)
        assert from_make_up(Leak(fed, fed_u), p, pu, 30.0, Leak(c, 0.0)) == pytest.approx(
            (same.m3_per_s, same.u_m3_per_s), abs=1e-15
        )
        drops = int(rng.integers(0, 100))
        same = measured.from_drops(drops, 30.0, 5e-8, 4e-9)
        assert from_drops(drops, 30.0, 5e-8, 4e-9) == pytest.approx((same.m3_per_s, same.u_m3_per_s))
    same = measured.from_scale(1e-3, 1e-5, 900.0, 293.15)
    assert from_catch(Leak(1e-3 / 900, 1e-5 / 900)).flow == pytest.approx(same.m3_per_s, rel=1e-5)


def test_what_a_tight_body_loses_by_itself_is_taken_off_and_stays_unsure():
    # A body that creeps by 10 Pa/s, and leaks by as much again: the leak is found, but not with 95 % behind it.
    found = from_decay(Leak(20.0, 0.1), Leak(10.0, 0.1), Leak(4e-12, 0.0))
    assert found.flow == pytest.approx(4e-11) and found.u == pytest.approx(4e-11, rel=1e-3)
    assert decide(found, 1e-11) == UNDECIDED
    assert decide(from_decay(Leak(200.0, 0.1), Leak(10.0, 0.1), Leak(4e-12, 0.0)), 1e-11) == LEAKING


def test_slope_is_the_line_of_calc():
    # GUM H.3 through calc.leak.fit_fall, which is held to the published line.
    rng = np.random.default_rng(7)
    times = np.arange(60) * 50_000_000
    values = 2.068e5 - 12.0 * times / 1e9 + rng.normal(0, 40, 60)
    slope = Slope()
    for t_ns, value in zip(times, values, strict=True):
        slope.add(int(t_ns), float(value))
    fall, u = measured.fit_fall(times / 1e9, values, resolution_pa=43.0)
    assert slope.slope(43.0) == pytest.approx((-fall, u), rel=1e-6)
    assert slope.mean == pytest.approx(values.mean()) and slope.lowest == values.min()
    assert slope.mean_u(0.0) == pytest.approx(values.std(ddof=1) / math.sqrt(60))
    assert Slope().slope(1.0) is None and math.isnan(Slope().mean)


@pytest.mark.parametrize(
    ("text", "number", "count"),
    [("12", 12.0, 12), (" 0.25 ", 0.25, None), ("-3", -3.0, None), ("1,5", None, None), ("many", None, None),
     ("nan", None, None), ("inf", None, None), ("1e400", None, None), ("", None, None), ("0", 0.0, 0)],
)  # fmt: skip
def test_numbers_that_people_type(text, number, count):
    assert number_in(text) == number and count_in(text) == count
