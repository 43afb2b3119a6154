"""What the engine measures of the failure while it happens, and the Result it makes of it.

Results are taken from the primary specimen channel, good samples only, zeroed. The highest pressure and the failure
pressure are two numbers and are never mixed: a tank keeps pushing after a small crack, so the highest alone flatters.
"""

from math import floor

from rigd.calc.exact.burst import NOISE_BAND, Bounds, BurstWatch, opening_m2, trace_class_of, unnoticed_opening_m2
from rigd.calc.exact.noise import NoiseMeter, expected_maximum
from rigd.calc.exact.ramp import SETTLED_NS, RampFit
from rigd.calc.exact.supply_flow import FlowWatch
from rigd.engine.standing import Tally
from rigd.model.messages import Data, Result, Scalar
from rigd.model.profile import Fill, Profile, Ramp
from rigd.model.rig import Channel, Rig
from rigd.model.verdicts import OUTCOMES, outcome_of, verdict_of

LAGS_HIDDEN = 2  # time constants: what a lagging transducer may not have shown yet of a steep rise
WET, WET_SAMPLES = "wet", 3  # in a row: a splash is no leak
SUPPLY_FLOW = "supply_flow"
MARK_SHARE = 2  # a mark's onset is put half-way back in the person's longest delay, the bound covers either half


class Findings:
    __slots__ = (
        "_channel",
        "_fills",
        "_fit",
        "_flow",
        "_inlet",
        "_mains_pa",
        "_mark_ns",
        "_meter_ns",
        "_noise",
        "_profile",
        "_settled_ns",
        "_steepest_pa",
        "_unwatched",
        "_was_dry",
        "_watch",
        "_wet_samples",
        "_with_feed_pa",
        "air",
        "early",
        "ending",
        "failed_ns",
        "failure_raw_pa",
        "first_out",
        "flags",
        "gap_ns",
        "highest_pa",
        "in_ramp",
        "last_ns",
        "last_pa",
        "latency_ns",
        "observation",
        "ramp_began_ns",
        "relief_lifted",
        "relief_reseat_pa",
        "signs",
        "tally",
        "trace_class",
        "zero_before_pa",
        "zero_shift_pa",
    )

    def __init__(self, profile: Profile, channel: Channel, rig: Rig, meter: int) -> None:
        """`meter`: the channel of the flow that is fed, -1 for none."""
        self._inlet, self._meter_ns = rig.inlet_m3_per_s_pa, rig.channels[meter].tau_ns if meter >= 0 else 0
        self._profile, self._channel, self.relief_reseat_pa = profile, channel, rig.relief.reseat_pa
        self._watch, self._flow = BurstWatch(profile.signs), FlowWatch(profile.signs.flow_m3_per_s)
        self._noise, self._fit = NoiseMeter(), RampFit()
        self._settled_ns = self._mark_ns = self.ramp_began_ns = -1
        self._wet_samples, self._was_dry = 0, False
        self.highest_pa = self.last_pa = 0.0
        self.last_ns = 0
        self.in_ramp = self.early = self.relief_lifted = self._unwatched = False
        self.first_out = ""
        self._steepest_pa = 0.0
        self._fills = any(type(step) is Fill for step in profile.steps)
        self._mains_pa = max((output.pa_high for output in rig.outputs if output.role == "fill"), default=0.0)
        self._with_feed_pa = 0.0  # how far the pressure had fallen with the feed's when the body's own fall began
        self.signs: list[str] = []
        self.trace_class = self.ending = ""
        self.observation = "not_inspected"
        self.failure_raw_pa: float | None = None
        self.failed_ns: int | None = None
        self.latency_ns = self.gap_ns = 0
        self.zero_before_pa: float | None = None
        self.zero_shift_pa: float | None = None
        self.flags: list[str] = []
        self.air: Data = ()  # of the last air check
        self.tally: Tally | None = None  # what this kind of test counts besides

    def begin_watching(self, is_ramp: bool) -> None:
        """A ramp or a hold begins: signs are looked for afresh, from its first watched sample on."""
        self._watch = BurstWatch(self._profile.signs)
        self._settled_ns, self._wet_samples, self._was_dry = -1, 0, False
        self.in_ramp = is_ramp
        if is_ramp:
            self._noise, self._fit = NoiseMeter(), RampFit()
            self._flow = FlowWatch(self._profile.signs.flow_m3_per_s)
            self.ramp_began_ns = -1

    def note_highest(self, t_ns: int, pressure_pa: float) -> None:
        """A good primary sample in the pressurised part of the run."""
        gap_ns = t_ns - self.last_ns
        if self.last_ns and pressure_pa > self.last_pa and gap_ns > 0:
            hidden = (pressure_pa - self.last_pa) * (1.0 + LAGS_HIDDEN * self._channel.tau_ns / gap_ns)
            if hidden > self._steepest_pa:
                self._steepest_pa = hidden
        self.last_ns, self.last_pa = t_ns, pressure_pa
        if pressure_pa > self.highest_pa:
            self.highest_pa = pressure_pa

    def watch(self, second_pa: float, feed_pa: float, target_pa: float, dry: float, flow: float) -> str:
        """Look for signs in the newest sample noted; `dry` is the switch beneath the specimen, `flow` what is fed to it
        [m3/s], NaN for none. Returns the sign that fires, or ""."""
        watch, t_ns = self._watch, self.last_ns
        if self._settled_ns < 0:
            self._settled_ns = t_ns + SETTLED_NS
            if self.in_ramp:
                self.ramp_began_ns = t_ns
        sign = watch.add(t_ns, self.last_pa, second_pa, feed_pa, target_pa)
        if self.in_ramp and t_ns >= self._settled_ns:
            if watch.onset_ns == t_ns:
                self._noise.add(self.last_pa)
                self._fit.add(t_ns, self.last_pa)
            else:
                self._noise.pause()
        self._wet_samples = self._wet_samples + 1 if dry == 0.0 else 0
        self._was_dry = self._was_dry or dry == 1.0
        if not sign and self._wet_samples >= WET_SAMPLES:
            return WET
        looks = self.in_ramp and t_ns >= self._settled_ns and self._profile.signs.flow_m3_per_s > 0.0
        return SUPPLY_FLOW if looks and self._flow.add(t_ns, self.last_pa, flow, target_pa) and not sign else sign

    @property
    def shares_fall(self) -> bool:
        return self._watch.shared_fall

    def call_failure(self, sign: str, supply_is_low: bool) -> None:
        """A sign of the trace, or the wet switch, fired: fix the onset."""
        if sign == WET:
            self.call_mark(WET)
            return
        if sign == SUPPLY_FLOW:
            self.trace_class = "slow_loss"
            self.signs.append(sign)
            self.failure_raw_pa, self.failed_ns = self._flow.onset_pa, self._flow.onset_ns
            self.latency_ns = self.last_ns - self._flow.onset_ns + self._meter_ns
            return
        watch = self._watch
        self.trace_class = trace_class_of(
            sign, watch.fall_pa, watch.highest_pa, self.last_ns - watch.onset_ns, supply_is_low
        )
        if self.trace_class in ("plateau", "supply_exhausted"):
            return
        self.signs.append(sign)
        if watch.onset_ns < 0:
            self.flags.append("the pressure never followed: no onset can be told")
            return
        self.failure_raw_pa, self.failed_ns = watch.onset_pa, watch.onset_ns
        self.latency_ns, self.gap_ns = self.last_ns - watch.onset_ns, watch.gap_ns
        if watch.shared_pa == watch.shared_pa:
            self._with_feed_pa = watch.onset_pa - watch.shared_pa
            self.flags.append("the supply fell too before the failure: it may have come below the highest pressure")

    def call_mark(self, sign: str = "operator_mark") -> None:
        """The operator's one key, or water beneath the specimen: the newest sample is all there is to name."""
        self.trace_class = "slow_loss"
        self.signs.append(sign)
        if self.tally is not None:
            self.tally.mark()
            return
        if not self.in_ramp or (sign == WET and not self._was_dry):
            self.call_early()
            return
        self._mark_ns = self._profile.signs.mark_ns
        self.latency_ns = self._mark_ns // MARK_SHARE
        self.failure_raw_pa, self.failed_ns = self.last_pa, self.last_ns

    def call_early(self) -> None:
        """Lost before the ramp, where nobody watched for an onset: it was somewhere up to the highest pressure."""
        self.early = self._unwatched = True
        self.trace_class = "slow_loss"
        self.failure_raw_pa, self.failed_ns = self.highest_pa, self.last_ns
        if self._fills and not self._mains_pa:
            words = "the rig file does not say what the mains bring (`pressure` of its fill valve)"
            self.flags.append(f"{words}: the bound is all the profile allows")

    def rate_pa_per_s(self) -> float | None:
        """Achieved ramp rate, None before there is one."""
        return self._fit.rate()

    def _bias(self, rate_pa_per_s: float) -> float:
        """What noise adds to a maximum on average [Pa], from how many samples of a ramp compete for it."""
        noise_pa = self._noise.deviation()
        step_pa = rate_pa_per_s * (self.gap_ns / 1e9)
        competing = 1 + (floor(NOISE_BAND * noise_pa / step_pa) if step_pa > 0.0 else 0)
        return expected_maximum(competing) * noise_pa

    def _bounds(self, rate_pa_per_s: float) -> Bounds:
        highest_pa, raw_pa = self._watch.highest_pa, self.failure_raw_pa
        sagged = not self._unwatched and self._mark_ns < 0 and raw_pa is not None and highest_pa > raw_pa
        bounds = Bounds(
            rate_pa_per_s=rate_pa_per_s,
            gap_ns=self.gap_ns,
            tau_ns=self._channel.tau_ns,
            latency_ns=self.latency_ns,
            resolution_pa=self._channel.resolution,
            noise_pa=self._noise.deviation(),
            bias_pa=self._bias(rate_pa_per_s),
            sagged_pa=highest_pa - raw_pa if sagged else 0.0,
        )
        if self._mark_ns >= 0 and raw_pa is not None and highest_pa > raw_pa:
            # What it had lost already when the mark came, and how far it may have gone on before, between two samples.
            bounds.up_pa += highest_pa - raw_pa + rate_pa_per_s * (self._watch.gap_ns / 1e9)
        bounds.down_pa += self._with_feed_pa
        if self._unwatched:
            bounds.up_pa += self._hidden_pa()
            bounds.down_pa = self.highest_pa - (self.zero_before_pa or 0.0)  # anywhere on the way up
        return bounds

    def _hidden_pa(self) -> float:
        """How much higher than any sample showed it may have stood, with nobody watching [Pa]. A body that is full is
        stiff: the mains are there at once, and gone with the break; where they are not known, it is all the profile
        allows."""
        mains_pa = self._mains_pa or self._profile.max_pa
        if self._fills and mains_pa - self.highest_pa > self._steepest_pa:
            return mains_pa - self.highest_pa
        return self._steepest_pa

    def _climbing(self, rate: float | None) -> float:
        """Rate at which the pressure rose when it failed [Pa/s]. Before there is an achieved one, or where it is below
        the tolerance (a hold lay in the ramp), the rate called for: little known is no small bound."""
        if not self.in_ramp:
            return 0.0
        step = next(step for step in self._profile.steps if type(step) is Ramp)
        called = step.rate_pa_per_s
        return called if rate is None or rate < (1.0 - step.rate_tolerance) * called else rate

    def conclude(self, seq: int, t_ns: int) -> Result:
        """The Result, once."""
        self._judge_zero()
        zero_pa = self.zero_before_pa or 0.0
        rate = self.rate_pa_per_s()
        climbing = self._climbing(rate)
        bounds = self._bounds(climbing)
        outcome = outcome_of(
            trace_class=self.trace_class,
            observation=self.observation,
            ending=self.ending,
            early=self.early,
            relief_reached=self.relief_lifted or 0.0 < self.relief_reseat_pa <= self.highest_pa,
        )
        failed = OUTCOMES[outcome].failed
        failure_raw = failure = failed_ns = took_ns = None
        if failed and self.failure_raw_pa is not None and self.failed_ns is not None:
            back_pa = climbing * (self._mark_ns / MARK_SHARE / 1e9) if self._mark_ns >= 0 else 0.0
            back_pa = back_pa if back_pa < self.failure_raw_pa - zero_pa else self.failure_raw_pa - zero_pa
            failure_raw = self.failure_raw_pa - zero_pa
            failure = failure_raw + bounds.correction_pa - back_pa
            failed_ns = self.failed_ns
            took_ns = failed_ns - self.ramp_began_ns if self.ramp_began_ns >= 0 else None
        highest = self.highest_pa - zero_pa if self.highest_pa > 0.0 else None
        self._check_ramp(rate, took_ns)
        self._say_what_may_be_unseen(failure if failed else highest)
        verdict = verdict_of(
            outcome=outcome,
            reached_pa=failure if failed else highest,
            bound_down_pa=bounds.down_pa,
            bound_up_pa=bounds.up_pa,
            minimum_pa=self._profile.minimum_pa,
        )
        if self.tally is not None:
            verdict = self.tally.verdict_of(outcome)
        known = failure is not None
        return Result(
            seq=seq,
            t_ns=t_ns,
            outcome=outcome,
            verdict=verdict,
            trace_class=self.trace_class,
            signs=tuple(self.signs),
            observation=self.observation,
            failure_raw_pa=failure_raw,
            failure_pa=failure,
            failure_t_ns=failed_ns,
            bound_pa=bounds.bound_pa if known else None,
            bound_up_pa=bounds.up_pa if known else None,
            bound_down_pa=bounds.down_pa if known else None,
            highest_pa=highest,
            highest_corrected_pa=None if highest is None else highest + bounds.missed_pa - self._bias(climbing),
            time_to_failure_ns=took_ns,
            ramp_pa_per_s=rate,
            noise_pa=self._noise.deviation(),
            zero_pa=self.zero_before_pa,
            zero_shift_pa=self.zero_shift_pa,
            first_out=self.first_out,
            flags=tuple(self.flags),
            data=(self.tally.told() if self.tally is not None else ()) + self._air_told(),
        )

    def _air_told(self) -> Data:
        """What the Result says of an air check (model.verdicts.AIR_RESULTS)."""
        found: dict[str, Scalar] = {}
        for name, value in self.air:
            found[name] = value
        if not found:
            return ()
        return (
            ("free_air_m3", found.get("free_air_m3")),
            ("free_air_u_m3", found.get("free_air_u_m3")),
            ("free_air_most_m3", found.get("most_m3")),
            ("air_checks", found.get("try")),
        )

    def _judge_zero(self) -> None:
        shift, limit = self.zero_shift_pa, self._profile.zero_shift_pa
        if shift is not None and not -limit <= shift <= limit:
            self.flags.append("the zero moved further than its limit: the run is void and the channel needs a check")
            self.trace_class = "sensor"

    def _say_what_may_be_unseen(self, reached_pa: float | None) -> None:
        """Where no sign of the trace fired, name the smallest opening that would have fired one: below it the result
        rests on a person's eyes."""
        by_eye = "operator_mark" in self.signs or WET in self.signs or SUPPLY_FLOW in self.signs
        if reached_pa is None or reached_pa <= 0.0 or not (by_eye or self.trace_class == "ceiling"):
            return
        signs = self._profile.signs
        least_m2 = unnoticed_opening_m2(self._inlet, signs.lag_pa, reached_pa)
        if signs.flow_m3_per_s > 0.0:
            fed_m2 = opening_m2(signs.flow_m3_per_s, reached_pa)
            least_m2 = fed_m2 if fed_m2 < least_m2 else least_m2
        least_mm2 = 1e6 * least_m2
        if by_eye:
            fed = "by the supply's flow" if SUPPLY_FLOW in self.signs else "by eye"
            how = "by the wet switch" if WET in self.signs else fed
            words = f"found {how}: an opening under {least_mm2:.2f} mm2 the rig cannot notice; it may be older"
        else:
            words = f"no loss was noticed; an opening under {least_mm2:.2f} mm2 the rig could not have noticed"
        self.flags.append(words)

    def _check_ramp(self, rate: float | None, took_ns: int | None) -> None:
        """Flag a ramp that was not uniform at its rate, and a failure outside its window (ASTM D1599-18 4.2, 9.1.3)."""
        for step in self._profile.steps:
            if type(step) is not Ramp:
                continue
            off = step.rate_tolerance * step.rate_pa_per_s
            if rate is not None and not -off <= rate - step.rate_pa_per_s <= off:
                self.flags.append("the achieved ramp rate is outside its tolerance")
            if took_ns is not None and step.window_high_ns > 0:
                if not step.window_low_ns <= took_ns <= step.window_high_ns:
                    self.flags.append("failure outside the time window of the method")
