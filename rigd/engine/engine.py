"""The engine: one deterministic machine that runs one specimen on one station.

`step` takes one message and answers with messages. It reads no clock, no file and no random number, and nothing else
can change its state, so a record of its inputs is enough to run it again bit for bit. In every step, in this order:
what the message says is taken in, the interlocks look at everything, the run state moves, the procedure wishes, the
outputs are told, and only then, after a whole step on a good scan, the watchdog is kicked.
"""

from rigd.calc.exact.calibration import NAN
from rigd.calc.exact.quality import QUALITY_WORDS
from rigd.engine.acts import refusal_of
from rigd.engine.channels import Channels
from rigd.engine.findings import Findings
from rigd.engine.host import Host
from rigd.engine.interlocks import Interlocks
from rigd.engine.outputs import SAFE, Outputs, Wanted
from rigd.engine.procedure import AT_CEILING, DONE, GOING, LIVE_STEPS, LOST, STALLED, Sight, Standing
from rigd.engine.questions import Questions, after_pressure, before_pressure
from rigd.engine.showing import Trend, permissives_of, show
from rigd.engine.states import (
    ARM,
    ARMING_EXPIRED,
    ENDED,
    HAND_CHECK,
    NO_PROOF,
    PERMISSIVE_LOST,
    PERMISSIVES_HOLD,
    PROVEN,
    RUN_TABLE,
    START,
    STOP,
    TRIP,
    VENT,
)
from rigd.engine.zero import ZeroReading
from rigd.model.messages import (
    DeviceFault,
    Event,
    HostReport,
    Input,
    Opened,
    OperatorAction,
    Output,
    Reading,
    Scalar,
    Scan,
    Tick,
)
from rigd.model.profile import Profile, Ramp
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen
from rigd.model.states import ARMED, LINE_AT_ZERO, NOT_PROVEN, READY, RUNNING, UNPROVEN, VENTED, VENTING
from rigd.model.view import View

ARMED_NS = 60_000_000_000  # arming lapses: the person who armed may have been called away
OPERATOR_HOLD_NS = 600_000_000_000  # pressure is not left standing on a word for longer than this
INTERLOCK_HOLD_NS = 60_000_000_000  # a condition that lasts longer does not clear by itself
HAND_CHECK_NS = 1_800_000_000_000  # a run that nobody can prove ends unproven after half an hour


class Engine:
    """`Engine(rig, profile, specimen)`; profile None guards a rig with no run open. The first message is Opened."""

    def __init__(self, rig: Rig, profile: Profile | None, specimen: Specimen | None) -> None:
        self.rig, self.profile, self.specimen = rig, profile, specimen
        self.channels = Channels(rig)
        self.outputs = Outputs(rig)
        self.interlocks = Interlocks(rig, self.channels, ())
        self.host = Host(rig, profile)
        self.questions = Questions()
        primary = rig.channels[self.channels.primary]
        self.findings = Findings(profile, primary, rig.relief.reseat_pa, rig.inlet_m3_per_s_pa) if profile else None
        self.zero = ZeroReading(rig, self.channels)
        self.trend = Trend()
        self.state = VENTING
        self.run = 0
        self.step_at = -1
        self.target_pa = NAN
        self.wanted: Wanted = SAFE
        self.operator_holds = self.done = False
        self.outcome = ""
        self._seq = self._t_ns = 0
        self._out: list[Output] = []
        self._live: object | None = None
        self._since_ns = self._low_since_ns = self._clock_ns = self._clock_at_ns = 0
        self._hold_since_ns = self._held_since_ns = 0
        self._was_held_by = ""
        self.was_pressurised = self._closing = self._prepared = self._stop_asked = self._fell_with_feed = False
        self._called_pa = NAN
        self._sampled = False
        self._primary_device = primary.device
        self._take = {
            Scan: self._take_scan,
            Tick: lambda tick: None,  # time passes; the step does the rest
            OperatorAction: self._take_action,
            DeviceFault: self._take_fault,
            HostReport: self._take_report,
            Opened: self._take_opened,
        }

    def step(self, message: Input) -> tuple[Output, ...]:
        """One message in, the messages it causes out, in order. Never raises on data."""
        out: list[Output] = []
        self._out, self._seq = out, message.seq
        t_ns = self._t_ns = message.t_ns
        if self.done:
            return ()
        self._called_pa, self._sampled = NAN, False
        reading = self._take[type(message)](message)
        first = self.interlocks.check(t_ns, self.state, self.outputs.energised)
        if first:
            self._trip(first)
        self._run_state(t_ns)
        if self.interlocks.held_by != self._was_held_by:
            self._say_interlock()
        self.outputs.apply(self.wanted, message.seq, t_ns, out)
        if self.questions.expired(t_ns):
            self._take_answer("", "", False)
        prompt = self.questions.next(message.seq, t_ns)
        if prompt is not None:
            out.append(prompt)
        if reading is not None:
            values, quality = reading
            highest_pa = self.findings.highest_pa if self.findings else 0.0
            out.append(
                Reading(
                    seq=message.seq,
                    t_ns=t_ns,
                    device=message.device,
                    values=values,
                    quality=quality,
                    step=self.step_at,
                    cycle=0,
                    target_pa=self._called_pa,
                    highest_pa=highest_pa,
                )
            )
            if not self.host.causes and not self.channels.bad_causes(t_ns) and not self.channels.unheard():
                self.outputs.kick(message.seq, t_ns, out)
        return tuple(out)

    @property
    def now_ns(self) -> int:
        """Time of the newest message [ns]."""
        return self._t_ns

    def view(self) -> View:
        """A frozen picture of now; changes nothing."""
        return show(self, self._t_ns)

    # ---- what the messages say

    def _take_opened(self, message: Opened) -> None:
        self.run = message.run
        self._since_ns = self._low_since_ns = message.t_ns
        self.interlocks = Interlocks(self.rig, self.channels, message.latched)
        self._say("opened", f"run {message.run} opened by rigd {message.version}", run=message.run)
        self._say("anchor", "wall clock anchor", utc_ns=message.utc_ns)
        self.host.anchor(message.t_ns, message.utc_ns)

    def _take_scan(self, scan: Scan) -> tuple[tuple[float, ...], tuple[int, ...]]:
        changed: list[int] = []
        read = self.channels.read(scan, changed)
        for at in changed:
            words = QUALITY_WORDS[self.channels.quality[at]]
            self._say(
                "quality", f"{self.channels.names[at]} is {words}", channel=self.channels.names[at], quality=words
            )
        if scan.device == self._primary_device:
            self._take_sample(scan.t_ns - scan.age_us * 1000)
        return read

    def _take_sample(self, sampled_ns: int) -> None:
        channels = self.channels
        pressure_pa = channels.good(channels.primary)
        if pressure_pa != pressure_pa:
            return
        self.trend.add(sampled_ns, pressure_pa)
        if self.zero.taking:
            self.zero.add(channels)
        if self.findings is not None and self.was_pressurised and not self._closing:
            self.findings.note_highest(sampled_ns, pressure_pa)
            self._sampled = self.state == RUNNING

    def _take_fault(self, fault: DeviceFault) -> None:
        device = self.rig.devices[fault.device].name
        self._say("device", f"{device}: {fault.fault}: {fault.detail}", device=device, fault=fault.fault)
        if fault.fault == "recovered":
            self.outputs.forget(fault.device)

    def _take_report(self, report: HostReport) -> None:
        for kind, text, data in self.host.take(report):
            self._say(kind, text, **data)
        self.interlocks.host_causes = self.host.causes

    def _take_action(self, action: OperatorAction) -> None:
        refusal = refusal_of(self, action)
        if refusal:
            self._say("refused", refusal, act=action.act, person=action.person, named=action.named)
            return
        self._say(
            "granted", f"{action.act} by {action.person}", act=action.act, person=action.person, named=action.named
        )
        match action.act:
            case "arm" | "start" | "hand_check":
                event = {"arm": ARM, "start": START, "hand_check": HAND_CHECK}[action.act]
                self._move(event, action.person)
                if event == START:
                    self._begin_run()
            case "vent":
                self._end_run("stopped", VENT, f"vented by {action.person}")
            case "stop":
                self._stop(action.person)
            case "hold" | "resume":
                self.operator_holds = action.act == "hold"
                self._hold_since_ns = self._t_ns
            case "reset":
                self.interlocks.reset()
                self._say("trip_state", "reset", to=self.interlocks.state)
            case "mark":
                self._fail_by_mark()
            case "zero":
                self.zero.begin(self._t_ns)
            case "confirm":
                self._take_answer((action.answer or "").strip(), action.person, True)

    # ---- the run state

    def _move(self, event: str, why: str) -> None:
        """One row of the run table; a missing row here is a bug."""
        old, new = self.state, RUN_TABLE[self.state, event]
        if old == new:
            return
        self.state, self._since_ns = new, self._t_ns
        self._say("state", f"{old} to {new}: {why}", **{"from": old, "to": new, "why": why})
        if new == VENTING:
            self.wanted, self.target_pa, self._live = SAFE, NAN, None
            self._low_since_ns = self._t_ns
            self.operator_holds = False
        if new == VENTED:
            self._say("words", LINE_AT_ZERO)
            self.zero.begin(self._t_ns)
        if new == UNPROVEN:
            self._say("words", NOT_PROVEN)

    def _run_state(self, t_ns: int) -> None:
        match self.state:
            case "RUNNING":
                self._run(t_ns)
            case "VENTING":
                self._prove(t_ns)
            case "VENTED" | "READY" | "ARMED" if not self.done:  # a person may have ended the run in this step
                self._stand(t_ns)
            case "UNPROVEN":
                if self._closing_due() and t_ns - self._since_ns > HAND_CHECK_NS:
                    self._conclude()

    def _prove(self, t_ns: int) -> None:
        rule = self.rig.vent
        if not self.channels.proves_below(rule.limit_pa, t_ns):
            self._low_since_ns = t_ns
        elif t_ns - self._low_since_ns >= rule.hold_ns:
            self._move(PROVEN, "pressure proven low on every specimen channel")
            return
        if t_ns - self._since_ns > rule.timeout_ns:
            self._move(NO_PROOF, "pressure could not be proven low in time")

    def _stand(self, t_ns: int) -> None:
        """At zero: read the zero, ask, and see whether what must hold holds."""
        if self.zero.taking and self.zero.is_complete(t_ns):
            self._take_zero()
        if self._closing_due():
            self._close(t_ns)
            return
        if self.profile is None:
            return
        if not self._prepared:
            self._prepared = True
            measured = ("water_temperature",) if self.channels.water >= 0 else ()
            self.questions.add(before_pressure(self.profile, self.specimen, measured))
        holds = all(row[1] for row in permissives_of(self))
        if self.state == VENTED and holds:
            self._move(PERMISSIVES_HOLD, "every permissive holds")
        elif self.state in (READY, ARMED) and not holds:
            missing = next(row for row in permissives_of(self) if not row[1])
            self._move(PERMISSIVE_LOST, f"{missing[0]}: {missing[2]}")
        elif self.state == ARMED and t_ns - self._since_ns > ARMED_NS:
            self._move(ARMING_EXPIRED, "nobody started within 60 s")

    def _trip(self, cause: str) -> None:
        text = f"TRIP {cause}. The supply is isolated and the line vented. Find the cause, then reset"
        self._say("trip", text, cause=cause, first_out=self.interlocks.first_out)
        self._end_by_cause(cause, TRIP)

    def _end_by_cause(self, cause: str, event: str) -> None:
        """A trip, or an interlock that vents: what it says about the trace, where it says anything, names the end."""
        trace_class = self.interlocks.trace_class_of(cause)
        if self.state == RUNNING and self.findings is not None:
            self.findings.first_out = self.findings.first_out or cause
            if trace_class:
                self.findings.trace_class = trace_class
                self.findings.relief_lifted = trace_class == "plateau"
        self._end_run("" if trace_class else "tripped", event, cause)

    def _end_run(self, ending: str, event: str, why: str) -> None:
        """Leave for the safe state. `ending` names how the run ends unless it ends by itself."""
        was_running = self.state == RUNNING
        if self.findings and not self._closing_due():
            ends = was_running or (ending == "stopped" and not self.was_pressurised)
            if ends and not self.findings.ending:
                self.findings.ending = ending
            if ends:
                self.was_pressurised = True
        elif ending == "stopped" and (self.state == UNPROVEN or self._closing):
            self.questions.drop_all()  # the person leaves: what is known is the result
            self._conclude()
            return
        self._move(event, why)

    def _stop(self, person: str) -> None:
        """At the next safe point: a ramp has none but its end, so it is now; any other step is finished first."""
        live = self.profile.steps[self.step_at] if self.profile and self.step_at >= 0 else None
        if self.state == RUNNING and live is not None and type(live) is not Ramp:
            self._stop_asked = True
            return
        self._end_run("stopped", STOP, f"stopped by {person}")

    # ---- running

    def _begin_run(self) -> None:
        self.was_pressurised = True
        self._clock_ns, self._clock_at_ns = 0, self._t_ns
        self.step_at = -1
        if self.channels.water >= 0 and self.specimen is not None:
            water_k = self.channels.good(self.channels.water)
            self._say(
                "fact", f"water temperature {water_k:.2f} K", fact="water_temperature", value=water_k, source="measured"
            )
        self._next_step()

    def _next_step(self) -> None:
        """Begin the next live step, or end the run."""
        assert self.profile is not None and self.findings is not None
        while self.step_at + 1 < len(self.profile.steps):
            self.step_at += 1
            step = self.profile.steps[self.step_at]
            live = LIVE_STEPS.get(type(step))
            if live is None:
                continue
            self._say("step", f"step {self.step_at + 1}: {step.name}", step=self.step_at, name=step.name)
            self._live = live(step, self.rig, self._sight())
            self.findings.begin_watching(type(step) is Ramp)
            return
        self._end_run("", ENDED, "the last step ended")

    def _sight(self) -> Sight:
        channels = self.channels
        pressure_pa, feed_pa = channels.good(channels.primary), channels.good(channels.feed)
        return Sight(self._t_ns, self._clock_ns, pressure_pa, self.rig.vent.limit_pa, feed_pa)

    def _run(self, t_ns: int) -> None:
        held = self.operator_holds or bool(self.interlocks.held_by)
        if not held:
            self._clock_ns += t_ns - self._clock_at_ns
        self._clock_at_ns = t_ns
        if self.interlocks.vent_by:
            self._end_by_cause(self.interlocks.vent_by, VENT)
            return
        if self.interlocks.held_by and t_ns - self._held_since_ns > INTERLOCK_HOLD_NS:
            self._end_by_cause(self.interlocks.held_by, VENT)
            return
        if self.operator_holds and t_ns - self._hold_since_ns > OPERATOR_HOLD_NS:
            self._end_run("stopped", VENT, "the operator's hold lasted too long")
            return
        standing: Standing = self._live.advance(self._sight())  # type: ignore[union-attr]
        self.wanted = standing.wanted
        self.target_pa = self._called_pa = standing.target_pa
        if standing.watch and self._sampled and self._watch():
            return
        if standing.word != GOING:
            self._finish_step(standing)

    def _watch(self) -> bool:
        """Look for signs in the sample that has just come. True when one fired and the run is over."""
        findings, channels = self.findings, self.channels
        assert findings is not None
        second_pa, feed_pa = channels.good(channels.second), channels.good(channels.feed)
        sign = findings.watch(second_pa, feed_pa, self._called_pa)
        if findings.shares_fall != self._fell_with_feed:
            self._fell_with_feed = findings.shares_fall
            if findings.shares_fall:
                self._say("hiccup", "pressure fell and the supply fell with it", pressure_pa=findings.last_pa)
        if sign:
            self._fail_by_sign(sign)
        return bool(sign)

    def _finish_step(self, standing: Standing) -> None:
        assert self.findings is not None
        self._say("step_done", standing.said, step=self.step_at, words=standing.word)
        if standing.fall_ns:
            self._say("proof", standing.said, loss_pa=standing.loss_pa, fall_ns=standing.fall_ns)
        if standing.word == DONE:
            if self._stop_asked:
                self._end_run("stopped", STOP, "stopped at the end of the step")
            else:
                self._next_step()
        elif standing.word == LOST:
            self.findings.call_early()
            self._call_failure(standing.said)
        elif standing.word == AT_CEILING:
            self.findings.trace_class = "ceiling"
            self._end_run("", ENDED, standing.said)
        else:
            assert standing.word == STALLED
            self.findings.trace_class = "plateau"
            self._end_run("", ENDED, standing.said)

    # ---- failure

    def _fail_by_sign(self, sign: str) -> None:
        assert self.findings is not None and self.profile is not None
        channels = self.channels
        supply_pa, feed_pa = channels.good(channels.supply), channels.good(channels.feed)
        low = supply_pa < feed_pa + self.profile.signs.lag_pa
        self.findings.early = not self.findings.in_ramp
        self.findings.call_failure(sign, low)
        self._say("sign", sign, sign=sign, pressure_pa=self.findings.last_pa, latency_ns=self.findings.latency_ns)
        self._call_failure(sign)

    def _fail_by_mark(self) -> None:
        assert self.findings is not None
        self.findings.call_mark()
        self._say("sign", "operator_mark", sign="operator_mark", pressure_pa=self.findings.last_pa)
        self._call_failure("the operator's mark")

    def _call_failure(self, why: str) -> None:
        """Loss of containment: controller frozen, supply isolated, vent, all in this step."""
        assert self.findings is not None
        trace_class = self.findings.trace_class
        self._say("onset", f"{why}: {trace_class}", trace_class=trace_class)
        rate = self.findings.rate_pa_per_s()
        if rate is not None:
            self._say("rate", "achieved ramp rate", ramp_pa_per_s=rate)
        self._end_run("", ENDED, why)

    # ---- after pressure

    def _closing_due(self) -> bool:
        """The run has been under pressure, or was ended before it, and is not running any more."""
        return self.was_pressurised and self.state != RUNNING and self.findings is not None

    def _close(self, t_ns: int) -> None:
        assert self.profile is not None and self.findings is not None
        if self.zero.taking:
            return
        if not self._closing:
            self._closing = True
            self.questions.drop_all()
            self.step_at = len(self.profile.steps) - 1
            self.questions.add(after_pressure(self.profile, not self.findings.ending))
        if self.questions.all_answered:
            self._conclude()

    def _conclude(self) -> None:
        assert self.findings is not None
        if self.state == UNPROVEN:
            self.findings.flags.append("UNPROVEN: nobody could say that the line is at zero")
        result = self.findings.conclude(self._seq, self._t_ns)
        self._out.append(result)
        self.outcome = result.outcome
        self._say("closed", f"{result.outcome}: {result.verdict}")
        self.done = True

    def _take_answer(self, answer: str, person: str, given: bool) -> None:
        question, open_ns = self.questions.close(self._t_ns)
        value = answer if given else question.otherwise
        text = f"{question.text}: {value}" if given else f"{question.text}: timed out, taken as {value}"
        self._say("prompt_done", text, field=question.field, answer=value, person=person, after_ns=open_ns)
        if question.field == "observation" and self.findings is not None:
            self.findings.observation = value
        elif question.field:
            self._say("fact", f"{question.field}: {value}", fact=question.field, value=value, source=person)

    def _take_zero(self) -> None:
        for channel, zero, accepted in self.zero.finish(keep=not self.was_pressurised):
            words = "" if accepted else " is beyond its limit: it hides something, find out what"
            self._say("zero", f"zero of {channel}{words}", channel=channel, zero_pa=zero, accepted=accepted)
        if self.findings is not None:
            self.findings.zero_before_pa = self.zero.before_pa
            self.findings.zero_shift_pa = self.zero.shift_pa

    def _say_interlock(self) -> None:
        row, was = self.interlocks.held_by, self._was_held_by
        self._was_held_by, self._held_since_ns = row, self._t_ns
        self._say("interlock", f"held by {row}" if row else f"{was} let go", row=row or was, held=bool(row))

    def _say(self, kind: str, text: str, **data: Scalar) -> None:
        self._out.append(Event(seq=self._seq, t_ns=self._t_ns, kind=kind, text=text, data=tuple(data.items())))
