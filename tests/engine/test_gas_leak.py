"""The leak test with gas on the bench: what the valves do, what is judged, and every way it must end without a number.

The gas is worked out here from n = pV/(RT) with the constant of the SI of 2019, apart from the engine's own arithmetic;
what one sccm is comes from ASTM E1003 (4.4615e-9 mol/s are 6e-3 sccm at 0 degC: checks of `calc.gas_leak`).
"""

from dataclasses import replace

import pytest

from rigd.files.load import find, load_profile, load_rig, load_rig_bytes
from rigd.model.gas import GasLeak
from rigd.model.messages import Judgement, Neighbours, Prompt, ValveCommand
from rigd.model.verdicts import GAS_RESULTS, exit_code_of

PSI = 6894.757293168362
R = 8.31446261815324
AIR_PA = 101_300.0
VOLUME_M3 = 1e-3
SCCM = 4.4615e-9 / 6e-3  # [mol/s] at 0 degC
S = 1_000_000_000
DT = 0.01
RIG = load_rig(find("demo-gas", "rig"))
STEP = next(step for step in load_profile(find("gas-leak", "profile")).steps if type(step) is GasLeak)


class Gas:
    """A body of gas on a bench of the engine: set what goes wrong, and scan."""

    def __init__(self, bench, rig):
        self.bench, self.rig = bench, rig
        self.leak_sccm = self.kelvins_per_s = self.weather_pa_per_s = 0.0
        self.k, self.air_pa, self.behind = 293.15, AIR_PA, 0.0
        self.moles = self.air_pa * VOLUME_M3 / R / self.k
        self.broken = self.deaf = self.flat = self.blind = self.clogged = False
        self.fixed_feed = None
        bench.counts, bench._physics = self.counts, self.physics

    @property
    def psi(self):
        return (self.moles * R * self.k / VOLUME_M3 - self.air_pa) / PSI

    def physics(self):
        bench = self.bench
        on = {o.role: bench.outputs[o.name] == o.counts_energised for o in self.rig.outputs}
        called = bench.outputs["set_point"] * 30.0 / 16000.0
        self.behind += (called - self.behind) * 0.3
        at_rest = self.air_pa * VOLUME_M3 / R / self.k
        if not on["vent"] or self.broken:
            self.moles += (at_rest - self.moles) * 0.5
        elif on["inlet"] and not self.clogged:
            self.moles = at_rest + self.behind * PSI * VOLUME_M3 / R / self.k
        else:
            self.moles -= self.leak_sccm * SCCM * DT
            self.k += self.kelvins_per_s * DT
            self.air_pa += self.weather_pa_per_s * DT

    def counts(self):
        bench, found = self.bench, []
        values = {
            "specimen_a": 99_999_999 if self.deaf else 0 if self.flat else round(self.psi * 10_000),
            "specimen_b": round(self.psi * 10_000),
            "regulated": round(4000 + 16000 / 30 * (self.behind if self.fixed_feed is None else self.fixed_feed)),
            "supply": 14_000, "gas_temperature": -9999 if self.blind else round((self.k - 273.15) * 500),
            "barometer": round(self.air_pa - 50_000),
        }  # fmt: skip
        for at, channel in enumerate(self.rig.channels):
            if channel.name in values:
                found.append(values[channel.name])
            elif channel.role == "read_back":
                found.append(bench.outputs[next(o.name for o in self.rig.outputs if o.read_back == at)])
            else:
                found.append(bench.switches[channel.name])
        return tuple(found)

    def to_dwell(self, seconds=1.0):
        """So far into the dwell."""
        self.bench.to_running()
        for _ in range(40_000):
            self.bench.scan()
            if self.bench.engine.live is not None and getattr(self.bench.engine.live, "_phase", "") == "dwell":
                self.bench.seconds(seconds)
                return
        raise AssertionError(self.bench.engine.view())

    def play(self, observation="nothing"):
        self.to_dwell()
        return self.finish(observation)

    def finish(self, observation="nothing"):
        self.bench.seconds(70.0 if self.bench.engine.state == "RUNNING" else 0.0)
        result = self.bench.finish(observation)
        return result, dict(result.data)

    @property
    def judged(self):
        return [said for said in self.bench.said if type(said) is Judgement]


@pytest.fixture
def filled(bench_of):
    shipped = load_profile(find("gas-leak", "profile"))

    def make(rig=RIG, **changes):
        quick = {"settle_ns": 3 * S, "dwell_ns": 60 * S, "limit_mol_per_s": 10 * SCCM, "ramp_pa_per_s": 5 * PSI}
        steps = tuple(
            replace(step, **(quick | changes)) if type(step) is GasLeak else step
            for step in shipped.steps
            if type(step).__name__ != "Proof"
        )
        vent = replace(rig.vent, hold_ns=S, isolation_ns=0)
        return Gas(bench_of(replace(shipped, steps=steps), replace(rig, vent=vent)), rig)

    return make


def test_a_tight_body_is_tight_and_nothing_but_the_vent_touches_it(filled):
    gas = filled()
    gas.to_dwell()
    on = {o.role: gas.bench.outputs[o.name] != o.counts_safe for o in RIG.outputs}
    assert on["vent"] and not (on["inlet"] or on["supply"] or on["set_point"])
    assert gas.behind < 0.01, "what is behind the inlet is let down"
    said = len(gas.bench.said)
    gas.bench.seconds(50.0)
    assert not [out for out in gas.bench.said[said:] if type(out) in (ValveCommand, Prompt)]
    result, told = gas.finish()
    assert (result.outcome, result.verdict) == ("gas_tight", "accept")
    assert abs(told["gas_leak_sccm"]) < 2.0 * told["gas_leak_u_sccm"] and tuple(told) == GAS_RESULTS
    assert gas.bench.is_safe and result.failure_pa is None
    assert exit_code_of(outcome=result.outcome, verdict=result.verdict) == 0


def test_a_leak_of_known_size_is_found_with_its_reference_beside_it(filled):
    gas = filled()
    gas.leak_sccm = 30.0
    result, told = gas.play()
    (only,) = gas.judged
    assert (result.outcome, result.verdict, only.verdict, only.kind) == ("gas_leaking", "reject", "leaking", "gas")
    assert told["gas_leak_sccm"] == pytest.approx(30.0, rel=2e-3)
    assert told["gas_leak_mol_per_s"] == pytest.approx(30.0 * SCCM, rel=2e-3)
    assert told["sccm_reference_k"] == 273.15 and "sccm (0 degC)" in only.text
    parts = [told[f"u_by_{name}_sccm"] for name in ("pressure", "temperature", "volume", "body")]
    assert told["gas_leak_u_sccm"] == pytest.approx(sum(part**2 for part in parts) ** 0.5)
    # The same gas by the published law alone (check value L6 has its form): two looks 54 s apart.
    n = [told[f"{end}_absolute_pa"] * VOLUME_M3 / R / told[f"{end}_k"] for end in ("start", "end")]
    assert (n[0] - n[1]) / told["measured_s"] == pytest.approx(told["gas_leak_mol_per_s"])
    assert told["measured_s"] == pytest.approx(54.0, abs=0.1)


def test_warming_and_cooling_are_no_leak_and_hide_none(filled):
    for kelvins, leak, verdict in ((-3.0, 0.0, "gas_tight"), (3.0, 20.0, "gas_leaking")):
        gas = filled()
        gas.kelvins_per_s, gas.leak_sccm = kelvins / 60.0, leak
        result, told = gas.play()
        assert result.outcome == verdict
        assert told["gas_leak_sccm"] == pytest.approx(leak, abs=0.1)
    held = told["start_absolute_pa"] * VOLUME_M3 / R / told["start_k"]
    looks_like = held * 3.0 / 293.15 / 60.0 / SCCM  # dp/p = dT/T (check value L7): without it both were wrong
    assert looks_like > 15.0


def test_what_may_be_either_is_undecided(filled):
    gas = filled()
    gas.leak_sccm = 10.2
    result, told = gas.play()
    assert (result.outcome, result.verdict) == ("not_decided", "undecided")
    assert abs(told["gas_leak_sccm"] - 10.0) < 1.645 * told["gas_leak_u_sccm"]


def test_a_chamber_opened_amid_the_dwell_trips_and_vents(filled):
    gas = filled()
    gas.to_dwell(20.0)
    gas.bench.switches["door"] = 0
    gas.bench.scan()
    assert gas.bench.engine.state == "VENTING" and gas.bench.is_safe
    gas.bench.switches["door"] = 1
    result, told = gas.finish()
    assert result.outcome == "tripped" and "door_opened" in result.first_out
    assert not gas.judged and told["gas_leak_sccm"] is None and told["gas_leak_verdict"] is None


def test_an_open_chamber_is_not_armed(filled):
    gas = filled()
    gas.bench.switches["door"] = 0
    gas.bench.seconds(2.0)
    gas.bench.answer_all()
    gas.bench.seconds(1.0)
    assert gas.bench.act("arm").kind == "refused"


def test_too_much_pressure_trips(filled):
    gas = filled()
    gas.to_dwell()
    gas.moles *= 1.3
    gas.bench.scan(2)
    assert gas.bench.engine.state == "VENTING" and "overpressure" in gas.bench.engine.interlocks.first_out


@pytest.mark.parametrize("what", ["blind", "deaf"])
def test_a_lost_thermometer_decides_nothing_and_a_lost_pressure_is_no_test(filled, what):
    gas = filled()
    gas.to_dwell(20.0)
    setattr(gas, what, True)
    gas.bench.seconds(20.0)
    setattr(gas, what, False)
    result, told = gas.finish()
    assert told["gas_leak_sccm"] is None
    if what == "blind":
        assert result.outcome == "not_decided" and "temperature" in told["gas_leak_why"]
        assert exit_code_of(outcome=result.outcome, verdict=result.verdict) == 1
    else:
        assert (result.outcome, result.verdict) == ("sensor", "invalid") and not gas.judged


def test_a_transducer_that_falls_alone_is_no_break(filled):
    """SAFETY S12: a dying sensor falls alone, and the pair's disagreement ends the test as one without sight."""
    gas = filled()
    gas.to_dwell(20.0)
    gas.flat = True
    gas.bench.seconds(1.0)
    result, told = gas.finish("nothing")
    assert (result.outcome, result.first_out) == ("sensor", "transducers disagree") and told["gas_leak_sccm"] is None


def test_gas_behind_the_inlet_decides_nothing(filled):
    gas = filled()
    gas.to_dwell()
    gas.fixed_feed = 16.0
    result, told = gas.finish()
    assert result.outcome == "not_decided" and "behind the inlet" in told["gas_leak_why"]


def test_a_body_that_breaks_is_a_failure_as_in_any_test(filled):
    gas = filled()
    gas.to_dwell(10.0)
    gas.broken = True
    gas.bench.seconds(0.5)
    assert gas.bench.engine.state == "VENTING" and gas.bench.is_safe
    result, told = gas.finish("rupture")
    assert (result.outcome, result.verdict) == ("early", "reject")
    assert result.failure_pa == pytest.approx(14.9 * PSI, rel=0.02) and told["gas_leak_sccm"] is None


def test_a_gross_leak_ends_the_dwell_early(filled):
    gas = filled()
    gas.to_dwell(8.0)
    gas.leak_sccm = 1000.0
    gas.bench.seconds(35.0)
    assert gas.bench.engine.state != "RUNNING"
    result, told = gas.finish()
    assert result.outcome == "gas_leaking" and 300.0 < told["gas_leak_sccm"] < 1000.0 and told["measured_s"] < 40.0


def test_a_pressure_that_cannot_be_built_is_a_leak_without_a_number(filled):
    gas = filled()
    gas.clogged = True
    gas.bench.to_running()
    gas.bench.seconds(40.0)
    result, told = gas.finish()
    assert result.outcome == "gas_leaking" and told["gas_leak_sccm"] is None and "built" in told["gas_leak_why"]
    starved = filled()
    starved.clogged, starved.fixed_feed = True, 3.0
    starved.bench.to_running()
    starved.bench.seconds(40.0)
    assert starved.finish()[0].outcome == "regulator"


def test_a_stop_is_had_at_once(filled):
    gas = filled()
    gas.to_dwell(10.0)
    gas.bench.act("stop")
    gas.bench.scan(2)
    assert gas.bench.engine.state == "VENTING"
    assert gas.finish()[0].outcome == "stopped"


def test_a_mark_and_what_was_seen_reject(filled):
    gas = filled()
    gas.to_dwell(10.0)
    gas.bench.act("mark")
    assert gas.bench.engine.state == "VENTING"
    result, _ = gas.finish("own_joint_leak")
    assert result.verdict == "reject" and "operator_mark" in result.signs
    closure = filled()
    closure.leak_sccm = 30.0
    assert closure.play("end_closure_leak")[0].verdict == "invalid", "ASTM D1599-99(2005) 5.4"


def test_stored_energy_is_confirmed_before_arming_and_nobody_is_asked_near_it(filled):
    gas = filled()
    gas.to_dwell(50.0)
    asked = [prompt.text for prompt in gas.bench.prompts]
    (caution,) = [text for text in asked if text.startswith("GAS TEST")]
    assert f"{STEP.stored_j:.0f} J" in caution and "nobody near" in caution and STEP.closed_by in caution
    starts = next(e.t_ns for e in gas.bench.events("state") if "to RUNNING" in e.text)
    ends = gas.bench.t_ns
    assert not [prompt for prompt in gas.bench.prompts if starts <= prompt.t_ns <= ends]
    before = len(asked)
    result, _ = gas.finish()
    hands = gas.bench.prompts[before:]
    vented = max(e.t_ns for e in gas.bench.events("state") if "to VENTED" in e.text)
    assert hands and all(prompt.t_ns >= vented for prompt in hands) and result.verdict == "accept"


def test_a_neighbour_that_wants_hands_gets_the_chamber_and_the_test_begins_again(filled):
    gas = filled()
    gas.leak_sccm = 30.0
    gas.to_dwell(30.0)
    gas.bench.send(Neighbours, pressurised=0, hands=True)
    gas.bench.scan(2)
    assert gas.bench.is_safe and gas.bench.engine.state == "VENTING" and not gas.judged
    gas.bench.seconds(3.0)
    assert gas.bench.engine.paused
    gas.bench.send(Neighbours, pressurised=0, hands=False)
    gas.bench.seconds(1.0)
    for act in ("arm", "start"):
        assert gas.bench.act(act).kind == "granted"
    gas.bench.seconds(5.0)
    result, told = gas.finish()
    assert result.outcome == "gas_leaking" and told["measured_s"] == pytest.approx(54.0, abs=0.1)


def test_a_barometer_takes_the_weather_off(filled):
    text = find("demo-gas", "rig").read_text().replace("approach:", "ambient: 101.3 kPa\napproach:")
    barometer = """  barometer: {role: atmosphere, device: io, address: holding:8, type: uint16, lag: 100 ms,
    signal: {counts: [0, 60000]}, calibration: {two_point: [[0 counts, 50 kPa], [60000 counts, 110 kPa]]},
    reference: absolute, plausible: [-20 kPa, 8 kPa], accuracy: 50 Pa, proof: 150 kPa, required: false}
"""
    rig = load_rig_bytes(text.replace("  # Switches are", barometer + "  # Switches are").encode(), "rig.yaml")
    for by_channel in (True, False):
        stated = {} if by_channel else {"atmosphere_pa": AIR_PA, "atmosphere_change_pa": 0.0}
        gas = filled(rig, **({"atmosphere_pa": 0.0, "atmosphere_change_pa": 0.0} | stated))
        gas.weather_pa_per_s = 10.0
        _, told = gas.play()
        weather_sccm = 10.0 * VOLUME_M3 / R / 293.15 / SCCM
        assert told["gas_leak_sccm"] == pytest.approx(0.0 if by_channel else weather_sccm, abs=0.1)
