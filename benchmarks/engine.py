"""What one step of the engine costs, in a ramp with everything on: 8 channels, 12 rows, signs of failure watched.

The limit is 30 us a step. Microseconds say more about the machine than about the code, so each round also times the
eight conversions alone (`calc.exact`), and the ratio of the two is what may be compared between machines. The last
figure is the array twin (`calc.trace`) on a two-point channel, in samples a second.

    python benchmarks/engine.py [--rounds 7]
"""

import argparse
import json
import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from rigd.calc.exact.calibration import compile_channel
from rigd.calc.trace import values_from_counts
from rigd.engine.engine import Engine
from rigd.model.messages import HostReport, Opened, OperatorAction, Reading, Scan
from rigd.model.profile import FailureSigns, Profile, Ramp
from rigd.model.rig import (
    Address,
    Agreement,
    Calibration,
    Chamber,
    Channel,
    Control,
    Device,
    Independent,
    Output,
    Part,
    Relief,
    Rig,
    Row,
    Signal,
    VentRule,
    Volume,
)
from rigd.model.specimen import Specimen

PSI = 6894.757293168362
SCAN_NS = 1_000_000
LIMIT_US = 30.0
UNDER_PRESSURE = ("ARMED", "RUNNING", "VENTING")
ROLES = ("specimen", "specimen", "feed", "supply", "water_temperature", "other", "door", "emergency_stop")
STEPS = 20_000  # 20 s of a 30 s ramp at 1 kHz
TRACE_SAMPLES = 4_000_000


def make_channel(place: int, role: str) -> Channel:
    is_switch = role in ("door", "emergency_stop")
    return Channel(
        name=f"{role}_{place}",
        device=0,
        role=role,
        quantity="switch" if is_switch else "pressure",
        address=Address(table="holding", offset=place),
        type="bit" if is_switch else "int16",
        order="ABCD",
        bit=place,
        signal=None
        if is_switch
        else Signal(kind="mA", counts_low=4e3, counts_high=2e4, signal_low=4.0, signal_high=20.0),
        calibration=None if is_switch else Calibration(kind="two_point", points=((4.0, 0.0), (20.0, 1000.0 * PSI))),
        reference="" if is_switch else "gauge",
        head_pa=0.0,
        range_low=-40.0 * PSI,
        range_high=1080.0 * PSI,
        tau_ns=20_000_000,
        resolution=PSI / 16.0,
        accuracy=2.5 * PSI,
        proof_pa=1500.0 * PSI,
        zero_limit=5.0 * PSI if role == "specimen" else 0.0,
        required=True,
        stale_ns=100_000_000,
        tapping=str(place),
        module=str(place),
        power=str(place),
        display="psi",
        certificate="",
        due="",
    )


def make_row(place: int, kind: str, channel: int, test: str, limit: float, when: tuple[str, ...]) -> Row:
    return Row(
        name=f"row_{place}",
        kind=kind,
        channel=channel,
        test=test,
        limit=limit,
        persistence_ns=50_000_000,
        when=when,
        action="hold" if kind == "interlock" else "vent",
        reset_by="",
        reason="",
    )


def make_output(place: int, role: str) -> Output:
    counts = {"set_point": 16000, "watchdog": 65535}.get(role, 1)
    return Output(
        name=role,
        device=0,
        role=role,
        address=Address(table="holding", offset=100 + place),
        counts_safe=0,
        counts_energised=counts,
        safe_reason="",
        read_back=-1,
        read_back_ns=300_000_000,
        pa_low=0.0,
        pa_high=1000.0 * PSI,
    )


def make_rig() -> Rig:
    """Eight channels and twelve rows; nine of the rows are looked at while the ramp runs."""
    rows = [
        ("permissive", 6, "is", 1.0, ("VENTED", "READY")),
        ("permissive", 7, "is", 1.0, ("VENTED", "READY")),
        ("permissive", 3, "above", 100.0 * PSI, ("VENTED", "READY", "ARMED")),
        ("trip", 6, "is", 0.0, UNDER_PRESSURE),
        ("trip", 7, "is", 0.0, UNDER_PRESSURE),
        ("trip", 0, "above", 500.0 * PSI, UNDER_PRESSURE),
        ("trip", 1, "above", 500.0 * PSI, UNDER_PRESSURE),
        ("trip", 2, "above", 530.0 * PSI, UNDER_PRESSURE),
        ("trip", 3, "above", 900.0 * PSI, UNDER_PRESSURE),
        ("trip", 4, "above", 900.0 * PSI, UNDER_PRESSURE),
        ("trip", 5, "above", 900.0 * PSI, UNDER_PRESSURE),
        ("interlock", 3, "below", 50.0 * PSI, ("RUNNING",)),
    ]
    roles = ("supply", "inlet", "vent", "fill", "set_point", "watchdog")
    return Rig(
        name="bench",
        site="invented lab",
        simulated=True,
        devices=(Device(name="io", driver="none", settings=(), scan_ns=SCAN_NS, timeout_ns=100_000_000),),
        channels=tuple(make_channel(place, role) for place, role in enumerate(ROLES)),
        outputs=tuple(make_output(place, role) for place, role in enumerate(roles)),
        rows=tuple(make_row(place, *row) for place, row in enumerate(rows)),
        control=Control(kp=0.5, ki_per_s=0.25, period_ns=50_000_000, trim_pa=30.0 * PSI),
        vent=VentRule(limit_pa=5.0 * PSI, hold_ns=1_000_000_000, timeout_ns=20_000_000_000),
        agreement=Agreement(limit_pa=20.0 * PSI, persistence_ns=250_000_000),
        relief=Relief(set_pa=600.0 * PSI, reseat_pa=540.0 * PSI, tested="", margin=0.05),
        parts=(Part(name="hose", rating_pa=800.0 * PSI),),
        volumes=(Volume(name="tank", gas_m3=0.004, water_m3=0.006, gas_pa_max=500.0 * PSI),),
        chamber=Chamber(rated_j=4e4, proved_by="", proved_on="", distance_m=2.5),
        independent=Independent(relief="", emergency_stop="", guard="", watchdog=""),
        approach_pa=40.0 * PSI,
        ambient_pa=101_325.0,
        inlet_m3_per_s_pa=1e-7,
        regulator_m3_per_s=0.008,
        watchdog_ns=500_000_000,
    )


def make_profile() -> Profile:
    ramp = Ramp(
        name="ramp",
        rate_pa_per_s=15.0 * PSI,
        ceiling_pa=450.0 * PSI,
        rate_tolerance=0.1,
        window_low_ns=0,
        window_high_ns=0,
        expected_pa=0.0,
    )
    signs = FailureSigns(
        drop_pa=8.0 * PSI, drop_fraction=0.03, lag_pa=12.0 * PSI, lag_ns=300_000_000, mark_ns=1_000_000_000
    )
    return Profile(
        name="bench",
        title="",
        method="",
        steps=(ramp,),
        max_pa=450.0 * PSI,
        minimum_pa=0.0,
        signs=signs,
        peak_tolerance_pa=PSI,
        zero_shift_pa=5.0 * PSI,
        required=(),
        arm_prompts=(),
        display="psi",
    )


class Bench:
    """An engine and a body that follows whatever is called for."""

    def __init__(self) -> None:
        self.engine = Engine(make_rig(), make_profile(), Specimen(id="bench", facts=(), volume_m3=0.0))
        self.seq = self.t_ns = 0
        self.target_pa = 0.0

    def say(self, shape: type, **known: object) -> None:
        self.seq += 1
        self.engine.step(shape(seq=self.seq, t_ns=self.t_ns, **known))

    def next_scan(self) -> Scan:
        self.seq += 1
        self.t_ns += SCAN_NS
        pressure = 4000 + int(16.0 * self.target_pa / PSI) + self.seq % 3  # three counts of ripple, as noise would
        counts = (pressure, pressure + 1, pressure + 20, 12000, 8000, 8000, 1, 1)
        return Scan(seq=self.seq, t_ns=self.t_ns, device=0, age_us=400, width_us=800, counts=counts)

    def step(self, scan: Scan) -> None:
        for message in self.engine.step(scan):
            if type(message) is Reading and message.target_pa == message.target_pa:
                self.target_pa = message.target_pa

    def wait_for(self, state: str) -> None:
        for _ in range(10_000):
            if self.engine.state == state:
                return
            self.step(self.next_scan())
        raise AssertionError(f"the engine stays in {self.engine.state}, {state} was due")

    def start(self) -> None:
        """Through every gate a real run has to pass, up to the first step of the ramp."""
        hashes = dict.fromkeys(("rig_sha256", "profile_sha256", "specimen_sha256"), "")
        self.say(Opened, run=1, utc_ns=0, version="bench", latched=(), **hashes)
        report = {"journal_lag_us": 0, "write_error": "", "missed_ticks": 0, "inbox_full": False, "utc_ns": 0}
        self.say(HostReport, free_bytes=10**12, **report)
        self.wait_for("READY")
        for act in ("arm", "start"):
            self.say(OperatorAction, act=act, person="bench", named=True, source="terminal")
        self.wait_for("RUNNING")


def time_steps() -> list[float]:
    """Microseconds of each step of a ramp."""
    bench = Bench()
    bench.start()
    took = []
    for _ in range(STEPS):
        scan = bench.next_scan()
        began = time.perf_counter_ns()
        outputs = bench.engine.step(scan)
        took.append((time.perf_counter_ns() - began) / 1e3)
        for message in outputs:
            if type(message) is Reading:
                bench.target_pa = message.target_pa
    assert bench.engine.state == "RUNNING", f"the ramp ended early, in {bench.engine.state}: nothing was measured"
    return took


def time_conversions() -> list[float]:
    """Microseconds to convert eight channels, and nothing else."""
    evaluators = tuple(compile_channel(channel) for channel in make_rig().channels)
    counts = (12000, 12001, 12020, 12000, 8000, 8000, 1, 1)
    took = []
    for _ in range(STEPS):
        began = time.perf_counter_ns()
        for evaluate, count in zip(evaluators, counts, strict=True):
            evaluate(count)
        took.append((time.perf_counter_ns() - began) / 1e3)
    return took


def time_trace() -> float:
    """Samples a second of the array twin."""
    channel = make_rig().channels[0]
    counts = np.random.default_rng(1).integers(4000, 15000, TRACE_SAMPLES).astype(np.int16)
    began = time.perf_counter()
    values_from_counts(counts, channel)
    return TRACE_SAMPLES / (time.perf_counter() - began)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=7)
    rounds = [(time_steps(), time_conversions(), time_trace()) for _ in range(parser.parse_args().rounds)]
    medians = [statistics.median(steps) for steps, _, _ in rounds]
    ratios = [statistics.median(steps) / statistics.median(bare) for steps, bare, _ in rounds]
    every = sorted(one for steps, _, _ in rounds for one in steps)
    result = {
        "step_us_p50": round(statistics.median(medians), 2),
        "step_us_mean": round(statistics.fmean(every), 2),
        "step_us_p999": round(every[int(0.999 * len(every))], 1),
        "limit_us": LIMIT_US,
        "within": statistics.fmean(every) <= LIMIT_US,
        "conversions_us": round(statistics.median(statistics.median(bare) for _, bare, _ in rounds), 2),
        "ratio": round(statistics.median(ratios), 2),
        "trace_msamples_per_s": round(statistics.median(rate for _, _, rate in rounds) / 1e6),
    }
    print(json.dumps(result))


if __name__ == "__main__":
    main()
