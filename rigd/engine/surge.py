"""A surge after a surge: water, charge, shot, blow-down, drain and return, rest.

Each phase ends by what is measured, where something can be: the shot begins when the charge stands, the blow-down ends
when every specimen channel is below its limit, the return when the moving part is back. Only rise, hold, drain and rest
go by the clock, and only the rest stands still while somebody holds: a surge that was begun is finished first, because
the pressure is safest when it is gone. A held, unheld, stopped or paused program is therefore always between surges.
"""

from rigd.calc.exact.cycle import FEWEST_SAMPLES, CycleMeter, share_of
from rigd.engine.cycles import CycleCount
from rigd.engine.outputs import Wanted
from rigd.engine.pressure import PressureLoop
from rigd.engine.questions import Question
from rigd.engine.standing import DONE, ENDS, NEAR, PAUSE, Sight, Standing
from rigd.model.messages import Cycle
from rigd.model.profile import MovingPart, Surge
from rigd.model.rig import Rig

CHARGE_NS = 30_000_000_000  # longest time for a charge: a supply that needs more is empty, or somebody else's
SHUT_NS = 150_000_000  # the vent is told to shut this long before the shot: solenoid valves take a third of it
SETTLED_LAGS = 3  # time constants of the transducer after which back pressure is believed
SEEN_LOW = 2  # samples in a row without back pressure: one may be a spike
FEED_FOR_SHARE = 0.2  # of the charge: with less behind it a share of the feed says nothing
BAND = 0.02  # of the pressure asked for: an on/off valve opens this far below and shuts this far above

WATER, CHARGE, SHOT, BLOW_DOWN, RETURN, REST = "water", "charge", "shot", "blow-down", "return", "rest"


class SurgeStep:
    def __init__(self, step: Surge, rig: Rig, sight: Sight) -> None:
        self._step, self._rig, self._tau_ns = step, rig, rig.channels[sight.channels.primary].tau_ns
        self.tally = CycleCount(step, sight.carried)
        self._meter = CycleMeter(step.pressure_pa, step.threshold_pa)
        self._loop = PressureLoop(rig.control, sight.t_ns, step.charge_pa)
        self._gas_next = step.medium == "air over water"
        self._extra = self._assisted = self._valve_open = False
        self._extras_in_a_row = 0
        self._block = self.tally.block
        self._enter(WATER, sight)

    def resume(self, sight: Sight) -> None:
        """After a pause: the next surge."""
        self._enter(WATER, sight)
        self._block = self.tally.block

    def advance(self, sight: Sight) -> Standing:
        match self._phase:
            case "water":
                return self._water(sight)
            case "charge":
                return self._charge(sight)
            case "shot":
                return self._shot(sight)
            case "blow-down":
                return self._blow_down(sight)
            case "return":
                return self._return(sight)
        return self._rest(sight)

    def feel(self, sight: Sight) -> None:
        """The run has ended amid a surge: what stands at the specimen while it is vented is felt, and only that it was
        felt is taken from it. The first call is of the moment of the cut."""
        if self._phase not in (SHOT, BLOW_DOWN):
            return
        if self._cut_ns < 0:
            self._cut_ns = sight.t_ns
        is_new = sight.sampled and sight.sampled_ns != self._felt_ns
        if not is_new or sight.t_ns - self._cut_ns > self._step.blow_down_ns:
            return
        self._felt_ns = sight.sampled_ns
        self._felt_samples += 1
        for pa in (sight.pressure_pa, sight.channels.good(sight.channels.held_peak)):
            if pa > self._felt_pa:
                self._felt_pa = pa

    def cut_short(self, seq: int, t_ns: int, *, seen: bool = True) -> Cycle | None:
        """The surge under way, if there is one, as the partial cycle it is. Not `seen`: a shot went on and nobody
        looked, so the body is held to have felt it."""
        if self._phase not in (SHOT, BLOW_DOWN, RETURN):
            return None
        cycle = self._cycle_of(seq, t_ns, None, None, partial=True, lost=not seen and self._phase == SHOT)
        self.tally.add(cycle, float("nan"))
        self._phase = REST
        return cycle

    # ---- phases

    def _enter(self, phase: str, sight: Sight) -> None:
        self._phase, self._since_ns, self._clock_ns = phase, sight.t_ns, sight.clock_ns

    @property
    def _open(self) -> Wanted:
        """Vented and isolated, the charge being made ready behind the release valve."""
        return Wanted(supply=True, set_point_pa=self._step.charge_pa)

    def _water(self, sight: Sight) -> Standing:
        step = self._step
        if sight.sampled:
            self._meter.rest(sight.sampled_ns, sight.pressure_pa)
        if step.water_ns and sight.t_ns - self._since_ns < step.water_ns:
            return Standing(wanted=self._open._replace(fill=True))
        self._enter(CHARGE, sight)
        return Standing(wanted=self._open)

    def _charge(self, sight: Sight) -> Standing:
        """Shut the vent and wait for the charge."""
        step, elapsed_ns = self._step, sight.t_ns - self._since_ns
        if sight.sampled:
            self._meter.rest(sight.sampled_ns, sight.pressure_pa)
        if (
            elapsed_ns >= SHUT_NS
            and not sight.feed_pa < NEAR * step.charge_pa
            and sight.pressure_pa == sight.pressure_pa
        ):
            return self._release(sight)
        if elapsed_ns > CHARGE_NS:
            return Standing(
                wanted=Wanted(), word=ENDS, trace_class="supply_exhausted", said="the charge pressure was not reached"
            )
        return Standing(wanted=self._open._replace(vent_shut=True))

    def _release(self, sight: Sight) -> Standing:
        self._enter(SHOT, sight)
        self.tally.released += 1
        self._released_ns = sight.t_ns
        self._charge_pa = sight.feed_pa if sight.feed_pa == sight.feed_pa else None
        self._meter.begin()
        self._back_total = 0.0
        self._back_samples = self._seen_low = self._wet_seen = 0
        self._held_pa: float | None = None
        self._below_ns = self._returned_ns = self._cut_ns = self._felt_ns = -1
        self._felt_samples, self._felt_pa = 0, 0.0
        self._valve_open = True
        self._by_air = self._gas_next
        if self._step.medium == "alternating":
            self._gas_next = not self._gas_next
        return self._shooting(sight, 0)

    def _shooting(self, sight: Sight, since_ns: int) -> Standing:
        step = self._step
        target_pa = step.pressure_pa * share_of(step.shape, step.points, since_ns, step.rise_ns, step.hold_ns)
        set_point_pa, is_open = step.charge_pa, True
        if step.shot == "regulator":
            set_point_pa = self._loop.follow(sight, target_pa)
        elif step.shot == "valve":
            is_open = self._by_band(sight.pressure_pa, target_pa)
        wanted = Wanted(
            supply=True, vent_shut=True, inlet=is_open and not self._by_air, air=is_open and self._by_air,
            set_point_pa=set_point_pa,
        )  # fmt: skip
        return Standing(wanted=wanted, target_pa=target_pa)

    def _by_band(self, pressure_pa: float, target_pa: float) -> bool:
        """On/off control; a pressure that is not known shuts the valve."""
        band_pa = BAND * self._step.pressure_pa
        if not pressure_pa < target_pa + band_pa:
            self._valve_open = False
        elif pressure_pa < target_pa - band_pa:
            self._valve_open = True
        return self._valve_open

    def _shot(self, sight: Sight) -> Standing:
        step, since_ns = self._step, sight.t_ns - self._since_ns
        if sight.sampled:
            self._take(sight)
            sign = self._lost(sight, since_ns)
            if sign:
                return self._part_company(sight, sign)
        if since_ns >= step.release_ns + step.rise_ns + step.hold_ns:
            self._enter(BLOW_DOWN, sight)
            return Standing(wanted=self._open)
        return self._shooting(sight, since_ns)

    def _take(self, sight: Sight) -> None:
        self._meter.add(sight.sampled_ns, sight.pressure_pa, sight.feed_pa)
        held_pa = sight.channels.good(sight.channels.held_peak)
        if held_pa == held_pa and (self._held_pa is None or held_pa > self._held_pa):
            self._held_pa = held_pa

    def _lost(self, sight: Sight, since_ns: int) -> str:
        """A sign that the body has come apart, or ""."""
        step, channels = self._step, sight.channels
        if channels.good(channels.wet) == 0.0:
            self._wet_seen += 1
            if self._wet_seen >= SEEN_LOW:
                return "wet"
        if since_ns < step.release_ns + step.rise_ns + SETTLED_LAGS * self._tau_ns:
            return ""
        feed_pa = sight.feed_pa if sight.feed_pa == sight.feed_pa else step.charge_pa
        if feed_pa < FEED_FOR_SHARE * step.charge_pa:
            return ""
        share = sight.pressure_pa / feed_pa
        normal = self.tally.normal
        if normal is None:
            normal = step.pressure_pa * (1.0 - step.peak_tolerance) / step.charge_pa
        second_pa = channels.good(channels.second)
        if step.shape in ("sine", "points") or not (
            share < step.departure * normal and not second_pa / feed_pa >= step.departure * normal
        ):
            self._seen_low = 0
            self._back_total += share
            self._back_samples += 1
            return ""
        self._seen_low += 1
        return "back_pressure" if self._seen_low >= SEEN_LOW else ""

    def _part_company(self, sight: Sight, sign: str) -> Standing:
        cycle = self.cut_short(sight.seq, sight.t_ns, seen=self._held_pa is not None)  # a peak between two samples
        self.tally.failed_at = self.tally.released
        trace_class = "wet" if sign == "wet" else "no_back_pressure"
        said = "water beneath the specimen" if sign == "wet" else "no back pressure: a cap is gone or the body is open"
        return Standing(wanted=Wanted(), word=ENDS, trace_class=trace_class, sign=sign, said=said, cycle=cycle)

    def _blow_down(self, sight: Sight) -> Standing:
        step, since_ns = self._step, sight.t_ns - self._since_ns
        if sight.sampled:
            self._take(sight)
            self._look_at_part(sight)
            if sight.channels.all_below(step.blow_down_pa):
                self._blow_down_ns = sight.sampled_ns - self._since_ns
                self._enter(RETURN, sight)
                return Standing(wanted=self._open)
        if since_ns > step.blow_down_ns:
            cycle = self.cut_short(sight.seq, sight.t_ns)
            said = "the pressure did not come down after the surge"
            return Standing(wanted=Wanted(), word=ENDS, trace_class="no_blow_down", said=said, cycle=cycle)
        return Standing(wanted=self._open)

    def _look_at_part(self, sight: Sight) -> None:
        """From the pressure below its limit on: is the part back?"""
        part, channels = self._step.part, sight.channels
        if part is None or self._returned_ns >= 0:
            return
        if self._below_ns < 0:
            if not sight.pressure_pa < part.below_pa:
                return
            self._below_ns = sight.sampled_ns
        if part.sign == "switch":
            back = channels.good(channels.returned) == 1.0
        else:
            away_m = channels.good(channels.displacement)
            back = part.sign == "displacement" and -part.home_m <= away_m <= part.home_m
        if back:
            self._returned_ns = sight.sampled_ns

    def _return(self, sight: Sight) -> Standing:
        """Drain, and give the moving part its time."""
        step, part = self._step, self._step.part
        if sight.sampled:
            self._meter.rest(sight.sampled_ns, sight.pressure_pa)
            self._look_at_part(sight)
        drained = sight.t_ns - self._since_ns >= step.drain_ns
        waits = part is not None and part.sign != "trace" and self._returned_ns < 0
        if waits and (self._below_ns < 0 or sight.sampled_ns - self._below_ns < part.within_ns):
            drained = drained and sight.t_ns - self._since_ns > step.drain_ns + part.within_ns  # nobody can see it
        if not drained:
            return Standing(wanted=self._open)
        cycle = self._cycle_of(sight.seq, sight.t_ns, self._blow_down_ns, self._came_back(part), partial=False)
        back = self._back_total / self._back_samples if self._back_samples else float("nan")
        self.tally.add(cycle, back)
        return self._after(cycle, sight)

    def _came_back(self, part: MovingPart | None) -> bool | None:
        if part is None:
            return None
        if part.sign != "trace":
            return self._returned_ns >= 0
        normal_ns = self.tally.normal_blow_down_ns
        return normal_ns is None or self._blow_down_ns <= part.slow * normal_ns

    # ---- what follows a cycle

    def _after(self, cycle: Cycle, sight: Sight) -> Standing:
        step, part = self._step, self._step.part
        self._extra = self._assisted = False
        self._enter(REST, sight)
        events: list[tuple[str, str, tuple[tuple[str, object], ...]]] = []
        if cycle.returned is False:
            events.append(("stuck", f"the moving part did not come back at cycle {cycle.cycle}",
                           (("cycle", cycle.cycle), ("what", part.when_stuck))))  # fmt: skip
            stuck = self._when_stuck(part, cycle, tuple(events))
            if stuck is not None:
                return stuck
        else:
            self._extras_in_a_row = 0
        if self.tally.in_a_row_invalid >= step.give_up:
            said = f"{step.give_up} cycles in a row were not valid: {', '.join(cycle.why)}"
            return Standing(wanted=Wanted(), word=ENDS, trace_class="given_up", said=said, cycle=cycle)
        return Standing(wanted=self._open, cycle=cycle, events=tuple(events), is_safe_point=True)

    def _when_stuck(self, part: MovingPart, cycle: Cycle, events: tuple) -> Standing | None:
        does = part.when_stuck
        if does == "extra_cycle":
            self._extras_in_a_row += 1
            if self._extras_in_a_row <= part.extra_most:
                self._extra = True
                return None
            self._extras_in_a_row = 0
            does = "ask"
        if does == "stop":
            said = f"the moving part stuck at cycle {cycle.cycle}"
            self.tally.failed_at = cycle.cycle
            return Standing(wanted=Wanted(), word=ENDS, trace_class="stuck", said=said, cycle=cycle, events=events)
        if does == "ask":
            self._assisted = True
            text = f"Cycle {cycle.cycle}: the moving part is stuck. Bring it back by hand and say how it was"
            return Standing(
                wanted=Wanted(), word=PAUSE, said="a stuck part needs hands", cycle=cycle, events=events,
                questions=(Question("enter", text, "moving_part", hands=True),),
            )  # fmt: skip
        return None

    def _rest(self, sight: Sight) -> Standing:
        """Between surges: where a block ends, a neighbour gets the chamber, and a hold holds."""
        step, count = self._step, self.tally
        if sight.sampled:
            self._meter.rest(sight.sampled_ns, sight.pressure_pa)
        rested_ns = sight.clock_ns - self._clock_ns
        if count.valid >= count.owed:
            return Standing(wanted=Wanted(), word=DONE, trace_class="run_out", said=f"{count.valid} valid cycles done")
        if sight.hands:
            return Standing(wanted=Wanted(), word=PAUSE, said="a neighbour needs hands in the chamber")
        if count.block != self._block and step.between == "inspect":
            self._block = count.block
            question = Question("confirm", step.between_prompt, "", hands=True)
            return Standing(wanted=Wanted(), word=PAUSE, said=f"block {count.block} is done", questions=(question,))
        rest_ns = step.rest_ns if count.block == self._block else step.between_ns
        if rested_ns >= rest_ns and not sight.held:
            self._block = count.block
            self._enter(WATER, sight)
        return Standing(wanted=self._open, is_safe_point=True)

    # ---- judging one surge

    def _cycle_of(
        self, seq: int, t_ns: int, blow_down_ns: int | None, returned: bool | None, *, partial: bool, lost: bool = False
    ) -> Cycle:
        step, meter = self._step, self._meter
        unseen = lost or meter.samples + self._felt_samples < FEWEST_SAMPLES
        unknown = lost or (unseen and self._held_pa is None)  # and then the body is held to have felt it
        applied = unknown or self._highest_pa >= step.threshold_pa
        why = self._why(unseen, partial)
        took_ns = self._returned_ns - self._below_ns if self._returned_ns >= 0 else None
        return Cycle(
            seq=seq, t_ns=t_ns, cycle=self.tally.released, block=self._block, released_ns=self._released_ns,
            applied=applied, valid=not why, why=why, partial=partial, extra=self._extra, assisted=self._assisted,
            charge_pa=self._charge_pa, peak_sampled_pa=meter.peak_pa, peak_held_pa=self._held_pa,
            gap_ns=meter.gap_ns, trough_pa=meter.trough_pa, rise_pa_per_s=meter.rise_pa_per_s,
            overshoot_pa=None if meter.peak_pa is None else max(meter.peak_pa - step.pressure_pa, 0.0),
            above_ns=meter.above_ns, blow_down_ns=blow_down_ns, returned=returned, return_ns=took_ns,
        )  # fmt: skip

    @property
    def _highest_pa(self) -> float:
        """Whatever is known of this surge: samples, the peak register between them, what stood there after a cut."""
        highest_pa = self._felt_pa
        for pa in (self._meter.peak_pa, self._held_pa):
            if pa is not None and pa > highest_pa:
                highest_pa = pa
        return highest_pa

    def _why(self, unseen: bool, partial: bool) -> tuple[str, ...]:
        """Everything that keeps this surge from counting as valid, in the order of the closed list."""
        step, meter, why = self._step, self._meter, []
        if self._charge_pa is not None:
            off = step.charge_tolerance * step.charge_pa
            if self._charge_pa < step.charge_pa - off:
                why.append("charge_low")
            if self._charge_pa > step.charge_pa + off:
                why.append("charge_high")
        if meter.feed_trough_pa is not None and meter.feed_trough_pa < (1.0 - step.sag) * step.charge_pa:
            why.append("sagged")
        if meter.peak_pa is not None and not partial:
            off = step.peak_tolerance * step.pressure_pa
            if meter.peak_pa < step.threshold_pa:
                why.append("no_rise")
            elif meter.peak_pa < step.pressure_pa - off:
                why.append("peak_low")
            if meter.peak_pa > step.pressure_pa + off:
                why.append("peak_high")
        if unseen and not partial:
            why.append("unseen")
        if partial:
            why.append("partial")
        return tuple(why)
