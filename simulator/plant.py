"""The simulated rig's physical world: gas, water, valves, a relief valve, a watchdog relay and a body that may fail.

nitrogen bottle -> supply valve -> relieving regulator -> bladder tank (gas over water) -> inlet valve -> line and
specimen -> vent valve to the drain; a fill valve with a check valve brings mains water to the line. One lump of gas in
the tank, one lump of water with its trapped air in line and specimen, all isothermal. Wave travel in the line (a few
milliseconds, checks/physics.md point 1) and the emptying of an open specimen are left out: an open line stays full at
zero pressure.

The plant knows nothing of the engine: it is driven by the counts of outputs and read as the counts of channels, as iron
is. It has no clock either; time passes when `advance` says so. Pressures are gauge [Pa], amounts of gas are p*V [J].

Source of each formula: gas and trapped air p*V = const (Boyle; C10 to C12 of checks/physics.md); water's bulk modulus
2.179 GPa (C6); a body that stretches more than water shrinks (C13); orifices Q = k*sqrt(dp), for an opening in a body
k = 0.62*A*sqrt(2/rho) (sharp-edged orifice, as in L15); first-order lags of regulator and transducers and a relieving
regulator limited to its rated flow (common practice). Steps are implicit or exact in time, so that steps of 1 to 20 ms
are stable and longer ones are divided.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from rigd.model.rig import Channel, Rig
from simulator.bodies import PSI, Body, draw_body, strength_at
from simulator.faults import check_possible, plan_faults, strike
from simulator.transducers import ATMOSPHERE_PA, Transducer
from simulator.valves import Valve, Watchdog
from simulator.water import Water

SAME_STEP = 0.005  # steps this much alike share their coefficients: lags are then true within half a per cent
LONGEST_STEP_S = 0.02  # beyond this one step would be longer than a valve's travel
DISCHARGE = 0.62  # of a sharp-edged orifice
WATER_KG_PER_M3 = 998.2
PER_M2 = DISCHARGE * math.sqrt(2.0 / WATER_KG_PER_M3)  # flow of an opening of 1 m2 at 1 Pa [m3/s]
AIR_FASTER = math.sqrt(WATER_KG_PER_M3 / 1.2)  # air leaves the vent faster than water, as the root of the densities

REGULATOR_LAG_S = 0.15
REGULATOR_FLOW_LAG_S = 0.05
FEEDS_UP_TO = 0.98  # of the supply's pressure: the regulator cannot deliver what it does not get
RELIEF_PASSES = 3.0  # times the regulator's flow, so that it holds a regulator that failed open
MAINS_PA = 50.0 * PSI
FILL_M3_PER_S_PA = 3.4e-7  # 0.2 L/s from the mains into an empty line
VENT_M3_PER_S_PA = 6.0e-7  # wider than the fill, so that filling through an open vent builds little pressure
ROOM_K, WARMING_S, WEATHER_S = 294.65, 3600.0, 1.0  # water comes slowly to the room's temperature
RATE_SMOOTHING_S = 0.5  # over which a body feels its rate of loading
MINDS_FROM = 0.75  # of its strength: below this a body's limits need no looking at, whatever the rate
WETS_M3, WETS_AFTER_S = 1e-6, 0.2  # a switch beneath the body is wet when so much has come out, and run down to it
GROWN_TO_SEE = 0.002  # of its volume, for good: a shiny bulge that a person finds on a body in the hand
NOISE_BLOCK = 1024  # standard normal numbers drawn at a time
SOURCES = {"specimen": 0, "feed": 1, "supply": 2, "water_temperature": 3, "specimen_temperature": 3, "make_up_flow": 5}
NOTHING = 4  # source of a channel whose role the plant does not know


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really is and was: for judging a result, never for the engine."""

    kind: str
    strength_pa: float | None  # true pressure at the first loss of containment
    failed_at_s: float | None
    highest_true_pa: float
    leak_m2: float
    yield_pa: float | None  # true pressure at which the body began to grow for good
    seen: str  # what a person at the window would say now, a key of OBSERVATIONS
    pressure_pa: float
    leak_m3_per_s: float
    growth: float  # lasting growth of the body, as a part of its volume
    vent_open: bool


class Plant:
    """One rig with one body in it. See the module's text for the physics, `simulator.faults` for what may go wrong."""

    def __init__(self, rig: Rig, *, seed: int, body: str = "", faults: tuple[str, ...] = ()) -> None:
        self.rig = rig
        self.body: Body = draw_body(body, seed)
        self.t_s = 0.0
        self._seed = seed
        self._dt_low = self._dt_high = 0.0
        iron = Random(f"{seed}/iron")
        self._place_gas(iron)
        self._place_body()
        self._place_outputs(iron)
        self._place_channels()
        self._noise = Random(f"{seed}/noise").gauss
        self._normal: list[float] = []
        self._later: list[tuple[float, int, Callable[[], None]]] = []
        self._calls = 0
        self.at_loss: list[Callable[[], None]] = []
        self._place_faults(faults)
        self.regroup()
        self._renew_switches()
        true = (self.specimen_pa, self.tank_pa, self.supply_pa, self.water_k, 0.0, 0.0)
        for transducer in self._followers:
            transducer.seen = transducer.before = true[transducer.source]

    def _place_gas(self, iron: Random) -> None:
        gas_only = [v for v in self.rig.volumes if v.gas_m3 > 0.0 and v.water_m3 <= 0.0]
        both = [v for v in self.rig.volumes if v.gas_m3 > 0.0 and v.water_m3 > 0.0]
        self.bottle_m3 = gas_only[0].gas_m3 if gas_only else 0.05
        full_pa = gas_only[0].gas_pa_max if gas_only else 2900.0 * PSI
        self._bottle_j = (full_pa * iron.uniform(0.75, 0.95) + ATMOSPHERE_PA) * self.bottle_m3
        self.tank_gas_m3 = both[0].gas_m3 if both else 4e-3
        self.tank_water_m3 = both[0].water_m3 if both else 6e-3
        self._tank_j = ATMOSPHERE_PA * self.tank_gas_m3
        self.tank_pa = 0.0
        self.supply_pa = self._bottle_j / self.bottle_m3 - ATMOSPHERE_PA
        self.set_point_pa = self._regulator_pa = 0.0
        self._regulator_w = self.rig.regulator_m3_per_s * ATMOSPHERE_PA
        self.regulator_share, self.creep_pa_per_s, self.creep_pa = 1.0, 0.0, 0.0
        self.relief_set_pa, self.relief_reseat_pa = self.rig.relief.set_pa, self.rig.relief.reseat_pa
        self.relief_lifted = False

    def _place_body(self) -> None:
        body, line = self.body, [v.water_m3 for v in self.rig.volumes if v.gas_m3 <= 0.0]
        line_m3 = line[0] if line else 0.0
        self.water = Water(
            room_m3=body.volume_m3 + line_m3,
            water_m3=line_m3,  # the line is full, the fresh body holds air
            stretch_m3_per_pa=body.volume_m3 * body.compliance_per_pa,
            trapped_air_m3=body.trapped_air_m3,
        )
        self.specimen_pa = 0.0
        self.water_k = self.specimen_k = body.water_k
        self.leak_m2 = self.highest_true_pa = self._rate = 0.0
        self.spilt_m3, self.dry = 0.0, True
        self.strength_pa: float | None = None
        self.failed_at_s: float | None = None
        self.yield_pa: float | None = None
        self._minds_pa = min(body.strength_pa * MINDS_FROM, body.yield_pa)

    def _place_outputs(self, iron: Random) -> None:
        self._roles = [output.role for output in self.rig.outputs]
        self._valves = {role: Valve(iron.uniform(0.030, 0.060)) for role in ("supply", "inlet", "vent", "fill")}
        self._moving = False
        self.watchdog = Watchdog(self.rig.watchdog_ns * 1e-9)
        self.vent_share = 1.0
        self._past = {"supply": 0.0, "inlet": 0.0, "fill": 0.0}  # opening that a shut valve leaves

    def _place_channels(self) -> None:
        rig = self.rig
        self.door_shut = self.emergency_stop_released = self.stop_is_seen = True
        self.transducers: dict[str, list[Transducer]] = {}
        self._panels: list[list[Transducer]] = [[] for _ in rig.devices]
        self._switches: list[list[tuple[int, Channel, str]]] = [[] for _ in rig.devices]
        self._replies: list[list[int]] = [[] for _ in rig.devices]
        self._read_back_of = {o.read_back: o.role for o in rig.outputs if o.read_back >= 0}
        self._followers: list[Transducer] = []
        for index, channel in enumerate(rig.channels):
            reply = self._replies[channel.device]
            place = len(reply)
            reply.append(0)
            if channel.type == "bit":
                self._switches[channel.device].append((place, channel, self._read_back_of.get(index, "")))
                continue
            transducer = Transducer(channel, source=SOURCES.get(channel.role, NOTHING), place=place)
            self.transducers.setdefault(channel.role, []).append(transducer)
            self._panels[channel.device].append(transducer)
            self._followers.append(transducer)

    def _place_faults(self, faults: tuple[str, ...]) -> None:
        self._struck_by_pressure: list[tuple[float, str]] = []
        for planned in plan_faults(faults, self._seed):
            check_possible(planned.kind, self)
            if planned.at_pa is not None:
                self._struck_by_pressure.append((planned.at_pa, planned.kind))
            elif planned.at_s:
                self.call_later(planned.at_s, lambda kind=planned.kind: strike(kind, self, self._seed))
            else:
                strike(planned.kind, self, self._seed)
        self._struck_by_pressure.sort(reverse=True)
        self._next_level_pa = self._struck_by_pressure[-1][0] if self._struck_by_pressure else math.inf
        self.call_later(WEATHER_S, self._warm)

    # What a driver does: write an output, read a device.

    def drive(self, output: int, counts: int) -> None:
        """Write one output of the rig; what the iron makes of it is decided by the relay and the emergency stop."""
        role, wired = self._roles[output], self.rig.outputs[output]
        if role == "watchdog":
            self.watchdog.write(counts, self.t_s)
            return
        if self.watchdog.dropped or not self.emergency_stop_released:
            return  # without power a command does nothing, and it is not remembered
        if role == "set_point":
            part = (counts - wired.counts_safe) / (wired.counts_energised - wired.counts_safe)
            self.set_point_pa = wired.pa_low + min(max(part, 0.0), 1.0) * (wired.pa_high - wired.pa_low)
            return
        self._valves[role].ask(counts == wired.counts_energised)
        self._moving = True

    def counts(self, device: int) -> tuple[int, ...]:
        """One integer per channel of this device, in rig order, as the module holds them now."""
        reply, normal, t_s = self._replies[device], self._normal, self.t_s
        panel = self._panels[device]
        if len(normal) < len(panel):
            gauss = self._noise
            normal.extend([gauss() for _ in range(NOISE_BLOCK)])
        for transducer in panel:
            reply[transducer.place] = transducer.counts_now(normal.pop(), t_s)
        return tuple(reply)

    # Time.

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` pass."""
        if dt_s > LONGEST_STEP_S:
            parts = math.ceil(dt_s / LONGEST_STEP_S)
            for _ in range(parts):
                self.advance(dt_s / parts)
            return
        if not self._dt_low <= dt_s <= self._dt_high:
            self._pace(dt_s)
        gas_m3, t_s = self.tank_gas_m3, self.t_s + dt_s
        self.t_s = t_s
        if self._later and t_s >= self._later[0][0]:
            self._call_due()
        if t_s >= self.watchdog.drops_at_s:
            self.watchdog.drop()
            self._lose_power()
        if self._moving:
            self._move_valves(dt_s)
        self._push_gas(dt_s)
        self._push_water(dt_s)
        pressure = self.specimen_pa
        if self.leak_m2 > 0.0 and self.dry and pressure > 0.0:
            self._spill(dt_s)
        if pressure > self.highest_true_pa:
            self.highest_true_pa = pressure
        if pressure >= self._next_level_pa:
            self._strike_at_level()
        true = (pressure, self.tank_pa, self.supply_pa, self.water_k, 0.0, (self.tank_gas_m3 - gas_m3) / dt_s)
        for transducer in self._followers:
            now, before = true[transducer.source], transducer.before
            transducer.seen = now + transducer.blend * (before - now) + transducer.decay * (transducer.seen - before)
            transducer.before = now

    def _pace(self, dt_s: float) -> None:
        assert dt_s > 0.0, "time only goes forward"
        self._dt_low, self._dt_high = dt_s * (1.0 - SAME_STEP), dt_s * (1.0 + SAME_STEP)
        self._follow = -math.expm1(-dt_s / REGULATOR_LAG_S)
        self._flow_follow = -math.expm1(-dt_s / REGULATOR_FLOW_LAG_S)
        self._smooth = -math.expm1(-dt_s / RATE_SMOOTHING_S) / dt_s
        self._most_j = self._regulator_w * dt_s
        for transducer in self._followers:
            transducer.pace(dt_s)

    def _push_gas(self, dt_s: float) -> None:
        """Regulator and relief valve: gas in or out of the tank. The relieving side works without a supply."""
        held = self._regulator_pa + (self.set_point_pa - self._regulator_pa) * self._follow
        self._regulator_pa = held
        if self.creep_pa_per_s:
            self.creep_pa += self.creep_pa_per_s * dt_s
        wanted_pa = held * self.regulator_share + self.creep_pa + ATMOSPHERE_PA
        gas_m3, gas_j = self.tank_gas_m3, self._tank_j
        flow_j = (wanted_pa * gas_m3 - gas_j) * self._flow_follow
        if flow_j > 0.0:
            flow_j = self._fed(flow_j, gas_j / gas_m3)
            self._bottle_j -= flow_j
            self.supply_pa = self._bottle_j / self.bottle_m3 - ATMOSPHERE_PA
        elif flow_j < -self._most_j:
            flow_j = -self._most_j
        gas_j += flow_j
        tank_pa = gas_j / gas_m3 - ATMOSPHERE_PA
        if tank_pa > self.relief_set_pa or self.relief_lifted:
            gas_j -= min(self._relieve(tank_pa), gas_j)
            tank_pa = gas_j / gas_m3 - ATMOSPHERE_PA
        self._tank_j, self.tank_pa = gas_j, tank_pa

    def _fed(self, wanted_j: float, tank_pa_abs: float) -> float:
        """What the supply can give in this step: rated flow while choked, falling to nothing as pressures equal out
        (an ellipse over the pressure ratio with critical ratio 0.5, the idea of ISO 6358; from memory)."""
        opening = max(self._valves["supply"].travel, self._past["supply"])
        source_pa_abs = FEEDS_UP_TO * self._bottle_j / self.bottle_m3
        ratio = tank_pa_abs / source_pa_abs
        if opening <= 0.0 or ratio >= 1.0:
            return 0.0
        most_j = self._most_j * opening
        if ratio > 0.5:
            most_j *= math.sqrt(1.0 - (2.0 * ratio - 1.0) ** 2)
        room_j = 0.5 * (source_pa_abs - tank_pa_abs) * min(self.tank_gas_m3, self.bottle_m3)  # no further than equal
        return min(wanted_j, most_j, room_j)

    def _relieve(self, tank_pa: float) -> float:
        lifted = tank_pa > (self.relief_reseat_pa if self.relief_lifted else self.relief_set_pa)
        if lifted != self.relief_lifted:
            self.relief_lifted = lifted
            self._renew_switches()
        return RELIEF_PASSES * self._most_j if lifted else 0.0

    def _push_water(self, dt_s: float) -> None:
        """Line and specimen for one step; if the body gives way within it, first up to that moment, then beyond."""
        before, minds_pa = self.specimen_pa, self._minds_pa
        if not self._open_anywhere and before < minds_pa:
            return
        kept, kept_gas_m3 = self.water.kept(), self.tank_gas_m3
        self._flow(dt_s)
        pressure = self.specimen_pa
        self._rate += (pressure - before - self._rate * dt_s) * self._smooth
        if pressure <= minds_pa:
            return
        body = self.body
        if self.failed_at_s is None and pressure >= body.strength_pa * MINDS_FROM:
            strength = max(strength_at(body, self._rate), before)
            if pressure >= strength:
                self.water.restore(kept)
                self.tank_water_m3 += self.tank_gas_m3 - kept_gas_m3
                self.tank_gas_m3 = kept_gas_m3
                share = (strength - before) / (pressure - before) if pressure > before else 0.0
                self._give_way(strength, share, dt_s)
        if self.yield_pa is None and pressure > body.yield_pa:
            self.yield_pa = body.yield_pa
            per_pa = body.volume_m3 * body.growth_per_s / body.yield_pa
            self.water.yields_at(body.yield_pa, per_pa, body.growth_limit * body.volume_m3)

    def _give_way(self, strength_pa: float, share: float, dt_s: float) -> None:
        """Containment is lost at this share of the step: the truth by which every result is judged."""
        if share > 0.0:
            self._flow(dt_s * share)
        self.strength_pa = strength_pa
        self.failed_at_s = self.t_s - dt_s * (1.0 - share)
        self.highest_true_pa = max(self.highest_true_pa, strength_pa)
        self.leak_m2 = self.body.opening_m2
        self._minds_pa = self.body.yield_pa if self.yield_pa is None else math.inf
        self.regroup()
        for action in self.at_loss:
            action()
        if share < 1.0:
            self._flow(dt_s * (1.0 - share))

    def _flow(self, dt_s: float) -> None:
        water, k_in = self.water, self._k_in
        if self._k_fill > 0.0 and self.specimen_pa < MAINS_PA:  # its check valve lets nothing back
            alone = k_in <= 0.0
            water.flow(dt_s, self._k_fill, MAINS_PA, self._k_out if alone else 0.0, self._k_air if alone else 0.0)
            if alone:
                self.specimen_pa = water.pa
                return
        if self.tank_water_m3 <= 0.0 and self.tank_pa > water.pa:
            k_in = 0.0  # the bladder lies on the outlet
        let_in_m3 = water.flow(dt_s, k_in, self.tank_pa, self._k_out, self._k_air)
        self.tank_gas_m3 += let_in_m3
        self.tank_water_m3 -= let_in_m3
        self.specimen_pa = water.pa

    def regroup(self) -> None:
        """Work out again what is open, after a valve moved, a body broke or a fault struck."""
        valves = self._valves
        self._k_in = self.rig.inlet_m3_per_s_pa * max(valves["inlet"].travel, self._past["inlet"])
        self._k_fill = FILL_M3_PER_S_PA * max(valves["fill"].travel, self._past["fill"])
        vent = VENT_M3_PER_S_PA * (1.0 - valves["vent"].travel) * self.vent_share
        self._k_out = vent + self.leak_m2 * PER_M2
        self._k_air = self._k_out * AIR_FASTER
        self._open_anywhere = self._k_in > 0.0 or self._k_fill > 0.0 or self._k_out > 0.0

    def _move_valves(self, dt_s: float) -> None:
        self._moving = False
        for valve in self._valves.values():
            if valve.move(dt_s):
                self._moving = True
        self.regroup()
        self._renew_switches()

    def _lose_power(self) -> None:
        """What the relay and the emergency stop do: every output to its de-energised state, no software between."""
        for valve in self._valves.values():
            valve.ask(False)
        self.set_point_pa = 0.0
        self._moving = True

    def _renew_switches(self) -> None:
        states = {
            "door": self.door_shut,
            "emergency_stop": self.emergency_stop_released or not self.stop_is_seen,
            "relief": not self.relief_lifted,
            "wet": self.dry,
        }
        for reply, switches in zip(self._replies, self._switches, strict=True):
            for place, channel, read_back_of in switches:
                if read_back_of in self._valves:
                    reply[place] = self._valves[read_back_of].read_back
                else:
                    reply[place] = int(states.get(channel.role, False))

    # What happens by itself, and the knobs that faults turn.

    def call_later(self, delay_s: float, action: Callable[[], None]) -> None:
        """Let `action` happen delay_s from now; what is due at one moment happens in the order it was asked for."""
        self._calls += 1
        self._later.append((self.t_s + delay_s, self._calls, action))
        self._later.sort(key=lambda due: due[:2])

    def _call_due(self) -> None:
        while self._later and self._later[0][0] <= self.t_s:
            self._later.pop(0)[2]()

    def _spill(self, dt_s: float) -> None:
        was_m3 = self.spilt_m3
        self.spilt_m3 += self.leak_m2 * PER_M2 * math.sqrt(self.specimen_pa) * dt_s
        if was_m3 < WETS_M3 <= self.spilt_m3:
            self.call_later(WETS_AFTER_S, self._get_wet)

    def _get_wet(self) -> None:
        self.dry = self.spilt_m3 < WETS_M3  # another body may lie there by now
        self._renew_switches()

    def _strike_at_level(self) -> None:
        while self._struck_by_pressure and self.specimen_pa >= self._struck_by_pressure[-1][0]:
            strike(self._struck_by_pressure.pop()[1], self, self._seed)
        self._next_level_pa = self._struck_by_pressure[-1][0] if self._struck_by_pressure else math.inf

    def _warm(self) -> None:
        self.water_k += (ROOM_K - self.water_k) * (WEATHER_S / WARMING_S)
        self.call_later(WEATHER_S, self._warm)

    def change_bottle(self, *, volume_m3: float, pressure_pa: float) -> None:
        self.bottle_m3, self.supply_pa = volume_m3, pressure_pa
        self._bottle_j = (pressure_pa + ATMOSPHERE_PA) * volume_m3

    def stick_valve(self, role: str, travel: float, *, once_there: bool = False) -> None:
        self._valves[role].stick(travel, once_there)
        self._moving = True

    def leak_past(self, role: str, opening: float) -> None:
        """A valve that is shut passes as much as one opened so far."""
        self._past[role] = opening
        self.regroup()

    def flip_read_back(self, role: str) -> None:
        self._valves[role].lies = True
        self._renew_switches()

    def set_switches(self, *, door_shut: bool | None = None, emergency_stop_released: bool | None = None) -> None:
        if door_shut is not None:
            self.door_shut = door_shut
        if emergency_stop_released is not None:
            self.emergency_stop_released = emergency_stop_released
            if not emergency_stop_released:
                self._lose_power()
        self._renew_switches()

    # For judging a run: what really is.

    @property
    def inlet_open(self) -> float:
        """Opening of the inlet valve, 0 shut to 1 open; likewise the others."""
        return self._valves["inlet"].travel

    @property
    def vent_open(self) -> float:
        return 1.0 - self._valves["vent"].travel

    @property
    def supply_open(self) -> float:
        return self._valves["supply"].travel

    @property
    def fill_open(self) -> float:
        return self._valves["fill"].travel

    @property
    def line_pa(self) -> float:
        """Line and specimen are one lump here."""
        return self.specimen_pa

    @property
    def tank_gas_pa(self) -> float:
        """The bladder is slack: gas and water of the tank have one pressure."""
        return self.tank_pa

    @property
    def energised(self) -> bool:
        """Whether any output asks for more than its safe state now."""
        return self.set_point_pa > 0.0 or any(valve.wanted > 0.0 for valve in self._valves.values())

    @property
    def watchdog_dropped(self) -> bool:
        return self.watchdog.dropped

    @property
    def growth(self) -> float:
        """Lasting growth of the body, as a part of its volume."""
        return self.water.grown_m3 / self.body.volume_m3

    def truth(self) -> Truth:
        failed = self.failed_at_s is not None
        return Truth(
            kind=self.body.kind,
            strength_pa=self.strength_pa,
            failed_at_s=self.failed_at_s,
            highest_true_pa=self.highest_true_pa,
            leak_m2=self.leak_m2,
            yield_pa=self.yield_pa,
            seen=self.body.sight if failed else "ballooned" if self.growth >= GROWN_TO_SEE else "nothing",
            pressure_pa=self.specimen_pa,
            leak_m3_per_s=self.leak_m2 * PER_M2 * math.sqrt(max(self.specimen_pa, 0.0)),
            growth=self.growth,
            vent_open=self.vent_open > 0.0,
        )
