"""What a person at the simulated rig sees through the window and may do by hand, as lines a program can read and write.

Seen, one object a specimen whenever it changes: {"seen": ..., "truth": {...}}, the truth for judging only. Done, one
order a line: "door open" and "door shut", "stop pressed" and "stop released" are what they say. What is on the bench
has more of both:

a body        truth: strength_pa, the true pressure at the first loss of containment, null before
gas           truth: leak_mol_per_s and leak_sccm at the test pressure
stations      "station" is 1 to 8, "stuck" an indicator that stays up with no pressure beneath it; truth: the specimen's
              own count. Orders: "free 2" brings the indicator of station 2 back, "mains shut" and "mains open" turn the
              cock by hand before the fill valves
a cap         "turns" from fully tight, "at_the_cap" tight, weep, drops or stream, "scale_kg" as the scale shows it;
              truth: onset_turns of a new seal. Orders: "tighten", "loosen 3/16", "cage on"
a drain       "cups" null, or of the aim that was weighed last: inside_kg, outside_kg, not_caught_kg, centre_deg, hit;
              truth: bias_deg. Orders: "aim 90 91.5 dry" points the cock at 91.5 degrees with the cups about 90, emptied
              (or "wet": as they are), "weigh" puts the cups on the scale
"""

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from rigd.model.errors import UsageRefused
from simulator.benches import Iron
from simulator.cap_bench import CapBench
from simulator.drain_bench import DrainBench
from simulator.gas_bench import GasPlant
from simulator.modbus_faults import BusOrders
from simulator.plant import Plant
from simulator.surge_bench import SurgeBench

AT_REST_PA = 7e3  # below this an indicator that is up is stuck or on its way home
DIVISION_KG = 1e-5  # of the scale
SWITCHES = {
    "door open": {"door_shut": False},
    "door shut": {"door_shut": True},
    "stop pressed": {"emergency_stop_released": False},
    "stop released": {"emergency_stop_released": True},
}
Sight = dict[str, Any]


class BodyWindow:
    orders = ""

    def __init__(self, bench: Plant) -> None:
        self._bench = bench

    def sights(self) -> Sequence[Sight]:
        truth = self._bench.truth()
        return ({"seen": truth.seen, "truth": {"strength_pa": truth.strength_pa}},)

    def take(self, words: Sequence[str]) -> bool:
        """Whether this was an order to hands here; it is done then. Raises ValueError, ZeroDivisionError."""
        del words
        return False


class GasWindow(BodyWindow):
    def sights(self) -> Sequence[Sight]:
        plant = self._bench
        true = {"leak_mol_per_s": plant.leak_mol_per_s, "leak_sccm": plant.true_leak_sccm()}
        return ({"seen": plant.truth().seen, "truth": true},)


class StationsWindow:
    def __init__(self, bench: SurgeBench) -> None:
        self._bench = bench
        self.orders = f"free 1 to {len(bench.stations)}, mains shut|open"

    def sights(self) -> Sequence[Sight]:
        return [self._sight(number) for number in range(1, len(self._bench.stations) + 1)]

    def _sight(self, number: int) -> Sight:
        station = self._bench.stations[number - 1]
        truth, specimen = station.truth(), station.specimen
        return {
            "station": number,
            "seen": truth.seen,
            "stuck": specimen.lifted and not specimen.moves and truth.pressure_pa < AT_REST_PA,
            "truth": {
                "cycles": truth.cycles,
                "stuck_cycles": truth.stuck_cycles,
                "failed_at_cycle": truth.failed_at_cycle,
            },
        }

    def take(self, words: Sequence[str]) -> bool:
        match words:
            case ["mains", "shut" | "open" as turned]:
                self._bench.turn_mains(turned == "open")
            case ["free", number]:
                if not 1 <= int(number) <= len(self._bench.stations):
                    raise ValueError(number)
                self._bench.free_part(int(number))
            case ["mains" | "free", *_]:
                raise ValueError(" ".join(words))
            case _:
                return False
        return True


class CapWindow:
    orders = "tighten, loosen TURNS, cage on"

    def __init__(self, bench: CapBench) -> None:
        self._bench = bench

    def sights(self) -> Sequence[Sight]:
        truth = self._bench.truth()
        scale_kg = round(truth.caught_kg / DIVISION_KG) * DIVISION_KG
        told = {"turns": truth.turns, "at_the_cap": truth.at_the_cap, "scale_kg": scale_kg}
        return ({"seen": truth.seen} | told | {"truth": {"onset_turns": truth.onset_turns}},)

    def take(self, words: Sequence[str]) -> bool:
        match words:
            case ["tighten"]:
                self._bench.tighten()
            case ["loosen", turns]:
                self._bench.loosen_to(float(Fraction(turns)))
            case ["cage", "on"]:
                self._bench.retain()
            case _:
                return False
        return True


class DrainWindow:
    orders = "aim SECTOR POINTS dry|wet, weigh"

    def __init__(self, bench: DrainBench) -> None:
        self._bench = bench
        self._cups: Sight | None = None

    def sights(self) -> Sequence[Sight]:
        truth = {"bias_deg": self._bench.drain.bias_deg}
        return ({"seen": self._bench.truth().seen, "cups": self._cups, "truth": truth},)

    def take(self, words: Sequence[str]) -> bool:
        match words:
            case ["aim", sector, points, "dry" | "wet" as cups]:
                self._bench.aim(float(sector), points_deg=float(points), empty=cups == "dry")
                self._cups = None
            case ["weigh"]:
                self._cups = self._weighed()
            case _:
                return False
        return True

    def _weighed(self) -> Sight:
        inside, outside, lost = self._bench.caught
        landed = self._bench.landed
        return {
            "inside_kg": inside, "outside_kg": outside, "not_caught_kg": lost, "centre_deg": landed.centre_deg,
            "hit": landed.hit,
        }  # fmt: skip


Window = BodyWindow | StationsWindow | CapWindow | DrainWindow
WINDOWS = {
    Plant: BodyWindow, GasPlant: GasWindow, SurgeBench: StationsWindow, CapBench: CapWindow, DrainBench: DrainWindow,
}  # fmt: skip


class Hands:
    """Orders to hands at the rig; all other orders go to the bus."""

    def __init__(self, bench: Iron, window: Window, bus: BusOrders) -> None:
        self._bench, self._window, self._bus = bench, window, bus

    def take(self, text: str) -> None:
        """One order. Raises UsageRefused."""
        if text in SWITCHES:
            self._bench.set_switches(**SWITCHES[text])
            return
        try:
            done = self._window.take(text.split() or [""])
        except (ValueError, ZeroDivisionError):
            raise UsageRefused(f"order: found {text!r}; allowed: {self._window.orders}") from None
        if not done:
            self._bus.take(text)
