"""What must be true at every step of a night, whatever goes wrong (the names and sentences are in `promises`).

The judge looks at the world and at the record of what passed between rig and world: raw counts delivered, commands
given, valves energised, true pressure, acts of people. What the engine believes is used only to say which promise is
due (a state it claims, a word it says), never as evidence that the promise was kept.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rigd.engine.engine import Engine
from rigd.model.messages import (
    DeviceFault,
    Event,
    HostReport,
    Input,
    Kick,
    OperatorAction,
    Output,
    Reading,
    Result,
    Scan,
    ValveCommand,
)
from rigd.model.states import ARMED, CLEAR, READY, RESETTABLE, RUNNING, TRIPPED, VENTED, VENTING
from simulator.bodies import PSI
from simulator.evidence import Evidence
from simulator.open_invariants import OpeningWatch
from simulator.person import SEEN_M3_PER_S
from simulator.plant import PER_M2
from simulator.promises import Violation, require
from simulator.record_check import check_record, tells_of_opening

if TYPE_CHECKING:
    from simulator.night import Night

FED_AFTER_NS, FED_AGAIN_NS = 2_000_000_000, 300_000_000  # when a process kicks first, and after what was wrong
AHEAD_FROM_PA, AHEAD_PA = 60.0 * PSI, 20.0 * PSI  # what a tank may hold from before; and the loop's overshoot
BEGINS_WITHIN_PA = 50.0 * PSI  # above the pressure that stands a step may begin: a filled line may have emptied since
LOOKED_AT, CHATTER = 4, "emergency_stop_chatters"  # every so many messages the values themselves are worked out again
LAG_LIMIT_US, CLOCK_STEP_NS, PA = 250_000, 50_000_000, 1.0
ARMED_NS, HOLD_LIMIT_S, MOST_SAID = 60_000_000_000, 5.0, 90


class Watch:
    """Looks at one night. `about_to` and `turned` stand around every message, `look` after every step of the iron."""

    def __init__(self, night: "Night") -> None:
        self.night, self.rig = night, night.rig
        self._roles = [output.role for output in self.rig.outputs]
        self._safe = [output.counts_safe for output in self.rig.outputs]
        self._set_point = self._roles.index("set_point")
        self._silence_ns = self.rig.watchdog_ns + 2 * night.swarm.step_ns
        self._step_limit = self._longest_run_s()
        fills = [step for step in night.swarm.profile.steps if type(step).__name__ == "Fill"]
        self._longest_fill_ns = max([step.timeout_ns for step in fills], default=0) + 1_000_000_000
        self._shortest_limit_ns = min(ARMED_NS, self.rig.vent.timeout_ns)
        self._fastest = max(
            getattr(step, name, 0.0)
            for step in night.swarm.profile.steps
            for name in ("rate_pa_per_s", "ramp_pa_per_s")
        )
        self._lingering_ns = self._over_ns = self._excused_ns = -1
        self._top_counts = self._counts_of(night.swarm.profile.max_pa + self.rig.control.trim_pa) + 1

    def _counts_of(self, pa: float) -> int:
        shape = self.rig.outputs[self._set_point]
        return int(shape.counts_energised * pa / shape.pa_high)

    def _longest_run_s(self) -> float:
        total = 20.0
        for step in self.night.swarm.profile.steps:
            total += getattr(step, "timeout_ns", 0) / 1e9 if type(step).__name__ == "Fill" else 0.0
            total += (getattr(step, "hold_ns", 0) + getattr(step, "fall_ns", 0) + getattr(step, "duration_ns", 0)) / 1e9
            total += 35.0 if type(step).__name__ in ("Proof", "Vent") else 0.0
            if type(step).__name__ == "Ramp":
                total += step.ceiling_pa / step.rate_pa_per_s
        return total

    # ---- one life of a process

    def be_born(self, engine: Engine) -> None:
        self.engine = engine
        self.evidence = Evidence(self.rig, self.night.swarm.profile)
        self.opening = OpeningWatch(self.rig)
        self.sent: list[int | None] = [None] * len(self._roles)
        self.session = self.dropped = self.dirty = self.lied = self.sent_is_new = False
        self.must_be_safe = bool(self.night.latched)
        self.evidence.latched += self.night.latched
        self.before = (engine.state, engine.interlocks.state)
        self.entered_ns = self.held_ns = 0
        self.holding = False
        self.last_t_ns = -1
        self.highest = self.highest_low = 0.0
        self.target: tuple[int, int, float] | None = None
        self.tripped_running, self.step_seen = False, -1
        self.pressure_ended_ns = self.ran_until_ns = 1 << 62
        self.results = 0
        self.utc_offset_ns: int | None = None
        self.report: HostReport | None = None
        self.filled_ns = 0
        self.messages: list[Input] = []
        self.kick_counts: int | None = None
        self._driven: list[tuple[int, int]] = []
        view = engine.view()
        require(view.highest_pa == 0.0 and view.step == -1 and view.target_pa != view.target_pa and not view.done,
                "RUN_SCOPED_STATE_FRESH", view)  # fmt: skip

    def bury(self, record: Sequence[bytes]) -> None:
        if not self.engine.done:
            self.session = False
        check_record(self, record)

    # ---- every message

    def about_to(self, message: Input) -> None:
        self.before = (self.engine.state, self.engine.interlocks.state)
        self._driven.clear()
        if self.night.swarm.replayed:
            self.messages.append(message)

    def driven(self, output: int, counts: int) -> None:
        """A command leaves for the iron."""
        self._driven.append((output, counts))
        role = self._roles[output]
        if role == "watchdog":
            return
        was, self.sent[output] = self.sent[output], counts
        self.evidence.stirred = self.sent_is_new = True
        if counts != self._safe[output] and (role != "set_point" or counts > (was or 0)):
            require(self.night.builder.empty, "RECORD_BEFORE_PRESSURE", role)
        if role in ("inlet", "vent"):
            inlet, vent = self.energised("inlet"), self.energised("vent")
            require(vent or not inlet, "NEVER_INLET_AND_VENT", f"commands at {self.night.now_ns}")
        if role == "set_point":
            require(counts <= self._top_counts, "SETPOINT_WITHIN_ALL_LIMITS", lambda: f"{counts} > {self._top_counts}")

    def energised(self, role: str) -> bool:
        at = self._roles.index(role)
        return self.sent[at] is not None and self.sent[at] != self._safe[at]

    @property
    def is_safe(self) -> bool:
        return all(s is None or s == safe for s, safe, role in zip(self.sent, self._safe, self._roles, strict=True)
                   if role != "watchdog")  # fmt: skip

    def turned(self, message: Input, said: tuple[Output, ...]) -> None:
        engine, kind, t_ns = self.engine, type(message), message.t_ns
        if t_ns <= self.last_t_ns:
            raise Violation("MONOTONIC_TIME", str(t_ns))
        self.last_t_ns = t_ns
        if self.night.storm.marks:
            self._note_marks(self.night.storm.marks)
        if kind is Scan:
            self._take_scan(message, said)
        elif kind is HostReport:
            self._take_report(message, said)
        elif kind is DeviceFault and message.fault == "recovered" and not engine.done:
            told = {o.output for o in said if type(o) is ValveCommand}
            mine = {n for n, o in enumerate(self.rig.outputs) if o.device == message.device and o.role != "watchdog"}
            require(mine <= told, "RECOVERED_IS_TOLD_ALL", lambda: (mine, said))
        elif kind is OperatorAction:
            answers = sum(1 for o in said if type(o) is Event and o.kind in ("granted", "refused"))
            require(answers == 1, "ACT_ANSWERED", (message, said))
        if len(said) != 1 or type(said[0]) is not Reading:
            self._hear(message, said)
        state, trip = engine.state, engine.interlocks.state
        if (state, trip) != self.before or len(engine.interlocks.latched) != len(self.evidence.latched):
            self._moved(message, said, *self.before, state, trip)
        due = self.evidence.due(t_ns, self.before[0], self.sent)
        if due:
            for name, words in due:
                require(trip == TRIPPED, name, lambda words=words: f"{words} in {self.before}, now {state} {trip}")
                require(self.is_safe, name, lambda words=words: f"{words}: still driven {self.sent}")
            self.must_be_safe = self.sent_is_new = True
        self.opening.turned(message, said, None if self.lied or self.dirty else self.night.plant)
        if self.must_be_safe and self.sent_is_new:
            require(self.is_safe, "TRIP_MEANS_SAFE", lambda: f"{state} {trip}: {self.sent}")
        if state == RUNNING:
            if not self.session:
                raise Violation("NO_SELF_START", str(message))
        elif self.sent_is_new or self.session:
            require(self.is_safe or self.opening.is_rise_test, "INLET_ONLY_WHEN_LIVE", lambda: f"{state}: {self.sent}")
            self.session = self.sent_is_new = False
        if t_ns - self.entered_ns > self._shortest_limit_ns:
            self._check_dwell(state, t_ns)

    def _note_marks(self, marks: str) -> None:
        if "lies" in marks or "bus" in marks:
            self.lied = self.dirty = True
        if "stuck" in marks or "host" in marks:
            self.dirty = True

    def _take_scan(self, scan: Scan, said: tuple[Output, ...]) -> None:
        evidence = self.evidence
        qualities = evidence.take(scan)
        if evidence.was_late:
            require(self.engine.interlocks.state != CLEAR, "STALE_IS_UNSAFE", "a silence went unnoticed")
            self.must_be_safe = self.sent_is_new = True
        reading = (
            said[-1] if said and type(said[-1]) is Reading else next((o for o in said if type(o) is Reading), None)
        )
        if reading is None:
            require(self.engine.done, "COMMANDS_ARE_DRIVEN", "a scan without a reading")
            return
        if reading.quality != qualities:
            for mine, theirs in zip(qualities, reading.quality, strict=True):
                require((mine == 0) == (theirs == 0), "BAD_NEVER_USED", lambda: (scan, reading.quality, qualities))
        if scan.seq % LOOKED_AT == 0:
            wrong = evidence.wrong_value(scan.device, reading.values)
            require(not wrong, "VALUES_ARE_TRUE", lambda: (wrong, scan, reading))
        highest = reading.highest_pa
        if scan.device == evidence.primary_device and self.session and evidence.quality[evidence.primary] == 0:
            self.highest_low = max(self.highest_low, evidence.good_primary)
        if not max(self.highest, self.highest_low) - PA <= highest <= evidence.highest + PA:
            raise Violation("HIGHEST_IS_MAX", f"{highest}: {self.highest}, {self.highest_low}, {evidence.highest}")
        self.highest = highest
        if reading.target_pa == reading.target_pa or self.target is not None:
            self._check_target(reading)

    def _check_target(self, reading: Reading) -> None:
        target, t_ns, was = reading.target_pa, reading.t_ns, self.target
        if target != target:
            self.target = None
            return
        if reading.step != self.step_seen:
            self.step_seen = reading.step
            begins_pa = max(self.evidence.good_primary, 0.0) + 0.3 * self._fastest + BEGINS_WITHIN_PA
            require(target <= begins_pa, "SETPOINT_WITHIN_ALL_LIMITS", f"a step begins at {target}, above {begins_pa}")
        if was is not None and was[0] == reading.step and self.energised("inlet"):
            rise = target - was[2]
            require(rise <= self._fastest * (t_ns - was[1]) / 1e9 + PA, "SETPOINT_WITHIN_ALL_LIMITS",
                    lambda: f"target rose {rise} Pa in {t_ns - was[1]} ns")  # fmt: skip
            if self.holding:
                require(rise <= PA, "HOLD_STANDS_STILL", lambda: f"{rise} Pa in {t_ns - was[1]} ns")
        require(target <= self.night.swarm.profile.max_pa + PA, "SETPOINT_WITHIN_ALL_LIMITS", target)
        most = self._counts_of(target + self.rig.control.trim_pa + 0.3 * self._fastest) + 2
        if self.energised("inlet"):
            found = self.sent[self._set_point] or 0
            require(found <= most, "SETPOINT_WITHIN_ALL_LIMITS", lambda: f"{found} counts for a target of {target} Pa")
        if self.holding and was is not None:
            self.held_ns += t_ns - was[1]
        self.target = (reading.step, t_ns, target)

    def _check_fill(self, t_ns: int) -> None:
        """The fill valve stands open with the vent shut no longer than the profile's time-out, holds left out."""
        if self.energised("fill") and not self.holding and not self.engine.interlocks.held_by:
            self.filled_ns += t_ns - self.report.t_ns if self.report else 0
            require(
                self.filled_ns <= self._longest_fill_ns, "EVERY_STATE_TIMES_OUT", f"filling for {self.filled_ns} ns"
            )
        elif not self.energised("fill"):
            self.filled_ns = 0

    def _take_report(self, report: HostReport, said: tuple[Output, ...]) -> None:
        self._check_fill(report.t_ns)
        self.report = report
        self.evidence.unwell = bool(
            report.write_error
            or report.journal_lag_us > LAG_LIMIT_US
            or report.inbox_full
            or report.free_bytes < 4_000_000
        )
        offset, was = report.utc_ns - report.t_ns, self.utc_offset_ns
        stepped = any(type(o) is Event and o.kind == "clock_step" for o in said)
        if was is not None and abs(offset - was) > CLOCK_STEP_NS:
            require(stepped, "MONOTONIC_TIME", f"the clock stepped by {offset - was} ns unsaid")
        self.utc_offset_ns = offset

    def _hear(self, message: Input, said: tuple[Output, ...]) -> None:
        require(len(said) <= MOST_SAID, "BOUNDED", len(said))
        asked: list[tuple[int, int]] = []
        for output in said:
            require(output.t_ns == message.t_ns and output.seq == message.seq, "MONOTONIC_TIME", output)
            kind = type(output)
            if kind is ValveCommand:
                asked.append((output.output, output.counts))
            elif kind is Kick:
                self._check_kick(message, output)
            elif kind is Event:
                self._hear_event(output)
            elif kind is Result:
                self._judge(output)
        driven = [(o, c) for o, c in self._driven if self._roles[o] != "watchdog"]
        require(sorted(asked) == sorted(driven), "COMMANDS_ARE_DRIVEN", lambda: (asked, driven))

    def _check_kick(self, message: Input, kick: Kick) -> None:
        require(type(message) is Scan, "KICK_IMPLIES_HEALTH", message)
        require(kick.counts != self.kick_counts, "KICK_IMPLIES_HEALTH", "a level proves nothing")
        self.kick_counts = kick.counts
        ill = self.evidence.ill(message.t_ns)
        require(not ill, "KICK_IMPLIES_HEALTH", ill)
        sent = any(self._roles[o] == "watchdog" for o, _ in self._driven)
        require(sent or self.evidence.unwell, "COMMANDS_ARE_DRIVEN", "a kick was not driven")

    def _hear_event(self, event: Event) -> None:
        seen, state = self.night.seen, self.before[0]
        data = dict(event.data)
        if event.kind == "trip":
            self.must_be_safe = self.sent_is_new = True
            seen.moves[state, "trip"] += 1
            if state == RUNNING:
                self.tripped_running = True
        elif event.kind == "granted":
            if data["act"] in ("vent", "stop"):
                seen.moves[state, data["act"]] += 1
            if data["act"] == "hold":
                self.holding, self.target = True, None
            elif data["act"] == "resume":
                self.holding = False
        elif event.kind in ("proof", "sign", "hiccup", "clock_step", "interlock"):
            seen.others[f"{event.kind} {data.get('sign', data.get('row', ''))}".strip()] += 1

    # ---- states

    def _moved(self, message: Input, said: tuple[Output, ...], was: str, trip_was: str, now: str, trip: str) -> None:
        act = message if type(message) is OperatorAction and message.named else None
        t_ns, seen = message.t_ns, self.night.seen
        judged = self._judged_in(message, was)
        for cause in self.engine.interlocks.latched:
            if cause not in self.evidence.latched:
                self.evidence.latched.append(cause)
                seen.causes[judged, cause] += 1
                if trip_was == TRIPPED:
                    seen.moves[TRIPPED, "a cause"] += 1
        if trip_was != trip:
            self._latch_moved(act, trip_was, trip, t_ns, was)
        if was == now:
            return
        self.entered_ns, self.held_ns, self.holding, self.target = t_ns, 0, False, None
        if was == RUNNING:
            self.ran_until_ns = self.night.now_ns
        event = next((dict(o.data) for o in said if type(o) is Event and o.kind == "state"), {})
        self._count_move(was, now, str(event.get("why", "")), said)
        if now == ARMED:
            require(act and act.act == "arm" and was == READY, "NO_SELF_START", message)
            self._check_permissives("armed")
        elif now == RUNNING:
            require(act and act.act == "start" and was == ARMED, "NO_SELF_START", message)
            self._check_permissives("started")
            self.session, self.dropped = True, False
        elif now == VENTED and was == VENTING:
            self.pressure_ended_ns = self.night.now_ns  # what breaks afterwards breaks in somebody's hands
            self._check_proof(t_ns)
        elif now == VENTED and was == "UNPROVEN":
            require(act and act.act == "hand_check", "LINE_AT_ZERO_IS_PROVEN", message)

    @staticmethod
    def _judged_in(message: Input, was: str) -> str:
        """The run state in which the trips were looked at in this step: an act moves it before they are."""
        if type(message) is not OperatorAction:
            return was
        if message.act in ("vent", "stop") and was in (READY, ARMED, RUNNING):
            return VENTING
        return {("arm", READY): ARMED, ("start", ARMED): RUNNING}.get((message.act, was), was)

    def _latch_moved(self, act: OperatorAction | None, was: str, now: str, t_ns: int, state: str) -> None:
        seen = self.night.seen
        if now == CLEAR:
            require(was == RESETTABLE and act and act.act == "reset", "TRIP_LATCHED", f"{was} to {now}")
            ill = self.evidence.ill(t_ns)
            require(not ill, "TRIP_LATCHED", ill)
            self.must_be_safe = False
            self.evidence.latched.clear()
            seen.moves[was, "reset"] += 1
        elif now == RESETTABLE:
            seen.moves[was, "all causes healthy"] += 1
        else:
            seen.moves[was, "a cause"] += 1

    def _count_move(self, was: str, now: str, why: str, said: tuple[Output, ...]) -> None:
        moves = self.night.seen.moves
        known = {("VENTING", "VENTED"): "pressure proven low", ("VENTING", "UNPROVEN"): "no proof in time",
                 ("UNPROVEN", "VENTED"): "hand check", ("VENTED", "READY"): "permissives hold",
                 ("READY", "VENTED"): "a permissive is lost", ("READY", "ARMED"): "arm", ("ARMED", "RUNNING"): "start",
                 ("ARMED", "READY"): "arming expired"}.get((was, now))  # fmt: skip
        if known:
            moves[was, known] += 1
        elif why.startswith(("vented by", "the operator")):
            moves[was, "vent"] += was == RUNNING and not why.startswith("vented by")
        elif why.startswith("stopped at"):
            moves[was, "stop"] += 1
        elif not any(type(o) is Event and o.kind == "trip" for o in said) and not why.startswith("stopped"):
            moves[was, "a permissive is lost" if was == ARMED else "steps ended"] += 1

    def _check_permissives(self, moment: str) -> None:
        wrong = self.evidence.wrong_permissives()
        require(not wrong, "PERMISSIVES_HELD_AT_START", f"{moment}: {wrong}")
        require(not self.must_be_safe, "TRIP_LATCHED", f"{moment} while latched")

    def _check_proof(self, t_ns: int) -> None:
        enough_ns = self.rig.vent.hold_ns - 2 * max(device.scan_ns for device in self.rig.devices)
        for at, since_ns in self.evidence.low_since.items():
            words = f"{self.rig.channels[at].name} low only since {since_ns}, now {t_ns}"
            require(since_ns >= 0 and t_ns - since_ns >= enough_ns, "LINE_AT_ZERO_IS_PROVEN", words)
        marks = self.night.storm.marks  # a valve that sticks open now may have raised it since the last sample
        if "lies" not in marks and "stuck" not in marks and not self.night.storm.is_active("sensor_slow"):
            require(self.night.plant.specimen_pa < self.rig.vent.limit_pa + 2.0 * PSI, "LINE_AT_ZERO_IS_PROVEN",
                    f"true pressure {self.night.plant.specimen_pa} Pa")  # fmt: skip

    def _check_dwell(self, state: str, t_ns: int) -> None:
        dwell_ns = t_ns - self.entered_ns
        slack_ns = 200_000_000 + self.night.longest_gap_ns
        if state == ARMED:
            require(dwell_ns <= ARMED_NS + slack_ns, "EVERY_STATE_TIMES_OUT", (state, dwell_ns))
        elif state == VENTING:
            require(dwell_ns <= self.rig.vent.timeout_ns + slack_ns, "EVERY_STATE_TIMES_OUT", (state, dwell_ns))
        elif state == RUNNING and not self.holding and not self.engine.interlocks.held_by:
            live_s = (dwell_ns - self.held_ns) / 1e9
            require(live_s <= self._step_limit + 130.0 + HOLD_LIMIT_S, "EVERY_STATE_TIMES_OUT", (state, live_s))

    # ---- results

    def _judge(self, result: Result) -> None:
        plant, profile = self.night.plant, self.night.swarm.profile
        self.results += 1
        self.night.seen.others[f"outcome {result.outcome}"] += 1
        require(self.results == 1, "VERDICT_IS_EARNED", "two results")
        if result.failure_raw_pa is not None and result.highest_pa is not None:
            require(result.failure_raw_pa <= result.highest_pa + PA, "HIGHEST_IS_MAX", result)
        if result.highest_pa is not None:
            off = result.highest_pa + (result.zero_pa or 0.0) - self.highest
            require(-PA <= off <= PA, "HIGHEST_IS_MAX", result)
        if plant.failed_at_s is not None and plant.failed_at_s * 1e9 < self.night.origin_ns:
            return  # broken in an earlier run that was killed: what it once stood is not this run's to say
        if {"operator_mark", "wet", "supply_flow"} & set(result.signs) and not self._mark_can_be_trusted(result):
            if plant.failed_at_s is not None and result.failure_pa is not None:
                low_pa = result.failure_pa - (result.bound_down_pa or 0.0)
                self.night.seen.others["marks that came late and overstate"] += plant.strength_pa < low_pa
            return
        if result.verdict == "accept":
            require(not self.tripped_running, "VERDICT_IS_EARNED", result)
            if not self.lied:
                felt = plant.strength_pa is not None and plant.strength_pa > self.rig.vent.limit_pa
                ended_ns = self.pressure_ended_ns if felt else self.ran_until_ns  # no run broke what broke at zero
                broke = plant.failed_at_s is not None and plant.failed_at_s * 1e9 <= ended_ns
                stood = plant.strength_pa if broke else plant.highest_true_pa
                stood = min(stood, plant.yield_pa) if result.outcome == "ballooned" and plant.yield_pa else stood
                told = broke and tells_of_opening(result, plant.leak_m2)
                require(told or stood >= profile.minimum_pa, "VERDICT_IS_EARNED", lambda: f"stood {stood}: {result}")
        if self.dirty or result.failure_pa is None or plant.strength_pa is None:
            return
        self.night.seen.others["results held to the truth"] += 1
        off = plant.gave_way_pa(self.ran_until_ns / 1e9) - result.failure_pa
        require(-result.bound_down_pa <= off <= result.bound_up_pa, "TRUTH_WITHIN_BOUND",
                lambda: f"strength {plant.strength_pa}, off {off}: {result}")  # fmt: skip

    def _mark_can_be_trusted(self, result: Result) -> bool:
        """Whether the bound of a mark is due: the operator looked all the time and pressed it (or an instrument),
        and the leak could be seen from the moment it began. A smaller one is seen when it has grown (see NIGHTS.md)."""
        plant = self.night.plant
        began_pa = max(plant.strength_pa or 0.0, 0.0)
        watched = "operator_mark" not in result.signs or self.night.crowd.honest_mark
        return watched and plant.leak_m2 * PER_M2 * began_pa**0.5 >= SEEN_M3_PER_S

    # ---- the iron itself

    def look(self) -> None:
        """After every step of time, whether or not a process lives."""
        night, plant = self.night, self.night.plant
        now_ns = night.now_ns
        inlet = plant.asked("inlet")
        if inlet:
            quiet = "bus" not in night.storm.marks and "host" not in night.storm.marks
            if quiet and not night.storm.is_active(CHATTER):  # which cuts the vent's power where no scan can show it
                require(plant.asked("vent"), "NEVER_INLET_AND_VENT", "valves energised")
            allowed = self.session and self.energised("inlet") and night.engine is not None
            if allowed:
                self._lingering_ns = -1
            elif self._lingering_ns < 0:
                self._lingering_ns = now_ns
            else:
                limit_ns = night.swarm.step_ns if quiet else self._silence_ns
                require(now_ns - self._lingering_ns <= limit_ns, "WATCHDOG_DROPS", "an inlet nobody keeps open")
        else:
            self._lingering_ns = -1
        if plant.watchdog_dropped:
            self.dropped, running = True, night.engine is not None and not night.engine.done
            young = now_ns - night.origin_ns < FED_AFTER_NS
            if night.storm.marks or not running or young or self.evidence.ill(self.last_t_ns):
                self._excused_ns = now_ns
            require(now_ns - self._excused_ns < FED_AGAIN_NS, "WATCHDOG_IS_FED", f"dropped at {now_ns}")
            require(
                not (inlet or plant.asked("supply") or plant.asked("fill")), "WATCHDOG_DROPS", "dropped, yet energised"
            )
        elif self.dropped and (inlet or plant.asked("supply") or plant.asked("fill")):
            raise Violation("WATCHDOG_NEVER_REARMS", f"energised again at {now_ns}")
        self._check_pressure(now_ns)
        if self.session and self.target is not None and not night.storm.marks and night.engine is not None:
            if plant.specimen_pa > max(self.target[2], AHEAD_FROM_PA) + AHEAD_PA:
                raise Violation("NEVER_AHEAD", f"{plant.specimen_pa} Pa, called for {self.target[2]} Pa")

    def _check_pressure(self, now_ns: int) -> None:
        limit = self.evidence.trip_pa
        if self.night.plant.specimen_pa <= limit + 2.0 * PSI or self.night.storm.marks:
            self._over_ns = -1
        elif self._over_ns < 0:
            self._over_ns = now_ns
        elif now_ns - self._over_ns > 300_000_000:
            require(self.is_safe, "OVERPRESSURE_BOUNDED", f"{self.night.plant.specimen_pa} Pa")
