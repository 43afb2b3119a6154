"""One look at the closure under pressure: what was measured and seen in it, and whether it was tight.

Filled sample by sample and answer by answer while the pressure stands; judged once. A method without sound numbers is
undecided, never tight: a meter beyond its range, a scale that was lost, a number nobody could read.
"""

from math import sqrt

from rigd.calc.exact.leak import (
    LEAKING,
    TIGHT,
    UNDECIDED,
    Leak,
    Slope,
    combined,
    count_in,
    decide,
    from_catch,
    from_decay,
    from_drops,
    from_make_up,
    number_in,
)
from rigd.engine.channels import Channels
from rigd.engine.standing import Sight
from rigd.engine.turn_prompts import CAUGHT, DROPS, EYE
from rigd.model.leak import SEEN, CapTurns, LeakMethod, Turn
from rigd.model.messages import Scalar
from rigd.model.rig import Channel, Rig

NO_FALL = Leak(0.0, 0.0)
BAD_SHARE = 0.2  # of a dwell for which a channel may have been without a good value, else its method is undecided
ROOT_3 = sqrt(3.0)
NO_CHANNEL = -1


def channel_of(rig: Rig, role: str) -> int:
    for at, channel in enumerate(rig.channels):
        if channel.role == role:
            return at
    return NO_CHANNEL


class Gauges:
    """The channels a look measures with."""

    __slots__ = ("catch", "flow", "pressure", "rig")

    def __init__(self, rig: Rig, channels: Channels) -> None:
        self.rig, self.pressure = rig, channels.primary
        self.flow, self.catch = channel_of(rig, "make_up_flow"), channel_of(rig, "catch")

    def of(self, at: int) -> Channel:
        return self.rig.channels[at]


class Stiffness:
    """dV/dp at the test pressure: rest a little below it, rise, stand at it; what was fed beyond the steady flow over
    what the pressure rose."""

    __slots__ = ("_before_ns", "_fed_m3", "_flow", "rest", "rest_flow", "rise_s", "stand", "stand_flow")

    def __init__(self) -> None:
        self.rest, self.rest_flow, self.stand, self.stand_flow = Slope(), Slope(), Slope(), Slope()
        self._fed_m3 = self.rise_s = self._flow = 0.0
        self._before_ns = -1

    def begin_rise(self, t_ns: int, flow: float) -> None:
        self._before_ns, self._flow = t_ns, flow

    def add_rise(self, t_ns: int, flow: float) -> None:
        """A good sample of the flow while the pressure rises."""
        elapsed_s = (t_ns - self._before_ns) / 1e9
        self._fed_m3 += (flow + self._flow) / 2.0 * elapsed_s
        self.rise_s += elapsed_s
        self._before_ns, self._flow = t_ns, flow

    def told(self, step_pa: float, pressure_step: float, flow_step: float) -> Leak | None:
        """[m3/Pa], None when the pressure did not rise as it should or nothing was fed."""
        if self.rest_flow.count < 2 or self.stand_flow.count < 2 or self.rise_s <= 0.0:
            return None
        rise_pa = self.stand.mean - self.rest.mean
        before, after = self.rest_flow.mean, self.stand_flow.mean
        fed = self._fed_m3 - (before + after) / 2.0 * self.rise_s
        if not rise_pa > 0.5 * step_pa or not fed > 0.0:
            return None
        by_drift = (after - before) / 2.0 / ROOT_3 * self.rise_s
        u_before, u_after = self.rest_flow.mean_u(flow_step), self.stand_flow.mean_u(flow_step)
        by_noise = sqrt(u_before * u_before + u_after * u_after) / 2.0 * self.rise_s
        fed_u = sqrt(by_drift * by_drift + by_noise * by_noise)
        u_low, u_high = self.rest.mean_u(pressure_step), self.stand.mean_u(pressure_step)
        rise_u = sqrt(u_low * u_low + u_high * u_high)
        share = sqrt((fed_u / fed) * (fed_u / fed) + (rise_u / rise_pa) * (rise_u / rise_pa))
        return Leak(fed / rise_pa, fed / rise_pa * share)


class Look:
    """`turn` None: a proof of tightness at zero turns."""

    __slots__ = (
        "_catch_at_ns", "_flow_at_ns", "_gauges", "_no_catch", "_no_flow", "_step", "answers", "fall", "fed", "gross",
        "marked", "mass", "pressure", "stiffness", "turn",
    )  # fmt: skip

    def __init__(self, step: CapTurns, gauges: Gauges, turn: Turn | None) -> None:
        self._step, self._gauges, self.turn = step, gauges, turn
        self.stiffness = Stiffness()
        self.pressure, self.fed, self.mass, self.fall = Slope(), Slope(), Slope(), Slope()
        self.answers: dict[str, str] = {}
        self.marked = False
        self.gross = ""  # in words, when the pressure itself said it
        self._flow_at_ns = self._catch_at_ns = self._no_flow = self._no_catch = 0

    def add(self, sight: Sight, phase: str) -> None:
        """A good sample of the pressure, and with it what else has come."""
        channels, at_ns, gauges = sight.channels, sight.sampled_ns, self._gauges
        flow, catch = channels.good(gauges.flow), channels.good(gauges.catch)
        new_flow = flow == flow and channels.good_ns[gauges.flow] != self._flow_at_ns
        if new_flow:
            self._flow_at_ns = channels.good_ns[gauges.flow]
        stiffness = self.stiffness
        match phase:
            case "rest":
                stiffness.rest.add(at_ns, sight.pressure_pa)
                if new_flow:
                    stiffness.rest_flow.add(self._flow_at_ns, flow)
                    stiffness.begin_rise(self._flow_at_ns, flow)
            case "rise":
                if new_flow:
                    stiffness.add_rise(self._flow_at_ns, flow)
            case "stand":
                stiffness.stand.add(at_ns, sight.pressure_pa)
                if new_flow:
                    stiffness.stand_flow.add(self._flow_at_ns, flow)
            case "dwell":
                self.pressure.add(at_ns, sight.pressure_pa)
                self._no_flow += flow != flow
                if new_flow:
                    self.fed.add(self._flow_at_ns, flow)
            case "shut":
                self.fall.add(at_ns, sight.pressure_pa)
        if phase not in ("dwell", "shut"):
            return
        self._no_catch += catch != catch
        if catch == catch and channels.good_ns[gauges.catch] != self._catch_at_ns:
            self._catch_at_ns = channels.good_ns[gauges.catch]
            self.mass.add(self._catch_at_ns, catch)

    # ---- judging

    def own_fall(self) -> Leak:
        """How fast the fully tightened body loses pressure by itself [Pa/s]; of a proof."""
        slope = self.fall.slope(self._gauges.of(self._gauges.pressure).resolution)
        return NO_FALL if slope is None else Leak(-slope.flow, slope.u)

    def compliance(self) -> Leak | None:
        """Measured dV/dp [m3/Pa], None when it is not known or softer than the profile allows for."""
        step, gauges = self._step, self._gauges
        if step.stiffness_step_pa <= 0.0 or gauges.flow == NO_CHANNEL:
            return None
        pressure_step, flow_step = gauges.of(gauges.pressure).resolution, gauges.of(gauges.flow).resolution
        found = self.stiffness.told(step.stiffness_step_pa, pressure_step, flow_step)
        return found if found is not None and found.flow <= step.stiffness_most_m3_per_pa else None

    def judge(self, own_fall: Leak) -> tuple[str, str, tuple[tuple[str, Scalar], ...]]:
        """(verdict, words, data) of this look."""
        data: list[tuple[str, Scalar]] = []
        verdicts, words = [], []
        compliance = self.compliance()
        if compliance is not None:
            data += [("compliance_m3_per_pa", compliance.flow), ("compliance_u_m3_per_pa", compliance.u)]
        if self.gross or self.marked:
            verdicts.append(LEAKING)
            words.append(self.gross or "marked as leaking by a person")
            data.append(("by", "pressure" if self.gross else "mark"))
        else:
            for method in self._step.methods:
                verdict, leak, said = self._by(method, compliance, own_fall)
                verdicts.append(verdict)
                words.append(said)
                data.append((method.kind, verdict))
                if method.kind == "eye":
                    data.append(("seen", self.answers.get(EYE)))
                if leak is not None:
                    data += [(f"{method.kind}_m3_per_s", leak.flow), (f"{method.kind}_u_m3_per_s", leak.u)]
        if self.pressure.count:
            data += [("pressure_pa", self.pressure.mean), ("lowest_pa", self.pressure.lowest)]
        verdict = combined(tuple(verdicts))
        if self.turn is None and verdict == UNDECIDED and TIGHT in verdicts:
            verdict = TIGHT  # no method saw a leak, and one is sure; what it loses by itself is the body's own
        return verdict, "; ".join(words), tuple(data)

    def _by(self, method: LeakMethod, compliance: Leak | None, own_fall: Leak) -> tuple[str, Leak | None, str]:
        if method.kind == "eye":
            return self._by_eye(method)
        leak = self._measured(method, compliance, own_fall)
        if leak is None:
            return UNDECIDED, None, f"{method.kind}: no sound number"
        verdict = decide(leak, method.limit_m3_per_s)
        if method.kind == "decay" and self.turn is None and verdict == LEAKING:
            verdict = UNDECIDED  # fully tight, nothing tells here whether the body creeps or the closure leaks
        return verdict, leak, f"{method.kind}: {verdict}"

    def _by_eye(self, method: LeakMethod) -> tuple[str, None, str]:
        seen = self.answers.get(EYE, "")
        if seen not in SEEN:
            return UNDECIDED, None, "eye: nobody said"
        leaks = SEEN.index(seen) >= SEEN.index(method.leaks_from)
        return (LEAKING if leaks else TIGHT), None, f"eye: {seen}"

    def _measured(self, method: LeakMethod, compliance: Leak | None, own_fall: Leak) -> Leak | None:
        match method.kind:
            case "make_up":
                return self._by_make_up(compliance)
            case "decay":
                slope = self.fall.slope(self._gauges.of(self._gauges.pressure).resolution)
                if slope is None or compliance is None:
                    return None
                own = own_fall if self.turn is not None else NO_FALL
                return from_decay(Leak(-slope.flow, slope.u), own, compliance)
            case "catch" if method.read_by == "channel":
                return self._by_scale()
            case "catch":
                grams = number_in(self.answers.get(CAUGHT, ""))
                if grams is None:
                    return None
                seconds = self._step.dwell_ns / 1e9
                return from_catch(Leak(grams / 1e3 / seconds, method.catch_u_kg / seconds))
        drops = count_in(self.answers.get(DROPS, ""))
        seconds = self._step.dwell_ns / 1e9
        return None if drops is None else from_drops(drops, seconds, method.drop_m3, method.drop_u_m3)

    def _by_make_up(self, compliance: Leak | None) -> Leak | None:
        pressure, fed, gauges = self.pressure, self.fed, self._gauges
        if compliance is None or fed.count < 3 or self._no_flow > BAD_SHARE * pressure.count:
            return None
        meter, gauge = gauges.of(gauges.flow), gauges.of(gauges.pressure)
        slope = pressure.slope(gauge.resolution)
        if slope is None:
            return None
        by_noise = fed.mean_u(meter.resolution)
        flow = Leak(fed.mean, sqrt(by_noise * by_noise + meter.accuracy * meter.accuracy))
        seconds = pressure.duration_s
        return from_make_up(flow, slope.flow * seconds, slope.u * seconds, seconds, compliance)

    def _by_scale(self) -> Leak | None:
        gauges = self._gauges
        whole = self.pressure.count + self.fall.count
        if self._no_catch > BAD_SHARE * whole:
            return None
        scale = gauges.of(gauges.catch)
        gain = self.mass.slope(scale.resolution)
        if gain is None:
            return None
        drift = scale.accuracy * sqrt(2.0) / self.mass.duration_s  # each end read wrongly by as much as it declares
        return from_catch(Leak(gain.flow, sqrt(gain.u * gain.u + drift * drift)))
