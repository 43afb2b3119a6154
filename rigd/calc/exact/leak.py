"""Leak rules that run while the cap is being turned: each leak with its uncertainty, tight or not, which mark is next.

The same arithmetic as `calc.leak` and `calc.stats.intervals`, which measure and check more; tests hold the two
together. Flows are volumes of water [m3/s]. A decay of pressure is not told apart here into leak, creep and warming
(`calc.decay` does that from the sealed trace): what the fully tightened body did by itself is taken off, and counts in
full as uncertainty.

**Onset** is an interval (last tight, first leaking], widened by the angle's own uncertainty; never a point. Marks that
could not be decided only leave it wider. Leaking at a mark and tight at the same or a larger one is *not monotone*:
then there is no onset.
"""

from math import floor, isfinite, sqrt
from typing import NamedTuple

TIGHT, LEAKING, UNDECIDED = "tight", "leaking", "undecided"
ONE_SIDED_95 = 1.6448536269514722  # quantile of the normal distribution
WATER_KG_PER_M3 = 998.2  # at 20 degC (IAPWS-95)
DENSITY_U = 0.003  # of it, for water from 5 to 35 degC
COUNT_U = 1.0 / sqrt(6.0)  # of drops that fall steadily: JCGM 100:2008 4.3.9, as calc.leak
MOST_DROPS_PER_S = 5.0  # five a second are a stream (AWWA, drinktap.org)
LARGEST_NUMBER = 1e9  # nobody reads a larger one from a scale


class Leak(NamedTuple):
    """Flow and its standard uncertainty [m3/s]."""

    flow: float
    u: float


class Mark(NamedTuple):
    """One judged turn."""

    turns: float
    verdict: str  # TIGHT, LEAKING or UNDECIDED


class OnsetInterval(NamedTuple):
    """What the marks say. Turns from the fully tightened mark; None where open or unknown."""

    censoring: str  # "interval", "left" (the first judged mark leaked), "right" (none leaked), "not monotone", "none"
    last_tight_turns: float | None
    first_leaking_turns: float | None
    low_turns: float | None  # widened by the angle's uncertainty
    high_turns: float | None


def onset_of(marks: tuple[Mark, ...], angle_u_turns: float) -> OnsetInterval:
    """The interval that holds the onset. Marks at 0 turns are proofs of tightness and do not belong here."""
    last_tight = first_leaking = None
    for turns, verdict in marks:
        if verdict == TIGHT and (last_tight is None or turns > last_tight):
            last_tight = turns
        if verdict == LEAKING and (first_leaking is None or turns < first_leaking):
            first_leaking = turns
    if last_tight is None and first_leaking is None:
        return OnsetInterval("none", None, None, None, None)
    if last_tight is not None and first_leaking is not None and last_tight >= first_leaking:
        return OnsetInterval("not monotone", last_tight, first_leaking, None, None)
    low = 0.0 if last_tight is None or last_tight < angle_u_turns else last_tight - angle_u_turns
    high = None if first_leaking is None else first_leaking + angle_u_turns
    censoring = "left" if last_tight is None else "right" if first_leaking is None else "interval"
    return OnsetInterval(censoring, last_tight, first_leaking, low, high)


def next_mark(turns: tuple[float, ...], marks: tuple[Mark, ...], order: str, beyond: int) -> int | None:
    """Index of the next mark to judge, None when the onset is bracketed or the list is done.

    `turns` rise; no mark is judged twice. `beyond` further marks are judged on the far side of the turn-over: above the
    first leaking one, in descending order below the last tight one. A contradiction ends it.
    """
    if onset_of(marks, 0.0).censoring == "not monotone":
        return None
    judged = [mark.turns for mark in marks]
    left = [at for at, turn in enumerate(turns) if turn not in judged]
    if not left:
        return None
    leaking = [mark.turns for mark in marks if mark.verdict == LEAKING]
    tight = [mark.turns for mark in marks if mark.verdict == TIGHT]
    if order == "descending":
        if not tight:
            return left[-1]
        past = [mark for mark in marks if mark.turns < tight[0]]
        return left[-1] if len(past) < beyond else None
    if order == "ascending" and not leaking:
        return left[0]
    if order == "bisecting":
        between = [
            at for at in left if (not leaking or turns[at] < min(leaking)) and (not tight or turns[at] > max(tight))
        ]
        if between:
            return between[len(between) // 2]
    if not leaking:
        return None
    past = [mark for mark in marks if mark.turns > min(leaking)]
    above = [at for at in left if turns[at] > min(leaking)]
    return above[0] if above and len(past) < beyond else None


def reproved_before(order: str, marks: tuple[Mark, ...]) -> bool:
    """Whether the cap is tightened and proved tight again before the next mark: always at the start, and each time
    where marks do not only grow."""
    return not marks or order != "ascending"


def decide(leak: Leak, limit_m3_per_s: float) -> str:
    """Tight or leaking only with 95 % behind it, one-sided (guard band as ISO 14253-1 has it; from memory)."""
    guard = ONE_SIDED_95 * leak.u
    if leak.flow + guard <= limit_m3_per_s:
        return TIGHT
    return LEAKING if leak.flow - guard > limit_m3_per_s else UNDECIDED


def combined(verdicts: tuple[str, ...]) -> str:
    """One leak seen by any method is a leak; tight needs them all."""
    if LEAKING in verdicts:
        return LEAKING
    return TIGHT if verdicts and all(verdict == TIGHT for verdict in verdicts) else UNDECIDED


def from_decay(fall: Leak, own_fall: Leak, stiffness: Leak) -> Leak:
    """From how fast the pressure fell, less what the fully tightened body lost by itself [Pa/s]; stiffness [m3/Pa].

    What it lost by itself was creep and warming of that dwell, and this dwell's are about as large: all of it counts as
    uncertainty too. Continuity: leak = (dV/dp)(-dp/dt). Uncertainty by JCGM 100:2008 5.1.
    """
    net = fall.flow - own_fall.flow
    unsure = sqrt(fall.u * fall.u + own_fall.u * own_fall.u + own_fall.flow * own_fall.flow)
    by_fall, by_stiffness = stiffness.flow * unsure, net * stiffness.u
    return Leak(stiffness.flow * net, sqrt(by_fall * by_fall + by_stiffness * by_stiffness))


def from_make_up(fed: Leak, rise_pa: float, rise_u_pa: float, duration_s: float, stiffness: Leak) -> Leak:
    """From the mean flow fed [m3/s] while the pressure rose by so much: what is stored did not leak."""
    stored = stiffness.flow * rise_pa / duration_s
    by_rise, by_stiffness = stiffness.flow * rise_u_pa / duration_s, stiffness.u * rise_pa / duration_s
    return Leak(fed.flow - stored, sqrt(fed.u * fed.u + by_rise * by_rise + by_stiffness * by_stiffness))


def from_catch(kg_per_s: Leak) -> Leak:
    """From how fast a scale gains [kg/s]."""
    flow = kg_per_s.flow / WATER_KG_PER_M3
    by_scale, by_density = kg_per_s.u / WATER_KG_PER_M3, flow * DENSITY_U
    return Leak(flow, sqrt(by_scale * by_scale + by_density * by_density))


def from_drops(drops: int, duration_s: float, drop_m3: float, drop_u_m3: float) -> Leak | None:
    """From drops counted; None when they fell faster than anybody counts: catch and weigh a stream."""
    rate = drops / duration_s
    if drops < 0 or rate > MOST_DROPS_PER_S:
        return None
    by_count, by_drop = COUNT_U * drop_m3 / duration_s, rate * drop_u_m3
    return Leak(rate * drop_m3, sqrt(by_count * by_count + by_drop * by_drop))


def number_in(text: str) -> float | None:
    """A plain number a person typed, None when it is none."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if isfinite(value) and -LARGEST_NUMBER < value < LARGEST_NUMBER else None


def count_in(text: str) -> int | None:
    """A whole number of things a person typed, at least 0."""
    value = number_in(text)
    return floor(value) if value is not None and value >= 0.0 and value == floor(value) else None


class Slope:
    """A straight line through samples as they come: mean, slope and the slope's standard uncertainty.

    Least squares, with the noise left over and two readings' steps (JCGM 100:2008 H.3), as `calc.leak.fit_fall`.
    Values are taken about the first, so that a small change of a large number keeps its digits.
    """

    __slots__ = ("_first", "_n", "_origin_ns", "_st", "_stt", "_stv", "_sv", "_svv", "last_ns", "lowest")

    def __init__(self) -> None:
        self._n = self._origin_ns = self.last_ns = 0
        self._first = self.lowest = 0.0
        self._st = self._sv = self._stt = self._stv = self._svv = 0.0

    def add(self, t_ns: int, value: float) -> None:
        """A good sample."""
        if self._n == 0:
            self._origin_ns, self._first, self.lowest = t_ns, value, value
        self.last_ns = t_ns
        self.lowest = value if value < self.lowest else self.lowest
        t_s, v = (t_ns - self._origin_ns) / 1e9, value - self._first
        self._n += 1
        self._st += t_s
        self._sv += v
        self._stt += t_s * t_s
        self._stv += t_s * v
        self._svv += v * v

    @property
    def count(self) -> int:
        return self._n

    @property
    def duration_s(self) -> float:
        return (self.last_ns - self._origin_ns) / 1e9

    @property
    def mean(self) -> float:
        """NaN before the first sample."""
        return self._first + self._sv / self._n if self._n else float("nan")

    def mean_u(self, step: float) -> float:
        """Of the mean: scatter about it, and the step of the instrument, which no mean makes smaller."""
        if self._n < 2:
            return float("inf")
        scatter = (self._svv - self._sv * self._sv / self._n) / (self._n - 1)
        scatter = scatter if scatter > 0.0 else 0.0
        return sqrt(scatter / self._n + step * step / 12.0)

    def slope(self, step: float) -> Leak | None:
        """Change a second, None with fewer than three samples."""
        if self._n < 3:
            return None
        n, spread = self._n, self._stt - self._st * self._st / self._n
        if spread <= 0.0:
            return None
        slope = (self._stv - self._st * self._sv / n) / spread
        left = self._svv - self._sv * self._sv / n - slope * slope * spread
        left = left if left > 0.0 else 0.0
        steps = 2.0 * step * step / 12.0 / (self.duration_s * self.duration_s)
        return Leak(slope, sqrt(left / (n - 2) / spread + steps))
