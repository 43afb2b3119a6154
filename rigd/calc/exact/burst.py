"""When has the body let go? Rules over the stream of the primary specimen channel, sample by sample.

Two signs come from the trace; the third, the operator's mark, comes from a person.

* *pressure_fall*: the pressure stands below its own highest by more than `drop_pa`, `drop_fraction` of it and six
  times the noise of the last samples, and the feed (the tank that pushes) has not fallen by as much: what the tank
  shares is the supply's doing, not the body's. A second transducer, where there is one, must have fallen too: a dying
  sensor falls alone. A fall by a fifth of the highest is believed at once, a smaller one when three samples show it.
* *not_following*: the feed stands above the specimen by more than `lag_pa` for `lag_ns`. Water runs through the inlet
  only to where there is room, so the ramp goes on and the body does not follow. Without a feed channel the pressure
  called for takes its place. A second transducer must see it too. Trapped air takes water in the same way until it is
  small, so a body that has not yet followed above three atmospheres is given more time.

A third finding, *supply_lag*, is no sign of failure: the feed itself stays behind what is called for.

The onset is the last sample that still stood: less than an eighth of the fall's threshold below the highest, and less
than half of `lag_pa` behind the feed. `calc.burst` finds the same with arrays; a test holds the two together.
"""

from math import sqrt

from rigd.calc.exact.calibration import NAN
from rigd.calc.exact.head import WATER_DENSITY_20C
from rigd.model.profile import FailureSigns

PRESSURE_FALL, NOT_FOLLOWING, SUPPLY_LAG = "pressure_fall", "not_following", "supply_lag"

STANDING_FRACTION = 0.125  # of the fall's threshold: a sample less far down still counts as standing
CLEAN_FRACTION = 0.5  # of the lag's threshold
CONFIRM_FRACTION = 0.5  # of a sign's threshold: the second transducer may see a little less at the same instant
DEEP_FRACTION = 0.2  # of the highest: no noise of a working transducer does this
DEEP_TIMES = 3.0  # the fall's threshold: at low pressure a fifth of it is little
FALL_SAMPLES = 3  # in a row for a fall that is not deep
NOISE_WINDOW = 32  # samples whose noise counts now
NOISE_TIMES = 6.0  # standard deviations: both transducers that far down, three times in a row, is no chance
COLLAPSE_PER_S = 1.0  # falling so fast that all of the pressure were gone within a second is a collapse
FOLLOWS_FROM_PA = 303_975.0  # three atmospheres: trapped air has shrunk to a quarter by then
UNFOLLOWED_NS = 10_000_000_000  # a body that never followed for this long is not only full of air
SUPPLY_LAG_NS = 2_000_000_000  # a regulator's hiccup is over sooner; a supply that is late this long will not catch up
SUPPLY_LAG_TIMES = 3.0  # lag_pa: a regulator is slower than water through an open inlet, above all as it starts
DISCHARGE = 0.62  # of a sharp-edged hole
NOISE_BAND = 4.0  # standard deviations; with 4 all of the simulated seeds lay inside (checks/physics.md section 6)


class BurstWatch:
    """Feed it each good sample of the primary channel in order; it answers with a sign or nothing.

    After it has answered with a sign, `onset_pa` and `onset_ns` name the last sample that stood, `gap_ns` the longer of
    the sampling gaps beside it, and `highest_pa` the maximum so far. `shared_pa` is the pressure at the last sample
    since the onset that had fallen with the feed, NaN for none: the body may have let go as late as there.
    """

    __slots__ = (
        "_before",
        "_before_onset_ns",
        "_behind_ns",
        "_bends",
        "_bends_at",
        "_bends_total",
        "_drop_fraction",
        "_drop_pa",
        "_falling",
        "_feed_highest",
        "_followed",
        "_lag_ns",
        "_lag_pa",
        "_last",
        "_late_ns",
        "_previous_ns",
        "_second_highest",
        "_seen",
        "after_onset_ns",
        "fall_pa",
        "highest_pa",
        "onset_ns",
        "onset_pa",
        "shared_fall",
        "shared_pa",
    )

    def __init__(self, signs: FailureSigns) -> None:
        self._drop_pa, self._drop_fraction = signs.drop_pa, signs.drop_fraction
        self._lag_pa, self._lag_ns = signs.lag_pa, signs.lag_ns
        self.highest_pa = self._feed_highest = self._second_highest = -1e30
        self.onset_pa = self.fall_pa = 0.0
        self.onset_ns = self.after_onset_ns = self._before_onset_ns = self._previous_ns = -1
        self._behind_ns = self._late_ns = -1
        self._falling = self._seen = self._bends_at = 0
        self._before = self._last = self._bends_total = 0.0
        self._bends = [0.0] * NOISE_WINDOW  # running totals of the squared bends, as they stood a window ago
        self.shared_fall = self._followed = False
        self.shared_pa = NAN

    def add(self, t_ns: int, pressure_pa: float, second_pa: float, feed_pa: float, target_pa: float) -> str:
        """One sample [ns, Pa]. `second_pa` and `feed_pa` are NaN where there is no good value; `target_pa` is what is
        called for. Returns PRESSURE_FALL, NOT_FOLLOWING, SUPPLY_LAG or ""."""
        if pressure_pa > self.highest_pa:
            self.highest_pa = pressure_pa
        if second_pa > self._second_highest:
            self._second_highest = second_pa
        if feed_pa > self._feed_highest:
            self._feed_highest = feed_pa
        has_feed = feed_pa == feed_pa
        ahead_pa = feed_pa if has_feed else target_pa
        behind = ahead_pa - pressure_pa
        threshold = self._fall_threshold(pressure_pa)
        fall = self.highest_pa - pressure_pa
        sign = ""
        if fall > threshold:
            if self._is_own_fall(fall, threshold, second_pa, feed_pa):
                sign = PRESSURE_FALL
            elif self.shared_fall:
                self.shared_pa = pressure_pa
        else:
            self._falling = 0
            self.shared_fall = False
        if self._is_behind(t_ns, behind, ahead_pa - second_pa) and not sign:
            sign = NOT_FOLLOWING
        if self._is_late(t_ns, target_pa - feed_pa) and not sign:
            sign = SUPPLY_LAG
        if not sign and fall < STANDING_FRACTION * threshold and behind < CLEAN_FRACTION * self._lag_pa:
            self.onset_pa = pressure_pa
            self._before_onset_ns = self._previous_ns
            self.onset_ns = t_ns
            self.after_onset_ns = -1
            self.shared_pa = NAN
            if pressure_pa > FOLLOWS_FROM_PA:
                self._followed = True
        elif self.after_onset_ns < 0:
            self.after_onset_ns = t_ns
        self._previous_ns = t_ns
        return sign

    def _fall_threshold(self, pressure_pa: float) -> float:
        """How far below the highest counts as a fall now [Pa]; takes the sample into the noise of those to come."""
        at = self._bends_at
        window = self._bends_total - self._bends[at]
        threshold = self._drop_fraction * self.highest_pa
        if threshold < self._drop_pa:
            threshold = self._drop_pa
        if NOISE_TIMES * NOISE_TIMES * window > threshold * threshold * (6.0 * NOISE_WINDOW):
            threshold = NOISE_TIMES * sqrt(window / (6.0 * NOISE_WINDOW))
        self._bends[at] = self._bends_total
        self._bends_at = at + 1 if at + 1 < NOISE_WINDOW else 0
        if self._seen >= 2:
            bend = self._before - 2.0 * self._last + pressure_pa
            self._bends_total += bend * bend
        else:
            self._seen += 1
        self._before, self._last = self._last, pressure_pa
        return threshold

    def _is_own_fall(self, fall: float, threshold: float, second_pa: float, feed_pa: float) -> bool:
        """Whether a fall is the body's own, and deep or long enough to be believed."""
        self.fall_pa = fall
        feed_fall = self._feed_highest - feed_pa if feed_pa == feed_pa else 0.0
        self.shared_fall = fall - feed_fall <= threshold
        unseen = self._second_highest - second_pa <= CONFIRM_FRACTION * threshold
        if self.shared_fall or unseen:
            self._falling = 0
            return False
        self._falling += 1
        is_deep = fall > DEEP_FRACTION * self.highest_pa and fall > DEEP_TIMES * threshold
        return is_deep or self._falling >= FALL_SAMPLES

    def _is_behind(self, t_ns: int, behind: float, second_behind: float) -> bool:
        if not behind > self._lag_pa or second_behind <= CONFIRM_FRACTION * self._lag_pa:
            self._behind_ns = -1
            return False
        if self._behind_ns < 0:
            self._behind_ns = t_ns
            return False
        return t_ns - self._behind_ns >= (self._lag_ns if self._followed else UNFOLLOWED_NS)

    def _is_late(self, t_ns: int, late_pa: float) -> bool:
        if not late_pa > SUPPLY_LAG_TIMES * self._lag_pa:
            self._late_ns = -1
            return False
        if self._late_ns < 0:
            self._late_ns = t_ns
            return False
        return t_ns - self._late_ns >= SUPPLY_LAG_NS

    @property
    def gap_ns(self) -> int:
        """The longer of the two sampling gaps beside the onset sample [ns]; 0 when it has no neighbours."""
        if self.onset_ns < 0:
            return 0
        before = self.onset_ns - self._before_onset_ns if self._before_onset_ns >= 0 else 0
        after = self.after_onset_ns - self.onset_ns if self.after_onset_ns >= 0 else 0
        return before if before > after else after


def trace_class_of(sign: str, fall_pa: float, highest_pa: float, latency_ns: int, supply_is_low: bool) -> str:
    """Class of the trace (model.verdicts.TRACE_CLASSES) when `sign` ended the ramp, `latency_ns` after the onset."""
    if sign == SUPPLY_LAG:
        return "supply_exhausted" if supply_is_low else "plateau"
    if sign == PRESSURE_FALL and fall_pa > COLLAPSE_PER_S * highest_pa * (latency_ns / 1e9):
        return "collapse"
    return "slow_loss"


def unnoticed_opening_m2(inlet_m3_per_s_pa: float, lag_pa: float, pressure_pa: float) -> float:
    """The largest opening in a body that the rig feeds through its inlet without noticing [m2].

    It passes no more than the inlet does with `lag_pa` [Pa] across it, Q = k*sqrt(dp) with k = `inlet_m3_per_s_pa`;
    sharp-edged hole, water of 20 degC at `pressure_pa` [Pa], above 0. Source: orifice equation Q = Cd*A*sqrt(2*dp/rho)
    with Cd = 0.62 (common practice, as in checks/physics.md L15).
    """
    return opening_m2(inlet_m3_per_s_pa * sqrt(lag_pa), pressure_pa)


def opening_m2(flow_m3_per_s: float, pressure_pa: float) -> float:
    """The sharp-edged hole [m2] that passes this flow of water of 20 degC at this pressure [Pa], above 0; source as
    `unnoticed_opening_m2`."""
    return flow_m3_per_s / (DISCHARGE * sqrt(2.0 * pressure_pa / WATER_DENSITY_20C))


class Bounds:
    """What a failure pressure may be wrong by, on both sides, all in Pa and not less than zero.

    missed_pa is the transducer's lag and, on average, half a sampling gap; correction_pa, added to the raw onset
    sample, is that and half of what the sample already stood below the highest (sagged_pa). up_pa is how far the
    truth may lie above the corrected value, down_pa below. bias_pa is what noise adds to a maximum on average.
    """

    __slots__ = ("correction_pa", "down_pa", "missed_pa", "up_pa")

    def __init__(
        self,
        *,
        rate_pa_per_s: float,
        gap_ns: int,
        tau_ns: int,
        latency_ns: int,
        resolution_pa: float,
        noise_pa: float,
        bias_pa: float,
        sagged_pa: float,
    ) -> None:
        gap_pa = rate_pa_per_s * (gap_ns / 1e9)
        lag_pa = rate_pa_per_s * (tau_ns / 1e9)
        latency_pa = rate_pa_per_s * (latency_ns / 1e9)
        grain_pa = resolution_pa / 2.0 + NOISE_BAND * noise_pa
        self.missed_pa = lag_pa + gap_pa / 2.0
        self.correction_pa = self.missed_pa + sagged_pa / 2.0
        self.up_pa = gap_pa + lag_pa + grain_pa + latency_pa + sagged_pa / 2.0
        self.down_pa = gap_pa / 2.0 + lag_pa + grain_pa + bias_pa + latency_pa + sagged_pa / 2.0

    @property
    def bound_pa(self) -> float:
        """The larger side."""
        return self.up_pa if self.up_pa > self.down_pa else self.down_pa
