"""What one simulated night is like, drawn from its seed: rig, profile, people, how foul the weather is.

Each seed draws its own swarm: which kinds of faults exist that night at all, how often they strike, how many may be
active together. A campaign of many seeds then meets combinations that nobody would have written down. The rigs are
variations of the shipped demo rig, each within what `rigd check` would accept; everything here is invented.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from random import Random

from rigd.files.load import find, load_profile, load_rig
from rigd.model.profile import Fill, Hold, Profile, Proof, Ramp, Vent
from rigd.model.rig import Calibration, Channel, Rig, Signal
from simulator.bodies import KINDS, PSI

SCANS_NS = (10_000_000, 20_000_000, 50_000_000, 100_000_000)
STEP_NS = {10_000_000: 10_000_000, 20_000_000: 20_000_000, 50_000_000: 25_000_000, 100_000_000: 20_000_000}
"""Time moves in steps of this length: the scan itself, or a quiet time after which a tick is due (20 ms)."""

LAGS_NS = (20_000_000, 20_000_000, 20_000_000, 200_000_000)  # of both transducers of the specimen
STALE_SCANS = 4  # a slow rig's file allows a value to be this many scans old
SHORTEST_STALE_NS = 100_000_000
LIVE_STATES = ("VENTED", "READY", "ARMED", "RUNNING", "VENTING", "UNPROVEN")
WET_SWITCHES = 0.4  # of the rigs have one beneath the specimen
METERS, METER_M3_PER_S, FED_M3_PER_S = 0.3, 60e-6, 1e-6  # of the rigs; full scale; more than a tight body takes
ALL_TOGETHER = 0.33  # of the nights: several faults may be active at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Swarm:
    """The knobs of one night."""

    seed: int
    rig: Rig
    profile: Profile
    step_ns: int
    length_s: float  # of the stormy part; healing and liveness come after
    bodies: tuple[str, ...]  # kinds that may lie on the bench; "" lets the seed decide
    kinds: tuple[str, ...]  # of faults that exist tonight
    gap_s: float  # mean time from one fault to the next
    together: int  # faults active at once, at most
    crowded: bool  # faults come quickly, on top of each other
    masher_s: float  # mean time between acts of a person who presses anything, 0 = nobody does
    dawdles: float  # share of moments at which the operator wanders off instead of going on
    gone: bool  # nobody is there at all after the first fault
    forgets_holds: bool
    replayed: bool  # the record is read back and replayed at the end


@cache
def shipped() -> tuple[Rig, Profile]:
    return load_rig(find("demo", "rig")), load_profile(find("ramped-burst", "profile"))


def draw_swarm(seed: int, kinds: tuple[str, ...]) -> Swarm:
    """The night of this seed; `kinds` are all kinds of faults there are."""
    rng = Random(f"{seed}/swarm")
    rig, profile = shipped()
    scan_ns = rng.choice(SCANS_NS)
    rig = _draw_rig(rig, scan_ns, rng)
    metered = Random(f"{seed}/meter").random() < METERS
    if metered:
        rig = replace(rig, channels=(*rig.channels, flow_meter(rig.channels)))
        profile = replace(profile, signs=replace(profile.signs, flow_m3_per_s=FED_M3_PER_S))
    crowded = rng.random() < ALL_TOGETHER
    exist = rng.choice((0.15, 0.4, 1.0))
    chosen = tuple(kind for kind in kinds if rng.random() < exist) or (rng.choice(kinds),)
    gone, forgets = rng.random() < 0.004, rng.random() < 0.006
    return Swarm(
        seed=seed,
        rig=rig,
        profile=_draw_profile(profile, rig, scan_ns, rng),
        step_ns=STEP_NS[scan_ns],
        length_s=2100.0 if gone else 800.0 if forgets else rng.uniform(60.0, 260.0),
        bodies=tuple(rng.sample(("", "", "", "strong", *KINDS), 4)),
        kinds=chosen,
        gap_s=rng.choice((1.0, 2.0, 4.0)) if crowded else rng.choice((5.0, 10.0, 18.0, 30.0)),
        together=rng.randrange(3, 7) if crowded else rng.choice((1, 2)),
        crowded=crowded,
        masher_s=rng.choice((0.0, 0.0, 0.0, 0.0, 40.0, 20.0, 4.0, 0.7)),
        dawdles=rng.choice((0.0, 0.0, 0.02, 0.1)),
        gone=gone,
        forgets_holds=forgets,
        replayed=seed % 20 == 0,
    )


def _draw_rig(rig: Rig, scan_ns: int, rng: Random) -> Rig:
    stale_ns = max(SHORTEST_STALE_NS, STALE_SCANS * scan_ns)
    devices = tuple(replace(device, scan_ns=scan_ns) for device in rig.devices)
    channels = [replace(channel, stale_ns=stale_ns) for channel in rig.channels]
    if rng.random() < 0.3:  # the second transducer on a module of its own
        devices += (replace(devices[0], name="io2"),)
        channels[1] = replace(channels[1], device=1)
    tau_ns = rng.choice(LAGS_NS)
    channels[:2] = [replace(channel, tau_ns=tau_ns) for channel in channels[:2]]
    kind = rng.choices(("two_point", "polynomial", "table", "float32"), (0.7, 0.1, 0.1, 0.1))[0]
    channels[1] = _as_kind(channels[1], kind)
    if rng.random() < WET_SWITCHES:
        channels.append(wet_switch(channels))
    control = replace(rig.control, kp=rng.uniform(0.3, 0.7), ki_per_s=rng.uniform(0.1, 0.4))
    vent = replace(rig.vent, hold_ns=rng.choice((500_000_000, 1_000_000_000, 2_000_000_000)))
    agreement = replace(rig.agreement, persistence_ns=max(250_000_000, 3 * scan_ns))
    return replace(rig, devices=devices, channels=tuple(channels), control=control, vent=vent, agreement=agreement)


def flow_meter(channels: Sequence[Channel]) -> Channel:
    """A meter behind the inlet on a live zero."""
    like = channels[0]
    assert like.signal is not None
    low, high = like.signal.signal_low, like.signal.signal_high
    line = Calibration(kind="two_point", points=((low, 0.0), (high, METER_M3_PER_S)))
    return replace(
        like, name="meter", role="make_up_flow", quantity="flow", required=False, calibration=line, bit=-1,
        range_low=-METER_M3_PER_S / 10.0, range_high=1.1 * METER_M3_PER_S, accuracy=METER_M3_PER_S / 500.0,
        reference="", head_pa=0.0, proof_pa=0.0, zero_limit=0.0, resolution=METER_M3_PER_S / 16000.0,
        tau_ns=200_000_000,
    )  # fmt: skip


def wet_switch(channels: Sequence[Channel]) -> Channel:
    """A switch beneath the specimen, wired like the relief valve's: 1 is dry, so a broken wire is a leak."""
    like = next(channel for channel in channels if channel.role == "relief")
    return replace(like, name="floor", role="wet", required=False, bit=15)


def _as_kind(channel: Channel, kind: str) -> Channel:
    """The same straight line told in another way, so that what is expected stays one formula."""
    assert channel.signal is not None
    low, high = channel.signal.signal_low, channel.signal.signal_high
    if kind == "float32":  # a module that sends psi as a float, with no current to be judged by
        signal = Signal(kind="counts", counts_low=0.0, counts_high=1000.0, signal_low=0.0, signal_high=1000.0)
        line = Calibration(kind="two_point", points=((0.0, 0.0), (1000.0, 1000.0 * PSI)))
        return replace(channel, type="float32", signal=signal, calibration=line, resolution=0.01 * PSI)
    per_ma = 1000.0 * PSI / (high - low)
    if kind == "polynomial":
        return replace(channel, calibration=Calibration(kind=kind, coefficients=(-low * per_ma, per_ma)))
    if kind == "table":
        points = tuple((ma, (ma - low) * per_ma) for ma in (low, 9.0, 13.0, high))
        return replace(channel, calibration=Calibration(kind=kind, points=points))
    return channel


def _draw_profile(profile: Profile, rig: Rig, scan_ns: int, rng: Random) -> Profile:
    top_psi = rng.choice((450.0, 450.0, 430.0, 300.0, 180.0))
    fastest = 0.9 * 1e9 / scan_ns  # no more than a psi between two samples
    late_s = (scan_ns + rig.channels[0].tau_ns) / 1e9  # a sound ramp seems so late: less than half of the sign's lag
    fastest = min(fastest, 0.8 * 0.5 * profile.signs.lag_pa / PSI / late_s)
    rate_psi = min(rng.choice((15.0, 15.0, 8.0, 30.0)), fastest)
    steps = []
    for step in profile.steps:
        if type(step) is Ramp:
            step = replace(step, ceiling_pa=top_psi * PSI, rate_pa_per_s=rate_psi * PSI)
            if rng.random() < 0.15:  # up, keep it, let it out
                low = replace(step, ceiling_pa=0.5 * top_psi * PSI)
                steps += [Hold(name="Keep mains", pressure_pa=0.0, duration_ns=3_000_000_000, tolerance_pa=PSI),
                          Vent(name="Let it out")]  # fmt: skip
                step = rng.choice((step, low))
        if type(step) is Fill:
            step = replace(step, timeout_ns=int(step.bleed_ns + rng.choice((52.0, 52.0, 4.0, 2.0)) * 1e9))
        if type(step) is Proof:
            step = replace(step, hold_ns=rng.choice((2_000_000_000, 5_000_000_000)))
        steps.append(step)
    minimum_pa = rng.choice((0.0, 180.0, 260.0)) * PSI
    return replace(profile, steps=tuple(steps), max_pa=top_psi * PSI, minimum_pa=min(minimum_pa, 0.9 * top_psi * PSI))
