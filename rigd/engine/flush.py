"""A stream that is aimed: hands at the vented line, water for a stated time, vented again, and what was caught is told.

The drain of the body stands open and the inlet feeds it: pressure is built as fast as the profile says and kept for the
time of the stream, then the line is vented and proven before anybody comes near. Between two aims the run pauses; it
goes on by a person's arm and start. The last aim is asked about when the run is over. A stream never brings hands near:
it can get into an eye and through a skin (SAFETY S25).
"""

from rigd.engine.aim_count import NOT_METERED, AimCount, Stream
from rigd.engine.outputs import Wanted
from rigd.engine.pressure import PressureLoop
from rigd.engine.questions import Question
from rigd.engine.standing import ENDS, NEAR, PAUSE, Sight, Standing
from rigd.model.flush import CUPS, Flush
from rigd.model.rig import Rig

BUILD_NS = 20_000_000_000  # beyond what the ramp itself takes: the drain is wider than the inlet, or a hose is off
METER = "make_up_flow"

HANDS, BUILD, STREAM = "hands", "build", "stream"


class FlushStep:
    def __init__(self, step: Flush, rig: Rig, sight: Sight) -> None:
        self._step, self._rig = step, rig
        roles = [channel.role for channel in rig.channels]
        self._meter = roles.index(METER) if METER in roles else -1
        self.tally = AimCount(step)
        across = step.flow_m3_per_s / rig.inlet_m3_per_s_pa
        self._across = across * across / step.pressure_pa  # the inlet takes this part of the pressure in the stream
        self._enter(HANDS, sight)

    def resume(self, sight: Sight) -> None:
        """After a pause: the drain is aimed, hands are out."""
        here_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
        self._from_pa = here_pa
        self._loop = PressureLoop(self._rig.control, sight.t_ns, here_pa)
        self._pressures, self._samples = 0.0, 0
        self._lowest_pa = self._highest_pa = NOT_METERED
        self._flows, self._flow_samples = 0.0, 0
        self._fed_m3, self._flow_before, self._flow_at_ns = 0.0, 0.0, -1
        self._enter(BUILD, sight)

    def answer(self, question: Question, value: str, person: str) -> None:
        self.tally.answer(question, value, person)

    def advance(self, sight: Sight) -> Standing:
        if self._phase == HANDS:
            return self._hands()
        if sight.sampled:
            self._take(sight)
        judgement = self.tally.judge(sight.seq, sight.t_ns, sight.at)
        if self._phase == BUILD and sight.hands:
            standing = self._give_way(sight)
        else:
            standing = self._build(sight) if self._phase == BUILD else self._stream(sight)
        return standing if judgement is None else standing._replace(judgement=judgement)

    # ---- phases

    def _enter(self, phase: str, sight: Sight) -> None:
        self._phase, self._since_ns = phase, sight.clock_ns

    @property
    def _azimuth_deg(self) -> float:
        """Of the next aim."""
        return self._step.azimuths_deg[self.tally.made % len(self._step.azimuths_deg)]

    def _hands(self) -> Standing:
        """Off to a pause: what the last aim caught, then the next one is set."""
        step, number = self._step, self.tally.made + 1
        cups = "put dry cups in their places" if step.judged_by == CUPS else "wipe the marks dry"
        text = (
            f"Aim {number} of {step.aims}: turn the drain to {self._azimuth_deg:g} degrees from the index mark "
            f"(clockwise from above), open its cock and {cups}"
        )
        clear = f"Aim {number}: everybody out of the stream's way, eyes covered, chamber shut"
        asked = self.tally.last_questions
        set_up = tuple(
            Question("confirm", words, "", timeout_ns=step.hands_ns, to_step=True, hands=True)
            for words in (text, clear)
        )
        said = f"hands set aim {number} of {step.aims}"
        return Standing(wanted=Wanted(), word=PAUSE, said=said, questions=(*asked, *set_up))

    def _give_way(self, sight: Sight) -> Standing:
        """A neighbour gets the chamber. The aim is set once more, since some water has run; a stream that has begun is
        finished first."""
        self._enter(HANDS, sight)
        return self._hands()._replace(said="a neighbour needs hands in the chamber")

    def _fed(self, sight: Sight, target_pa: float) -> Standing:
        set_point_pa = self._loop.follow(sight, target_pa) + self._across * target_pa
        wanted = Wanted(supply=True, inlet=True, vent_shut=True, set_point_pa=set_point_pa)
        return Standing(wanted=wanted, target_pa=target_pa)

    def _build(self, sight: Sight) -> Standing:
        step, elapsed_ns = self._step, sight.clock_ns - self._since_ns
        target_pa = self._from_pa + step.ramp_pa_per_s * (elapsed_ns / 1e9)
        target_pa = target_pa if target_pa < step.pressure_pa else step.pressure_pa
        if sight.pressure_pa >= NEAR * step.pressure_pa:
            self._enter(STREAM, sight)
        elif elapsed_ns / 1e9 > step.pressure_pa / step.ramp_pa_per_s + BUILD_NS / 1e9:
            said = "the pressure of the stream was not reached: the drain lets out more than the inlet feeds"
            return Standing(wanted=Wanted(), word=ENDS, trace_class="supply_exhausted", said=said)
        return self._fed(sight, target_pa)

    def _stream(self, sight: Sight) -> Standing:
        step = self._step
        if sight.clock_ns - self._since_ns < step.duration_ns or not self._samples:
            return self._fed(sight, step.pressure_pa)
        self.tally.streamed(self._streamed())
        if self.tally.made >= step.aims:
            said = f"{step.aims} aims are made"
            return Standing(wanted=Wanted(), word=ENDS, trace_class="aimed", said=said)
        self._enter(HANDS, sight)
        return self._hands()._replace(is_safe_point=True)

    # ---- measuring

    def _take(self, sight: Sight) -> None:
        """A good sample of the pressure, and with it what the meter says."""
        channels = sight.channels
        flow = channels.good(self._meter)
        if flow == flow and channels.good_ns[self._meter] != self._flow_at_ns:
            at_ns = channels.good_ns[self._meter]
            if self._flow_at_ns >= 0:
                self._fed_m3 += (flow + self._flow_before) / 2.0 * ((at_ns - self._flow_at_ns) / 1e9)
            self._flow_at_ns, self._flow_before = at_ns, flow
            if self._phase == STREAM:
                self._flows += flow
                self._flow_samples += 1
        if self._phase != STREAM:
            return
        pressure_pa = sight.pressure_pa
        self._pressures += pressure_pa
        self._samples += 1
        if not self._lowest_pa <= pressure_pa:
            self._lowest_pa = pressure_pa
        if not self._highest_pa >= pressure_pa:
            self._highest_pa = pressure_pa

    def _streamed(self) -> Stream:
        is_metered = self._flow_samples > 0
        return Stream(
            number=self.tally.made + 1,
            azimuth_deg=self._azimuth_deg,
            mean_pa=self._pressures / self._samples,
            lowest_pa=self._lowest_pa,
            highest_pa=self._highest_pa,
            flow_m3_per_s=self._flows / self._flow_samples if is_metered else NOT_METERED,
            fed_m3=self._fed_m3 if is_metered else NOT_METERED,
        )
