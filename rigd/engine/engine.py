"""The engine: one deterministic machine that runs one specimen on one station.

`step` takes one message and answers with messages. It reads no clock, no file and no random number, and nothing else
can change its state, so a record of its inputs is enough to run it again bit for bit. In every step, in this order:
what the message says is taken in, the interlocks look at everything, the run state moves, the procedure wishes, the
outputs are told, and only then, after a whole step on a good scan, the watchdog is kicked.
"""

from rigd.calc.exact.calibration import NAN
from rigd.calc.exact.quality import QUALITY_WORDS
from rigd.engine import endings, rest
from rigd.engine.acts import refusal_of
from rigd.engine.channels import NEVER, Channels
from rigd.engine.findings import Findings
from rigd.engine.host import Host
from rigd.engine.interlocks import Interlocks
from rigd.engine.opening import Opening
from rigd.engine.outputs import SAFE, Outputs, Wanted
from rigd.engine.procedure import LIVE_STEPS
from rigd.engine.questions import Question, Questions
from rigd.engine.showing import Trend, show
from rigd.engine.standing import GOING, PAUSE, Sight, Standing
from rigd.engine.states import (
    ARM,
    ENDED,
    HAND_CHECK,
    PAUSED,
    RUN_TABLE,
    START,
    STOP,
    TRIP,
    VENT,
)
from rigd.engine.zero import ZeroReading
from rigd.model.carried import NOTHING_CARRIED, Carried
from rigd.model.earlier import NO_WALKS, Earlier
from rigd.model.messages import (
    DeviceFault,
    Event,
    HostReport,
    Input,
    Neighbours,
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
from rigd.model.states import NOT_PROVEN, RUNNING, UNPROVEN, VENTED, VENTING
from rigd.model.view import View

OPERATOR_HOLD_NS = 600_000_000_000  # pressure is not left standing on a word for longer than this
INTERLOCK_HOLD_NS = 60_000_000_000  # a condition that lasts longer does not clear by itself
HAND_CHECK_NS = 1_800_000_000_000  # a run that nobody can prove ends unproven after half an hour


class Engine:
    """`Engine(rig, profile, specimen)`; profile None guards a rig with no run open; `carried` is what the specimen
    brings from a run that was broken off, `earlier` what a walk is judged against. The first message is Opened."""

    def __init__(
        self,
        rig: Rig,
        profile: Profile | None,
        specimen: Specimen | None,
        carried: Carried = NOTHING_CARRIED,
        earlier: Earlier = NO_WALKS,
    ) -> None:
        self.rig, self.profile, self.specimen, self.carried, self.earlier = rig, profile, specimen, carried, earlier
        self.channels = Channels(rig)
        self.outputs = Outputs(rig)
        self.opening = Opening(rig, self.channels, self.outputs)
        self.interlocks = Interlocks(rig, self.channels, ())
        self.host = Host(rig, profile)
        self.questions = Questions(specimen)
        primary = rig.channels[self.channels.primary]
        self.findings = Findings(profile, primary, rig, self.channels.make_up_flow) if profile else None
        self.zero = ZeroReading(rig, self.channels)
        self.trend = Trend()
        self.state = VENTING
        self.run, self.step_at, self.last_step_at = 0, -1, -1  # the last: live when the run ended
        self.target_pa = NAN
        self.wanted: Wanted = SAFE
        self.operator_holds = self.done = False
        self.seq, self._t_ns, self.outcome = 0, 0, ""
        self._out: list[Output] = []
        self.live: object | None = None
        self.cut: object | None = None  # the live step that had no next moment, until the line is vented
        self.since_ns = self._clock_ns = self._clock_at_ns = 0
        self.low_since_ns = NEVER  # since when every specimen channel has been seen low, in VENTING
        self._hold_since_ns = self._held_since_ns = 0
        self._was_held_by = ""
        self.was_pressurised = self.closing = self.prepared = self.stop_asked = self._fell_with_feed = False
        self.paused = False  # vented and proven amid the run, for hands or a neighbour
        self.paused_ns = self.closing_since_ns = 0
        self.pause_asks: tuple[Question, ...] = ()
        self.neighbours_pressurised, self.neighbours_want_hands = 0, False
        self._cycle_at = 0
        self._called_pa = NAN
        self._sampled, self._sampled_ns = False, 0
        self._primary_device = primary.device
        self._take = {
            Scan: self._take_scan,
            Tick: lambda tick: None,  # time passes; the step does the rest
            OperatorAction: self._take_action,
            DeviceFault: self._take_fault,
            HostReport: self._take_report,
            Neighbours: self._take_neighbours,
            Opened: self._take_opened,
        }

    def step(self, message: Input) -> tuple[Output, ...]:
        """One message in, the messages it causes out, in order. Never raises on data."""
        out: list[Output] = []
        self._out, self.seq = out, message.seq
        t_ns = self._t_ns = message.t_ns
        if self.done:
            return ()
        self._called_pa, self._sampled, self.outputs.silent = NAN, False, False
        reading = self._take[type(message)](message)
        first = self.interlocks.check(t_ns, self.state, self.outputs.energised)
        if first:
            self._trip(first)
        if self.questions.expired(t_ns):
            endings.take_answer(self, "", "", False)
        self._run_state(t_ns)
        if self.interlocks.held_by != self._was_held_by:
            self._say_interlock()
        self.outputs.apply(self._with_vent_seen_shut(self.wanted), message.seq, t_ns, out)
        prompt = self.questions.next(message.seq, t_ns, self.neighbours_pressurised)
        if prompt is not None:
            out.append(prompt)
        if reading is not None:
            values, quality = reading
            highest_pa = self.findings.highest_pa if self.findings else 0.0
            reading = Reading(
                seq=message.seq, t_ns=t_ns, device=message.device, values=values, quality=quality, step=self.step_at,
                cycle=self._cycle_at, target_pa=self._called_pa, highest_pa=highest_pa,
            )  # fmt: skip
            out.append(reading)
            if self.outputs.is_kick_due(t_ns):
                if not self.host.causes and not self.channels.bad_causes(t_ns) and not self.channels.unheard():
                    self.outputs.kick(message.seq, t_ns, out)
        return tuple(out)

    @property
    def now_ns(self) -> int:
        """Time of the newest message [ns]."""
        return self._t_ns

    def _with_vent_seen_shut(self, wanted: Wanted) -> Wanted:
        """What may be told of what is wanted: inlet and air valve wait until the vent shows that it is shut. A command
        may be lost, or the valves' power cut; when it never shows, its read-back trips."""
        if not (wanted.inlet or wanted.air) or self.outputs.feeds or self.opening.vent_is_shut():
            return wanted
        return wanted._replace(inlet=False, air=False)

    def view(self) -> View:
        """A frozen picture of now; changes nothing."""
        return show(self, self._t_ns)

    # ---- what the messages say

    def _take_opened(self, message: Opened) -> None:
        self.run = message.run
        self.since_ns = message.t_ns
        self.interlocks = Interlocks(self.rig, self.channels, message.latched)
        self.say("opened", f"run {message.run} opened by rigd {message.version}", run=message.run)
        self.say("anchor", "wall clock anchor", utc_ns=message.utc_ns)
        self.host.anchor(message.t_ns, message.utc_ns)

    def _take_scan(self, scan: Scan) -> tuple[tuple[float, ...], tuple[int, ...]]:
        changed: list[int] = []
        read = self.channels.read(scan, changed)
        for at in changed:
            words = QUALITY_WORDS[self.channels.quality[at]]
            self.say("quality", f"{self.channels.names[at]} is {words}", channel=self.channels.names[at], quality=words)
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
        if self.findings is not None and self.was_pressurised and not self.closing:
            self.findings.note_highest(sampled_ns, pressure_pa)
            self._sampled, self._sampled_ns = self.state in (RUNNING, VENTING), sampled_ns

    def _take_fault(self, fault: DeviceFault) -> None:
        device = self.rig.devices[fault.device].name
        self.say("device", f"{device}: {fault.fault}: {fault.detail}", device=device, fault=fault.fault)
        if fault.fault == "recovered":
            self.outputs.forget(fault.device)
            self.opening.disturbed = True

    def _take_report(self, report: HostReport) -> None:
        for kind, text, data in self.host.take(report):
            self.say(kind, text, **data)
        self.interlocks.host_causes = self.host.causes

    def _take_neighbours(self, message: Neighbours) -> None:
        self.neighbours_pressurised, self.neighbours_want_hands = message.pressurised, message.hands
        self.interlocks.neighbours_live = message.pressurised > 0
        if message.pressurised:
            self.opening.forget()  # what feeds them feeds this one
        words = f"{message.pressurised} under pressure{', hands in the chamber' if message.hands else ''}"
        self.say("neighbours", words, pressurised=message.pressurised, hands=message.hands)

    def _take_action(self, action: OperatorAction) -> None:
        refusal = refusal_of(self, action)
        if refusal:
            self.say("refused", refusal, act=action.act, person=action.person, named=action.named)
            return
        self.say(
            "granted", f"{action.act} by {action.person}", act=action.act, person=action.person, named=action.named
        )
        match action.act:
            case "arm" | "start" | "hand_check":
                event = {"arm": ARM, "start": START, "hand_check": HAND_CHECK}[action.act]
                self.move(event, action.person)
                if event == START:
                    self.opening.forget()
                if event == START and self.paused:
                    self._go_on()
                elif event == START:
                    self._begin_run()
            case "vent":
                if self.opening.testing:
                    self.opening.give_up()
                    self.wanted = SAFE
                self.end_run("stopped", VENT, f"vented by {action.person}")
            case "stop":
                self._stop(action.person)
            case "hold" | "resume":
                self.operator_holds = action.act == "hold"
                self._hold_since_ns = self._t_ns
            case "reset":
                self.interlocks.reset()
                self.say("trip_state", "reset", to=self.interlocks.state)
            case "mark":
                mark = getattr(self.live, "mark", None)
                mark(self.sight(False)) if mark else endings.fail_by_mark(self)
            case "zero":
                self.zero.begin(self._t_ns)
            case "confirm":
                endings.take_answer(self, (action.answer or "").strip(), action.person, True)

    # ---- the run state

    def move(self, event: str, why: str) -> None:
        """One row of the run table; a missing row here is a bug."""
        old, new = self.state, RUN_TABLE[self.state, event]
        if old == new:
            return
        self.state, self.since_ns = new, self._t_ns
        self.say("state", f"{old} to {new}: {why}", **{"from": old, "to": new, "why": why})
        if old == VENTING:
            self._tell_cut()
        if new == VENTING:
            self.wanted, self.target_pa = SAFE, NAN
            self.low_since_ns = NEVER
            self.opening.look_away()
            self.operator_holds = False
        if new == VENTED:
            self.opening.said = ""
            rest.tell_opening(self)
            self.zero.begin(self._t_ns)
        if new == UNPROVEN:
            self.say("words", NOT_PROVEN)

    def _run_state(self, t_ns: int) -> None:
        match self.state:
            case "RUNNING":
                self._run(t_ns)
            case "VENTING":
                self._feel()
                rest.prove(self)
            case "VENTED" | "READY" | "ARMED" if not self.done:  # a person may have ended the run in this step
                rest.stand(self)
            case "UNPROVEN":
                self.opening.look(t_ns)
                if t_ns - self.since_ns > HAND_CHECK_NS:
                    if self.paused:
                        self.end_run("stopped", VENT, "nobody could say that the line is at zero")
                    elif self.closing_due:
                        endings.conclude(self)

    def _trip(self, cause: str) -> None:
        text = f"TRIP {cause}. The supply is isolated and the line vented. Find the cause, then reset"
        self.say("trip", text, cause=cause, first_out=self.interlocks.first_out)
        self._end_by_cause(cause, TRIP)

    def _end_by_cause(self, cause: str, event: str) -> None:
        """A trip, or an interlock that vents: what it says about the trace, where it says anything, names the end."""
        trace_class = self.interlocks.trace_class_of(cause)
        if self.state == RUNNING and self.findings is not None:
            self.findings.first_out = self.findings.first_out or cause
            if trace_class:
                self.findings.trace_class = trace_class
                self.findings.relief_lifted = trace_class == "plateau"
        self.end_run("" if trace_class else "tripped", event, cause)

    def end_run(self, ending: str, event: str, why: str) -> None:
        """Leave for the safe state. `ending` names how the run ends unless it ends by itself. A paused run is vented
        already: only a person ends it, a trip is reset and the run goes on."""
        was_running = self.state == RUNNING or (self.paused and ending == "stopped")
        closing_due = self.closing_due
        if was_running:
            self._cut_short()
        if self.findings and not closing_due and not self.paused:
            ends = was_running or (ending == "stopped" and not self.was_pressurised)
            if ends and not self.findings.ending:
                self.findings.ending = ending
            if ends:
                self.was_pressurised = True
        elif ending == "stopped" and (self.state == UNPROVEN or self.closing):
            self.questions.drop_all()  # the person leaves: what is known is the result
            endings.conclude(self)
            return
        self.move(event, why)

    def _cut_short(self) -> None:
        """The live step has no next moment. What was half done is told once the line is vented: it is felt so long."""
        self.paused, self.pause_asks = False, ()
        self.questions.drop_all()
        self.cut, self.live = self.live if hasattr(self.live, "cut_short") else None, None
        self._feel()

    def _feel(self) -> None:
        if self.cut is not None:
            self.cut.feel(self.sight(False))  # type: ignore[attr-defined]

    def _tell_cut(self) -> None:
        cut, self.cut = self.cut, None
        cycle = cut.cut_short(self.seq, self._t_ns) if cut is not None else None  # type: ignore[attr-defined]
        self._out += [] if cycle is None else [cycle]

    def _stop(self, person: str) -> None:
        """At the next safe point: a ramp has none but its end, so it is now; any other step is finished first."""
        live = self.profile.steps[self.step_at] if self.profile and self.step_at >= 0 else None
        if self.state == RUNNING and live is not None and type(live) is not Ramp:
            self.stop_asked = True
            return
        self.end_run("stopped", STOP, f"stopped by {person}")

    # ---- running

    def _begin_run(self) -> None:
        self.was_pressurised = True
        self._clock_ns, self._clock_at_ns = 0, self._t_ns
        self.step_at = -1
        if self.channels.water >= 0 and self.specimen is not None:
            water_k = self.channels.good(self.channels.water)
            self.say(
                "fact", f"water temperature {water_k:.2f} K", fact="water_temperature", value=water_k, source="measured"
            )
        self.next_step()

    def next_step(self) -> None:
        """Begin the next live step, or end the run."""
        assert self.profile is not None and self.findings is not None
        while self.step_at + 1 < len(self.profile.steps):
            self.step_at += 1
            step = self.profile.steps[self.step_at]
            live = LIVE_STEPS.get(type(step))
            if live is None:
                continue
            self.say("step", f"step {self.step_at + 1}: {step.name}", step=self.step_at, name=step.name)
            self.live = live(step, self.rig, self.sight(False))
            self.findings.tally = getattr(self.live, "tally", self.findings.tally)
            self.findings.begin_watching(type(step) is Ramp)
            return
        self.live = None
        self.end_run("", ENDED, "the last step ended")

    def sight(self, held: bool) -> Sight:
        channels = self.channels
        pressure_pa, feed_pa = channels.good(channels.primary), channels.good(channels.feed)
        return Sight(
            self._t_ns, self._clock_ns, pressure_pa, self.rig.vent.limit_pa, feed_pa, channels, self.carried,
            self.seq, self._sampled, self._sampled_ns, held, bool(self.interlocks.held_by),
            self.neighbours_want_hands, self.step_at, self.specimen, self.questions.facts,
            self.findings.tally if self.findings else None, self.outputs.kicked_ns,
            self.host.utc_ns(self._t_ns), self.earlier,
        )  # fmt: skip

    def _pause(self, standing: Standing) -> None:
        """Vent and prove amid the run; it goes on by arm and start, like any other pressure."""
        self.paused, self.paused_ns, self.pause_asks = True, self._t_ns, standing.questions
        self.questions.drop_all()
        self.say("pause", standing.said, why=standing.said)
        self.move(PAUSED, standing.said)

    def _go_on(self) -> None:
        self.paused = False
        self.say("went_on", "the run goes on", paused_ns=self._t_ns - self.paused_ns)
        self._clock_at_ns = self._t_ns
        self.live.resume(self.sight(False))  # type: ignore[union-attr]

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
            self.end_run("stopped", VENT, "the operator's hold lasted too long")
            return
        standing: Standing = self.live.advance(self.sight(held))  # type: ignore[union-attr]
        self.wanted = standing.wanted
        self.target_pa = self._called_pa = standing.target_pa
        self.outputs.silent = standing.withhold_kick
        if standing.cycle is not None:
            self._out.append(standing.cycle)
        if self.findings.tally is not None:  # type: ignore[union-attr]
            self._cycle_at = self.findings.tally.at  # type: ignore[union-attr]
        if standing.watch and self._sampled and self._watch():
            return
        if standing.word != GOING or standing.is_safe_point or standing.questions or standing.judgement is not None:
            self._take_standing(standing)

    def _watch(self) -> bool:
        """Look for signs in the sample that has just come. True when one fired and the run is over."""
        findings, channels = self.findings, self.channels
        assert findings is not None
        second_pa, feed_pa = channels.good(channels.second), channels.good(channels.feed)
        sign = findings.watch(second_pa, feed_pa, self._called_pa, channels.good(channels.wet),
                              channels.good(channels.make_up_flow))  # fmt: skip
        if findings.shares_fall != self._fell_with_feed:
            self._fell_with_feed = findings.shares_fall
            if findings.shares_fall:
                self.say("hiccup", "pressure fell and the supply fell with it", pressure_pa=findings.last_pa)
        if sign:
            endings.fail_by_sign(self, sign)
        return bool(sign)

    def _take_standing(self, standing: Standing) -> None:
        for kind, text, data in standing.events:
            self._out.append(Event(seq=self.seq, t_ns=self._t_ns, kind=kind, text=text, data=data))
        if standing.judgement is not None:
            endings.take_judgement(self, standing.judgement)
        if standing.is_safe_point and self.stop_asked:
            self.end_run("stopped", STOP, "stopped at the end of the cycle")
        elif standing.word == PAUSE:
            self._pause(standing)
        elif standing.word != GOING:
            endings.finish_step(self, standing)
        elif standing.questions:
            self.questions.add(list(standing.questions))

    @property
    def closing_due(self) -> bool:
        """The run has been under pressure, or was ended before it, and is not running any more."""
        return self.was_pressurised and self.state != RUNNING and not self.paused and self.findings is not None

    @property
    def wants_hands(self) -> bool:
        """Hands are in the chamber, or this run has paused so that they may be: neighbours wait, vented."""
        questions = self.questions
        return questions.has_hands_in or (self.paused and (bool(self.pause_asks) or questions.wants_hands))

    def _say_interlock(self) -> None:
        row, was = self.interlocks.held_by, self._was_held_by
        self._was_held_by, self._held_since_ns = row, self._t_ns
        self.say("interlock", f"held by {row}" if row else f"{was} let go", row=row or was, held=bool(row))

    def put(self, output: Output) -> None:
        self._out.append(output)

    def say(self, kind: str, text: str, **data: Scalar) -> None:
        """Put an event into what this step says."""
        self._out.append(Event(seq=self.seq, t_ns=self._t_ns, kind=kind, text=text, data=tuple(data.items())))
