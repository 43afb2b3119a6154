"""A rig that fills a dry body with gas: the plant of every demo with gas where its water is, and a leak of known size.

Everything that a leak test with gas has to tell from a leak happens here, drawn from the seed within what its profile
and its rig file state: the room warms or cools, pressed gas is warm at first, the body creeps, the weather changes, the
zero of the transducer drifts, the thermometer is a little wrong and not always alike, and body and line are not quite
as large as measured. The gas is ideal and in one lump. It knows nothing of the engine. All sizes are invented.
"""

import math
from random import Random

from rigd.model.gas import GasLeak
from rigd.model.rig import Rig
from simulator.plant import SOURCES, Plant
from simulator.transducers import ATMOSPHERE_PA

R = 8.31446261815324  # [J/(mol K)], exact in the SI of 2019
CM3_A_MINUTE_J = ATMOSPHERE_PA * 1e-6 / 60.0  # of one sccm, p times V a second [W]
INLET_S, VENT_S = 0.05, 0.2  # in which a body comes to the pressure behind an open valve
WARMS = 0.05  # of adiabatic heating: the rest goes into line and wall while it fills
COOLS_S = 6.0  # in which pressed gas comes to the room
ROOM_K, ROOM_DRIFT_K_PER_S = (293.0, 297.0), 0.5 / 3600.0
LASTS_S = 300.0  # for which the thermometer's error stays as it is
SMALLEST, LARGEST = -1.2, 0.9  # decades about the limit within which a leak is drawn
TIGHT_SHARE = 0.2  # of bodies leak nothing at all
NEAR_SHARE, NEAR = 0.2, (0.8, 1.2)  # and so many leak about as much as they may
LEAKS_FULLY_FROM = 0.5  # of the test pressure: above it the leak has its size, below it less
ZERO_SHARE = 0.8  # of what voids a run: a zero that moves further is another test
LONGEST_S = 3600.0


def shipped_step() -> GasLeak:
    """The test whose statements a body of gas is drawn within, where no other is named."""
    from rigd.files.load import find, load_profile

    profile = load_profile(find("gas-leak", "profile"))
    return next(step for step in profile.steps if isinstance(step, GasLeak))


class GasPlant(Plant):
    def __init__(self, rig: Rig, step: GasLeak, *, seed: int, faults: tuple[str, ...] = ()) -> None:
        self._test, self._fate = step, Random(f"{seed}/gas")
        super().__init__(rig, seed=seed, body="strong", faults=faults)

    def _place_gas(self, iron: Random) -> None:
        super()._place_gas(iron)
        low = [v.gas_m3 for v in self.rig.volumes if v.gas_pa_max <= self.rig.relief.set_pa]
        self.tank_gas_m3, self.tank_water_m3 = low[0] if low else 0.5e-3, 0.0
        self._tank_j = ATMOSPHERE_PA * self.tank_gas_m3

    def _place_body(self) -> None:
        super()._place_body()
        step, fate = self._test, self._fate
        dwell_s = step.dwell_ns / 1e9
        self.body_m3 = fate.gauss(step.body_m3, step.body_u_m3)
        self.line_m3 = fate.gauss(step.line_m3, step.line_u_m3)
        self._grows_per_s = fate.uniform(-1.0, 1.0) * step.body_change / dwell_s
        self._weather_pa_per_s = fate.uniform(-1.0, 1.0) * step.atmosphere_change_pa / dwell_s
        self._room_k = fate.uniform(*ROOM_K)
        self._room_k_per_s = fate.uniform(-1.0, 1.0) * ROOM_DRIFT_K_PER_S
        self.leak_mol_per_s = self._draw_leak() * step.limit_mol_per_s
        self.gas_k, self._pressed_s = self._room_k, 0.0
        self.outside_pa = fate.gauss(step.atmosphere_pa or ATMOSPHERE_PA, step.atmosphere_u_pa)
        self.moles = self.outside_pa * (self.body_m3 + self.line_m3) / R / self.gas_k

    def _draw_leak(self) -> float:
        """In parts of the limit: none, about the limit, or anything."""
        kind, anything, near = self._fate.random(), self._fate.uniform(SMALLEST, LARGEST), self._fate.uniform(*NEAR)
        if kind < TIGHT_SHARE:
            return 0.0
        return near if kind < TIGHT_SHARE + NEAR_SHARE else 10.0**anything

    def _place_channels(self) -> None:
        super()._place_channels()
        for thermometer in self.transducers["gas_temperature"]:
            thermometer.source = SOURCES["water_temperature"]
        fate, gauge = self._fate, self.transducers["specimen"][0]
        whole_s = (self._test.settle_ns + self._test.dwell_ns) / 1e9
        zero_pa_per_s = fate.uniform(-1.0, 1.0) * ZERO_SHARE * self._test.zero_drift_pa / whole_s
        gauge.wrong = lambda counts, _: counts + gauge.gain * zero_pa_per_s * self._pressed_s
        channel = next(channel for channel in self.rig.channels if channel.role == "gas_temperature")
        times = range(int(LONGEST_S / LASTS_S) + 1)
        self._wrong_k = [fate.uniform(-1.0, 1.0) * channel.accuracy for _ in times]

    def _warm(self) -> None:
        """The water of the other plant; gas has its own weather."""

    def _push_water(self, dt_s: float) -> None:
        """Body and line for one step: gas in, gas out, leak, warmth, weather and creep."""
        volume_m3, absolute_pa = self.volume_m3, self.specimen_pa + self.outside_pa
        energy_j = absolute_pa * volume_m3
        inlet, vent = max(self.inlet_open, self._past["inlet"]), self.vent_open * self.vent_share
        moved_j = 0.0
        if inlet > 0.0:
            both = volume_m3 * self.tank_gas_m3 / (volume_m3 + self.tank_gas_m3)
            moved_j = (self.tank_pa + self.outside_pa - absolute_pa) * both * -math.expm1(-dt_s * inlet / INLET_S)
            self._tank_j -= moved_j
        if vent > 0.0:
            moved_j -= (energy_j + moved_j - self.outside_pa * volume_m3) * -math.expm1(-dt_s * vent / VENT_S)
        self.moles += moved_j / R / self.gas_k - self.leak_now_mol_per_s() * dt_s
        room_k = self._room_k + self._room_k_per_s * self.t_s
        self.gas_k += WARMS * self.gas_k * moved_j / energy_j + (room_k - self.gas_k) * -math.expm1(-dt_s / COOLS_S)
        if self.specimen_pa > LEAKS_FULLY_FROM * self._test.pressure_pa:
            self._pressed_s += dt_s
            self.body_m3 *= 1.0 + self._grows_per_s * dt_s
        self.outside_pa += self._weather_pa_per_s * dt_s
        self.specimen_pa = self.moles * R * self.gas_k / self.volume_m3 - self.outside_pa
        wrong_k = self._wrong_k[int(min(self.t_s, LONGEST_S) / LASTS_S)]
        self.water_k = self.gas_k + wrong_k  # what the thermometer shows

    @property
    def volume_m3(self) -> float:
        """Of all that is shut in."""
        return self.body_m3 + self.line_m3

    def leak_now_mol_per_s(self) -> float:
        share = self.specimen_pa / (LEAKS_FULLY_FROM * self._test.pressure_pa)
        return self.leak_mol_per_s * min(max(share, 0.0), 1.0)

    def true_leak_sccm(self) -> float:
        """At the test pressure, with the test's reference temperature."""
        return self.leak_mol_per_s * R * self._test.sccm_k / CM3_A_MINUTE_J
