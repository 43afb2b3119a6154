"""What may go wrong in a simulated night: transducers, bus, iron, world, people, computer and clock.

A closed list. Each kind is a function that strikes the night now and returns what heals it, or None when there is
nothing to heal. `marks` says what a judge must know of it while it lasts: that specimen pressures may be shown wrong
("lies"), that the iron may not do as told ("stuck"), that the rig may be blind or deaf ("bus"), that the computer is
unwell ("host"). Nothing here knows what the engine will make of it. All sizes and durations are invented.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import TYPE_CHECKING

from simulator import faults
from simulator.bodies import MM2, PSI
from simulator.transducers import ATMOSPHERE_PA, Transducer

if TYPE_CHECKING:
    from simulator.night import Night

Heal = Callable[[], None]
Strike = Callable[["Night", Random], Heal | None]
BRIEF, SHORT, LONG, LASTING, LINGERS = (0.05, 0.6), (0.5, 4.0), (3.0, 40.0), (23.0, 32.0), (20.0, 90.0)
BLINDS = "sensor_stays_dead"  # for longer than a vent may go unproven


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    room: str  # which part of the list it belongs to
    strike: Strike
    lasts_s: tuple[float, float]
    marks: str = ""


# ---- transducers


def _sensor(night: "Night", rng: Random) -> Transducer:
    floats = [sensor for sensor in night.plant.transducers["specimen"] if sensor.type == "float32"]
    if floats and rng.random() < 0.5:
        return floats[0]  # the odd one of its rig is hit more often
    role = rng.choice(("specimen", "specimen", "specimen", "feed", "supply"))
    return rng.choice(night.plant.transducers[role])


def _lie(make: Callable[[Transducer, "Night", Random], Callable[[float, float], float]]) -> Strike:
    """A transducer that answers by the function `make` returns, until healed."""

    def strike(night: "Night", rng: Random) -> Heal:
        sensor = _sensor(night, rng)
        sensor.wrong = make(sensor, night, rng)
        return partial(setattr, sensor, "wrong", None)

    return strike


def _constant(counts: Callable[[Transducer, Random], float]) -> Strike:
    def make(sensor: Transducer, night: "Night", rng: Random) -> Callable[[float, float], float]:
        value = counts(sensor, rng)
        return lambda shown, t_s: value

    return _lie(make)


def _dead(night: "Night", rng: Random) -> Heal:
    sensor = rng.choice(night.plant.transducers["specimen"])
    sensor.wrong = lambda shown, t_s: sensor.broken if sensor.type != "float32" else math.nan
    return partial(setattr, sensor, "wrong", None)


def _milliamps(sensor: Transducer, ma: float) -> float:
    """Counts of a current on a channel that sends one; a float channel sends no number instead."""
    if sensor.type == "float32":
        return math.nan
    return ma * 1000.0


def _stuck(sensor: Transducer, night: "Night", rng: Random) -> Callable[[float, float], float]:
    frozen = sensor.counts_of(sensor.seen)
    return lambda shown, t_s: frozen


def _drift(sensor: Transducer, night: "Night", rng: Random) -> Callable[[float, float], float]:
    began_s, rate = night.plant.t_s, rng.uniform(-6.0, 6.0) * PSI
    per_pa = sensor.counts_of(1e5) - sensor.counts_of(0.0)
    return lambda shown, t_s: shown + rate * min(t_s - began_s, 20.0) * per_pa / 1e5


def _offset(sensor: Transducer, night: "Night", rng: Random) -> Callable[[float, float], float]:
    off = rng.uniform(-60.0, 60.0) * PSI
    by = sensor.counts_of(off) - sensor.counts_of(0.0)
    return lambda shown, t_s: shown + by


def _scaled(sensor: Transducer, night: "Night", rng: Random) -> Callable[[float, float], float]:
    share = rng.choice((0.1, 0.5, 0.9, 1.1, 2.0))
    zero = sensor.counts_of(0.0)
    return lambda shown, t_s: zero + share * (shown - zero)


def _bytes_swapped(sensor: Transducer, night: "Night", rng: Random) -> Callable[[float, float], float]:
    def swapped(shown: float, t_s: float) -> float:
        word = int(shown) & 0xFFFF
        word = (word >> 8) | ((word & 0xFF) << 8)
        return float(word - 65536 if word >= 32768 else word)

    return swapped


def _swapped_channels(night: "Night", rng: Random) -> Heal:
    """The specimen's first transducer shows the tank, as after a hand among the wires."""
    sensor, other = night.plant.transducers["specimen"][0], night.plant.transducers["feed"][0]
    sensor.wrong = lambda shown, t_s: other.counts_of(other.seen)
    return partial(setattr, sensor, "wrong", None)


def _slow_sensor(night: "Night", rng: Random) -> Heal:
    sensor = _sensor(night, rng)
    was_s, sensor.tau_s = sensor.tau_s, rng.uniform(0.1, 1.0)
    night.plant.repace()

    def heal() -> None:
        sensor.tau_s = was_s
        night.plant.repace()

    return heal


def _noise(night: "Night", rng: Random) -> Heal:
    sensors = [sensor for group in night.plant.transducers.values() for sensor in group]
    quiet = [sensor.noise for sensor in sensors]
    factor = rng.choice((5.0, 20.0, 60.0))
    for sensor in sensors:
        sensor.noise *= factor

    def heal() -> None:
        for sensor, noise in zip(sensors, quiet, strict=True):
            sensor.noise = noise

    return heal


def _blocked_tapping(night: "Night", rng: Random) -> Heal:
    """Both transducers of the specimen stand still: what they see is a plugged port."""
    heals = []
    for sensor in night.plant.transducers["specimen"]:
        sensor.wrong = _stuck(sensor, night, rng)
        heals.append(partial(setattr, sensor, "wrong", None))
    return lambda: [heal() for heal in heals] and None


# ---- bus


def _lost(fault: str) -> Strike:
    """The device is lost to its driver, which says so once; it answers again when healed."""

    def strike(night: "Night", rng: Random) -> Heal:
        device = rng.randrange(len(night.rig.devices))
        night.bus.lose(device, fault)
        return partial(night.bus.find, device)

    return strike


def _silent(night: "Night", rng: Random) -> Heal:
    """Half open: nothing comes, nothing arrives, and the driver has not noticed yet."""
    device = rng.randrange(len(night.rig.devices))
    night.bus.silence(device)
    return partial(night.bus.speak, device)


def _swizzle(night: "Night", rng: Random) -> Heal:
    """All devices stop one by one and come back in another order."""
    order = list(range(len(night.rig.devices)))
    rng.shuffle(order)
    for place, device in enumerate(order):
        night.later(0.2 * place, partial(night.bus.lose, device, "reset"))
        night.later(rng.uniform(0.5, 3.0), partial(night.bus.find, device))
    return lambda: [night.bus.find(device) for device in order] and None


def _knob(place: str, name: str, draw: Callable[[Random], object], calm: object) -> Strike:
    """Turn one knob of the night's bus, host or people, and turn it back."""

    def strike(night: "Night", rng: Random) -> Heal:
        part = getattr(night, place)
        setattr(part, name, draw(rng))
        return partial(setattr, part, name, calm)

    return strike


# ---- iron and world


def _stick(role: str, travel: float) -> Strike:
    def strike(night: "Night", rng: Random) -> Heal:
        night.plant.stick_valve(role, travel)
        return partial(night.plant.free_valve, role)

    return strike


def _slow_valve(night: "Night", rng: Random) -> Heal:
    role, seconds = rng.choice(("supply", "inlet", "vent", "fill")), rng.uniform(0.1, 0.6)
    was_s = night.plant.slow_valve(role, seconds)
    return lambda: night.plant.slow_valve(role, was_s) and None


def _valve_passes(night: "Night", rng: Random) -> Heal:
    """A valve is shut, says so, and lets a little past its seat: so little that an open vent hides it."""
    role, least, most = rng.choice((("fill", -3.4, -2.7), ("fill", -3.4, -2.7), ("inlet", -5.0, -2.0)))
    night.plant.leak_past(role, 10.0 ** rng.uniform(least, most))
    return partial(night.plant.leak_past, role, 0.0)


def _read_back_lies(night: "Night", rng: Random) -> Heal:
    role = rng.choice(("supply", "inlet", "vent", "fill"))
    night.plant.flip_read_back(role)
    return partial(night.plant.let_read_back_tell_truth, role)


def _from_list(kind: str, heal: Callable[["Night"], Heal] | None = None) -> Strike:
    """One of the plant's own faults (simulator.faults)."""

    def strike(night: "Night", rng: Random) -> Heal | None:
        faults.EFFECTS[kind](night.plant, rng)
        return heal(night) if heal else None

    return strike


def _refill(night: "Night") -> Heal:
    return partial(night.plant.change_bottle, volume_m3=0.05, pressure_pa=2500.0 * PSI)


def _end_creep(night: "Night") -> Heal:
    return night.plant.end_creep


def _mend_relief(night: "Night") -> Heal:
    return night.plant.mend_relief


def _door(night: "Night", rng: Random) -> Heal:
    night.plant.set_switches(door_shut=False)
    return partial(night.plant.set_switches, door_shut=True)


def _door_chatters(night: "Night", rng: Random) -> Heal:
    for n in range(6):
        night.later(0.015 * n, partial(night.plant.set_switches, door_shut=bool(n % 2)))
    return partial(night.plant.set_switches, door_shut=True)


def _stop_button(night: "Night", rng: Random) -> Heal:
    night.plant.set_switches(emergency_stop_released=False)
    return partial(night.plant.set_switches, emergency_stop_released=True)


def _stop_chatters(night: "Night", rng: Random) -> Heal:
    """Pressed and let go between two looks of the rig: the hardware acts, no scan shows it."""
    night.plant.set_switches(emergency_stop_released=False)
    night.plant.set_switches(emergency_stop_released=True)
    return partial(night.plant.set_switches, emergency_stop_released=True)


def _relief_switch(night: "Night", rng: Random) -> Heal:
    night.plant.hold_relief(True)
    return partial(night.plant.hold_relief, False)


def _splash(night: "Night", rng: Random) -> Heal:
    night.plant.splash(dry=False)
    return partial(night.plant.splash, dry=True)


def _opening(low_mm2: float, high_mm2: float) -> Strike:
    def strike(night: "Night", rng: Random) -> None:
        night.plant.crack(low_mm2 * (high_mm2 / low_mm2) ** rng.random() * MM2)

    return strike


def _bladder(night: "Night", rng: Random) -> None:
    """Gas comes in the place of water in the line; the pressure stays what it is."""
    water = night.plant.water
    gas_m3 = min(rng.uniform(5e-6, 60e-6), 0.5 * water.water_m3)
    water.water_m3 -= gas_m3
    water.air_j += (water.pa + ATMOSPHERE_PA) * gas_m3


def _plug(night: "Night", rng: Random) -> Heal:
    night.plant.plug_vent(rng.choice((0.0, faults.PLUGGED_LEAVES, 0.05)))
    return partial(night.plant.plug_vent, 1.0)


# ---- people


def _act(act: str, times: int = 1, named: bool = True) -> Strike:
    def strike(night: "Night", rng: Random) -> None:
        for _ in range(times):
            night.act(act, named=named)

    return strike


def _false_hand_check(night: "Night", rng: Random) -> None:
    """Somebody says that nobody need look, mostly without a name."""
    night.act("hand_check", named=rng.random() < 0.1)


def _wrong_answers(night: "Night", rng: Random) -> None:
    for answer in ("", "x" * 500, "\u202e\x00\ud800", "nothing", "done"):
        night.act("confirm", prompt=rng.randrange(-1, 30), answer=answer, named=rng.random() < 0.5)


# ---- computer and clock


def _killed(night: "Night", rng: Random) -> None:
    night.kill(rng.uniform(0.2, 3.0))


def _stopped(low_s: float, high_s: float) -> Strike:
    def strike(night: "Night", rng: Random) -> None:
        night.pause(rng.uniform(low_s, high_s), rng.choice(("scan", "tick", "old scan", "report")))

    return strike


def _clock(low_s: float, high_s: float) -> Strike:
    def strike(night: "Night", rng: Random) -> None:
        night.host.utc_offset_ns += int(rng.uniform(low_s, high_s) * 1e9)

    return strike


KINDS: dict[str, Kind] = {
    "sensor_stuck": Kind(room="transducer", strike=_lie(_stuck), lasts_s=LONG, marks="lies"),
    "sensor_drifts": Kind(room="transducer", strike=_lie(_drift), lasts_s=LONG, marks="lies"),
    "sensor_off": Kind(room="transducer", strike=_lie(_offset), lasts_s=LONG, marks="lies"),
    "sensor_scaled": Kind(room="transducer", strike=_lie(_scaled), lasts_s=LONG, marks="lies"),
    "sensor_spike": Kind(room="transducer", strike=_lie(_offset), lasts_s=(0.005, 0.03), marks="lies"),
    "sensor_bytes_swapped": Kind(room="transducer", strike=_lie(_bytes_swapped), lasts_s=SHORT, marks="lies"),
    "sensor_swapped": Kind(room="transducer", strike=_swapped_channels, lasts_s=SHORT, marks="lies"),
    "sensor_slow": Kind(room="transducer", strike=_slow_sensor, lasts_s=LONG, marks="lies"),
    "sensor_fails_low": Kind(
        room="transducer", strike=_constant(lambda s, r: _milliamps(s, 3.5)), lasts_s=SHORT, marks="lies"
    ),
    BLINDS: Kind(room="transducer", strike=_dead, lasts_s=LASTING, marks="lies"),
    "sensor_fails_high": Kind(
        room="transducer", strike=_constant(lambda s, r: _milliamps(s, 21.5)), lasts_s=SHORT, marks="lies"
    ),
    "sensor_uncertain": Kind(
        room="transducer",
        strike=_constant(lambda s, r: _milliamps(s, r.choice((3.7, 20.75)))),
        lasts_s=(0.3, 3.0),
        marks="lies",
    ),
    "sensor_saturates": Kind(
        room="transducer",
        strike=_constant(lambda s, r: r.choice((0.0, 32767.0, -32768.0))),
        lasts_s=SHORT,
        marks="lies",
    ),
    "sensor_no_number": Kind(
        room="transducer",
        strike=_constant(lambda s, r: math.nan if s.type == "float32" else 0.0),
        lasts_s=SHORT,
        marks="lies",
    ),
    "sensor_reads_high": Kind(
        room="transducer",
        strike=_constant(lambda s, r: s.counts_of(r.uniform(505.0, 900.0) * PSI)),
        lasts_s=SHORT,
        marks="lies",
    ),
    "noise": Kind(room="transducer", strike=_noise, lasts_s=SHORT, marks="lies"),
    "blocked_tapping": Kind(room="transducer", strike=_blocked_tapping, lasts_s=SHORT, marks="lies"),
    "reply_lost": Kind(room="bus", strike=_lost("timeout"), lasts_s=(0.05, 0.2), marks="bus"),
    "device_gone": Kind(room="bus", strike=_lost("absent"), lasts_s=(0.5, 8.0), marks="bus"),
    "connection_reset": Kind(room="bus", strike=_lost("reset"), lasts_s=BRIEF, marks="bus"),
    "wrong_reply": Kind(room="bus", strike=_lost("wrong_reply"), lasts_s=BRIEF, marks="bus"),
    "exception_reply": Kind(room="bus", strike=_lost("exception_reply"), lasts_s=BRIEF, marks="bus"),
    "write_lost": Kind(
        room="bus", strike=_knob("bus", "writes_fail", lambda r: True, False), lasts_s=BRIEF, marks="bus"
    ),
    "half_open": Kind(room="bus", strike=_silent, lasts_s=(0.2, 1.5), marks="bus"),
    "late_replies": Kind(
        room="bus",
        strike=_knob("bus", "late_ns", lambda r: r.randrange(2, 60) * 1_000_000, 0),
        lasts_s=SHORT,
        marks="bus",
    ),
    "slow_device": Kind(
        room="bus", strike=_knob("bus", "every", lambda r: r.choice((2, 3, 6, 15)), 1), lasts_s=SHORT, marks="bus"
    ),
    "repeated_replies": Kind(
        room="bus", strike=_knob("bus", "repeats", lambda r: True, False), lasts_s=BRIEF, marks="bus lies"
    ),
    "swizzle": Kind(room="bus", strike=_swizzle, lasts_s=(3.1, 4.0), marks="bus"),
    "inlet_stuck_open": Kind(room="actuator", strike=_stick("inlet", 1.0), lasts_s=LONG, marks="stuck"),
    "inlet_stuck_shut": Kind(room="actuator", strike=_stick("inlet", 0.0), lasts_s=SHORT, marks="stuck"),
    "vent_stuck_shut": Kind(room="actuator", strike=_stick("vent", 1.0), lasts_s=LONG, marks="stuck"),
    "vent_stuck_open": Kind(room="actuator", strike=_stick("vent", 0.0), lasts_s=SHORT, marks="stuck"),
    "supply_stuck_open": Kind(room="actuator", strike=_stick("supply", 1.0), lasts_s=SHORT, marks="stuck"),
    "fill_stuck_open": Kind(room="actuator", strike=_stick("fill", 1.0), lasts_s=SHORT, marks="stuck"),
    "slow_valve": Kind(room="actuator", strike=_slow_valve, lasts_s=LONG, marks="stuck"),
    "valve_passes": Kind(room="actuator", strike=_valve_passes, lasts_s=LINGERS, marks="stuck"),
    "read_back_lies": Kind(room="actuator", strike=_read_back_lies, lasts_s=SHORT, marks="stuck"),
    "door_opened": Kind(room="world", strike=_door, lasts_s=SHORT),
    "door_chatters": Kind(room="world", strike=_door_chatters, lasts_s=(0.1, 0.3)),
    "emergency_stop": Kind(room="world", strike=_stop_button, lasts_s=SHORT, marks="stuck"),
    "emergency_stop_chatters": Kind(room="world", strike=_stop_chatters, lasts_s=(1.0, 2.0), marks="stuck"),
    "relief_lifts": Kind(room="world", strike=_relief_switch, lasts_s=SHORT),
    "relief_low": Kind(room="world", strike=_from_list("relief_low", _mend_relief), lasts_s=LONG),
    "supply_low": Kind(room="world", strike=_from_list("supply_low", _refill), lasts_s=LONG),
    "supply_lost": Kind(room="world", strike=_from_list("supply_lost", _refill), lasts_s=LONG),
    "regulator_hiccup": Kind(room="world", strike=_from_list("regulator_hiccup"), lasts_s=BRIEF),
    "regulator_creep": Kind(
        room="world", strike=_from_list("regulator_creep", _end_creep), lasts_s=LONG, marks="stuck"
    ),
    "trapped_air": Kind(room="world", strike=_from_list("trapped_air"), lasts_s=BRIEF),
    "gas_in_water": Kind(room="world", strike=_bladder, lasts_s=BRIEF),
    "plugged_vent": Kind(room="world", strike=_plug, lasts_s=LONG, marks="stuck"),
    "splash": Kind(room="world", strike=_splash, lasts_s=SHORT, marks="lies"),
    "bursts_now": Kind(room="world", strike=_opening(50.0, 800.0), lasts_s=BRIEF),
    "cracks_now": Kind(room="world", strike=_opening(0.1, 10.0), lasts_s=BRIEF),
    "person_vents": Kind(room="people", strike=_act("vent"), lasts_s=BRIEF),
    "person_stops": Kind(room="people", strike=_act("stop"), lasts_s=BRIEF),
    "person_holds": Kind(room="people", strike=_act("hold"), lasts_s=BRIEF),
    "person_marks": Kind(room="people", strike=_act("mark"), lasts_s=BRIEF),
    "person_zeroes": Kind(room="people", strike=_act("zero"), lasts_s=BRIEF),
    "false_hand_check": Kind(room="people", strike=_false_hand_check, lasts_s=BRIEF),
    "early_reset": Kind(room="people", strike=_act("reset", 3), lasts_s=BRIEF),
    "double_arm": Kind(room="people", strike=_act("arm", 2), lasts_s=BRIEF),
    "double_start": Kind(room="people", strike=_act("start", 2), lasts_s=BRIEF),
    "nameless_start": Kind(room="people", strike=_act("start", 1, named=False), lasts_s=BRIEF),
    "wrong_answers": Kind(room="people", strike=_wrong_answers, lasts_s=BRIEF),
    "killed": Kind(room="host", strike=_killed, lasts_s=BRIEF, marks="host"),
    "paused": Kind(room="host", strike=_stopped(0.02, 0.45), lasts_s=(0.5, 0.6), marks="host"),
    "suspended": Kind(room="host", strike=_stopped(0.5, 3.0), lasts_s=(3.0, 4.0), marks="host"),
    "slow_disk": Kind(
        room="host",
        strike=_knob("host", "lag_us", lambda r: r.randrange(50_000, 2_000_000), 0),
        lasts_s=SHORT,
        marks="host",
    ),
    "disk_error": Kind(
        room="host",
        strike=_knob("host", "write_error", lambda r: "EIO: input/output error", ""),
        lasts_s=SHORT,
        marks="host",
    ),
    "disk_full": Kind(
        room="host",
        strike=_knob("host", "free_bytes", lambda r: r.randrange(0, 3_900_000), 1 << 40),
        lasts_s=SHORT,
        marks="host",
    ),
    "inbox_full": Kind(
        room="host", strike=_knob("host", "inbox_full", lambda r: True, False), lasts_s=BRIEF, marks="host"
    ),
    "missed_ticks": Kind(room="host", strike=_knob("host", "missed", lambda r: r.randrange(1, 9), 0), lasts_s=SHORT),
    "clock_forward": Kind(room="host", strike=_clock(0.2, 3600.0), lasts_s=BRIEF),
    "clock_back": Kind(room="host", strike=_clock(-3600.0, -0.2), lasts_s=BRIEF),
}
