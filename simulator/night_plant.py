"""The simulated iron for a whole night: faults of it heal, and another body is put on the bench after each run.

`Plant` knows one run with one body. What is added here turns its knobs back; no physics.
"""

from random import Random

from rigd.model.rig import Rig
from simulator.bodies import Body
from simulator.plant import RELIEF_PASSES, Plant

_DRAWN = Random("noise of all nights")
POOL = [_DRAWN.gauss(0.0, 1.0) for _ in range(1 << 16)]
"""Normal numbers, drawn once: a night takes pieces from places of its own."""
PIECE = 512


class NightPlant(Plant):
    def __init__(self, rig: Rig, *, seed: int, body: str = "") -> None:
        super().__init__(rig, seed=seed, body=body)
        self._fresh_tank_m3 = (self.tank_gas_m3, self.tank_water_m3)
        self.held_off_seat = False  # the relief valve, by debris
        self._place_of_piece = Random(f"{seed}/noise pieces").randrange
        for group in self.transducers.values():
            for sensor in group:
                if sensor.curve is not None:  # told as a curve, yet straight: no need to turn it round by halving
                    sensor.zero = sensor.counts_of(0.0)
                    sensor.gain, sensor.curve = (sensor.counts_of(1e6) - sensor.zero) / 1e6, None

    def counts(self, device: int) -> tuple[int, ...]:
        normal = self._normal
        if len(normal) < len(self._panels[device]):
            place = self._place_of_piece(len(POOL) - PIECE)
            normal.extend(POOL[place : place + PIECE])
        return super().counts(device)

    def mount(self, body: Body) -> None:
        """Another body in the fixture, the line open and at zero, the tank topped up with water."""
        self.body = body
        air_pa = self._tank_j / self.tank_gas_m3
        self.tank_gas_m3, self.tank_water_m3 = self._fresh_tank_m3
        self._tank_j = air_pa * self.tank_gas_m3
        self._place_body()
        self.at_loss.clear()
        self.regroup()
        self._renew_switches()

    def splash(self, dry: bool) -> None:
        """Water that no body lost, or a cloth."""
        self.dry = dry
        self._renew_switches()

    def crack(self, opening_m2: float) -> None:
        """The body gives way now, whatever its strength, by an opening of this area."""
        if self.failed_at_s is None:
            self.strength_pa, self.failed_at_s = self.specimen_pa, self.t_s
        self.leak_m2 = max(self.leak_m2, opening_m2)
        self.regroup()

    def gave_way_pa(self, until_s: float) -> float:
        """True pressure at which the body broke, or grew for good if nothing but that had happened until then."""
        assert self.strength_pa is not None and self.failed_at_s is not None, "it broke"
        grew = self.yield_pa is not None and self.failed_at_s > until_s
        return self.yield_pa if grew else self.strength_pa

    def free_valve(self, role: str) -> None:
        self._valves[role].stuck = None
        self._moving = True

    def let_read_back_tell_truth(self, role: str) -> None:
        self._valves[role].lies = False
        self._renew_switches()

    def slow_valve(self, role: str, seconds: float) -> float:
        """Change how long a valve travels; returns what it was [s]."""
        was_s, self._valves[role].seconds = self._valves[role].seconds, seconds
        return was_s

    def plug_vent(self, share: float) -> None:
        self.vent_share = share
        self.regroup()

    def end_creep(self) -> None:
        self.creep_pa_per_s = self.creep_pa = 0.0

    def mend_relief(self) -> None:
        self.relief_set_pa, self.relief_reseat_pa = self.rig.relief.set_pa, self.rig.relief.reseat_pa

    def hold_relief(self, off_its_seat: bool) -> None:
        self.held_off_seat = self.relief_lifted = off_its_seat
        self._renew_switches()

    def repace(self) -> None:
        """A lag has changed: work the coefficients out again at the next step."""
        self._dt_low = self._dt_high = 0.0

    def asked(self, role: str) -> bool:
        """Whether a valve is energised, whatever its plug does."""
        return self._valves[role].wanted == 1.0

    def _relieve(self, tank_pa: float) -> float:
        if not self.held_off_seat:
            return super()._relieve(tank_pa)
        above_j = max(tank_pa, 0.0) * self.tank_gas_m3  # it falls to atmosphere and no further
        return min(RELIEF_PASSES * self._most_j, 0.5 * above_j)
