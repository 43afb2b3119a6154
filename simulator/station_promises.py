"""The judge of a world of stations: each promise of the surge work, named, and held against what the world did.

It looks at the bench's true valves and pressures, the bodies' own counts, the commands that reached the iron and the
acts that people sent. Of an engine it takes only what was said: events, questions on the screen, cycles. Where a fault
of the night's own makes the iron do what nobody commanded, a promise about that iron waits until the fault is over and
its traces are gone. `turned` after every step of an engine, `driven` before every command, `look` after every tick.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rigd.model.messages import Cycle, Event, Input, OperatorAction, Output
from rigd.model.profile import Profile, Surge
from rigd.model.rig import Rig
from rigd.model.states import ARMED, READY, RUNNING, UNPROVEN, VENTED, VENTING
from simulator.bodies import PSI
from simulator.promises import Violation
from simulator.surge_bench import SurgeBench

if TYPE_CHECKING:
    from simulator.stations import StationsWorld

STATION_PROMISES = {
    "CYCLES_COUNT_ONCE": "what was applied is what the body felt, surge by surge, numbered without gap, across kills",
    "NEVER_INLET_AND_VENT": "release or air valve and vent of one station are never both driven open",
    "INLET_ONLY_WHEN_LIVE": "only a running station has an energised output, and no shot outlasts what it asks for",
    "TRIP_MEANS_SAFE": "a tripped station is de-energised, the supply is on only for who runs while none is in doubt",
    "NO_SELF_START": "a station runs only after a named arm and then a named start since its boot, pause, trip or vent",
    "VENTED_IS_LOW": "what is called proven low is truly low",
    "HANDS_FIND_NO_PRESSURE": "a question that has hands in finds all stations truly low, and none goes live meanwhile",
    "ONE_STOPS_NO_OTHER": "no station's end is owed to a neighbour whose valves obey",
    "PARTED_IS_SHUT_OFF": "after a cap has blown off its release valve is truly shut within the bound, and stays shut",
    "SAG_IS_TOLD": "no surge is called valid during which what fed it truly sagged beyond the profile's bound",
    "STUCK_IS_COUNTED": "a part is called stuck when it truly was not back, and only then",
    "SUPPLY_STUCK_IS_SEEN": "a supply valve that is not where it was told to be trips a station",
    "EVERY_STATE_TIMES_OUT": "venting and arming do not last longer than their limits",
    "RECORD_BEFORE_PRESSURE": "a command that opens towards pressure follows its record",
    "LIVENESS": "with all faults healed every body comes to the end of its test",
    "NEVER_RAISES": "no message makes an engine raise",
}

NOISE_PA = 2.0 * PSI  # between the truth and what good transducers show
FEED_NOISE_PA = 0.4 * PSI  # the same, of the one that all stations share
SHARP = 0.12  # of the threshold: nearer than this a peak is not told apart from it
SEEN_LATE_S = 0.15  # a valve's travel and what its command waits for
TRACE_S = 3.0  # after a fault its traces may be seen for so long
AFTER_S = 12.0  # and what it did to runs
ACTED_NS = 40_000_000_000  # a vent that somebody asked for beside open hands may last so long
ARMED_NS, VENTING_SLACK_NS = 61_000_000_000, 12_000_000_000
OWN_VALVES = ("inlet_stuck_open", "inlet_stuck_shut", "inlet_slow", "vent_stuck_shut", "vent_slow", "read_back_wrong")
OF_SIGHT = ("sensor_dies", "sensor_spike")
OF_ALL = ("supply_stuck_open", "supply_stuck_shut", "supply_lost", "regulator_hiccup", "door_opened", "emergency_stop")
REACHES_ALL = (*OF_ALL, "inlet_stuck_open", "inlet_slow", "read_back_wrong")
"""What a neighbour may feel: of one station's valves only those that leave its isolation in doubt."""
FEEDS_ALL = ("supply_lost", "regulator_hiccup", "supply_stuck_shut", "supply_stuck_open")
NOT_ITS_OWN = ("the charge pressure was not reached", "the pressure did not come down", "supply_low")


def require(holds: object, name: str, words: str = "") -> None:
    if not holds:
        raise Violation(name, words, STATION_PROMISES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of the night: from when to when, in the bench's time. `station` 0: all of them."""

    kind: str
    station: int
    at_s: float
    until_s: float

    @property
    def text(self) -> str:
        where = f":{self.station}" if self.station else ""
        return f"{self.kind}{where}@{self.at_s:.3f}-{self.until_s:.3f}"


@dataclass(slots=True)
class Seen:
    """What the judge knows of one station in one process."""

    guards: bool = False  # its test is over: an engine without a profile looks after it
    state: str = VENTING
    since_ns: int = 0
    armed: bool = False
    live: bool = False
    tripped: bool = False
    fresh: bool = False  # the vent was shut for a shot that has not begun
    in_shot: bool = False  # and its cycle is not told yet
    acted_ns: int = -(10**18)  # when somebody last did something here
    shot_s: float = -1.0  # since when a valve towards the body is energised
    peak_pa: float = 0.0  # true, since the release
    feed_low_pa: float = float("inf")
    low_looks: int = 0
    felt: int = 0  # by the body's own count, when last looked at
    released_at: int = 0  # that count at the release
    open_s: float = -1.0  # since when it is truly open though the cap is gone
    hung_s: float = -1.0  # since when its release valve hangs open though it does not run
    lifted_until_s: float = -1.0  # last moment at which the part was away
    cycle: int = 0
    loose: int = 0  # surges of which nobody can say whether they were felt


class StationWatch:
    """Through one process. `faults` are the night's; `felt` is what each body had felt when it began."""

    def __init__(self, rig: Rig, profile: Profile, bench: SurgeBench, faults: tuple[Fault, ...]) -> None:
        self.rig, self.bench, self.faults = rig, bench, faults
        self.step = next(step for step in profile.steps if type(step) is Surge)
        self.seen = [Seen(felt=station.specimen.cycles) for station in bench.stations]
        self.scan_s = max(device.scan_ns for device in rig.devices) / 1e9
        self._plain = set(profile.arm_prompts)
        self._low_pa = rig.vent.limit_pa + NOISE_PA
        self._supply_wrong_s = -1.0
        self._supply = next(output for output in rig.outputs if output.role == "supply")
        self._read_back_s = max(o.read_back_ns for o in rig.outputs if o.role in ("inlet", "air")) / 1e9
        step = self.step
        self._shot_s = (step.release_ns + step.rise_ns + step.hold_ns) / 1e9
        self._notice_s = (step.release_ns + step.rise_ns) / 1e9 + 0.01 + 5 * self.scan_s + SEEN_LATE_S

    def near(self, kinds: tuple[str, ...], number: int, since_s: float = TRACE_S) -> bool:
        """Whether such a fault is on, or was within this time. `number` 0: on any station."""
        now_s = self.bench.t_s
        return any(
            fault.kind in kinds and fault.station in (0, number or fault.station)
            and fault.at_s - 0.1 <= now_s <= fault.until_s + since_s
            for fault in self.faults
        )  # fmt: skip

    # ---- what is said

    def turned(self, at: int, message: Input, said: tuple[Output, ...]) -> None:
        for output in said:
            if type(output) is Event:
                self._hear(at, message, output)
            elif type(output) is Cycle:
                self._judge_cycle(at, output)

    def _hear(self, at: int, message: Input, event: Event) -> None:
        seen, data = self.seen[at], dict(event.data)
        act = message.act if type(message) is OperatorAction and message.named else ""
        if type(message) is OperatorAction:
            seen.acted_ns = event.t_ns
        if event.kind == "opened":
            guards = data["run"] == 0
            self.seen[at] = Seen(
                since_ns=event.t_ns, felt=seen.felt, cycle=seen.cycle, loose=seen.loose, guards=guards
            )  # fmt: skip
        elif event.kind == "trip":
            seen.tripped, seen.live, seen.armed = True, False, False
            hands_in = data["cause"] == "door_opened" and not self.bench.door_shut
            if not (hands_in and (seen.guards or event.t_ns - seen.acted_ns < ACTED_NS)):
                self._blame(at, event.text)
        elif event.kind == "trip_state":
            require(act == "reset", "TRIP_MEANS_SAFE", f"station {at + 1}: the latch let go without a person")
            seen.tripped = False
        elif event.kind == "state":
            self._move(at, act, str(data["from"]), str(data["to"]), str(data["why"]))
            seen.state, seen.since_ns = str(data["to"]), event.t_ns

    def _move(self, at: int, act: str, old: str, new: str, why: str) -> None:
        seen, where = self.seen[at], f"station {at + 1}: {old} to {new}"
        if new == ARMED:
            require(act == "arm" and old == READY and not seen.tripped, "NO_SELF_START", where)
        elif new == RUNNING:
            require(act == "start" and seen.armed and not seen.tripped, "NO_SELF_START", where)
        elif old == VENTING and new == VENTED and not self.near((*OWN_VALVES, *OF_SIGHT), at + 1):
            pressure_pa = self.bench.stations[at].water.pa
            require(pressure_pa < self._low_pa, "VENTED_IS_LOW", f"{where}: {pressure_pa:.0f} Pa, {why}")
        elif old == RUNNING and why.startswith(NOT_ITS_OWN):
            self._blame(at, why)
        seen.armed = new == ARMED
        seen.live = new == RUNNING

    def _blame(self, at: int, text: str) -> None:
        """A run or a rest that a trip ended must have a fault of this station, or one that reaches it, to blame."""
        own = self.near((*OWN_VALVES, *OF_SIGHT, *OF_ALL), at + 1, AFTER_S)
        require(own or self.near(REACHES_ALL, 0, AFTER_S) or self._hung(at), "ONE_STOPS_NO_OTHER",
                f"station {at + 1}: {text}")  # fmt: skip

    def _hung(self, at: int) -> bool:
        """Its own body keeps pressure or leaks: its own affair."""
        return bool(self.bench.stations[at].specimen.failed_at) and not self.seen[at].tripped

    def _judge_cycle(self, at: int, cycle: Cycle) -> None:
        seen, where = self.seen[at], f"station {at + 1}, cycle {cycle.cycle}"
        specimen, step, number = self.bench.stations[at].specimen, self.step, at + 1
        require(cycle.cycle == seen.cycle + 1, "CYCLES_COUNT_ONCE", f"{where} after {seen.cycle}")
        seen.cycle, seen.in_shot = cycle.cycle, False
        felt = specimen.cycles - seen.released_at
        blind = self.near(OF_SIGHT, number)
        if abs(seen.peak_pa / step.threshold_pa - 1.0) < SHARP or blind or "unseen" in cycle.why:
            seen.loose += cycle.applied != (felt == 1)
        elif felt != cycle.applied and (specimen.failed_at or self.near(OWN_VALVES, number, AFTER_S)):
            seen.loose += abs(felt - cycle.applied)  # what came apart in a shot may be filled again by the same shot,
            # and a valve that opens by itself may fill the body before the shot that goes on with it
        else:
            require(cycle.applied == (felt == 1) and felt <= 1, "CYCLES_COUNT_ONCE",
                    f"{where}: applied {cycle.applied}, felt {felt}, true peak {seen.peak_pa:.0f} Pa")  # fmt: skip
        seen.felt = specimen.cycles
        if cycle.valid and not self.near(FEEDS_ALL, 0, 1.0):
            least_pa = (1.0 - step.sag) * step.charge_pa - FEED_NOISE_PA
            require(seen.low_looks < 2, "SAG_IS_TOLD", f"{where}: {seen.feed_low_pa:.0f} of {least_pa:.0f} Pa")
        self._judge_part(at, cycle, where)

    def _judge_part(self, at: int, cycle: Cycle, where: str) -> None:
        part, specimen = self.step.part, self.bench.stations[at].specimen
        if part is None or part.sign != "switch" or cycle.partial:
            return
        if cycle.returned:
            require(not specimen.lifted, "STUCK_IS_COUNTED", f"{where}: called back, and it is away")
        elif cycle.returned is False and not self.near((*OF_SIGHT, *OWN_VALVES), at + 1):
            back_s = self.bench.t_s - self.seen[at].lifted_until_s
            require(back_s < 4 * self.scan_s, "STUCK_IS_COUNTED", f"{where}: called stuck, back {back_s:.3f} s ago")

    # ---- what reaches the iron

    def driven(self, output: int, counts: int, recorded: bool) -> None:
        shape = self.rig.outputs[output]
        if shape.role in ("inlet", "air", "vent", "fill", "supply") and counts != shape.counts_safe:
            require(recorded, "RECORD_BEFORE_PRESSURE", f"{shape.name} = {counts}")
            at = shape.station - 1
            if shape.role == "vent":
                self.seen[at].fresh = True
            elif shape.role in ("inlet", "air") and self.seen[at].fresh:
                self._release(at)

    def _release(self, at: int) -> None:
        """The first opening towards the body since the vent was shut: a shot."""
        seen, specimen = self.seen[at], self.bench.stations[at].specimen
        seen.fresh, seen.in_shot = False, True
        seen.released_at, seen.peak_pa, seen.feed_low_pa, seen.low_looks = specimen.cycles, 0.0, float("inf"), 0
        self.settle(at, 0)

    def settle(self, at: int, untold: int) -> None:
        """What was felt and belongs to no cycle that was told: `untold` shots were begun and not ended."""
        seen, specimen = self.seen[at], self.bench.stations[at].specimen
        unowed = specimen.cycles - seen.felt - untold
        if unowed > 0:  # felt between two shots: only a valve that did not obey can do that
            excused = specimen.failed_at or self.near((*OWN_VALVES, "supply_stuck_open"), at + 1, AFTER_S)
            require(excused, "CYCLES_COUNT_ONCE",
                    f"station {at + 1}: {unowed} surges felt that nobody released")  # fmt: skip
            seen.loose += unowed
        seen.felt = specimen.cycles

    # ---- what is true

    def look(self, world: "StationsWorld") -> None:
        hands = [at for at, place in enumerate(world.places) if self._has_hands(place.engine.questions.prompt)]
        for at in range(len(self.seen)):
            self._look_at(at, world.t_ns, hands)
        self._look_at_supply(world)

    def _has_hands(self, prompt: object) -> bool:
        fields = ("", "moving_part", "observation")
        return prompt is not None and prompt.text not in self._plain and prompt.field in fields

    def _look_at(self, at: int, t_ns: int, hands: list[int]) -> None:
        seen, station, number = self.seen[at], self.bench.stations[at], at + 1
        valves, now_s, where = station.valves, self.bench.t_s, f"station {number}"
        inlet, air, vent = valves["inlet"], valves["air"], valves["vent"]
        opened = inlet.wanted > 0.0 or air.wanted > 0.0
        pa = station.water.pa
        if opened:
            require(vent.wanted > 0.0, "NEVER_INLET_AND_VENT", where)
            if seen.shot_s < 0.0:
                seen.shot_s = now_s
            limit_s = self._shot_s + 3 * self.scan_s + 0.05
            shot_s = now_s - seen.shot_s
            require(shot_s <= limit_s, "INLET_ONLY_WHEN_LIVE", f"{where}: a shot of {shot_s:.3f} s")
            feed_pa = self.bench.feed_pa
            least_pa = (1.0 - self.step.sag) * self.step.charge_pa - FEED_NOISE_PA
            if now_s - seen.shot_s > self.scan_s and feed_pa < least_pa:
                seen.low_looks += 1
                seen.feed_low_pa = min(seen.feed_low_pa, feed_pa)
        else:
            seen.shot_s = -1.0
        if not seen.in_shot and station.specimen.cycles > seen.felt:
            self.settle(at, 0)
        seen.peak_pa = max(seen.peak_pa, station.specimen.peak_pa if station.specimen.up else pa)
        energised = opened or vent.wanted > 0.0 or valves["fill"].wanted > 0.0
        if energised:
            require(not seen.tripped, "TRIP_MEANS_SAFE", f"{where} is tripped and energised")
            rise_test = seen.state == VENTING and not (opened or valves["fill"].wanted > 0.0)  # the vent, nothing else
            require(seen.live or rise_test, "INLET_ONLY_WHEN_LIVE", f"{where} is energised in {seen.state}")
        if hands and not self.near((*OWN_VALVES, *OF_SIGHT, "supply_stuck_open"), number):
            require(pa < self._low_pa and not seen.live, "HANDS_FIND_NO_PRESSURE",
                    f"{where}: {pa:.0f} Pa, {seen.state}, hands at {hands[0] + 1}")  # fmt: skip
        if station.specimen.lifted:
            seen.lifted_until_s = now_s
        lasts_ns = t_ns - seen.since_ns
        if seen.state == VENTING:
            rule = self.rig.vent
            limit_ns = rule.timeout_ns + VENTING_SLACK_NS
            require(lasts_ns < limit_ns, "EVERY_STATE_TIMES_OUT", f"{where}: {lasts_ns / 1e9:.1f} s in VENTING")
        elif seen.state == ARMED:
            require(lasts_ns < ARMED_NS, "EVERY_STATE_TIMES_OUT", f"{where}: {lasts_ns / 1e9:.1f} s in ARMED")
        if station.specimen.failed_at and station.specimen.body.kind == "cap":
            self._look_at_parted(at, inlet.travel > 0.05 or air.travel > 0.05)

    def _look_at_parted(self, at: int, is_open: bool) -> None:
        seen, step = self.seen[at], self.step
        if not is_open or self.near(OWN_VALVES, at + 1) or step.shape in ("sine", "points"):
            seen.open_s = -1.0
            return
        if self.near((*OF_SIGHT, *FEEDS_ALL), at + 1) or self.bench.feed_pa < 0.25 * step.charge_pa:
            seen.open_s = -1.0
            return
        if seen.open_s < 0.0:
            seen.open_s = self.bench.t_s
        open_s = self.bench.t_s - seen.open_s
        require(open_s <= self._notice_s, "PARTED_IS_SHUT_OFF", f"station {at + 1}: open for {open_s:.3f} s")

    def _look_at_supply(self, world: "StationsWorld") -> None:
        bench, live = self.bench, [at for at, seen in enumerate(self.seen) if seen.live]
        valve = bench._supply_valve
        if valve.wanted > 0.0 or bench.set_point_pa > 0.0:
            require(live, "TRIP_MEANS_SAFE", "the supply is on and no station runs")
            for at, seen in enumerate(self.seen):
                inlet = bench.stations[at].valves["inlet"]
                doubt = not seen.live and inlet.travel >= 0.95 and not inlet.lies and self.near(OWN_VALVES, at + 1)
                seen.hung_s = (bench.t_s if seen.hung_s < 0.0 else seen.hung_s) if doubt else -1.0
                if doubt and len(self.seen) > 1:
                    limit_s = self._read_back_s + 5 * self.scan_s + SEEN_LATE_S
                    require(bench.t_s - seen.hung_s <= limit_s, "TRIP_MEANS_SAFE",
                            f"the supply is on and station {at + 1}'s release valve hangs open")  # fmt: skip
        at_rest = all(seen.state in (VENTED, READY, UNPROVEN) for seen in self.seen)
        wrong = valve.travel >= 0.95 and valve.wanted == 0.0 and at_rest
        if not wrong or all(seen.state == UNPROVEN for seen in self.seen):
            self._supply_wrong_s = -1.0
            return
        if self._supply_wrong_s < 0.0:
            self._supply_wrong_s = bench.t_s
        limit_s = self._supply.read_back_ns / 1e9 + 5 * self.scan_s + 0.2
        seen_it = any(place.engine.interlocks.state != "CLEAR" for place in world.places)
        in_time = bench.t_s - self._supply_wrong_s <= limit_s
        require(seen_it or in_time, "SUPPLY_STUCK_IS_SEEN", "open, and nobody trips")
