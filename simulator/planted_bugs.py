# ruff: noqa: E501 - a bug stands on one line, as long as that is
"""Small wrongs, one each: what a tired person might have typed into the rig's code. Every one must be found.

Each is (name, file, text as it is, text as it must not be). The text as it is must stand in the file exactly once, so a
list that has aged is noticed. Not one is of any use but to prove that the nights would see it.
"""

from typing import NamedTuple


class Bug(NamedTuple):
    name: str
    file: str
    old: str
    new: str
    nights: str = ""  # of bursts, or one of simulator.bench_nights.PLAYS


ENGINE, CALC, STORE = "rigd/engine/", "rigd/calc/exact/", "rigd/store/"
INTERLOCKS, OUTPUTS, CHANNELS = ENGINE + "interlocks.py", ENGINE + "outputs.py", ENGINE + "channels.py"
STATES, PROCEDURE, MACHINE = ENGINE + "states.py", ENGINE + "procedure.py", ENGINE + "engine.py"
ACTS, HOST, FINDINGS, PRESSURE = ENGINE + "acts.py", ENGINE + "host.py", ENGINE + "findings.py", ENGINE + "pressure.py"
REST, OPENING = ENGINE + "rest.py", ENGINE + "opening.py"
SURGE, CYCLES, COMBINE, TURNS = ENGINE + "surge.py", ENGINE + "cycles.py", ENGINE + "combine.py", ENGINE + "turns.py"
LEAK = CALC + "leak.py"
LOOP, JOURNAL, ENCODE, CALIBRATION = "rigd/loop.py", STORE + "journal.py", STORE + "encode.py", CALC + "calibration.py"

BUGS = (
    # interlocks
    Bug("trip rows are never looked at", INTERLOCKS, "found = [guard.name for guard in self._trips if", "found = [guard.name for guard in () if"),
    Bug("above is below", INTERLOCKS, "met = value + channels.worse_high[at] > self._limit", "met = value + channels.worse_high[at] < -self._limit"),
    Bug("limit doubled", INTERLOCKS, "self._channel, self._limit = row.channel, row.limit", "self._channel, self._limit = row.channel, row.limit * 2"),
    Bug("persistence ten times", INTERLOCKS, "self._persistence_ns = row.persistence_ns", "self._persistence_ns = row.persistence_ns * 10 + 200_000_000"),
    Bug("agreement limit tripled", INTERLOCKS, "rig.agreement.limit_pa, rig.agreement.persistence_ns", "rig.agreement.limit_pa * 3, rig.agreement.persistence_ns"),
    Bug("agreement looks one way only", INTERLOCKS, "if not (difference > self._limit_pa or difference < -self._limit_pa):", "if not (difference > self._limit_pa):"),
    Bug("agreement waits five times", INTERLOCKS, "return t_ns - self._since_ns > self._persistence_ns", "return t_ns - self._since_ns > 5 * self._persistence_ns"),
    Bug("read-back is not looked at", INTERLOCKS, "if read_back.is_broken(t_ns, energised[read_back.output], channels, self.neighbours_live):", "if False:"),
    Bug("read-back waits ten times", INTERLOCKS, "return t_ns - self._since_ns > self._limit_ns", "return t_ns - self._since_ns > 10 * self._limit_ns"),
    Bug("read-back of the safe state is not looked at", INTERLOCKS, "or shows == energised or (shows and", "or shows == energised or not energised or (shows and"),
    Bug("lost channels are no cause", INTERLOCKS, "        if bad:\n            found += bad", "        if bad:\n            pass"),
    Bug("the computer's causes are ignored", INTERLOCKS, "        if self.host_causes:\n            found += self.host_causes", "        if not self.host_causes:\n            found += self.host_causes"),
    Bug("the latch lets go by itself", INTERLOCKS, "self.state = TRIP_TABLE[self.state, HEALTHY]", "self.state = CLEAR"),
    Bug("a restart forgets the latch", INTERLOCKS, "self.state = TRIPPED if latched else CLEAR", "self.state = CLEAR"),
    Bug("resettable before anything was heard", INTERLOCKS, "if self.state == TRIPPED and not self._channels.unheard():", "if self.state == TRIPPED:"),
    # states and acts
    Bug("a cause that comes back is overlooked", STATES, "    (RESETTABLE, CAUSE): TRIPPED,", "    (RESETTABLE, CAUSE): RESETTABLE,"),
    Bug("arming needs no ready", STATES, "    (READY, ARM): ARMED,", "    (READY, ARM): ARMED,\n    (VENTED, ARM): ARMED,"),
    Bug("start without arming", STATES, "    (ARMED, START): RUNNING,", "    (ARMED, START): RUNNING,\n    (READY, START): RUNNING,"),
    Bug("arming starts", STATES, "    (READY, ARM): ARMED,", "    (READY, ARM): RUNNING,"),
    Bug("nameless people may arm", ACTS, '    if act in ("arm", "start", "reset", "hand_check", "zero") and not action.named:', '    if act in ("reset", "hand_check", "zero") and not action.named:'),
    Bug("nameless people may reset", ACTS, '    if act in ("arm", "start", "reset", "hand_check", "zero") and not action.named:', '    if act in ("arm", "start", "hand_check", "zero") and not action.named:'),
    Bug("nameless people may check by hand", ACTS, '    if act in ("arm", "start", "reset", "hand_check", "zero") and not action.named:', '    if act in ("arm", "start", "reset", "zero") and not action.named:'),
    Bug("unproven is vented", STATES, "    (VENTING, NO_PROOF): UNPROVEN,", "    (VENTING, NO_PROOF): VENTED,"),
    Bug("a lost permissive is forgotten", STATES, "    (ARMED, PERMISSIVE_LOST): VENTING,", "    (ARMED, PERMISSIVE_LOST): ARMED,"),
    Bug("arming never expires", REST, "ARMED_NS = 60_000_000_000", "ARMED_NS = 90_000_000_000"),
    Bug("a trip leaves the run running", MACHINE, "        if first:\n            self._trip(first)", "        if first and self.state != RUNNING:\n            self._trip(first)"),
    Bug("venting keeps the old wishes", MACHINE, "self.wanted, self.target_pa = SAFE, NAN", "self.target_pa = NAN"),
    Bug("every permissive is one permissive", REST, "holds = all(row[1] for row in rows)", "holds = any(row[1] for row in rows)"),
    Bug("two results", MACHINE, 'case "VENTED" | "READY" | "ARMED" if not self.done:', 'case "VENTED" | "READY" | "ARMED":'),
    Bug("a hold does not stop the clock", MACHINE, "        if not held:\n            self._clock_ns +=", "        if True:\n            self._clock_ns +="),
    # proof of venting
    Bug("vent hold is shortened", REST, "t_ns - engine.low_since_ns >= rule.hold_ns:", "t_ns - engine.low_since_ns >= rule.hold_ns // 10:"),
    Bug("vent proof forgives a high sample", REST, "held_since(low, engine", "held_since(low or engine.low_since_ns != NEVER, engine"),
    Bug("venting never ends", REST, "if t_ns - engine.since_ns > rule.timeout_ns:", "if t_ns - engine.since_ns > 20 * rule.timeout_ns:"),
    Bug("a rise is not looked at", OPENING, "self.rise_pa <= self._rig.vent.isolation_rise_pa", "True"),
    Bug("a live supply leaves the isolation proven", OPENING, "        self.isolation_proven = self.tried = False\n\n", "        self.tried = False\n\n", "leak"),
    Bug("the rise test is not made", OPENING, "self._phase, self._since_ns, self.tried, self.disturbed = SHUT, t_ns, True, False", "self._phase, self._since_ns, self.tried, self.isolation_proven = IDLE, t_ns, True, True"),
    Bug("a trip does not end the rise test", REST, "calm = engine.interlocks.state == CLEAR and not", "calm = not"),
    Bug("a device away amid the rise test is overlooked", MACHINE, "self.opening.disturbed = True", "pass"),
    Bug("the words come back with one low sample", OPENING, "if not self._has_held(self._line_low_ns, t_ns):", "if self._line_low_ns == NEVER:", "rest"),
    Bug("the inlet does not wait for the vent", MACHINE, "self._with_vent_seen_shut(self.wanted)", "self.wanted"),
    Bug("a vent seen shut before it was told counts", OPENING, "channels.good(at) == shows and channels.good_ns[at] > self._outputs.vent_told_ns", "channels.good(at) == shows"),
    Bug("a vent that shows shut need not be told", OPENING, "(self._outputs.energised[self._vent_at] and self._vent_shows(1.0))", "self._vent_shows(1.0)", "rest"),
    Bug("a feed that was seen open leaves the isolation proven", OPENING, "if self.isolation_proven and not self._seen_shut():", "if False:", "rest"),
    Bug("pockets are forgotten", OPENING, "            if state not in (\"proven\", \"vented\"):", "            if False:"),
    Bug("one transducer low is enough", CHANNELS, "self.quality[at] == GOOD and self.value[at] + self.worse_high[at] < limit_pa for at in self.specimens\n", "self.quality[at] == GOOD and self.value[at] + self.worse_high[at] < limit_pa for at in self.specimens[:1]\n"),
    Bug("low is proven ten times too high", CHANNELS, "self.value[at] + self.worse_high[at] < limit_pa", "self.value[at] + self.worse_high[at] < 10 * limit_pa"),
    # channels
    Bug("old values are good", CHANNELS, "            if heard_ns != NEVER and t_ns - heard_ns > stale_ns:", "            if heard_ns != NEVER and t_ns - heard_ns > 30 * stale_ns:"),
    Bug("doubt excuses silence", CHANNELS, "            if heard_ns != NEVER and t_ns - heard_ns > stale_ns:", "            if heard_ns != NEVER and t_ns - heard_ns > stale_ns and code == GOOD:", "rest"),
    Bug("a silence is forgiven by the next scan", CHANNELS, "heard_ns != NEVER and t_ns - heard_ns > stale_ns else", "heard_ns != NEVER and t_ns - heard_ns > 300 * stale_ns else"),
    Bug("failed is no cause", CHANNELS, "            if is_failed(code):", "            if is_failed(code) and at > 1:"),
    Bug("armed on a channel in doubt", CHANNELS, "return [self.names[at] for at, _ in self._watched if self.quality[at] != GOOD] if self._ungood else []", "return []"),
    Bug("doubt lasts for ever", CHANNELS, "UNCERTAIN_NS = 1_000_000_000", "UNCERTAIN_NS = 1_000_000_000_000"),
    Bug("bad values are good for results", CHANNELS, "return self.value[at] if at >= 0 and self.quality[at] == GOOD else NAN", "return self.value[at] if at >= 0 else NAN"),
    Bug("a zero hides pressure from the trips", CHANNELS, "self.worse_high[at] = -zero if zero < 0.0 else 0.0", "self.worse_high[at] = -60.0 * zero - 200_000.0"),
    # calibration
    Bug("failed low reads good", CALC + "quality.py", "MEASURES_LOW_MA, MEASURES_HIGH_MA = 3.8, 20.5", "MEASURES_LOW_MA, MEASURES_HIGH_MA = 3.4, 20.5"),
    Bug("failed high reads good", CALC + "quality.py", "MEASURES_LOW_MA, MEASURES_HIGH_MA = 3.8, 20.5", "MEASURES_LOW_MA, MEASURES_HIGH_MA = 3.8, 22.0"),
    Bug("two points, one wrong", CALIBRATION, "value = y0 + (signal - x0) * gain + offset", "value = y0 + (signal - x0) * gain * 0.9 + offset"),
    Bug("a table that stops at its last segment but one", CALIBRATION, "last = len(points) - 2\n", "last = 0 * len(points)\n    return points[0][1]\n"),
    Bug("a polynomial read backwards", CALIBRATION, "for coefficient in reversed(coefficients):", "for coefficient in coefficients:"),
    Bug("no number is a number", CALIBRATION, "            return NAN, NOT_FINITE\n        if is_current:", "            return 0.0, GOOD\n        if is_current:"),
    Bug("float bits read with an exponent one too high", CALIBRATION, "power = exponent - 150", "power = exponent - 149"),
    # outputs and watchdog
    Bug("vent opens while the inlet is open", OUTPUTS, "            (\"vent\", wanted.vent_shut),  # at once", "            (\"vent\", wanted.vent_shut and not wanted.inlet),  # at once"),
    Bug("raising is not marked", OUTPUTS, "raising = energised if raises is None else raises", "raising = False"),
    Bug("a recovered device keeps what it was told", OUTPUTS, "                self.commanded[at] = UNKNOWN\n", "                pass\n"),
    Bug("a level instead of a counter", OUTPUTS, "self._kicks = (self._kicks + 1) % COUNTER_END", "self._kicks = 1"),
    Bug("kicks too seldom", OUTPUTS, "KICK_FRACTION = 5", "KICK_FRACTION = 1"),
    Bug("kicks whatever the samples", MACHINE, "if not self.host.causes and not self.channels.bad_causes(t_ns) and not self.channels.unheard():", "if not self.host.causes:"),
    Bug("kicks whatever the journal", MACHINE, "if not self.host.causes and not self.channels.bad_causes(t_ns)", "if not self.channels.bad_causes(t_ns)"),
    # procedure and control
    Bug("ramp at double rate", PROCEDURE, "self._called_for(sight, self._step.rate_pa_per_s)", "self._called_for(sight, 2.5 * self._step.rate_pa_per_s)"),
    Bug("no ceiling", PROCEDURE, "        if target_pa >= ceiling_pa:\n            target_pa = ceiling_pa", "        if target_pa >= 3.0 * ceiling_pa:\n            target_pa = ceiling_pa"),
    Bug("ramp starts anywhere", PROCEDURE, "self._called_for(sight, self._step.rate_pa_per_s)", "self._called_for(sight, self._step.rate_pa_per_s) + 9.0 * self._step.rate_pa_per_s"),
    Bug("a fill without end", PROCEDURE, "        if elapsed_ns > self._step.timeout_ns:", "        if elapsed_ns > 100 * self._step.timeout_ns:"),
    Bug("trim without limit", PRESSURE, "limit_pa = self._trim_pa", "limit_pa = 1e9"),
    Bug("the loop pushes the wrong way", PRESSURE, "error_pa = target_pa - sight.pressure_pa", "error_pa = sight.pressure_pa + target_pa"),
    # findings
    Bug("highest falls again", FINDINGS, "        if pressure_pa > self.highest_pa:\n            self.highest_pa = pressure_pa", "        self.highest_pa = pressure_pa"),
    Bug("highest is zeroed twice", FINDINGS, "highest = self.highest_pa - zero_pa if self.highest_pa > 0.0 else None", "highest = self.highest_pa - 0.1 * self.highest_pa - zero_pa if self.highest_pa > 0.0 else None"),
    Bug("bound of half the size", CALC + "burst.py", "self.down_pa = gap_pa / 2.0 + lag_pa + grain_pa + bias_pa + latency_pa + sagged_pa / 2.0", "self.down_pa = 0.0"),
    Bug("failure pressure is the highest", FINDINGS, "self.failure_raw_pa, self.failed_ns = watch.onset_pa, watch.onset_ns", "self.failure_raw_pa, self.failed_ns = 1.2 * watch.highest_pa, watch.onset_ns"),
    Bug("ramp time runs backwards", CALC + "burst.py", "lag_pa = rate_pa_per_s * (tau_ns / 1e9)", "lag_pa = -40.0 * rate_pa_per_s * (tau_ns / 1e9)"),
    # computer
    Bug("a late journal is fine", HOST, "JOURNAL_BEHIND_US = 250_000", "JOURNAL_BEHIND_US = 250_000_000"),
    Bug("a write error is fine", HOST, "if report.write_error:", "if report.write_error == \"never\":"),
    Bug("a full inbox is fine", HOST, "if report.inbox_full:", "if report.inbox_full and report.write_error:"),
    Bug("a full disk is fine", HOST, "RESERVE_BYTES = 4_000_000", "RESERVE_BYTES = 0"),
    Bug("clock steps go unsaid", HOST, "CLOCK_STEP_NS = 50_000_000", "CLOCK_STEP_NS = 50_000_000_000_000"),
    # loop, journal, encoding
    Bug("pressure before its record", LOOP, "        if raising:\n            self.flush()", "        if raising:\n            pass"),
    Bug("raising commands are dropped", LOOP, "            for command in raising:\n                self._drive(command.output, command.counts)", "            for command in raising[1:]:\n                self._drive(command.output, command.counts)"),
    Bug("outputs are not recorded", LOOP, "            builder.add_output(output)\n", "            if type(output) is not ValveCommand:\n                builder.add_output(output)\n"),
    Bug("kicks even when unwell", LOOP, "                if not self._unwell:\n", "                if self._unwell:\n"),
    Bug("the chain does not move on", JOURNAL, "        self.head = link(kind=kind, first_seq=first_seq, counts=counts, previous=previous, digests=digests)\n        parts", "        link(kind=kind, first_seq=first_seq, counts=counts, previous=previous, digests=digests)\n        parts"),
    Bug("a block says the wrong first number", JOURNAL, "            self._first_seq = seq\n", "            self._first_seq = seq + 1\n"),
    Bug("scans lose their width", ENCODE, "return _packed(Scan, n).pack(TAGS[Scan], n, *_SCAN_SCALARS(message), *counts)", "return _packed(Scan, n).pack(TAGS[Scan], n, *_SCAN_SCALARS(message)[:-1], 0, *counts)"),
    # surges on stations
    Bug("a surge counts twice", CYCLES, "self.applied += cycle.applied", "self.applied += 2 * cycle.applied", "surge"),
    Bug("a surge cut short was felt by nobody", CYCLES, "self.partial += cycle.partial", "self.partial += cycle.partial\n        self.applied -= cycle.partial and cycle.applied", "surge"),
    Bug("a blown cap is not noticed", SURGE, "            if sign:\n                return self._part_company(sight, sign)", "            if False:\n                return self._part_company(sight, sign)", "surge"),
    Bug("a sag is not told", SURGE, "            why.append(\"sagged\")", "            pass", "surge"),
    Bug("a part that sticks is back", SURGE, "            return self._returned_ns >= 0\n", "            return True\n", "surge"),
    Bug("a surge lasts three times as long", SURGE, "if since_ns >= step.release_ns + step.rise_ns + step.hold_ns:", "if since_ns >= 3 * (step.release_ns + step.rise_ns + step.hold_ns):", "surge"),
    Bug("a station in doubt has no say", COMBINE, "    if wants_safe or not energising:", "    if not energising:", "surge"),
    Bug("one station alone has the say", COMBINE, "running = [at for at, engine in enumerate(self._engines) if engine.state == RUNNING]\n        wants", "running = [0]\n        wants", "surge"),
    Bug("neighbours under pressure are not told of", COMBINE, "pressurised += engine.state not in (\"VENTED\", \"READY\")", "pressurised += 0", "surge"),
    Bug("what a killed run has counted is forgotten", CYCLES, "self.released, self.applied, self.valid = carried.released, carried.applied, carried.valid", "self.released, self.applied, self.valid = 0, 0, 0", "surge"),
    # cap turns
    Bug("an onset narrowed by the angle", LEAK, "    last_tight = first_leaking = None\n    for turns, verdict in marks:\n        if verdict == TIGHT and (", "    last_tight = first_leaking = None\n    angle_u_turns = -angle_u_turns\n    for turns, verdict in marks:\n        if verdict == TIGHT and (", "leak"),
    Bug("an onset in spite of a contradiction", LEAK, "if last_tight is not None and first_leaking is not None and last_tight >= first_leaking:", "if False:", "leak"),
    Bug("a leak seen by one method is tight", LEAK, "    if LEAKING in verdicts:\n        return LEAKING", "    if LEAKING in verdicts:\n        return TIGHT", "leak"),
)  # fmt: skip
