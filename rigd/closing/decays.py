"""The shut dwells of a cap-turn test while its run is closed: leak, creep and warming of each look, beside the engine's
own judgement, which they never change. Made from the trace and events.jsonl by `calc.shut`; what is put into words is
`report.turns`' business.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np

from rigd.calc.decay import NotTold, Separation
from rigd.calc.exact.quality import GOOD
from rigd.calc.shut import LookTold, Samples, decay_of, find_dwells, tell_looks, thermometer_of
from rigd.calc.trace import values_from_counts
from rigd.closing.rows import Parts, as_arrays
from rigd.engine.engine import Engine
from rigd.model.leak import CapTurns
from rigd.model.messages import Judgement, Message
from rigd.model.profile import Profile
from rigd.model.rig import Channel, Rig

NUMBERS = ("leak_m3_per_s", "leak_u_m3_per_s", "low_m3_per_s", "high_m3_per_s", "creep_exponent", "thermal_m3_per_k")
CAUSES = ("leak", "creep", "temperature")


def decay_steps(profile: Profile | None) -> tuple[tuple[int, CapTurns], ...]:
    """Index and step of each cap-turn step that judges by decay on a blocked outlet."""
    steps = enumerate(profile.steps if profile else ())
    return tuple(
        (at, step) for at, step in steps if type(step) is CapTurns and decay_of(step) and step.outlet == "blocked"
    )


def study(engine: Engine, messages: Iterable[Message], judgements: Iterable[Judgement], parts: Parts) -> dict[str, Any]:
    """What run.json says of them under `decay`. `messages`: valves and events of the record."""
    assert engine.profile is not None
    told: list[LookTold] = []
    messages, judgements = list(messages), list(judgements)
    primary = next(channel for channel in engine.rig.channels if channel.role == "specimen")
    thermometer = thermometer_of(engine.rig)
    names = [primary] if thermometer is None else [primary, thermometer]
    pressure, *warmth = samples_of(parts, engine.rig, names)
    for at, step in decay_steps(engine.profile):
        own = [judged for judged in judgements if judged.kind == "turn" and judged.step == at]
        told += tell_looks(
            engine.rig, step, engine.specimen, own, find_dwells(messages, engine.rig, at), pressure,
            warmth[0] if warmth else None,
        )  # fmt: skip
    count = sum(type(look.found) is Separation for look in told)
    contradicted = [look.look for look in told if look.is_contradicted]
    return {
        "looks": [_row(look) for look in told],
        "of": len(told),
        "told": count,
        "refused": len(told) - count,
        "contradicted": contradicted,
    }


def samples_of(parts: Parts, rig: Rig, channels: list[Channel]) -> list[Samples]:
    """Good samples of these channels over the run, each when it was taken; pressures are gauge."""
    columns = ["t_ns", "age_us", "device", *(f"{channel.name}_counts" for channel in channels)]
    times: list[list[np.ndarray]] = [[] for _ in channels]
    values: list[list[np.ndarray]] = [[] for _ in channels]
    for part in map(as_arrays, parts(columns)):
        t_s = (part["t_ns"] - part["age_us"].astype(np.int64) * 1000) / 1e9
        for at, channel in enumerate(channels):
            own = part["device"] == channel.device
            value, quality = values_from_counts(part[f"{channel.name}_counts"][own], channel, rig.ambient_pa)
            times[at].append(t_s[own][quality == GOOD])
            values[at].append(value[quality == GOOD])
    return [
        Samples(t_s=np.concatenate(t) if t else np.empty(0), value=np.concatenate(v) if v else np.empty(0))
        for t, v in zip(times, values, strict=True)
    ]


def _row(look: LookTold) -> dict[str, Any]:
    """SI; None where not told. A volume is what its cause took out of the shut line over the dwell."""
    found = look.found
    is_told = type(found) is Separation
    return {
        "look": look.look,
        "turns": look.turns,
        "told": is_told,
        "reason": found.reason if type(found) is NotTold else None,
        "why": look.why,
        "from_s": look.from_s,
        "until_s": look.until_s,
        **{name: getattr(found, name) if is_told else None for name in NUMBERS},
        **{
            key: getattr(getattr(found, cause), part) if is_told else None
            for cause in CAUSES for key, part in ((f"{cause}_m3", "m3"), (f"{cause}_u_m3", "u_m3"))
        },
        "lost_m3": found.lost_m3 if type(found) is NotTold else None,
        "verdict": look.verdict,
        "engine": look.engine,
        "engine_m3_per_s": look.engine_m3_per_s,
        "contradicts_engine": look.is_contradicted,
    }  # fmt: skip
