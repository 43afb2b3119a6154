"""The shut dwells of a cap-turn test, found again in its record: what leaked, what crept and what warmed in each.

The engine, while the cap is being turned, takes a decay for one number and counts as doubt what the fully tightened
body lost by itself. This looks at the same dwells afterwards, with the whole history of pressures behind them, by
`calc.decay`. It is a second opinion and changes no verdict; where the two contradict each other, that is said.

What it needs and nobody told, it does not assume: then the causes are not told apart, and why is said.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from rigd.calc.air import ATMOSPHERE_PA, Air
from rigd.calc.decay import LEAST_SAMPLES, NotTold, Separation, loads_of, separate, thermal_m3_per_k
from rigd.calc.leak import judge_leak
from rigd.model.leak import CapTurns, LeakMethod
from rigd.model.messages import Event, Judgement, Message, ValveCommand
from rigd.model.rig import Channel, Rig
from rigd.model.specimen import Specimen
from rigd.model.states import RUNNING

WHOLE = 0.95
"""Part of its dwell for which a look must have been shut: a few samples may be missing at its ends."""
HISTORY_S = 0.5
"""Over which pressures before a dwell are averaged: a ramp is seen, noise is not."""
CONTRARY = {("tight", "reject"), ("leaking", "accept")}
"""What the engine's decay and this one may not both be right about."""
THERMOMETER = "water_temperature"
READ = ("specimen", THERMOMETER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Good samples of one channel over a run."""

    t_s: np.ndarray  # on the engine's clock
    value: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class LookTold:
    """One look: what its dwell was, or why that is not told."""

    look: int  # number of its Judgement
    turns: float
    engine: str | None  # what the engine's decay made of it, None when it did not come to it
    engine_m3_per_s: float | None
    from_s: float | None  # shut, on the engine's clock
    until_s: float | None
    found: Separation | NotTold | None  # None: it never came to that
    why: str  # "" when told
    verdict: str | None  # `calc.leak.judge_leak` of the leak that was told

    @property
    def is_contradicted(self) -> bool:
        return (self.engine, self.verdict) in CONTRARY


def decay_of(step: CapTurns) -> LeakMethod | None:
    """The decay that a look is judged by, None when there is none."""
    return next((method for method in step.methods if method.kind == "decay"), None)


def thermometer_of(rig: Rig) -> Channel | None:
    return next((channel for channel in rig.channels if channel.role == THERMOMETER), None)


def lacks(rig: Rig, step: CapTurns, specimen: Specimen | None) -> tuple[str, ...]:
    """What nobody told that leak, creep and warming cannot be told apart without, in words; empty when nothing."""
    method, found = decay_of(step), []
    if method is None or method.expansion_u_per_k <= 0.0:
        found.append("the profile has no `expansion` of the body's material under its decay")
    if thermometer_of(rig) is None:
        found.append(f"{rig.name} has no channel of role {THERMOMETER}")
    if specimen is None or specimen.volume_m3 <= 0.0:
        found.append("nobody has told the volume of the specimen (`volume` in its file)")
    slowest_ns = max(rig.devices[channel.device].scan_ns for channel in rig.channels if channel.role in READ)
    if step.dwell_ns / slowest_ns < LEAST_SAMPLES:
        found.append(f"its dwell has fewer than {LEAST_SAMPLES} samples: scan faster, or dwell longer")
    return tuple(found)


def find_dwells(messages: Iterable[Message], rig: Rig, step: int) -> list[tuple[int, int]]:
    """When the line was shut under pressure in a step, as (from, until) [ns].

    Parameters
    ----------
    messages : iterable of Message
        ValveCommands and Events of the record, in order; others are passed over.
    rig : Rig
    step : int
        Index of the cap-turn step in the profile.

    Assumes
    -------
    Inlet shut and vent not opened while the run goes on: what rigd.engine.turns tells its outputs.
    """
    roles = {at: output.role for at, output in enumerate(rig.outputs)}
    safe = {at: output.counts_safe for at, output in enumerate(rig.outputs)}
    found: list[tuple[int, int]] = []
    in_step = fed = False
    shut_ns: int | None = None
    for message in messages:
        ends = False
        if type(message) is ValveCommand:
            role, opens = roles[message.output], message.counts != safe[message.output]
            if role == "inlet":
                ends = opens
                if not opens and fed and in_step:
                    shut_ns = message.t_ns
                fed = opens
            ends = ends or (role == "vent" and not opens)
        elif type(message) is Event and message.kind == "step":
            in_step = dict(message.data)["step"] == step
        elif type(message) is Event and message.kind == "state":
            ends = dict(message.data)["from"] == RUNNING
        if ends and shut_ns is not None:
            if message.t_ns > shut_ns:  # else it was only being vented
                found.append((shut_ns, message.t_ns))
            shut_ns = None
    return found


def stiffness(compliance_m3_per_pa: float, u_m3_per_pa: float, absolute_pa: float) -> Air:
    """Return what is known of water, body and air from dV/dp at one pressure alone: how much of it is air is not.

    Parameters
    ----------
    compliance_m3_per_pa, u_m3_per_pa : float
        Measured, and its standard uncertainty [m3/Pa].
    absolute_pa : float
        At this pressure [Pa].

    Source
    ------
    A rectangular distribution between no air and nothing but air (JCGM 100:2008 4.3.7). An air check before does not
    help: a cap that was loosened since may have let air in.

    Examples
    --------
    >>> air = stiffness(3e-12, 1e-13, 300e3)
    >>> "%.1e, %.1e" % air.compliance(300e3)
    '3.0e-12, 1.0e-13'
    """
    rise = ATMOSPHERE_PA / absolute_pa**2
    air_m3 = compliance_m3_per_pa / rise / 2.0
    air_u_m3 = air_m3 / np.sqrt(3.0)
    foot_u = float(np.hypot(u_m3_per_pa, rise * air_u_m3))
    return Air(
        free_air_m3=air_m3, free_air_u_m3=float(air_u_m3), reference_pa=ATMOSPHERE_PA,
        foot_m3_per_pa=compliance_m3_per_pa / 2.0, foot_u_m3_per_pa=foot_u,
        body_m3_per_pa=float("nan"), body_u_m3_per_pa=float("nan"),
        correlation=float(-rise * air_u_m3 / foot_u), points=1, misfit_chance=1.0,
    )  # fmt: skip


def tell_looks(
    rig: Rig,
    step: CapTurns,
    specimen: Specimen | None,
    judgements: Iterable[Judgement],
    dwells: list[tuple[int, int]],
    pressure: Samples,
    temperature: Samples | None,
) -> list[LookTold]:
    """Return what each look's shut dwell was.

    Parameters
    ----------
    rig, step, specimen
        As the engine had them; the step has a decay.
    judgements : iterable of Judgement
        Of kind `turn`, in order.
    dwells : list of (int, int)
        From `find_dwells`.
    pressure : Samples
        Gauge pressure of the primary specimen channel over the whole run [Pa].
    temperature : Samples or None
        Of the water [K].
    """
    method = decay_of(step)
    assert method is not None
    missing, told, after_ns = lacks(rig, step, specimen), [], -1
    for judged in judgements:
        data = dict(judged.data)
        own = [(a, b) for a, b in dwells if after_ns < a and b <= judged.t_ns + rig.watchdog_ns]
        after_ns = judged.t_ns
        shut = own[-1] if own and own[-1][1] - own[-1][0] >= WHOLE * step.dwell_ns else None
        found: Separation | NotTold | None = None
        compliance = data.get("compliance_m3_per_pa")
        if missing:
            why = "; ".join(missing)
        elif shut is None:
            why = "the line was not shut for its whole dwell: the look was over before"
        elif compliance is None:
            why = "the stiffness was not measured in this look"
        else:
            assert specimen is not None and temperature is not None
            stiff = (float(compliance), float(data["compliance_u_m3_per_pa"]))
            found, why = _separated(rig, step, specimen, method, shut, stiff, pressure, temperature)
        verdict = None
        if isinstance(found, Separation):
            verdict = judge_leak(found.leak_m3_per_s, found.leak_u_m3_per_s, method.limit_m3_per_s)
        told.append(
            LookTold(
                look=judged.number,
                turns=float(data["turns"]),
                engine=data.get("decay"),
                engine_m3_per_s=data.get("decay_m3_per_s"),
                from_s=None if shut is None else shut[0] / 1e9,
                until_s=None if shut is None else shut[1] / 1e9,
                found=found,
                why=why,
                verdict=verdict,
            )
        )
    return told


def _separated(
    rig: Rig, step: CapTurns, specimen: Specimen, method: LeakMethod, shut: tuple[int, int], stiff: tuple[float, float],
    pressure: Samples, temperature: Samples,
) -> tuple[Separation | NotTold | None, str]:  # fmt: skip
    from_s, until_s = shut[0] / 1e9, shut[1] / 1e9
    time, gauge, warmth = together(pressure, temperature, from_s, until_s)
    if not len(time):
        return None, "there is no good sample of pressure and temperature in its dwell"
    primary = next(channel for channel in rig.channels if channel.role == "specimen")
    thermometer = thermometer_of(rig)
    assert thermometer is not None
    water_m3 = specimen.volume_m3 + sum(volume.water_m3 for volume in rig.volumes if volume.gas_m3 <= 0.0)
    at_pa = step.pressure_pa - step.stiffness_step_pa / 2.0 + rig.ambient_pa
    try:
        found = separate(
            time - from_s, gauge + rig.ambient_pa, warmth, air=stiffness(*stiff, at_pa), ambient_pa=rig.ambient_pa,
            thermal=thermal_m3_per_k(
                water_m3, float(np.mean(warmth)), method.expansion_per_k, method.expansion_u_per_k
            ),
            limit_m3_per_s=method.limit_m3_per_s, resolutions=(primary.resolution, thermometer.resolution),
            loads=history(pressure, from_s, step.pressure_pa),
        )  # fmt: skip
    except ValueError as wrong:
        return None, str(wrong)
    return found, found.why if isinstance(found, NotTold) else ""


def history(pressure: Samples, until_s: float, test_pa: float) -> tuple[tuple[float, float], ...]:
    """How the body was loaded up to a moment: `calc.decay.loads_of` of pressures averaged over `HISTORY_S`."""
    before = pressure.t_s <= until_s
    time, value = pressure.t_s[before], pressure.value[before]
    bins = np.floor((time - until_s) / HISTORY_S)
    _, first, counts = np.unique(bins, return_index=True, return_counts=True)
    means = np.add.reduceat(value, first) / counts if len(first) else value
    moments = np.add.reduceat(time, first) / counts if len(first) else time
    return loads_of(np.append(moments, until_s), np.append(means, means[-1:]), test_pa)


def together(
    pressure: Samples, temperature: Samples, from_s: float, until_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time, pressure and temperature of a dwell in rows of one length: the slower channel gives the times, and what the
    quicker one said between two of them is averaged."""

    def within(samples: Samples) -> tuple[np.ndarray, np.ndarray]:
        inside = (samples.t_s > from_s) & (samples.t_s < until_s)
        return samples.t_s[inside], samples.value[inside]

    rows = [within(pressure), within(temperature)]
    slow, quick = (1, 0) if len(rows[1][0]) < len(rows[0][0]) else (0, 1)
    (time, value), (moments, values) = rows[slow], rows[quick]
    if len(time) < 2 or not len(moments):
        return np.empty(0), np.empty(0), np.empty(0)
    at = np.searchsorted((time[1:] + time[:-1]) / 2.0, moments)
    counts = np.bincount(at, minlength=len(time))
    kept = counts > 0
    means = np.bincount(at, weights=values, minlength=len(time))[kept] / counts[kept]
    made = {slow: value[kept], quick: means}
    return time[kept], made[0], made[1]
