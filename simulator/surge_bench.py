"""The iron of a surge rig: one supply and one charge vessel, and one to eight stations with a specimen each.

receiver, kept up by a compressor -> supply valve -> relieving regulator -> charge vessel (gas over water, its level
kept by a pump) -> per station: release valve, or an air valve past the water -> line and specimen -> vent valve and,
where it is not capped, an outlet -> the drain; a fill valve with a check valve brings mains water. One lump of gas in
the vessel, one lump of water with its air on each station (`simulator.water`), all isothermal. A body that stands wide
open drains the vessel, and its neighbours feel that. Wave travel, and so water hammer, is left out
(`simulator.hammer`), as is the emptying of an open line: it stays full at zero pressure.

Driven by the counts of the whole rig's outputs and read as the counts of its channels; it knows nothing of engines and
has no clock. What does not move is stepped over: a station at rest costs nothing, so a night of surges costs seconds.
Formulas and their sources are those of `simulator.plant`; gas through the air valve is held to an orifice of water's
size through which it runs faster by the root of the densities (an orifice equation for gas far from choking; rough).
"""

import heapq
import math
from collections.abc import Callable
from random import Random

from rigd.model.rig import Rig
from simulator.plant import FEEDS_UP_TO, REGULATOR_FLOW_LAG_S, REGULATOR_LAG_S, ROOM_K
from simulator.surge_bodies import StationTruth, SurgeBody, draw_surge_body
from simulator.surge_faults import place_faults
from simulator.surge_station import VALVES, StationIron
from simulator.transducers import ATMOSPHERE_PA, Transducer
from simulator.valves import Valve, Watchdog

SUBSTEP_S = 0.02  # longest step while anything moves
SETTLED = 1e-7  # of the vessel's gas: the regulator's flow in a step below this is none
PUMP_M3_PER_S = 5e-5  # what keeps the vessel's level
EVEN_PA = 1.0  # two pressures this close are one
NOISE_BLOCK = 1024
OUTLETS = {"capped": 0.0, "throttled": 0.25, "open": 1.0}
"""How wide a station's outlet is, as a part of its release valve."""
SHARED_SWITCHES = ("door", "emergency_stop", "relief")
SHARED = {"feed": 0, "supply": 1, "water_temperature": 2, "gas_temperature": 2, "specimen_temperature": 2}


class SurgeBench:
    """One rig with a body on each station: a kind, a SurgeBody or "" to let the seed draw. See the module's text for
    the physics, `simulator.surge_faults` for what may go wrong."""

    def __init__(
        self,
        rig: Rig,
        *,
        seed: int,
        bodies: tuple[str | SurgeBody, ...] = (),
        faults: tuple[str, ...] = (),
        outlet: str = "capped",
    ) -> None:
        self.rig, self.seed, self.t_s = rig, seed, 0.0
        iron = Random(f"{seed}/surge iron")
        self._place_vessel(iron)
        self.watchdog = Watchdog(rig.watchdog_ns * 1e-9)
        self.door_shut = self.emergency_stop_released = True
        self._paces: dict[int, tuple[float, float, dict[float, tuple[float, float]]]] = {}
        bodies = bodies + ("",) * (rig.stations - len(bodies))
        self.stations = tuple(
            StationIron(
                body if isinstance(body, SurgeBody) else draw_surge_body(body, seed, number),
                line_m3=self._line_m3, inlet_m3_per_s_pa=rig.inlet_m3_per_s_pa,
                outlet_m3_per_s_pa=OUTLETS[outlet] * rig.inlet_m3_per_s_pa, iron=iron, rng=Random(f"{seed}/{number}"),
            )
            for number, body in enumerate(bodies, start=1)
        )  # fmt: skip
        self._place_outputs()
        self._place_channels()
        self._noise, self._normal = Random(f"{seed}/surge noise").gauss, []
        self._later: list[tuple[float, int, Callable[[], None]]] = []
        self._calls = 0
        self._busy = True
        self.renew_switches()
        place_faults(self, faults)

    def _place_vessel(self, iron: Random) -> None:
        rig = self.rig
        bottle = [v for v in rig.volumes if v.gas_m3 > 0.0 and v.water_m3 <= 0.0]
        vessel = [v for v in rig.volumes if v.gas_m3 > 0.0 and v.water_m3 > 0.0]
        line = [v.water_m3 for v in rig.volumes if v.gas_m3 <= 0.0]
        self._line_m3 = line[0] / rig.stations if line else 2e-4
        self.bottle_m3 = bottle[0].gas_m3 if bottle else 0.05
        full_pa = bottle[0].gas_pa_max if bottle else 2e7
        self._bottle_j = (full_pa * iron.uniform(0.85, 0.95) + ATMOSPHERE_PA) * self.bottle_m3
        self.supply_pa = self._bottle_j / self.bottle_m3 - ATMOSPHERE_PA
        self._kept_j = self._bottle_j
        self._gas_m3 = self.gas_m3 = vessel[0].gas_m3 if vessel else 1e-2
        self.water_m3 = vessel[0].water_m3 if vessel else 1e-2
        self._gas_j = ATMOSPHERE_PA * self.gas_m3
        self.feed_pa = 0.0
        self.set_point_pa = self.regulator_pa = 0.0
        self.regulator_share = 1.0
        self._supply_valve = Valve(iron.uniform(0.030, 0.060))
        self._supply_moving = False

    def _place_outputs(self) -> None:
        self._wires: list[tuple[str, StationIron | None]] = []
        for output in self.rig.outputs:
            alone = output.station or (1 if self.rig.stations == 1 and output.role in VALVES else 0)
            assert (output.role in VALVES) == bool(alone), f"{output.name}: a {output.role} on station {output.station}"
            self._wires.append((output.role, self.stations[alone - 1] if alone else None))

    def _place_channels(self) -> None:
        rig = self.rig
        self._replies: list[list[int]] = [[] for _ in rig.devices]
        self._panels: list[list[Transducer]] = [[] for _ in rig.devices]
        self._switches: list[list[tuple[list[int], int, str, str]]] = [[] for _ in range(rig.stations + 1)]
        self._held_of: list[list[StationIron]] = [[] for _ in rig.devices]  # whose peak registers a read clears
        self._shared: list[Transducer] = []
        self.transducers: dict[tuple[str, int], list[Transducer]] = {}
        back_of = {output.read_back: output.role for output in rig.outputs if output.read_back >= 0}
        for at, channel in enumerate(rig.channels):
            reply = self._replies[channel.device]
            is_shared = channel.role in SHARED_SWITCHES or back_of.get(at) == "supply"
            place, number = len(reply), channel.station or (1 if rig.stations == 1 and not is_shared else 0)
            reply.append(0)
            if channel.type == "bit":
                self._switches[number].append((reply, place, channel.role, back_of.get(at, "")))
                continue
            transducer = Transducer(channel, source=SHARED.get(channel.role, 3), place=place)
            self._panels[channel.device].append(transducer)
            self.transducers.setdefault((channel.role, number), []).append(transducer)
            if channel.role in SHARED or not number:
                self._shared.append(transducer)
            else:
                self.stations[number - 1].wire(transducer, channel.role)
                if channel.role == "held_peak":
                    self._held_of[channel.device].append(self.stations[number - 1])
        self._see_shared()

    # What a driver does: write an output, read a device.

    def drive(self, output: int, counts: int) -> None:
        """Write one output of the whole rig; what the iron makes of it the relay and the emergency stop decide."""
        role, station = self._wires[output]
        wired = self.rig.outputs[output]
        if role == "watchdog":
            self.watchdog.write(counts, self.t_s)
            return
        if self.watchdog.dropped or not self.emergency_stop_released:
            return  # without power a command does nothing, and it is not remembered
        self._busy = True
        if role == "set_point":
            part = (counts - wired.counts_safe) / (wired.counts_energised - wired.counts_safe)
            self.set_point_pa = wired.pa_low + min(max(part, 0.0), 1.0) * (wired.pa_high - wired.pa_low)
        elif station is not None:
            station.ask(role, counts == wired.counts_energised)
        else:
            self._supply_valve.ask(counts == wired.counts_energised)
            self._supply_moving = True

    def counts(self, device: int) -> tuple[int, ...]:
        """One integer per channel of this device, in rig order, as the module holds them now."""
        reply, normal, t_s, panel = self._replies[device], self._normal, self.t_s, self._panels[device]
        if len(normal) < len(panel):
            gauss = self._noise
            normal.extend([gauss() for _ in range(NOISE_BLOCK)])
        for transducer in panel:
            reply[transducer.place] = transducer.counts_now(normal.pop(), t_s)
        for station in self._held_of[device]:
            station.clear_held()
        return tuple(reply)

    # Time.

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` pass."""
        if not self._busy:
            until_s = self.t_s + dt_s
            if until_s < self.watchdog.drops_at_s and not (self._later and self._later[0][0] <= until_s):
                self.t_s = until_s
                return
        parts = max(1, math.ceil(dt_s / SUBSTEP_S - 1e-3))
        for _ in range(parts):
            self._step(dt_s / parts)

    def _step(self, dt_s: float) -> None:
        t_s = self.t_s = self.t_s + dt_s
        while self._later and self._later[0][0] <= t_s:
            heapq.heappop(self._later)[2]()
        if t_s >= self.watchdog.drops_at_s:
            self.watchdog.drop()
            self.lose_power()
        if not self._busy:
            return
        follow, flow_follow, lags = self._paces.get(round(dt_s * 1e5)) or self._pace(dt_s)
        busy = False
        if self._supply_moving:
            self._supply_moving = self._supply_valve.move(dt_s)
            self.renew_switches()
        feed_pa, has_water = self.feed_pa, self.water_m3 > 0.0
        out_m3 = out_j = 0.0
        for number, station in enumerate(self.stations, start=1):
            if station.awake:
                water_m3, gas_j = station.step(dt_s, t_s, feed_pa, has_water, lags)
                out_m3 += water_m3
                out_j += gas_j
                if station.switched:
                    self._renew_own_switches(number)
            elif station.feels(feed_pa):
                station.awake = True
            busy = busy or station.awake
        gas = self._push_gas(dt_s, follow, flow_follow, out_m3, out_j)
        self._busy = busy or gas or self._supply_moving
        self._see_shared(lags)

    def _pace(self, dt_s: float) -> tuple[float, float, dict[float, tuple[float, float]]]:
        """Coefficients of this length of a step, to a hundredth of a millisecond; kept, for few lengths come up."""
        assert dt_s > 0.0, "time only goes forward"
        lags: dict[float, tuple[float, float]] = {}
        for channels in self.transducers.values():
            for transducer in channels:
                transducer.pace(dt_s)
                lags[transducer.tau_s] = (transducer.decay, transducer.blend)
        pace = -math.expm1(-dt_s / REGULATOR_LAG_S), -math.expm1(-dt_s / REGULATOR_FLOW_LAG_S), lags
        if len(self._paces) < NOISE_BLOCK:
            self._paces[round(dt_s * 1e5)] = pace
        return pace

    def _push_gas(self, dt_s: float, follow: float, flow_follow: float, out_m3: float, out_j: float) -> bool:
        """Regulator, pump and what the stations took. True while anything moves."""
        held = self.regulator_pa = self.regulator_pa + (self.set_point_pa - self.regulator_pa) * follow
        gas_m3, gas_j = self.gas_m3 + out_m3, self._gas_j - out_j
        self.water_m3 -= out_m3
        if gas_m3 > self._gas_m3:
            pumped_m3 = min(gas_m3 - self._gas_m3, PUMP_M3_PER_S * dt_s)
            gas_m3 -= pumped_m3
            self.water_m3 += pumped_m3
        wanted_j = (held * self.regulator_share + ATMOSPHERE_PA) * gas_m3 - gas_j
        most_j = self.rig.regulator_m3_per_s * ATMOSPHERE_PA * dt_s
        flow_j = wanted_j * flow_follow
        if flow_j > 0.0:
            flow_j = self._fed(flow_j, most_j, gas_j / gas_m3, gas_m3)
            self._bottle_j = self._bottle_j - flow_j + min(most_j, max(self._kept_j - self._bottle_j, 0.0))
            self.supply_pa = self._bottle_j / self.bottle_m3 - ATMOSPHERE_PA
        elif flow_j < -most_j:
            flow_j = -most_j
        gas_j += flow_j
        feed_pa = self.feed_pa
        self.gas_m3, self._gas_j = gas_m3, gas_j
        self.feed_pa = gas_j / gas_m3 - ATMOSPHERE_PA
        flows = abs(flow_j) > SETTLED * gas_j or out_m3 != 0.0 or out_j != 0.0
        pumps = gas_m3 > self._gas_m3 * (1.0 + SETTLED)
        return flows or pumps or abs(self.set_point_pa - held) > EVEN_PA or abs(feed_pa - self.feed_pa) > EVEN_PA

    def _fed(self, wanted_j: float, most_j: float, feed_pa_abs: float, gas_m3: float) -> float:
        """What the supply can give in this step (as in `simulator.plant`)."""
        source_pa_abs = FEEDS_UP_TO * self._bottle_j / self.bottle_m3
        ratio = feed_pa_abs / source_pa_abs
        opening = self._supply_valve.travel
        if opening <= 0.0 or ratio >= 1.0:
            return 0.0
        most_j *= opening
        if ratio > 0.5:
            most_j *= math.sqrt(1.0 - (2.0 * ratio - 1.0) ** 2)
        return min(wanted_j, most_j, 0.5 * (source_pa_abs - feed_pa_abs) * min(gas_m3, self.bottle_m3))

    def _see_shared(self, lags: dict[float, tuple[float, float]] | None = None) -> None:
        """Transducers of what the stations share; at once, when they are placed."""
        true = (self.feed_pa, self.supply_pa, ROOM_K, 0.0)
        for transducer in self._shared:
            now = true[transducer.source]
            if lags is None:
                transducer.seen = transducer.before = now
                continue
            decay, blend = lags[transducer.tau_s]
            before = transducer.before
            transducer.seen = now + blend * (before - now) + decay * (transducer.seen - before)
            transducer.before = now
            if transducer.source <= 1 and abs(transducer.seen - now) > EVEN_PA:
                self._busy = True

    # Switches, and what people and faults do.

    def lose_power(self) -> None:
        """What the relay and the emergency stop do: every output to its de-energised state, no software between."""
        for station in self.stations:
            station.release()
        self._supply_valve.ask(False)
        self._supply_moving = self._busy = True
        self.set_point_pa = 0.0

    def renew_switches(self) -> None:
        shared = {"door": self.door_shut, "emergency_stop": self.emergency_stop_released, "relief": True}
        for reply, place, role, back_of in self._switches[0]:
            reply[place] = self._supply_valve.read_back if back_of else int(shared.get(role, False))
        for number in range(1, len(self.stations) + 1):
            self._renew_own_switches(number)

    def _renew_own_switches(self, number: int) -> None:
        station = self.stations[number - 1]
        station.switched = False
        for reply, place, role, back_of in self._switches[number]:
            reply[place] = station.switch(role, back_of)

    def set_switches(self, *, door_shut: bool | None = None, emergency_stop_released: bool | None = None) -> None:
        if door_shut is not None:
            self.door_shut = door_shut
        if emergency_stop_released is not None:
            self.emergency_stop_released = emergency_stop_released
            if not emergency_stop_released:
                self.lose_power()
        self.renew_switches()

    def turn_mains(self, is_open: bool) -> None:
        """The cock by hand before all fill valves. (One before the supply is left out: a regulator that is asked for
        nothing passes nothing.)"""
        for station in self.stations:
            station.turn_mains(is_open)
        self._busy = True

    def call_later(self, delay_s: float, action: Callable[[], None]) -> None:
        """Let `action` happen delay_s from now; what is due at one moment happens in the order it was asked for."""
        self._calls += 1
        heapq.heappush(self._later, (self.t_s + delay_s, self._calls, action))

    def stick_valve(self, role: str, travel: float | None, station: int = 0) -> None:
        """A valve stays at `travel` whatever it is told; None sets it free. `station` 0: the supply valve."""
        if station:
            self.stations[station - 1].stick(role, travel)
        else:
            self._supply_valve.stuck, self._supply_moving = travel, True
        self._busy = True

    def lie(self, station: int, lies: bool) -> None:
        """The release valve's read-back says the opposite of the truth, or the truth again."""
        self.stations[station - 1].valves["inlet"].lies = lies
        self.renew_switches()

    def set_regulator(self, share: float) -> None:
        """The regulator gives this share of what it is asked for."""
        self.regulator_share, self._busy = share, True

    def set_supply(self, pressure_pa: float) -> None:
        """From now on the compressor keeps this pressure [Pa]; 0 is none."""
        self._bottle_j = self._kept_j = (pressure_pa + ATMOSPHERE_PA) * self.bottle_m3
        self.supply_pa, self._busy = pressure_pa, True

    def free_part(self, station: int) -> None:
        """A hand brings the moving part back."""
        self.stations[station - 1].specimen.free()
        self.stations[station - 1].awake = self._busy = True

    @property
    def supply_open(self) -> float:
        return self._supply_valve.travel

    @property
    def energised(self) -> bool:
        """Whether any output asks for more than its safe state now."""
        valves = [valve for station in self.stations for valve in station.valves.values()]
        return self.set_point_pa > 0.0 or any(valve.wanted > 0.0 for valve in (self._supply_valve, *valves))

    def truth(self, station: int) -> StationTruth:
        """What really is and was on this station, counted from 1."""
        return self.stations[station - 1].truth()
