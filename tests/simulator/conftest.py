"""The demo rig, and a technician's hand on a simulated one: kicks the relay, moves valves, waits, keeps a log."""

from collections.abc import Callable
from typing import NamedTuple

import pytest

from rigd.files.load import find, load_rig
from rigd.model.rig import Rig
from simulator.bodies import PSI
from simulator.plant import Plant


class Line(NamedTuple):
    """One step of the log: what is true, and what the registers say."""

    t_s: float
    psi: float
    tank_psi: float
    counts: tuple[int, ...]


class Hand:
    """Drives a plant by the roles of its outputs, as a driver would, step by step."""

    def __init__(self, plant: Plant, dt_s: float = 0.01) -> None:
        self.plant, self.dt_s = plant, dt_s
        self.log: list[Line] = []
        self.kicks = True
        self._count = 0
        self._outputs = {output.role: index for index, output in enumerate(plant.rig.outputs)}

    def put(self, **roles: int) -> None:
        for role, counts in roles.items():
            self.plant.drive(self._outputs[role], counts)

    def ask_psi(self, psi: float) -> None:
        self.put(set_point=round(psi * 16))

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / self.dt_s)):
            self._count += 1
            if self.kicks:
                self.put(watchdog=self._count % 65536)
            plant = self.plant
            plant.advance(self.dt_s)
            self.log.append(Line(plant.t_s, plant.specimen_pa / PSI, plant.tank_pa / PSI, plant.counts(0)))

    def fill(self) -> None:
        """Water in with the vent open, then shut everything and let the gas to the regulator."""
        self.wait(0.5)
        self.put(fill=1)
        self.wait(8.0)
        self.put(vent=1)
        self.wait(1.0)
        self.put(fill=0, vent=0)
        self.wait(1.0)
        self.put(vent=1, supply=1, inlet=1)
        self.wait(1.0)

    def ramp(self, to_psi: float, psi_per_s: float = 15.0, past_failure_s: float = 0.5) -> None:
        """Raise the set-point steadily, until there or until the body failed so long ago."""
        steps = round(to_psi / psi_per_s / self.dt_s)
        for step in range(steps):
            self.ask_psi(to_psi * (step + 1) / steps)
            self.wait(self.dt_s)
            failed_at_s = self.plant.failed_at_s
            if failed_at_s is not None and self.plant.t_s > failed_at_s + past_failure_s:
                return

    def vent(self) -> None:
        self.put(supply=0, inlet=0, vent=0, set_point=0)
        self.wait(2.0)


@pytest.fixture(scope="session")
def rig() -> Rig:
    return load_rig(find("demo", "rig"))


@pytest.fixture
def hand(rig: Rig) -> Callable[..., Hand]:
    """hand(seed, body, faults, dt_s) -> a Hand on a fresh plant."""

    def on(seed: int = 1, body: str = "", faults: tuple[str, ...] = (), dt_s: float = 0.01) -> Hand:
        return Hand(Plant(rig, seed=seed, body=body, faults=faults), dt_s)

    return on
