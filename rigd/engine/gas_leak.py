"""A leak test with gas: filled by the inlet, shut in, left to settle, watched, and judged by the gas law.

Once the pressure is there the inlet shuts and what is behind it is let down, so that an inlet that passes can only look
like a leak and never hide one; where more than the body's pressure stays behind it nothing is decided. Means over the
first and the last tenth of the dwell are the two looks at the gas; a loss of a tenth ends the dwell early. A body that
loses half its pressure by itself came open, as in any test. Nobody is asked anything while there is gas in it. People's
holds do not count: gas that is shut in goes on as it likes.
"""

from math import sqrt

from rigd.calc.exact.gas_leak import (
    STANDARD_PRESSURE_PA,
    WINDOW,
    GasFlow,
    Look,
    leaked,
    pressure_step_pa,
    sccm_of,
    temperature_u_k,
    unseen_of,
)
from rigd.calc.exact.leak import LEAKING, TIGHT, UNDECIDED, Leak, Slope, decide
from rigd.engine.outputs import Wanted
from rigd.engine.pressure import PressureLoop
from rigd.engine.standing import DONE, ENDS, LOST, NEAR, PAUSE, STALLED, Sight, Standing
from rigd.engine.turn_look import BAD_SHARE, NO_CHANNEL, channel_of
from rigd.model.gas import GasLeak
from rigd.model.messages import Data, Judgement, Scalar
from rigd.model.rig import Rig
from rigd.model.verdicts import GAS_RESULTS, verdict_of_gas

BUILD_NS = 30_000_000_000  # beyond what the ramp itself takes
LOST_SHARE = 0.5  # of the pressure: gone by itself
LARGEST_FALL = 0.1  # of the gas (ASTM E2930-13(2021) 5.1, seen in a preview): the dwell has seen enough

BUILD, SETTLE, DWELL = "build", "settle", "dwell"
CLASS_OF = {TIGHT: "gas_tight", LEAKING: "gas_leaking", UNDECIDED: "undecided"}


class Window:
    """One end of the dwell, sample by sample."""

    __slots__ = ("pressure", "t_s", "temperature")

    def __init__(self) -> None:
        self.pressure, self.temperature, self.t_s = Slope(), Slope(), 0.0

    def add(self, t_ns: int, pressure_pa: float, temperature_k: float) -> None:
        self.pressure.add(t_ns, pressure_pa)
        self.temperature.add(t_ns, temperature_k)
        self.t_s += (t_ns / 1e9 - self.t_s) / self.pressure.count

    @property
    def count(self) -> int:
        return self.pressure.count


class GasTally:
    """What the Result says of it (model.verdicts.GAS_RESULTS)."""

    __slots__ = ("at", "data", "holds", "verdict")

    def __init__(self) -> None:
        self.at = 0
        self.holds = True  # a rise test proves something of a body that does
        self.verdict = UNDECIDED
        self.data: Data = ()

    def mark(self) -> None:
        """A person saw it fail: the outcome says so, and no number is made of it."""
        self.holds = False

    def told(self) -> Data:
        found: dict[str, Scalar] = {}
        for name, value in self.data:
            found[name] = value
        return tuple((name, found.get(name)) for name in GAS_RESULTS)

    def verdict_of(self, outcome: str) -> str:
        return verdict_of_gas(outcome=outcome)


class GasLeakStep:
    def __init__(self, step: GasLeak, rig: Rig, sight: Sight) -> None:
        self._step, self._rig = step, rig
        self._thermometer = channel_of(rig, "gas_temperature")
        gauge = self._gauge = rig.channels[sight.channels.primary]
        needs_air = step.atmosphere_pa == 0.0 and gauge.reference == "gauge"
        self._barometer = channel_of(rig, "atmosphere") if needs_air else NO_CHANNEL
        self.tally = GasTally()
        self.resume(sight)

    def resume(self, sight: Sight) -> None:
        """From the beginning: at first, and after a neighbour's hands."""
        here_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
        self._from_pa = self._highest_pa = here_pa
        self._loop = PressureLoop(self._rig.control, sight.t_ns, here_pa)
        self._phase, self._since_ns = BUILD, sight.clock_ns
        self._start, self._end = Window(), Window()
        self._samples = self._blind = self._fed = 0
        self._ends_from_ns = self._step.dwell_ns - int(WINDOW * self._step.dwell_ns)

    def advance(self, sight: Sight) -> Standing:
        """How it stands; a stop may be had at any moment."""
        standing = self._advance(sight)
        return standing._replace(is_safe_point=standing.word != LOST)

    def _advance(self, sight: Sight) -> Standing:
        if sight.hands:  # half a dwell tells nothing, and gas does not wait beside hands
            return Standing(wanted=Wanted(), word=PAUSE, said="a neighbour needs hands in the chamber")
        if sight.pressure_pa > self._highest_pa:
            self._highest_pa = sight.pressure_pa
        if self._highest_pa > sight.vent_limit_pa and self._is_gone(sight, LOST_SHARE * self._highest_pa):
            return Standing(wanted=Wanted(), word=LOST, said="the gas went by itself")
        if self._phase == BUILD:
            return self._build(sight)
        if self._phase == SETTLE:
            if sight.t_ns - self._since_ns >= self._step.settle_ns:
                self._phase, self._since_ns = DWELL, sight.t_ns
                self.tally.at = 1
            return self._shut()
        return self._dwell(sight)

    def _is_gone(self, sight: Sight, least_pa: float) -> bool:
        """Both transducers must see it: one that falls alone is dying, and their disagreement trips."""
        return sight.pressure_pa < least_pa and not sight.channels.good(sight.channels.second) >= least_pa

    def _shut(self) -> Standing:
        """Isolated, and what is behind the inlet let down."""
        return Standing(wanted=Wanted(vent_shut=True))

    def _build(self, sight: Sight) -> Standing:
        step, elapsed_s = self._step, (sight.clock_ns - self._since_ns) / 1e9
        target_pa = self._from_pa + step.ramp_pa_per_s * elapsed_s
        target_pa = step.pressure_pa if target_pa > step.pressure_pa else target_pa
        if sight.pressure_pa >= NEAR * step.pressure_pa:
            self._phase, self._since_ns = SETTLE, sight.t_ns
            return self._shut()
        if elapsed_s > step.pressure_pa / step.ramp_pa_per_s + BUILD_NS / 1e9:
            if sight.feed_pa < NEAR * step.pressure_pa:
                return Standing(wanted=Wanted(), word=STALLED, said="the regulator did not bring the pressure")
            return self._judge(sight, LEAKING, "the pressure could not be built: more goes than comes")
        set_point_pa = self._loop.follow(sight, target_pa)
        wanted = Wanted(supply=True, inlet=True, vent_shut=True, set_point_pa=set_point_pa)
        return Standing(wanted=wanted, target_pa=target_pa)

    def _dwell(self, sight: Sight) -> Standing:
        elapsed_ns, step = sight.t_ns - self._since_ns, self._step
        window_ns = step.dwell_ns * WINDOW
        if sight.sampled:
            self._take(sight, elapsed_ns, window_ns)
        if elapsed_ns < self._ends_from_ns + window_ns:
            return self._shut()
        if self._blind > BAD_SHARE * self._samples or self._start.count < 2 or self._end.count < 2:
            return self._judge(sight, UNDECIDED, "temperature or air pressure was without a good value")
        if self._fed > BAD_SHARE * self._samples:
            return self._judge(sight, UNDECIDED, "more stood behind the inlet than in the body: gas may have come in")
        return self._judge(sight, "", "")

    def _take(self, sight: Sight, elapsed_ns: int, window_ns: float) -> None:
        """A good sample of the pressure; without the gas's temperature it says nothing."""
        self._samples += 1
        self._fed += sight.feed_pa > sight.pressure_pa
        absolute_pa, temperature_k = self._absolute_pa(sight), self._fresh(sight, self._thermometer)
        if absolute_pa != absolute_pa or temperature_k != temperature_k:
            self._blind += 1
            return
        if elapsed_ns < window_ns:
            self._start.add(sight.sampled_ns, absolute_pa, temperature_k)
        elif elapsed_ns >= self._ends_from_ns:
            self._end.add(sight.sampled_ns, absolute_pa, temperature_k)
        elif self._start.count:
            first = self._start.pressure.mean / self._start.temperature.mean
            if absolute_pa / temperature_k < (1.0 - LARGEST_FALL) * first:
                self._ends_from_ns = elapsed_ns

    def _absolute_pa(self, sight: Sight) -> float:
        """Absolute pressure of the gas, zeroed, NaN where the air outside must be known and is not."""
        channels, step = sight.channels, self._step
        gauge_pa = sight.pressure_pa - channels.zero[channels.primary]
        if self._barometer != NO_CHANNEL:
            return gauge_pa + self._fresh(sight, self._barometer) + self._rig.ambient_pa
        counts_from_air = self._gauge.reference == "gauge"
        return gauge_pa + (step.atmosphere_pa if counts_from_air else self._rig.ambient_pa)

    def _fresh(self, sight: Sight, at: int) -> float:
        return sight.channels.good(at) if sight.channels.is_fresh(at, sight.t_ns) else float("nan")

    # ---- judging

    def _leak(self) -> tuple[GasFlow, Data]:
        step, rig, start, end = self._step, self._rig, self._start, self._end
        barometer = None if self._barometer == NO_CHANNEL else rig.channels[self._barometer]
        thermometer, step_pa = rig.channels[self._thermometer], pressure_step_pa(self._gauge, barometer)
        looks = tuple(
            Look(
                window.pressure.mean, window.pressure.mean_u(step_pa), window.temperature.mean,
                temperature_u_k(thermometer, window.temperature.mean_u(thermometer.resolution)),
            )
            for window in (start, end)
        )  # fmt: skip
        duration_s = end.t_s - start.t_s
        flow = leaked(looks[0], looks[1], duration_s, unseen_of(step, self._gauge, barometer))
        return flow, (
            ("start_absolute_pa", looks[0].pressure_pa), ("end_absolute_pa", looks[1].pressure_pa),
            ("start_k", looks[0].temperature_k), ("end_k", looks[1].temperature_k), ("measured_s", duration_s),
        )  # fmt: skip

    def _judge(self, sight: Sight, verdict: str, why: str) -> Standing:
        """`verdict` where no number can be given, and why."""
        step, tally = self._step, self.tally

        def sccm(flow: float) -> float:
            return sccm_of(flow, step.sccm_k)

        at = f"sccm ({step.sccm_k - 273.15:.4g} degC)"
        words, data = why, ()
        if not verdict:
            flow, data = self._leak()
            verdict = decide(Leak(flow.flow, flow.u), step.limit_mol_per_s)
            data += (
                ("gas_leak_mol_per_s", flow.flow), ("gas_leak_u_mol_per_s", flow.u),
                ("gas_leak_sccm", sccm(flow.flow)), ("gas_leak_u_sccm", sccm(flow.u)),
                ("u_by_pressure_sccm", sccm(flow.by_pressure)), ("u_by_temperature_sccm", sccm(flow.by_temperature)),
                ("u_by_volume_sccm", sccm(flow.by_volume)), ("u_by_body_sccm", sccm(flow.by_body)),
            )  # fmt: skip
            words = f"{sccm(flow.flow):.3g} {at}, standard uncertainty {sccm(flow.u):.2g}"
        limit = sccm(step.limit_mol_per_s)
        tally.holds, tally.verdict = verdict == TIGHT, verdict
        tally.data = (
            *data, ("gas_leak_verdict", verdict), ("gas_leak_why", why), ("limit_sccm", limit),
            ("sccm_reference_k", step.sccm_k), ("sccm_reference_pa", STANDARD_PRESSURE_PA), ("gas", step.medium),
            ("closure", step.closure), ("volume_m3", step.volume_m3),
            ("volume_u_m3", sqrt(step.body_u_m3 * step.body_u_m3 + step.line_u_m3 * step.line_u_m3)),
            ("body_change", step.body_change), ("body_change_source", step.body_change_source),
        )  # fmt: skip
        text = f"leak of gas: {verdict} ({words}; limit {limit:.3g} {at})"
        judgement = Judgement(
            seq=sight.seq, t_ns=sight.t_ns, step=sight.at, number=1, kind="gas", verdict=verdict, text=text,
            data=tally.data,
        )  # fmt: skip
        word = DONE if verdict == TIGHT else ENDS
        return Standing(wanted=Wanted(), word=word, trace_class=CLASS_OF[verdict], said=text, judgement=judgement)
