"""What can go wrong in the simulated world: a closed list, each with what it does to the iron.

A fault turns a knob of the plant (a stuck valve, a leaking bottle, a transmitter that lies) and nothing else; what
follows is physics and the engine's affair. Faults of the bus live with the Modbus server, not here.

Written as "kind" or "kind@seconds". Without a time a fault strikes at a moment drawn from the seed: most when the
specimen's pressure first passes a level between 40 and 170 psi, so in the ramp and before the weakest body fails; those
in AT_START are there from the beginning. All sizes are invented.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import TYPE_CHECKING

from rigd.model.errors import UsageRefused
from simulator.bodies import PSI
from simulator.transducers import ATMOSPHERE_PA

if TYPE_CHECKING:
    from simulator.plant import Plant
    from simulator.transducers import Transducer

FAULTS = {
    "sensor_a_dies": "the first specimen transducer fails low",
    "sensor_b_dies": "the second specimen transducer fails low",
    "both_sensors_die_at_burst": "the burst kills both specimen transducers: failed low, or frozen at a reading",
    "sensor_a_drifts": "the first specimen transducer drifts up by 2 psi a second, at most 60 psi",
    "sensor_spike": "one short false peak of 80 psi on the first specimen transducer",
    "noise_burst": "fifty times the noise on every transducer for a second",
    "sensor_not_finite": "the first specimen transducer sends what is no number (float32 channels only)",
    "supply_low": "the bottle is small and nearly empty, and runs out in the ramp",
    "supply_lost": "the gas supply is gone from one moment to the next",
    "regulator_hiccup": "the regulator's output sags by 20 % for half a second",
    "regulator_creep": "the regulator creeps up above its set-point by 2 psi a second, at most 120 psi",
    "relief_low": "the relief valve lifts at 300 psi already",
    "inlet_stuck_open": "the inlet valve stays open whatever is commanded",
    "inlet_stuck_shut": "the inlet valve falls shut and stays so",
    "vent_stuck_shut": "the vent valve stays shut whatever is commanded",
    "read_back_wrong": "the inlet's read-back says the opposite of the truth",
    "door_opened": "somebody opens the chamber for ten seconds",
    "emergency_stop": "somebody presses the emergency stop and releases it after ten seconds",
    "trapped_air": "bleeding leaves 30 to 60 mL of air in the specimen",
    "plugged_vent": "debris plugs the vent: it passes two thousandths of its flow",
    "supply_valve_leaks": "the shut supply valve passes a twentieth of the regulator's flow",
    "inlet_leaks": "the shut inlet valve passes a five-hundredth of its flow",
    "relay_welded": "the watchdog relay never lets go",
    "transducers_apart": "the second specimen transducer shows a twentieth too much",
    "emergency_stop_unseen": "the input of the emergency stop always says released",
    "vent_sticks_shut": "the vent valve, once it is shut, stays so",
}
AT_START = (
    "supply_low", "relief_low", "trapped_air", "both_sensors_die_at_burst", "supply_valve_leaks", "inlet_leaks",
    "relay_welded", "transducers_apart", "emergency_stop_unseen", "vent_sticks_shut",
)  # fmt: skip
EARLIEST_PSI, LATEST_PSI = 40.0, 170.0
HUMAN_ACT_S = 10.0
DRIFT_PA_PER_S, LARGEST_DRIFT_PA = 2.0 * PSI, 60.0 * PSI
LARGEST_CREEP_PA = 120.0 * PSI
SPIKE_PA, SPIKE_S = 80.0 * PSI, 0.015
NOISE_BURST_S, NOISE_FACTOR = 1.0, 50.0
HICCUP_S, HICCUP_LEFT = 0.5, 0.8
RELIEF_LOW_PA = 300.0 * PSI
PLUGGED_LEAVES = 2e-3
LEAKS_PAST = {"supply": 0.05, "inlet": 0.002}
SHOWS_TOO_MUCH = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One fault that will strike: at a time [s since the plant began] or at a pressure, never both."""

    kind: str
    at_s: float | None
    at_pa: float | None


def plan_faults(faults: tuple[str, ...], seed: int) -> tuple[Planned, ...]:
    """Read what was asked for, and draw the moments that were not given. Tells everything wrong at once."""
    wrong, planned = [], []
    for number, text in enumerate(faults):
        kind, at, moment = text.partition("@")
        if kind not in FAULTS:
            wrong.append(f"fault: found {text!r}; allowed: {', '.join(FAULTS)}, each with or without @seconds")
            continue
        try:
            at_s = float(moment) if at else None
        except ValueError:
            at_s = math.nan
        if at_s is not None and not 0.0 <= at_s < math.inf:
            wrong.append(f"fault {kind}: found {moment!r} after @; allowed: seconds since the start, 0 or more")
            continue
        level = Random(f"{seed}/fault/{number}/{kind}").uniform(EARLIEST_PSI, LATEST_PSI) * PSI
        if at_s is None and kind in AT_START:
            at_s = 0.0
        planned.append(Planned(kind=kind, at_s=at_s, at_pa=level if at_s is None else None))
    if wrong:
        raise UsageRefused("\n".join(wrong))
    return tuple(planned)


def strike(kind: str, plant: "Plant", seed: int) -> None:
    """Let one fault happen now."""
    EFFECTS[kind](plant, Random(f"{seed}/effect/{kind}"))


def check_possible(kind: str, plant: "Plant") -> None:
    """Refuse at once a fault that this rig cannot have, rather than never let it happen in silence."""
    specimen = plant.transducers.get("specimen", [])
    needed = 2 if kind in ("sensor_b_dies", "both_sensors_die_at_burst") else 1 if kind.startswith("sensor") else 0
    if len(specimen) < needed:
        raise UsageRefused(f"fault {kind}: found {len(specimen)} specimen channels in the rig; needs {needed}")
    if kind == "sensor_not_finite" and specimen[0].type != "float32":
        raise UsageRefused(
            f"fault {kind}: found type {specimen[0].type} on the first specimen channel; allowed: float32, "
            "for whole numbers are always finite"
        )


def _die(which: int, plant: "Plant", rng: Random) -> None:
    sensor = plant.transducers["specimen"][which]
    sensor.wrong = lambda counts, t_s: sensor.broken


def _die_at_burst(plant: "Plant", rng: Random) -> None:
    frozen = rng.random() < 0.5

    def kill() -> None:
        for sensor in plant.transducers["specimen"]:
            reading = sensor.counts_of(sensor.seen) if frozen else sensor.broken
            sensor.wrong = lambda counts, t_s, reading=reading: reading

    plant.at_loss.append(kill)


def _shift_of(sensor: "Transducer", by_pa: float) -> float:
    return sensor.counts_of(sensor.seen + by_pa) - sensor.counts_of(sensor.seen)


def _drift(plant: "Plant", rng: Random) -> None:
    sensor, began_s = plant.transducers["specimen"][0], plant.t_s

    def drifted(counts: float, t_s: float) -> float:
        return counts + _shift_of(sensor, min(DRIFT_PA_PER_S * (t_s - began_s), LARGEST_DRIFT_PA))

    sensor.wrong = drifted


def _spike(plant: "Plant", rng: Random) -> None:
    sensor = plant.transducers["specimen"][0]
    sensor.wrong = lambda counts, t_s: counts + _shift_of(sensor, SPIKE_PA)
    plant.call_later(SPIKE_S, partial(setattr, sensor, "wrong", None))


def _burst_of_noise(plant: "Plant", rng: Random) -> None:
    for sensors in plant.transducers.values():
        for sensor in sensors:
            quiet, sensor.noise = sensor.noise, sensor.noise * NOISE_FACTOR
            plant.call_later(NOISE_BURST_S, partial(setattr, sensor, "noise", quiet))


def _no_number(plant: "Plant", rng: Random) -> None:
    plant.transducers["specimen"][0].wrong = lambda counts, t_s: math.nan


def _nearly_empty(plant: "Plant", rng: Random) -> None:
    plant.change_bottle(volume_m3=0.5 * plant.tank_gas_m3, pressure_pa=rng.uniform(735.0, 775.0) * PSI)


def _lost(plant: "Plant", rng: Random) -> None:
    plant.change_bottle(volume_m3=1e-4, pressure_pa=0.0)


def _hiccup(plant: "Plant", rng: Random) -> None:
    plant.regulator_share = HICCUP_LEFT
    plant.call_later(HICCUP_S, partial(setattr, plant, "regulator_share", 1.0))


def _creep(plant: "Plant", rng: Random) -> None:
    plant.creep_pa_per_s = 2.0 * PSI
    plant.call_later(LARGEST_CREEP_PA / plant.creep_pa_per_s, partial(setattr, plant, "creep_pa_per_s", 0.0))


def _weak_spring(plant: "Plant", rng: Random) -> None:
    plant.relief_reseat_pa *= RELIEF_LOW_PA / plant.relief_set_pa
    plant.relief_set_pa = RELIEF_LOW_PA


def _stick(role: str, travel: float, plant: "Plant", rng: Random) -> None:
    plant.stick_valve(role, travel)


def _lie(plant: "Plant", rng: Random) -> None:
    plant.flip_read_back("inlet")


def _open_door(plant: "Plant", rng: Random) -> None:
    plant.set_switches(door_shut=False)
    plant.call_later(HUMAN_ACT_S, partial(plant.set_switches, door_shut=True))


def _press_stop(plant: "Plant", rng: Random) -> None:
    plant.set_switches(emergency_stop_released=False)
    plant.call_later(HUMAN_ACT_S, partial(plant.set_switches, emergency_stop_released=True))


def _trap_air(plant: "Plant", rng: Random) -> None:
    plant.water.trapped_j = ATMOSPHERE_PA * rng.uniform(30e-6, 60e-6)


def _plug(plant: "Plant", rng: Random) -> None:
    plant.vent_share = PLUGGED_LEAVES
    plant.regroup()


def _leak_past(role: str, plant: "Plant", rng: Random) -> None:
    plant.leak_past(role, LEAKS_PAST[role])


def _weld(plant: "Plant", rng: Random) -> None:
    plant.watchdog.silence_s = math.inf


def _part(plant: "Plant", rng: Random) -> None:
    sensor = plant.transducers["specimen"][1]
    sensor.wrong = lambda counts, t_s: counts + _shift_of(sensor, SHOWS_TOO_MUCH * sensor.seen)


def _blind_stop(plant: "Plant", rng: Random) -> None:
    plant.stop_is_seen = False


def _stick_when_shut(plant: "Plant", rng: Random) -> None:
    plant.stick_valve("vent", 1.0, once_there=True)


EFFECTS: dict[str, Callable[["Plant", Random], None]] = {
    "sensor_a_dies": partial(_die, 0),
    "sensor_b_dies": partial(_die, 1),
    "both_sensors_die_at_burst": _die_at_burst,
    "sensor_a_drifts": _drift,
    "sensor_spike": _spike,
    "noise_burst": _burst_of_noise,
    "sensor_not_finite": _no_number,
    "supply_low": _nearly_empty,
    "supply_lost": _lost,
    "regulator_hiccup": _hiccup,
    "regulator_creep": _creep,
    "relief_low": _weak_spring,
    "inlet_stuck_open": partial(_stick, "inlet", 1.0),
    "inlet_stuck_shut": partial(_stick, "inlet", 0.0),
    "vent_stuck_shut": partial(_stick, "vent", 1.0),
    "read_back_wrong": _lie,
    "door_opened": _open_door,
    "emergency_stop": _press_stop,
    "trapped_air": _trap_air,
    "plugged_vent": _plug,
    "supply_valve_leaks": partial(_leak_past, "supply"),
    "inlet_leaks": partial(_leak_past, "inlet"),
    "relay_welded": _weld,
    "transducers_apart": _part,
    "emergency_stop_unseen": _blind_stop,
    "vent_sticks_shut": _stick_when_shut,
}
assert EFFECTS.keys() == FAULTS.keys(), "every fault has its words and its effect"
