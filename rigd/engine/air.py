"""The air check: a filled body takes a little more water, and how softly it takes it tells how much air is in it.

By meter the inlet feeds it from one pressure to the next, and what the meter counted between two rests is the volume.
By strokes the line is shut, a person gives strokes of a hand pump from behind the guard, and each adds one known
volume. A rest at each pressure lets bubbles give off their heat. What the meter shows at rest (its own zero, a leak, a
body that creeps) is taken off, and what it changed by counts as uncertainty.

Too much air, or too little known of it: the line is vented, people bleed it, it is filled and checked again, so often
as the profile says. A body with gas in it is a pressure vessel of gas, so nothing here guesses in its favour.
"""

from math import sqrt

from rigd.calc.exact.air import ATMOSPHERE_PA, Foot, FreeAir, Point, body_between, foot_of, free_air, judge
from rigd.engine.outputs import Wanted
from rigd.engine.pressure import PressureLoop
from rigd.engine.questions import Question
from rigd.engine.standing import DONE, ENDS, LOST, NEAR, PAUSE, Sight, Standing
from rigd.model.air import METER, AirCheck
from rigd.model.messages import Judgement, Scalar
from rigd.model.rig import Channel, Rig

BUILD_NS = 30_000_000_000  # longest for a rise beyond its ramp: then it leaks, or there is more air than water
REST_NS = 3_000_000_000  # for which pressure and volume are averaged
SHUT_NS = 1_000_000_000  # in which the fill valve has surely shut
DRAIN_NS = 20_000_000_000  # longest until the line is at zero again once the mains are shut
METERED_SHARE = 0.9  # of the samples in which the meter must have been good
ROOT_3 = sqrt(3.0)
STEP_U = 1.0 / sqrt(12.0)  # of one count: rectangular, JCGM 100:2008 4.3.7
FLOW = "make_up_flow"

BLEED, DRAIN, CHARGE, RISE, SETTLE, REST, STROKE = "bleed", "drain", "charge", "rise", "settle", "rest", "stroke"


class Rest:
    """One pressure stood at: means over the rest."""

    __slots__ = ("added_m3", "count", "flow", "flows", "pressure_pa", "t_ns")

    def __init__(self) -> None:
        self.count = self.flows = 0
        self.pressure_pa = self.added_m3 = self.flow = self.t_ns = 0.0

    def add(self, t_ns: int, pressure_pa: float, added_m3: float, flow: float) -> None:
        self.count += 1
        share = 1.0 / self.count
        self.pressure_pa += (pressure_pa - self.pressure_pa) * share
        self.added_m3 += (added_m3 - self.added_m3) * share
        self.t_ns += (t_ns - self.t_ns) * share
        if flow == flow:
            self.flows += 1
            self.flow += (flow - self.flow) / self.flows


class AirStep:
    def __init__(self, step: AirCheck, rig: Rig, sight: Sight) -> None:
        self._step, self._rig = step, rig
        roles = [channel.role for channel in rig.channels]
        self._meter = roles.index(FLOW) if FLOW in roles else -1
        self._primary = rig.channels[sight.channels.primary]
        self._can_fill = any(output.role == "fill" for output in rig.outputs)
        self._tries = 0
        self._gave_way = False
        self._begin(sight)

    def _begin(self, sight: Sight) -> None:
        self._tries += 1
        self._rests: tuple[Rest, ...] = ()
        self._rest = Rest()
        self._given, self._asked = 0, False  # strokes
        self._fed_m3, self._flow, self._flow_at_ns = 0.0, 0.0, -1
        self._samples = self._metered = 0
        by_meter = self._step.added_by == METER
        self._since_ns = sight.clock_ns
        if by_meter:
            self._enter(CHARGE if sight.pressure_pa > sight.vent_limit_pa else RISE, sight)
        else:
            self._enter(SETTLE, sight)

    def resume(self, sight: Sight) -> None:
        """After the bleeding: fill again. After a neighbour's hands the body is as full as it was."""
        if self._can_fill and not self._gave_way:
            self._enter(BLEED, sight)
        else:
            self._begin(sight)

    def answer(self, question: Question, value: str, person: str) -> None:
        """A stroke is given. What hands did in a pause needs no number."""
        del question, value, person
        if self._phase == STROKE:
            self._given += 1
            self._asked = False

    def advance(self, sight: Sight) -> Standing:
        if sight.hands:
            return self._give_way()
        if sight.sampled:
            self._take(sight)
        match self._phase:
            case "bleed" | "drain":
                return self._refill(sight)
            case "charge":
                return self._charge(sight)
            case "rise":
                return self._raise(sight)
            case "stroke":
                return self._stroke(sight)
        return self._stand(sight)

    # ---- phases

    def _enter(self, phase: str, sight: Sight) -> None:
        self._phase, self._since_ns = phase, sight.clock_ns
        if phase == RISE:
            self._from_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
            if not self._rests:
                self._loop = PressureLoop(self._rig.control, sight.t_ns, self._from_pa)

    def _refill(self, sight: Sight) -> Standing:
        """By the mains through the open vent, and shut at zero: a full body is so stiff that mains on it when the vent
        shuts would take it to their own pressure at once."""
        step, elapsed_ns = self._step, sight.clock_ns - self._since_ns
        if self._phase == BLEED:
            if elapsed_ns >= step.bleed_ns:
                self._enter(DRAIN, sight)
            return Standing(wanted=Wanted(fill=True))
        if elapsed_ns >= SHUT_NS and sight.pressure_pa <= sight.vent_limit_pa:
            self._begin(sight)
            return Standing(wanted=Wanted(vent_shut=True))
        if elapsed_ns > DRAIN_NS:
            return self._lost("the line did not come down after the bleeding")
        return Standing(wanted=Wanted())

    def _charge(self, sight: Sight) -> Standing:
        """Bring the feed up to the body's pressure before the inlet opens: else the body would empty into the tank."""
        here_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
        if not sight.feed_pa < NEAR * here_pa:
            self._enter(RISE, sight)
        elif sight.clock_ns - self._since_ns > BUILD_NS:
            return self._lost("the feed did not come up to the body's pressure")
        return Standing(wanted=Wanted(supply=True, vent_shut=True, set_point_pa=here_pa))

    def _fed(self, sight: Sight, target_pa: float) -> Standing:
        set_point_pa = self._loop.follow(sight, target_pa)
        wanted = Wanted(supply=True, inlet=True, vent_shut=True, set_point_pa=set_point_pa)
        return Standing(wanted=wanted, target_pa=target_pa)

    def _raise(self, sight: Sight) -> Standing:
        step, elapsed_s = self._step, (sight.clock_ns - self._since_ns) / 1e9
        aim_pa = step.pressures_pa[len(self._rests)]
        by_s = (aim_pa - self._from_pa) / step.ramp_pa_per_s
        if elapsed_s >= by_s and sight.pressure_pa >= NEAR * aim_pa:
            self._enter(SETTLE, sight)
        elif elapsed_s > by_s + BUILD_NS / 1e9:
            return self._lost("the pressure of the air check was not reached")
        target_pa = aim_pa if elapsed_s >= by_s else self._from_pa + step.ramp_pa_per_s * elapsed_s
        return self._fed(sight, target_pa)

    def _stroke(self, sight: Sight) -> Standing:
        standing = Standing(wanted=Wanted(vent_shut=True))
        if self._given >= len(self._rests):
            self._enter(SETTLE, sight)
        elif not self._asked:
            self._asked = True
            number, of = self._given + 1, self._step.strokes
            text = f"Air check: give stroke {number} of {of} with the hand pump, from behind the guard, then confirm"
            question = Question("confirm", text, "", timeout_ns=self._step.answer_ns, to_step=True)
            return standing._replace(questions=(question,))
        return standing

    def _stand(self, sight: Sight) -> Standing:
        """Settle, then rest; after the last rest the air is worked out."""
        step, by_meter = self._step, self._step.added_by == METER
        elapsed_ns = sight.clock_ns - self._since_ns
        standing = Standing(wanted=Wanted(vent_shut=True))
        if by_meter:
            standing = self._fed(sight, step.pressures_pa[len(self._rests)])
        if self._phase == SETTLE:
            if elapsed_ns >= step.settle_ns:
                self._rest = Rest()
                self._enter(REST, sight)
            return standing
        if elapsed_ns < REST_NS or not self._rest.count:
            return standing
        self._rests = (*self._rests, self._rest)
        owed = len(step.pressures_pa) if by_meter else step.strokes + 1
        if len(self._rests) < owed:
            self._enter(RISE if by_meter else STROKE, sight)
            return standing
        return self._conclude(sight)

    def _give_way(self) -> Standing:
        """A neighbour gets the chamber at once: a rest may last half an hour, and half a check tells nothing. It is no
        try, and is begun again."""
        self._gave_way = self._phase not in (BLEED, DRAIN)
        if self._gave_way:
            self._tries -= 1
        return Standing(wanted=Wanted(), word=PAUSE, said="a neighbour needs hands in the chamber", is_safe_point=True)

    def _lost(self, said: str) -> Standing:
        return Standing(wanted=Wanted(), word=LOST, said=said)

    # ---- measuring

    def _take(self, sight: Sight) -> None:
        channels = sight.channels
        flow = channels.good(self._meter)
        is_new = flow == flow and channels.good_ns[self._meter] != self._flow_at_ns
        if self._rests or self._phase == REST:  # from the first rest on all that flows is counted
            self._samples += 1
            self._metered += flow == flow
            if is_new and self._flow_at_ns >= 0:
                self._fed_m3 += (flow + self._flow) / 2.0 * ((channels.good_ns[self._meter] - self._flow_at_ns) / 1e9)
        if is_new:
            self._flow, self._flow_at_ns = flow, channels.good_ns[self._meter]
        if self._phase == REST:
            by_meter = self._step.added_by == METER
            added_m3 = self._fed_m3 if by_meter else self._given * self._step.stroke_m3
            self._rest.add(sight.sampled_ns, sight.pressure_pa, added_m3, flow)

    def _found(self, sight: Sight) -> FreeAir:
        """Free air of this try."""
        step, rig, primary = self._step, self._rig, self._primary
        first, last = self._rests[0], self._rests[-1]
        drift = volume_u = 0.0
        if step.added_by == METER:
            if self._metered < METERED_SHARE * self._samples or not first.flows or not last.flows:
                return FreeAir("the meter was without a good value", *(float("nan"),) * 4)
            drift, volume_u = self._at_rest(rig.channels[self._meter], first, last)
        points = []
        for rest in self._rests:
            at_rest_m3 = drift * (rest.t_ns - first.t_ns) / 1e9
            points.append(Point(rest.pressure_pa + rig.ambient_pa, rest.added_m3 - first.added_m3 - at_rest_m3))
        foot = None
        if step.body_most_m3_per_pa > 0.0:
            water = self._water_m3(sight)
            if water is None:
                return FreeAir("the volume of the specimen is not known", *(float("nan"),) * 4)
            foot = foot_of(water, self._body(sight))
        return free_air(
            tuple(points), pressure_u_pa=primary.resolution * STEP_U, zero_u_pa=self._zero_u_pa,
            volume_u_m3=volume_u, volume_scale_u=step.volume_u, foot=foot,
        )  # fmt: skip

    @property
    def _zero_u_pa(self) -> float:
        """Of all absolute pressures together: the transducer's declared accuracy as a rectangular half-width (JCGM
        100:2008 4.3.7), and for one that counts from the air around also the air pressure it is added to."""
        by_accuracy = self._primary.accuracy / ROOT_3
        by_air = self._rig.ambient_u_pa if self._primary.reference == "gauge" else 0.0
        return sqrt(by_accuracy * by_accuracy + by_air * by_air)

    def _at_rest(self, meter: Channel, first: Rest, last: Rest) -> tuple[float, float]:
        """What the meter shows while nothing rises [m3/s], and what its change and its counts leave of doubt [m3]."""
        lasted_s = (last.t_ns - first.t_ns) / 1e9
        by_drift = (last.flow - first.flow) / 2.0 / ROOT_3 * lasted_s
        by_count = meter.resolution * STEP_U * REST_NS / 1e9
        return (first.flow + last.flow) / 2.0, sqrt(by_drift * by_drift + by_count * by_count)

    def _body(self, sight: Sight) -> Foot:
        """How much the body grows: as measured and written in its file, else anywhere between the profile's bounds."""
        step, specimen = self._step, sight.specimen
        if specimen is not None and specimen.stretch_u_m3_per_pa > 0.0:
            return Foot(specimen.stretch_m3_per_pa, specimen.stretch_u_m3_per_pa)
        return body_between(step.body_least_m3_per_pa, step.body_most_m3_per_pa)

    def _water_m3(self, sight: Sight) -> float | None:
        if sight.specimen is None or sight.specimen.volume_m3 <= 0.0:
            return None
        total = sight.specimen.volume_m3
        for volume in self._rig.volumes:
            if volume.gas_m3 <= 0.0:
                total += volume.water_m3
        return total

    def _conclude(self, sight: Sight) -> Standing:
        step, found = self._step, self._found(sight)
        verdict = "measured" if not step.most_m3 and not found.why else judge(found, step.most_m3)
        judgement = self._judgement(sight, found, verdict)
        if verdict in ("passed", "measured") or not step.most_m3:
            return Standing(
                wanted=Wanted(vent_shut=True), word=DONE, trace_class="air_checked", said=judgement.text,
                judgement=judgement,
            )  # fmt: skip
        if self._tries >= step.tries:
            said = f"{judgement.text}; no try is left"
            return Standing(wanted=Wanted(), word=ENDS, trace_class="air_left", said=said, judgement=judgement)
        self._gave_way = False
        questions = tuple(
            Question("confirm", text, "", timeout_ns=step.hands_ns, to_step=True, hands=True)
            for text in step.bleed_prompts
        )
        return Standing(
            wanted=Wanted(), word=PAUSE, said=f"{judgement.text}: bleed it", judgement=judgement, questions=questions,
            is_safe_point=True,
        )  # fmt: skip

    def _judgement(self, sight: Sight, found: FreeAir, verdict: str) -> Judgement:
        step = self._step
        data: list[tuple[str, Scalar]] = [("try", self._tries), ("points", len(self._rests)), ("why", found.why)]
        if found.why:
            words = f"free air not known: {found.why}"
        else:
            top_pa = self._rests[-1].pressure_pa + self._rig.ambient_pa
            data += [
                ("free_air_m3", found.air_m3), ("free_air_u_m3", found.air_u_m3), ("reference_pa", ATMOSPHERE_PA),
                ("foot_m3_per_pa", found.foot_m3_per_pa), ("foot_u_m3_per_pa", found.foot_u_m3_per_pa),
                ("compliance_m3_per_pa", found.compliance(top_pa)), ("compliance_at_pa", self._rests[-1].pressure_pa),
            ]  # fmt: skip
            words = f"free air {1e6 * found.air_m3:.2f} mL, standard uncertainty {1e6 * found.air_u_m3:.2f} mL"
        if step.most_m3:
            data.append(("most_m3", step.most_m3))
            words += f", at most {1e6 * step.most_m3:g} mL allowed"
        return Judgement(
            seq=sight.seq, t_ns=sight.t_ns, step=sight.at, number=self._tries, kind="air", verdict=verdict,
            text=f"air check {self._tries}: {verdict} ({words})", data=tuple(data),
        )  # fmt: skip
