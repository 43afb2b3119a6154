"""What each step of a profile does once the run is RUNNING: phases, wishes for the outputs, and when it is over.

A step is a small object made when the step begins. The engine calls `advance` once in every step of its own; the
answer is how it stands (`engine.standing`). What is long enough to be a story of its own, a surge after a surge, has a
file of its own.
"""

from rigd.engine.air import AirStep
from rigd.engine.flush import FlushStep
from rigd.engine.gas_leak import GasLeakStep
from rigd.engine.outputs import SAFE, Wanted
from rigd.engine.pressure import PressureLoop
from rigd.engine.standing import AT_CEILING, DONE, LOST, NEAR, STALLED, Sight, Standing
from rigd.engine.surge import SurgeStep
from rigd.engine.turns import TurnsStep
from rigd.engine.walk_pressure import CHECK_STEPS
from rigd.model.air import AirCheck
from rigd.model.flush import Flush
from rigd.model.gas import GasLeak
from rigd.model.leak import CapTurns
from rigd.model.profile import Fill, Hold, Proof, Ramp, Surge, Vent
from rigd.model.rig import Rig

BUILD_NS = 30_000_000_000  # longest time to build the proof's low pressure
CHARGE_NS = 10_000_000_000  # longest time for the feed to come up to a specimen that holds pressure already
CEILING_WAIT_NS = (
    3_000_000_000  # after the target stands at the ceiling; the pressure is then there or it never will be
)
SETTLE_NS = 500_000_000  # after isolating, before a loss is counted: valves close, temperature and body creep begin
STANDS = 0.5  # of the proof pressure must still be there then: an open body is empty before a loss is counted
VENT_NS = 20_000_000_000  # longest time a vent step may wait for the pressure to fall


class FillStep:
    """Bleed with the vent open, then shut it and let the mains bring the pressure up."""

    def __init__(self, step: Fill, rig: Rig, sight: Sight) -> None:
        del rig
        self._step, self._began_ns = step, sight.clock_ns

    def advance(self, sight: Sight) -> Standing:
        elapsed_ns = sight.clock_ns - self._began_ns
        if elapsed_ns < self._step.bleed_ns:
            return Standing(wanted=Wanted(fill=True))
        if sight.pressure_pa >= self._step.until_pa:
            return Standing(wanted=Wanted(vent_shut=True), word=DONE, said="filled and holding mains pressure")
        if elapsed_ns > self._step.timeout_ns:
            return Standing(
                wanted=SAFE, word=LOST, said="mains pressure was not reached: it leaks, or the mains are shut"
            )
        return Standing(wanted=Wanted(fill=True, vent_shut=True))


class ChargedStep:
    """A step that raises the pressure from where it stands."""

    def __init__(self, rig: Rig, sight: Sight) -> None:
        self._control = rig.control
        self._charging = sight.pressure_pa > sight.vent_limit_pa
        self._waited = False
        self._begin(sight)

    def _called_for(self, sight: Sight, rate_pa_per_s: float) -> float:
        """What the rise calls for now [Pa]. What fell behind while an interlock held it is not caught up with a jump:
        it goes on from what stands then."""
        risen_pa = self._from_pa + rate_pa_per_s * ((sight.clock_ns - self._began_ns) / 1e9)
        if sight.interlocked:
            self._waited = True
        elif self._waited and sight.pressure_pa == sight.pressure_pa:
            self._waited = False
            if sight.pressure_pa < risen_pa:
                self._begin(sight)
                return self._from_pa
        return risen_pa

    def _begin(self, sight: Sight) -> None:
        self._from_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
        self._began_ns = sight.clock_ns
        self._loop = PressureLoop(self._control, sight.t_ns, self._from_pa)

    def _charge(self, sight: Sight) -> Standing:
        """Bring the feed up before the inlet opens: through an open inlet the specimen would push back into the tank,
        and its fall would look like a failure."""
        here_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
        if not sight.feed_pa < NEAR * here_pa:
            self._charging = False
            self._begin(sight)
        elif sight.clock_ns - self._began_ns > CHARGE_NS:
            return Standing(wanted=SAFE, word=STALLED, said="the feed did not come up to the specimen's pressure")
        return Standing(wanted=Wanted(supply=True, vent_shut=True, set_point_pa=here_pa))


class ProofStep(ChargedStep):
    """Build low, isolate, hold, vent, must fall: the rig shows that it can hold and that it can let go."""

    BUILD = "build"
    HOLD = "hold"
    FALL = "fall"

    def __init__(self, step: Proof, rig: Rig, sight: Sight) -> None:
        super().__init__(rig, sight)
        self._step, self._phase = step, self.BUILD
        self._held_pa = float("nan")
        self._loss_pa = 0.0

    def advance(self, sight: Sight) -> Standing:
        if self._phase == self.BUILD:
            return self._build(sight)
        elapsed_ns = sight.clock_ns - self._began_ns
        if self._phase == self.HOLD:
            return self._hold(sight, elapsed_ns)
        if sight.pressure_pa < self._step.fall_below_pa:
            return Standing(
                wanted=Wanted(vent_shut=True),
                word=DONE,
                said="held, and fell when vented",
                loss_pa=self._loss_pa,
                fall_ns=elapsed_ns,
            )
        if elapsed_ns > self._step.fall_ns:
            return Standing(
                wanted=SAFE, word=STALLED, said="the pressure did not fall when vented: the vent is not clear"
            )
        return Standing(wanted=SAFE)

    def _build(self, sight: Sight) -> Standing:
        target_pa = self._called_for(sight, self._step.ramp_pa_per_s)
        target_pa = target_pa if target_pa < self._step.pressure_pa else self._step.pressure_pa
        if sight.pressure_pa >= NEAR * self._step.pressure_pa:
            self._phase, self._began_ns = self.HOLD, sight.clock_ns
            return Standing(wanted=Wanted(vent_shut=True), target_pa=self._step.pressure_pa)
        if self._charging:
            return self._charge(sight)
        if sight.clock_ns - self._began_ns > BUILD_NS:
            return Standing(wanted=SAFE, word=LOST, said="the proof pressure was not reached")
        set_point_pa = self._loop.follow(sight, target_pa)
        wanted = Wanted(supply=True, inlet=True, vent_shut=True, set_point_pa=set_point_pa)
        return Standing(wanted=wanted, target_pa=target_pa)

    def _hold(self, sight: Sight, elapsed_ns: int) -> Standing:
        wanted = Wanted(vent_shut=True)
        if elapsed_ns < SETTLE_NS:
            self._held_pa = sight.pressure_pa
            return Standing(wanted=wanted)
        if sight.pressure_pa < STANDS * self._step.pressure_pa:
            return Standing(wanted=SAFE, word=LOST, said="lost all pressure as soon as it was isolated in the proof")
        loss_pa = self._held_pa - sight.pressure_pa
        if loss_pa > self._step.loss_pa:
            return Standing(wanted=SAFE, word=LOST, said="lost pressure in the proof", loss_pa=loss_pa)
        self._loss_pa = loss_pa if loss_pa == loss_pa else self._loss_pa
        if elapsed_ns >= SETTLE_NS + self._step.hold_ns:
            self._phase, self._began_ns = self.FALL, sight.clock_ns
            return Standing(wanted=SAFE)
        return Standing(wanted=wanted)


class RampStep(ChargedStep):
    """Uniformly up, from where the pressure stands, until the body lets go or the ceiling is reached."""

    def __init__(self, step: Ramp, rig: Rig, sight: Sight) -> None:
        super().__init__(rig, sight)
        self._step = step

    def _begin(self, sight: Sight) -> None:
        super()._begin(sight)
        self._ceiling_since_ns = -1

    def advance(self, sight: Sight) -> Standing:
        if self._charging:
            return self._charge(sight)
        target_pa = self._called_for(sight, self._step.rate_pa_per_s)
        ceiling_pa = self._step.ceiling_pa
        if target_pa >= ceiling_pa:
            target_pa = ceiling_pa
            if self._ceiling_since_ns < 0:
                self._ceiling_since_ns = sight.clock_ns
            if sight.pressure_pa >= NEAR * ceiling_pa:
                return Standing(wanted=SAFE, word=AT_CEILING, said="the ceiling is reached")
            if sight.clock_ns - self._ceiling_since_ns > CEILING_WAIT_NS:
                return Standing(wanted=SAFE, word=STALLED, said="the pressure stays below the ceiling")
        set_point_pa = self._loop.follow(sight, target_pa)
        wanted = Wanted(supply=True, inlet=True, vent_shut=True, set_point_pa=set_point_pa)
        return Standing(wanted=wanted, target_pa=target_pa, watch=True)


class HoldStep:
    """Keep the pressure."""

    def __init__(self, step: Hold, rig: Rig, sight: Sight) -> None:
        self._step, self._began_ns = step, sight.clock_ns
        self._target_pa = step.pressure_pa if step.pressure_pa > 0.0 else sight.pressure_pa
        self._loop = PressureLoop(rig.control, sight.t_ns, self._target_pa)

    def advance(self, sight: Sight) -> Standing:
        if sight.clock_ns - self._began_ns >= self._step.duration_ns:
            return Standing(wanted=Wanted(vent_shut=True), word=DONE, said="held", target_pa=self._target_pa)
        set_point_pa = self._loop.follow(sight, self._target_pa)
        wanted = Wanted(supply=True, inlet=True, vent_shut=True, set_point_pa=set_point_pa)
        return Standing(wanted=wanted, target_pa=self._target_pa, watch=True)


class VentStep:
    """Let the pressure out and see it fall."""

    def __init__(self, step: Vent, rig: Rig, sight: Sight) -> None:
        del step, rig
        self._began_ns = sight.clock_ns

    def advance(self, sight: Sight) -> Standing:
        if sight.pressure_pa < sight.vent_limit_pa:
            return Standing(wanted=SAFE, word=DONE, said="vented")
        if sight.clock_ns - self._began_ns > VENT_NS:
            return Standing(wanted=SAFE, word=STALLED, said="the pressure did not fall when vented")
        return Standing(wanted=SAFE)


LIVE_STEPS = {
    Fill: FillStep, Proof: ProofStep, Ramp: RampStep, Hold: HoldStep, Vent: VentStep, Surge: SurgeStep,
    CapTurns: TurnsStep, Flush: FlushStep, AirCheck: AirStep, GasLeak: GasLeakStep,
    **CHECK_STEPS,
}  # fmt: skip
