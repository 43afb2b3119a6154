"""What can go wrong on the surge bench: a closed list, each a knob of the iron turned at a given second.

Written as "kind:station@seconds", without a station where the stations share what breaks, and with "-seconds" behind
it when it is put right again: "inlet_slow:2@40-90". What follows is physics and the engines' affair.
"""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from rigd.model.errors import UsageRefused

if TYPE_CHECKING:
    from simulator.surge_bench import SurgeBench

FAULTS = {
    "inlet_stuck_open": "the release valve stays open whatever is commanded",
    "inlet_stuck_shut": "the release valve stays shut",
    "inlet_slow": "the release valve takes ten times as long",
    "vent_stuck_shut": "the vent valve stays shut",
    "vent_slow": "the vent valve takes ten times as long",
    "sensor_dies": "the first specimen transducer fails low",
    "sensor_spike": "the first specimen transducer reads high for a sample",
    "read_back_wrong": "the release valve's read-back says the opposite of the truth",
    "supply_stuck_open": "the shared supply valve stays open",
    "supply_stuck_shut": "the shared supply valve stays shut",
    "supply_lost": "the gas supply is gone",
    "regulator_hiccup": "the regulator's output sags by 30 %",
    "door_opened": "somebody opens the chamber",
    "emergency_stop": "somebody presses the emergency stop",
}
SHARED = ("supply_stuck_open", "supply_stuck_shut", "supply_lost", "regulator_hiccup", "door_opened", "emergency_stop")
TRAVEL = {"supply_stuck_open": 1.0, "supply_stuck_shut": 0.0, "inlet_stuck_open": 1.0, "inlet_stuck_shut": 0.0,
          "vent_stuck_shut": 1.0}  # fmt: skip
SLOWER = 10.0
SPIKE_S = 0.06
HICCUP_LEFT = 0.7
NEVER = math.inf


def place_faults(bench: "SurgeBench", faults: tuple[str, ...]) -> None:
    """Read what was asked for and plan it. Tells everything wrong at once."""
    wrong, planned = [], []
    for text in faults:
        try:
            planned.append(_read(text, bench.rig.stations))
        except ValueError:
            wrong.append(
                f"fault: found {text!r}; allowed: KIND:STATION@SECONDS, without a station for {', '.join(SHARED)}, and "
                f"-SECONDS behind it for an end; kinds: {', '.join(FAULTS)}"
            )
    if wrong:
        raise UsageRefused("\n".join(wrong))
    for kind, station, at_s, until_s in planned:
        strike, heal = _knobs(bench, kind, station)
        bench.call_later(at_s, strike)
        if until_s != NEVER:
            bench.call_later(until_s, heal)


def _read(text: str, stations: int) -> tuple[str, int, float, float]:
    name, _, when = text.partition("@")
    kind, _, station = name.partition(":")
    at, _, until = when.partition("-")
    number = int(station or 0)
    at_s, until_s = float(at), float(until) if until else NEVER
    known = kind in FAULTS and (number == 0 if kind in SHARED else 1 <= number <= stations)
    if not (known and 0.0 <= at_s < until_s and math.isfinite(at_s)):
        raise ValueError(text)
    return kind, number, at_s, until_s


def _knobs(bench: "SurgeBench", kind: str, station: int) -> tuple[Callable[[], None], Callable[[], None]]:
    """What makes the fault, and what puts it right."""
    role = kind.partition("_")[0]
    if kind in TRAVEL:
        travel = TRAVEL[kind]
        return (lambda: bench.stick_valve(role, travel, station)), (lambda: bench.stick_valve(role, None, station))
    if kind.endswith("_slow"):
        valve = bench.stations[station - 1].valves[role]
        quick_s = valve.seconds
        return (lambda: setattr(valve, "seconds", quick_s * SLOWER)), (lambda: setattr(valve, "seconds", quick_s))
    if role == "sensor":
        return _sensor(bench, kind, station)
    before_pa = bench.supply_pa
    return {
        "read_back_wrong": ((lambda: bench.lie(station, True)), (lambda: bench.lie(station, False))),
        "supply_lost": ((lambda: bench.set_supply(0.0)), (lambda: bench.set_supply(before_pa))),
        "regulator_hiccup": ((lambda: bench.set_regulator(HICCUP_LEFT)), (lambda: bench.set_regulator(1.0))),
        "door_opened": (
            (lambda: bench.set_switches(door_shut=False)),
            (lambda: bench.set_switches(door_shut=True)),
        ),
        "emergency_stop": (
            (lambda: bench.set_switches(emergency_stop_released=False)),
            (lambda: bench.set_switches(emergency_stop_released=True)),
        ),
    }[kind]


def _sensor(bench: "SurgeBench", kind: str, station: int) -> tuple[Callable[[], None], Callable[[], None]]:
    transducer = bench.transducers["specimen", station][0]

    def wrong(counts: float, t_s: float) -> float:
        return transducer.broken if kind == "sensor_dies" else min(counts * 1.3, transducer.high)

    def heal() -> None:
        transducer.wrong = None

    def strike() -> None:
        transducer.wrong = wrong
        if kind == "sensor_spike":
            bench.call_later(SPIKE_S, heal)

    return strike, heal
