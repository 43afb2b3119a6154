"""Checks of the walk that charge the rig: how fast the vent empties, whether transducers agree, what is isolated.

They use the same control loop and the same outputs as a test does. Every wait has an end; what did not happen by then
is judged failed and the rig made safe.
"""

from math import isfinite

from rigd.calc.exact.calibration import NAN
from rigd.calc.exact.rise import RiseMeter
from rigd.engine.outputs import SAFE, Wanted
from rigd.engine.pressure import PressureLoop
from rigd.engine.standing import NEAR, Sight, Standing
from rigd.engine.walk import (
    FAILED,
    PASSED,
    UNDECIDED,
    Check,
    HandsStep,
    InputsCheck,
    OutputsCheck,
    PocketsCheck,
    ReliefCheck,
    WatchdogCheck,
    kpa,
    ms,
)
from rigd.model import walk
from rigd.model.rig import Rig
from rigd.model.walk import CheckAgreement, CheckBladder, CheckIsolation, CheckVent

CLIMB_S = 10.0  # to climb to any pressure of the walk: slow for the iron, quick for people
REACH_NS = 60_000_000_000  # a pressure not reached by then is not reached
CHARGE_NS = 60_000_000_000
STILL_NS = 1_000_000_000  # after valves have moved, before anything is measured
AVERAGE_NS = 500_000_000
SEEN_STEPS = 20.0  # of the tank's transducer: a fall that small says nothing within 5 %
ONE_TIME_CONSTANT = 0.36787944117144233  # 1/e: what is left after it
ABOVE = 1.25  # of the charge, asked of the regulator with the supply shut: what leaks past the supply then shows


class Climb:
    """Up to a pressure: the feed first where the line stands under pressure, then evenly, by the control loop."""

    def __init__(self, rig: Rig, sight: Sight, pressure_pa: float) -> None:
        self.pressure_pa, self._rig = pressure_pa, rig
        self._began_ns = -1
        self._limit_ns = sight.t_ns + REACH_NS
        self._loop = PressureLoop(rig.control, sight.t_ns, 0.0)
        self._from_pa = 0.0
        self.reached = self.failed = False

    def follow(self, sight: Sight) -> Standing:
        here_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
        if self._began_ns < 0:
            if here_pa > sight.vent_limit_pa and sight.feed_pa < NEAR * here_pa:
                self.failed = sight.t_ns > self._limit_ns
                return Standing(wanted=Wanted(supply=True, vent_shut=True, set_point_pa=here_pa))
            self._began_ns, self._from_pa = sight.t_ns, here_pa
            self._loop = PressureLoop(self._rig.control, sight.t_ns, here_pa)
        climbed = (sight.t_ns - self._began_ns) / 1e9 / CLIMB_S
        target_pa = self._from_pa + (self.pressure_pa - self._from_pa) * (climbed if climbed < 1.0 else 1.0)
        self.reached = climbed >= 1.0 and here_pa >= NEAR * self.pressure_pa
        self.failed = not self.reached and sight.t_ns > self._limit_ns
        set_point_pa = self._loop.follow(sight, target_pa)
        wanted = Wanted(supply=True, inlet=True, vent_shut=True, set_point_pa=set_point_pa)
        return Standing(wanted=wanted, target_pa=target_pa)


class PressureCheck(Check):
    """A check that must leave the line empty."""

    def empty(self, sight: Sight, elapsed_ns: int) -> Standing:
        if sight.channels.all_below(self.rig.vent.limit_pa):
            return self.end()
        if elapsed_ns > self.rig.vent.timeout_ns:
            self.judge(sight, FAILED, "the pressure did not come down afterwards")
            return self.end()
        return Standing(wanted=SAFE)

    def not_reached(self, sight: Sight, pressure_pa: float) -> Standing:
        self.judge(sight, FAILED, f"{kpa(pressure_pa)} was not reached")
        self.enter("empty", sight)
        return Standing(wanted=SAFE)


class VentCheck(PressureCheck):
    check = "vent"
    step: CheckVent

    def __init__(self, step: CheckVent, rig: Rig, sight: Sight) -> None:
        super().__init__(step, rig, sight)
        self._climb = Climb(rig, sight, step.pressure_pa)
        self._from_pa = NAN
        self._last = (0, NAN)
        self.enter("climb", sight)

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        if self.phase == "climb":
            standing = self._climb.follow(sight)
            if self._climb.failed:
                return self.not_reached(sight, self.step.pressure_pa)
            if self._climb.reached:
                self.enter("isolate", sight)
                return Standing(wanted=Wanted(vent_shut=True))
            return standing
        if self.phase == "isolate":
            if elapsed_ns < STILL_NS or not isfinite(sight.pressure_pa):
                return Standing(wanted=Wanted(vent_shut=True))
            self._from_pa = sight.pressure_pa
            self._last = (sight.t_ns, sight.pressure_pa)
            self.enter("fall", sight)
            return Standing(wanted=SAFE)
        if self.phase == "fall":
            return self._fall(sight, elapsed_ns)
        return self.empty(sight, elapsed_ns)

    def _fall(self, sight: Sight, elapsed_ns: int) -> Standing:
        """Until a 1/e of it is left; the moment is interpolated between the samples around it."""
        end_pa = ONE_TIME_CONSTANT * self._from_pa
        if sight.sampled and sight.sampled_ns > self.since_ns:
            (was_ns, was_pa), now_pa = self._last, sight.pressure_pa
            if now_pa <= end_pa:
                share = (was_pa - end_pa) / (was_pa - now_pa) if was_pa > now_pa else 1.0
                fall_ns = was_ns + int(share * (sight.sampled_ns - was_ns)) - self.since_ns
                self._tell(sight, fall_ns)
                self.enter("empty", sight)
                return Standing(wanted=SAFE)
            self._last = (sight.sampled_ns, now_pa)
        if elapsed_ns > self.step.fall_ns + STILL_NS:
            text = f"{kpa(sight.pressure_pa)} of {kpa(self._from_pa)} left after {ms(elapsed_ns)}"
            self.judge(sight, FAILED, text)
            self.enter("empty", sight)
        return Standing(wanted=SAFE)

    def _tell(self, sight: Sight, fall_ns: int) -> None:
        """In time, and no slower than on other days: a vent that silts up is seen before it is too slow."""
        step = self.step
        trend, usual, told = self.against_trend(sight, step.trend, float(fall_ns), both_ways=False)
        verdict = PASSED if fall_ns <= step.fall_ns and trend != FAILED else FAILED
        text = f"from {kpa(self._from_pa)} to a 1/e of it in {ms(fall_ns)}, {ms(step.fall_ns)} allowed; {usual}"
        self.judge(
            sight, verdict, text, fall_ns=fall_ns, from_pa=self._from_pa, asked_pa=step.pressure_pa, **told
        )  # fmt: skip


class AgreementCheck(PressureCheck):
    check, guards = "agreement", False
    step: CheckAgreement

    def __init__(self, step: CheckAgreement, rig: Rig, sight: Sight) -> None:
        super().__init__(step, rig, sight)
        self._left = list(step.pressures_pa)
        self._climb = Climb(rig, sight, self._left.pop(0))
        self._sums = (0.0, 0.0, 0)
        self.enter("climb", sight)

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        if self.phase == "empty":
            return self.empty(sight, elapsed_ns)
        standing = self._climb.follow(sight)
        if self.phase == "climb":
            if self._climb.failed:
                return self.not_reached(sight, self._climb.pressure_pa)
            if self._climb.reached:
                self.enter("settle", sight)
                self._sums = (0.0, 0.0, 0)
            return standing
        if elapsed_ns < self.step.settle_ns:
            return standing
        a_pa, b_pa = sight.channels.good(sight.channels.primary), sight.channels.good(sight.channels.second)
        if sight.sampled and isfinite(a_pa + b_pa):
            first, second, count = self._sums
            self._sums = (first + a_pa, second + b_pa, count + 1)
        if elapsed_ns < self.step.settle_ns + AVERAGE_NS or not self._sums[2]:
            return standing
        return self._compare(sight, standing)

    def _compare(self, sight: Sight, standing: Standing) -> Standing:
        first, second, count = self._sums
        apart_pa, at_pa = (first - second) / count, first / count
        verdict = PASSED if -self.step.limit_pa <= apart_pa <= self.step.limit_pa else FAILED
        text = f"{kpa(apart_pa)} apart at {kpa(at_pa)}, {kpa(self.step.limit_pa)} allowed"
        self.judge(sight, verdict, text, apart_pa=apart_pa, at_pa=at_pa)
        if not self._left:
            self.enter("empty", sight)
            return Standing(wanted=SAFE)
        self._climb = Climb(self.rig, sight, self._left.pop(0))
        self.enter("climb", sight)
        return standing._replace(judgement=self._found.pop(0))


class IsolationCheck(PressureCheck):
    """Rise test with the tank charged: past the inlet it would show in the shut specimen, past the supply valve in the
    tank, since the regulator is asked for more than stands there."""

    check = "isolation"
    step: CheckIsolation

    def __init__(self, step: CheckIsolation, rig: Rig, sight: Sight) -> None:
        super().__init__(step, rig, sight)
        vent = next((output for output in rig.outputs if output.role == "vent"), None)
        self._settle_ns = STILL_NS + (vent.read_back_ns if vent else 0)
        self._has_feed = sight.channels.feed >= 0
        self._line = RiseMeter(len(sight.channels.specimens), step.shut_ns)
        self._tank = RiseMeter(1, step.shut_ns)
        self.enter("charge", sight)

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        charge_pa = self.step.charge_pa
        if self.phase == "charge":
            if self._has_feed and not sight.feed_pa >= NEAR * charge_pa:
                if elapsed_ns > CHARGE_NS:
                    self.judge(sight, FAILED, f"the tank was not charged to {kpa(charge_pa)}")
                    return self.end()
                return Standing(wanted=Wanted(supply=True, set_point_pa=charge_pa))
            self.enter("rest", sight)
        if self.phase == "rest":
            if elapsed_ns >= STILL_NS and sight.channels.all_below(self.rig.vent.limit_pa):
                self.enter("shut", sight)
                return Standing(wanted=Wanted(vent_shut=True, set_point_pa=ABOVE * charge_pa))
            if elapsed_ns > self.rig.vent.timeout_ns:
                self.judge(sight, FAILED, "the vented line does not stay low beside a charged tank: the inlet leaks")
                return self.end()
            return Standing(wanted=Wanted(set_point_pa=charge_pa))
        if self.phase == "shut":
            return self._watch(sight, elapsed_ns - self._settle_ns)
        return self.empty(sight, elapsed_ns)

    def _watch(self, sight: Sight, counted_ns: int) -> Standing:
        channels = sight.channels
        wanted = Wanted(vent_shut=True, set_point_pa=ABOVE * self.step.charge_pa)
        if not channels.all_below(self.rig.vent.limit_pa):
            text = f"{kpa(sight.pressure_pa)} in the shut line: the inlet lets pressure past"
            self.judge(sight, FAILED, text, side="specimen")
            self.enter("empty", sight)
            return Standing(wanted=SAFE)
        if counted_ns >= 0:
            self._line.add(counted_ns, tuple([channels.good(at) for at in channels.specimens]))
            self._tank.add(counted_ns, (sight.feed_pa,))
        if counted_ns < self.step.shut_ns:
            return Standing(wanted=wanted)
        self._judge_rise(sight, "specimen", "past the inlet", self._line.rise_pa())
        if self._has_feed:
            self._judge_rise(sight, "tank", "past the supply valve", self._tank.rise_pa())
        else:
            self.judge(sight, UNDECIDED, "the supply valve: no channel shows the tank", side="tank")
        self.enter("empty", sight)
        return Standing(wanted=SAFE)

    def _judge_rise(self, sight: Sight, side: str, where: str, rise_pa: float) -> None:
        verdict = PASSED if rise_pa <= self.step.rise_pa else FAILED
        text = f"{where} {kpa(rise_pa)} in {ms(self.step.shut_ns)}, {kpa(self.step.rise_pa)} allowed"
        self.judge(sight, verdict, text, side=side, rise_pa=rise_pa)


class BladderCheck(PressureCheck):
    """Water is taken from the charged tank, supply shut; how much its pressure falls by it is its stiffness. A torn
    bladder, or one that has lost its gas, shows against the rig's own earlier walks (SAFETY S22). A rig that failed
    here is pressurised by no run until a walk finds it as usual again: who starts one looks it up."""

    check, guards = "bladder", False
    step: CheckBladder

    def __init__(self, step: CheckBladder, rig: Rig, sight: Sight) -> None:
        super().__init__(step, rig, sight)
        self._flow = next((at for at, channel in enumerate(rig.channels) if channel.role == "make_up_flow"), -1)
        self._before = self._after = (0.0, 0)
        self._taken_m3, self._last_ns = 0.0, 0
        self.enter("charge", sight)

    def go_on(self, sight: Sight, elapsed_ns: int) -> Standing:
        if self._flow < 0 or sight.channels.feed < 0:
            missing = "what is taken from it (role make_up_flow)" if self._flow < 0 else "its pressure (role feed)"
            self.judge(sight, UNDECIDED, f"not possible here: no channel shows {missing}")
            return self.end()
        still = Wanted(set_point_pa=self.step.charge_pa)
        match self.phase:
            case "charge":
                if sight.feed_pa >= NEAR * self.step.charge_pa:
                    self.enter("before", sight)
                elif elapsed_ns > CHARGE_NS:
                    self.judge(sight, FAILED, f"the tank was not charged to {kpa(self.step.charge_pa)}")
                    return self.end()
                return Standing(wanted=still._replace(supply=True))
            case "before":
                self._before = self._average(self._before, sight, elapsed_ns)
                if elapsed_ns >= STILL_NS + AVERAGE_NS:
                    self.enter("take", sight)
                    self._last_ns = sight.t_ns
                return Standing(wanted=still)
            case "take":
                flow = sight.channels.good(self._flow)
                if flow == flow:
                    self._taken_m3 += flow * ((sight.t_ns - self._last_ns) / 1e9)
                self._last_ns = sight.t_ns
                if elapsed_ns >= self.step.take_ns:
                    self.enter("after", sight)
                return Standing(wanted=still._replace(vent_shut=True, inlet=True))
            case "after":
                self._after = self._average(self._after, sight, elapsed_ns)
                if elapsed_ns >= STILL_NS + AVERAGE_NS:
                    self._tell(sight)
                    self.enter("empty", sight)
                return Standing(wanted=still._replace(vent_shut=True))
        return self.empty(sight, elapsed_ns)

    @staticmethod
    def _average(so_far: tuple[float, int], sight: Sight, elapsed_ns: int) -> tuple[float, int]:
        if elapsed_ns < STILL_NS or sight.feed_pa != sight.feed_pa:
            return so_far
        return so_far[0] + sight.feed_pa, so_far[1] + 1

    def _tell(self, sight: Sight) -> None:
        if not self._before[1] or not self._after[1] or not self._taken_m3 > 0.0:
            self.judge(sight, UNDECIDED, "no water was taken: nothing can be said of the bladder")
            return
        fall_pa = self._before[0] / self._before[1] - self._after[0] / self._after[1]
        if fall_pa < SEEN_STEPS * self.rig.channels[sight.channels.feed].resolution:
            text = f"too little water was taken to say: {1e6 * self._taken_m3:.0f} mL; open a drain for this check"
            self.judge(sight, UNDECIDED, text, taken_m3=self._taken_m3)
            return
        stiffness = fall_pa / self._taken_m3
        verdict, usual, told = self.against_trend(sight, self.step.trend, stiffness, both_ways=True)
        text = f"{kpa(fall_pa)} by {1e6 * self._taken_m3:.0f} mL taken; {usual}"
        self.judge(
            sight, verdict, text, stiffness_pa_per_m3=stiffness, taken_m3=self._taken_m3, fall_pa=fall_pa,
            asked_pa=self.step.charge_pa, take_ns=self.step.take_ns, **told,
        )  # fmt: skip


CHECK_STEPS = {
    walk.Hands: HandsStep,
    walk.CheckRelief: ReliefCheck,
    walk.CheckOutputs: OutputsCheck,
    walk.CheckWatchdog: WatchdogCheck,
    walk.CheckInputs: InputsCheck,
    walk.CheckVent: VentCheck,
    walk.CheckAgreement: AgreementCheck,
    walk.CheckIsolation: IsolationCheck,
    walk.CheckBladder: BladderCheck,
    walk.CheckPockets: PocketsCheck,
}
"""Shape of a step of the walk to what does it."""
