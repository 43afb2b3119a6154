"""What must be true whenever a rig says that it is safe to open (SAFETY S27 to S30, invariants 9 and 28 to 30).

A judge of its own beside `invariants`: it looks at the raw counts that were delivered, the commands that were given
and, where it is handed the plant, at the true pressures. Of the engine it hears the words and nothing else. Use it so:
one `OpeningWatch(rig)` for each engine, `turned(message, said, plant)` after every step; `plant` is None where
transducers lie or valves stick for the night's own reasons and only the record can be judged.
"""

from collections import deque
from collections.abc import Sequence
from math import inf
from statistics import median
from typing import Protocol

from rigd.model.messages import Event, Input, Output, Scan, ValveCommand
from rigd.model.rig import Rig
from rigd.model.states import LINE_AT_ZERO, RUNNING, SAFE_TO_OPEN
from simulator.bodies import PSI
from simulator.gauge import GOOD, Gauge
from simulator.promises import require
from simulator.swarm import shipped

COUNT_PA = 450.0  # one count of the coarsest specimen channel, rounded up
TRUE_PA = 2.0 * PSI  # how far the truth may stand above what good transducers show
NOISE_PA = 1.0 * PSI  # by which two medians of a few samples may differ on a noisy line
FEW = 5  # samples
FEEDS = ("supply", "inlet", "air")
INTO_SPECIMEN = FEEDS[1:]
NEVER = -1


class Truth(Protocol):
    specimen_pa: float
    tank_pa: float

    @property
    def supply_open(self) -> float: ...

    @property
    def inlet_open(self) -> float: ...


class OpeningWatch:
    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        demo = shipped()[0]  # the nights of bursts bend its lines; the truth stays straight
        straight = {c.name: c for c in demo.channels} if rig.name == demo.name else {}
        telling = {pocket.channel for pocket in rig.pockets} | {output.read_back for output in rig.outputs}
        telling |= {at for at, c in enumerate(rig.channels) if c.role == "specimen"}
        self._gauges = [
            [
                (at, Gauge(c, straight.get(c.name, c)) if at in telling else None)
                for at, c in enumerate(rig.channels)
                if c.device == device
            ]
            for device in range(len(rig.devices))
        ]
        self._forget_counts()
        self._specimens = [at for at, c in enumerate(rig.channels) if c.role == "specimen"]
        self.value = [0.0] * len(rig.channels)
        self.good = [False] * len(rig.channels)
        self._zero = [0.0] * len(rig.channels)
        self._has_run = False
        self._low_ns = [NEVER] * len(rig.channels)
        self._sent = [output.counts_safe for output in rig.outputs]
        self._feeds = [at for at, output in enumerate(rig.outputs) if output.role in FEEDS]
        self._is_fed = False  # a feed is asked for or seen open, as of the newest scan
        self._vent = next((at for at, output in enumerate(rig.outputs) if output.role == "vent"), NEVER)
        self._heard_ns = [NEVER] * len(rig.devices)
        self._vent_told_ns = 0
        self._live_ns = 0  # when a feed was last asked for, or seen, open; the start of a process knows nothing
        self._shut_ns = NEVER  # since when the vent is shut with every feed shut
        self._recent = {at: deque[float](maxlen=FEW) for at in self._specimens}
        self._before: dict[int, float] = {}  # medians, as the vent was told to shut
        self._shut: dict[int, list[float]] = {at: [] for at in self._specimens}  # samples since then
        self._proven_ns = NEVER  # when a rise test last ended well
        self.says_safe = False
        self.safe_said = 0

    @property
    def is_rise_test(self) -> bool:
        """Nothing but the vent is energised: it is shut to see that nothing comes."""
        return all(
            counts == output.counts_safe or output.role == "vent"
            for counts, output in zip(self._sent, self.rig.outputs, strict=True)
            if output.role != "watchdog"
        )

    def turned(self, message: Input, said: Sequence[Output], plant: Truth | None = None) -> None:
        """After every step of the engine."""
        if type(message) is Scan:
            self._read(message)
        for output in said:
            if type(output) is ValveCommand:
                self._command(output)
            elif type(output) is Event:
                self._hear(output, plant)
        if self.says_safe and type(message) is Scan:
            self._check_feeds(message.t_ns)

    # ---- the record

    def _read(self, scan: Scan) -> None:
        limit_pa, device = self.rig.vent.limit_pa + COUNT_PA, scan.device
        self._heard_ns[device] = scan.t_ns
        before, self._counts[device] = self._counts[device], scan.counts
        for (at, gauge), counts, was in zip(self._gauges[device], scan.counts, before, strict=True):
            if counts == was or gauge is None:  # the same counts mean the same
                continue
            quality, value = gauge.look(counts)
            self.value[at], self.good[at] = value, quality == GOOD
            low = self.good[at] and max(value, value - self._zero[at]) < limit_pa
            self._low_ns[at] = NEVER if not low else scan.t_ns if self._low_ns[at] == NEVER else self._low_ns[at]
            if gauge.is_bit:
                self._stirred = True
        if self._stirred:
            self._stirred, self._is_fed = False, any(map(self._is_live, self._feeds))
        if self._is_fed:
            self._live_ns = scan.t_ns
            self._shut_ns = NEVER
        if self._shut_ns == NEVER:
            for at, recent in self._recent.items():
                recent.append(self.value[at])
        else:
            for at in self._specimens:
                self._shut[at].append(self.value[at])
                if self._low_ns[at] == NEVER:
                    self._shut_ns = NEVER  # a test in which the line was not low proves nothing
                    break

    def _forget_counts(self) -> None:
        """The next scan of each device is looked at anew, whatever its counts."""
        self._counts: list[tuple[int | None, ...]] = [(None,) * len(gauges) for gauges in self._gauges]
        self._stirred = True  # a command or a switch is new since it was last asked whether a feed is open

    def _is_live(self, at: int) -> bool:
        """Whether a feed is asked for or seen open."""
        output = self.rig.outputs[at]
        return self._sent[at] != output.counts_safe or (output.read_back >= 0 and self.value[output.read_back] == 1.0)

    def _command(self, command: ValveCommand) -> None:
        self._sent[command.output], self._stirred = command.counts, True
        output = self.rig.outputs[command.output]
        if output.role in INTO_SPECIMEN and command.counts != output.counts_safe:
            self._check_vent(command.t_ns)
        if command.output == self._vent:
            self._vent_told_ns = command.t_ns
            if command.counts != self.rig.outputs[self._vent].counts_safe:
                self._shut_ns = command.t_ns
                self._before = {at: median(recent or [self.value[at]]) for at, recent in self._recent.items()}
                self._shut = {at: [] for at in self._specimens}
            elif self._shut_ns != NEVER:
                self._end_test(command.t_ns)
        elif command.output in self._feeds and self._is_live(command.output):
            self._live_ns, self._shut_ns = command.t_ns, NEVER

    def _check_vent(self, t_ns: int) -> None:
        """Something is told to feed the specimen: since it was told, the vent must have been seen shut."""
        read_back = self.rig.outputs[self._vent].read_back if self._vent != NEVER else NEVER
        if read_back < 0:
            return
        heard_ns = self._heard_ns[self.rig.channels[read_back].device]
        words = f"the vent shows {self.value[read_back]}, heard at {heard_ns}, told at {self._vent_told_ns}, now {t_ns}"
        seen_shut = self.value[read_back] == 1.0 and heard_ns > self._vent_told_ns
        require(seen_shut, "NEVER_INLET_AND_VENT", words)

    def _end_test(self, t_ns: int) -> None:
        rule = self.rig.vent
        held = t_ns - self._shut_ns >= rule.isolation_ns > 0
        self._shut_ns = NEVER
        if held and all(self._rise_pa(at) <= rule.isolation_rise_pa + NOISE_PA for at in self._specimens):
            self._proven_ns = t_ns

    def _rise_pa(self, at: int) -> float:
        """From the lower of before the vent shut and just after, to the last quarter: what comes later is not seen."""
        shut = self._shut[at]
        return median(shut[-(len(shut) // 4 or 1) :]) - min(self._before[at], median(shut[:FEW])) if shut else inf

    # ---- the words

    def _hear(self, event: Event, plant: Truth | None) -> None:
        data = dict(event.data)
        if event.kind == "zero" and not self._has_run:  # one read after a run is compared with it, and never used
            name = data["channel"]
            at = next(at for at, c in enumerate(self.rig.channels) if c.name == name)
            self._zero[at] = float(data["zero_pa"]) if data["accepted"] else 0.0  # type: ignore[arg-type]
            self._forget_counts()
        elif event.kind == "opened":  # another engine stands for this station now, and has said and proven nothing
            self.says_safe, self._proven_ns, self._has_run = False, NEVER, False
            self._zero = [0.0] * len(self.rig.channels)
            self._forget_counts()
        elif event.kind == "state" and data["to"] not in ("VENTED", "READY"):
            self.says_safe, self._has_run = False, self._has_run or data["to"] == RUNNING
        elif event.kind == "words":
            self.says_safe = event.text == SAFE_TO_OPEN
            require(event.text == SAFE_TO_OPEN or event.text != LINE_AT_ZERO or data.get("lacks") != "",
                    "SAFE_TO_OPEN_IS_PROVEN", "no more than LINE AT ZERO, and nothing is said to lack")  # fmt: skip
            if self.says_safe:
                self.safe_said += 1
                self.check_said(event.t_ns, plant)

    def check_said(self, t_ns: int, plant: Truth | None) -> None:
        """SAFE TO OPEN has just been said."""
        hold_ns = self.rig.vent.hold_ns - 2 * max(device.scan_ns for device in self.rig.devices)
        for at in self._specimens:
            name = self.rig.channels[at].name
            low = self._low_ns[at] != NEVER and t_ns - self._low_ns[at] >= hold_ns
            require(low, "SAFE_TO_OPEN_IS_PROVEN", f"{name} low only since {self._low_ns[at]}, now {t_ns}")
            worse = max(self.value[at], self.value[at] - self._zero[at])
            require(worse < self.rig.vent.limit_pa + COUNT_PA, "ZERO_NEVER_HIDES", f"{name} {worse} Pa")
        words = f"live at {self._live_ns}, proven at {self._proven_ns}, now {t_ns}"
        require(self._proven_ns != NEVER and self._proven_ns > self._live_ns, "ISOLATION_PROVEN", words)
        self._check_feeds(t_ns)
        self._check_pockets(t_ns, hold_ns)
        if plant is not None:
            most_pa = self.rig.vent.limit_pa + TRUE_PA
            words = f"truly {plant.specimen_pa} Pa, tank {plant.tank_pa} Pa"
            require(plant.specimen_pa < most_pa and plant.tank_pa < most_pa, "SAFE_TO_OPEN_IS_PROVEN", words)
            require(not plant.supply_open and not plant.inlet_open, "ISOLATION_PROVEN", "a valve is truly open")

    def _check_feeds(self, t_ns: int) -> None:
        live = [self.rig.outputs[at].name for at in self._feeds if self._is_live(at)]
        require(not live, "ISOLATION_PROVEN", f"said to be safe at {t_ns} with {live} open")

    def _check_pockets(self, t_ns: int, hold_ns: int) -> None:
        require(self.rig.pockets, "NO_POCKET_FORGOTTEN", "the rig declares none")
        for pocket in self.rig.pockets:
            require(not pocket.hand_checked, "NO_POCKET_FORGOTTEN", f"{pocket.name} is for a person to check")
            if pocket.channel >= 0:
                since_ns = self._low_ns[pocket.channel]
                require(since_ns != NEVER and t_ns - since_ns >= hold_ns, "NO_POCKET_FORGOTTEN", pocket.name)
                continue
            output = self.rig.outputs[pocket.vent]
            vented = self._sent[pocket.vent] == output.counts_safe and self.value[output.read_back] == 0.0
            require(vented, "NO_POCKET_FORGOTTEN", f"{pocket.name} is not let out")
