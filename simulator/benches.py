"""What may stand on a simulated rig, and which of it a profile needs."""

from rigd.model.errors import UsageRefused
from rigd.model.flush import Flush
from rigd.model.gas import GasLeak
from rigd.model.leak import CapTurns
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from simulator.cap_bench import CapBench
from simulator.drain_bench import DrainBench
from simulator.gas_bench import GasPlant
from simulator.plant import Plant
from simulator.surge_bench import SurgeBench

Iron = Plant | SurgeBench | CapBench | DrainBench  # a GasPlant is a Plant


def place_bench(rig: Rig, profile: Profile, *, seed: int, faults: tuple[str, ...]) -> CapBench | DrainBench | GasPlant:
    """The bench that this profile needs: a cap that is turned, a drain and its cups, or gas. Raises UsageRefused."""
    for step in profile.steps:
        if type(step) is CapTurns:
            return CapBench(rig, seed=seed, test_pa=step.pressure_pa, faults=faults)
        if type(step) is Flush:
            return DrainBench(rig, seed=seed, half_width_deg=step.half_width_deg, faults=faults)
        if type(step) is GasLeak:
            return GasPlant(rig, step, seed=seed, faults=faults)
    raise UsageRefused(f"profile {profile.name}: found none; allowed here: one with cap_turns, a flush or a gas_leak")
