"""Any messages in any order: what must hold of the engine is looked at after each, and failures are shrunk.

Less of a world than the simulated nights, but every message here is arbitrary: counts no transmitter sends, times that
jump, acts nobody would think of.
"""

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from rigd.engine.engine import Engine
from rigd.files.load import find, load_profile, load_rig
from rigd.model.messages import (
    ACTS,
    DEVICE_FAULTS,
    DeviceFault,
    Event,
    HostReport,
    Kick,
    Opened,
    OperatorAction,
    Scan,
    Tick,
    ValveCommand,
)
from rigd.model.specimen import Specimen
from rigd.model.states import CLEAR, RUN_STATES, RUNNING, TRIPPED
from rigd.store.encode import decode, encode

RIG, PROFILE = load_rig(find("demo", "rig")), load_profile(find("ramped-burst", "profile"))
HEALTHY = (4000, 4000, 4000, 14000, 2100, 1, 1, 1, 0, 0, 0, 0)
counts = st.one_of(st.integers(3500, 21500), st.integers(-32768, 32767))
gaps = st.one_of(st.just(10_000_000), st.integers(1, 500).map(lambda ms: ms * 1_000_000), st.just(90_000_000_000))


class AnyMessages(RuleBasedStateMachine):
    @initialize(latched=st.sampled_from([(), ("door_opened",)]))
    def open(self, latched):
        self.engine = Engine(RIG, PROFILE, Specimen(id="any", facts=(), volume_m3=0.0))
        self.seq = self.t_ns = 0
        self.sent: dict[int, int] = {}
        self.healthy = False
        self.said = ()
        self.send(Opened, run=1, utc_ns=10**18, version="0", rig_sha256="", profile_sha256="", specimen_sha256="",
                  latched=latched)  # fmt: skip

    def send(self, shape, gap_ns=1_000, **fields):
        self.t_ns += gap_ns
        message = shape(seq=self.seq, t_ns=self.t_ns, **fields)
        self.seq += 1
        assert decode(encode(message)) == message
        was, self.trip_was = self.engine.state, self.engine.interlocks.state
        self.message, self.was = message, was
        self.said = self.engine.step(message)
        for output in self.said:
            assert output.seq == message.seq and output.t_ns == message.t_ns
            assert encode(decode(encode(output))) == encode(output)
            if type(output) is ValveCommand:
                self.sent[output.output] = output.counts

    @rule(gap_ns=gaps, counts=st.tuples(*[counts] * 5, *[st.integers(0, 1)] * 7))
    def scan_anything(self, gap_ns, counts):
        self.send(Scan, gap_ns, device=0, age_us=400, width_us=600, counts=counts)

    @rule(times=st.integers(1, 250))
    def scan_health(self, times):
        """What a rig at rest says, outputs as told: so that states beyond VENTING are reached."""
        for _ in range(times):
            told = [self.sent.get(at, 0) for at in range(4)]
            self.send(Scan, 10_000_000, device=0, age_us=400, width_us=600, counts=(*HEALTHY[:8], *told))
            self.check()

    @rule()
    def answer(self):
        prompt = self.engine.questions.prompt
        if prompt is not None:
            self.act("confirm", True, prompt.prompt, prompt.choices[0] if prompt.choices else "done")

    @rule(act=st.sampled_from(ACTS), named=st.booleans(), prompt=st.none() | st.integers(-1, 20),
          answer=st.none() | st.text(max_size=300))  # fmt: skip
    def act(self, act, named, prompt, answer):
        self.send(OperatorAction, act=act, person="P", named=named, source="any", prompt=prompt, answer=answer)
        if not self.engine.done or self.said:
            answers = [o for o in self.said if type(o) is Event and o.kind in ("granted", "refused")]
            assert len(answers) == 1

    @rule(gap_ns=gaps)
    def tick(self, gap_ns):
        self.send(Tick, gap_ns)

    @rule(fault=st.sampled_from(DEVICE_FAULTS))
    def fault(self, fault):
        self.send(DeviceFault, device=0, fault=fault, detail="")

    @rule(lag_us=st.integers(0, 10**7), error=st.sampled_from(["", "", "EIO"]), free=st.integers(0, 1 << 50),
          full=st.booleans(), utc_ns=st.integers(0, 1 << 62))  # fmt: skip
    def report(self, lag_us, error, free, full, utc_ns):
        self.send(HostReport, journal_lag_us=lag_us, write_error=error, free_bytes=free, missed_ticks=0,
                  inbox_full=full, utc_ns=utc_ns)  # fmt: skip

    @rule()
    def report_health(self):
        self.send(HostReport, journal_lag_us=0, write_error="", free_bytes=1 << 40, missed_ticks=0, inbox_full=False,
                  utc_ns=10**18 + self.t_ns)  # fmt: skip

    @invariant()
    def check(self):
        if not hasattr(self, "engine"):
            return
        engine = self.engine
        energised = {RIG.outputs[at].role for at, counts in self.sent.items() if counts} - {"watchdog"}
        assert engine.state in RUN_STATES
        assert "inlet" not in energised or "vent" in energised
        if engine.state != RUNNING or engine.interlocks.state != CLEAR:
            assert not energised, (engine.state, energised)
        if engine.state == RUNNING and self.was != RUNNING:
            assert type(self.message) is OperatorAction and self.message.act == "start" and self.message.named
        if engine.interlocks.state == CLEAR and self.trip_was != CLEAR:
            assert type(self.message) is OperatorAction and self.message.act == "reset" and self.trip_was != TRIPPED
        if any(type(o) is Kick for o in self.said):
            assert type(self.message) is Scan and not engine.host.causes
            currents = self.message.counts[:4]
            assert min(currents) > 3600 and max(currents) < 21000, "a kick for a failed transmitter"
        engine.view()


AnyMessages.TestCase.settings = settings(
    max_examples=60, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
TestAnyMessages = AnyMessages.TestCase


def test_a_proof_brings_the_feed_up_before_the_inlet_opens_to_what_the_fill_has_left(bench) -> None:
    """Else the specimen empties itself into the tank, and looks as if it had lost containment."""
    bench.to_running()
    while not bench.engine.view().step_name.startswith("Proof"):
        bench.scan()
    left, seen = bench.a, []
    assert left >= 10.0 > 5.0 > bench.tank, "filled to 10 psi, vented is below 5 psi"
    while bench.outputs["vent_valve"]:
        bench.scan()
        seen.append((bench.a, bench.outputs["inlet_valve"]))
    assert min(psi for psi, _ in seen) > 0.95 * left and any(is_open for _, is_open in seen)
