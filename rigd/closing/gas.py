"""A leak test with gas while its run is closed: its leak once more, from the counts of the trace and apart from the
engine, and of either half of the dwell by itself. A leak is even; a body that relaxes and gas that warms are not. What
is told here changes no verdict.
"""

from collections.abc import Mapping
from typing import Any

from rigd.calc.exact.gas_leak import WINDOW
from rigd.calc.gas_leak import Rows, over_windows_mol_per_s
from rigd.closing.decays import Samples, samples_of
from rigd.closing.rows import Parts
from rigd.engine.engine import Engine
from rigd.model.gas import GasLeak
from rigd.model.messages import Judgement
from rigd.model.rig import Channel

ALIKE = 0.05  # of the standard uncertainty: engine and trace count a sample at the edge of a window differently


def study(
    engine: Engine, judgements: list[Judgement], result: Mapping[str, Any], parts: Parts
) -> dict[str, Any] | None:
    """What run.json says under `gas_leak`; None where no number was judged."""
    rig, profile = engine.rig, engine.profile
    assert profile is not None
    judged = next((row for row in judgements if row.kind == "gas"), None)
    told = dict(judged.data) if judged is not None else {}
    if judged is None or "gas_leak_mol_per_s" not in told:
        return None
    step = profile.steps[judged.step]
    assert isinstance(step, GasLeak)
    of_role = {channel.role: channel for channel in reversed(rig.channels)}
    gauge, by_channel = of_role["specimen"], step.atmosphere_pa == 0.0 and of_role["specimen"].reference == "gauge"
    channels: list[Channel] = [gauge, of_role["gas_temperature"]]
    channels += [of_role["atmosphere"]] if by_channel else []
    pressure, gas, *air = samples_of(parts, rig, channels)
    outside_pa = step.atmosphere_pa if gauge.reference == "gauge" and not by_channel else rig.ambient_pa
    absolute = pressure.value - (result["zero_pa"] or 0.0) + outside_pa
    if air:
        absolute = absolute + _held(air[0], pressure)
    window_s, apart_s = WINDOW * step.dwell_ns / 1e9, float(told["measured_s"])  # type: ignore[arg-type]
    last_s = judged.t_ns / 1e9 - window_s
    rows = Rows(t_s=pressure.t_s, value=absolute), Rows(t_s=gas.t_s, value=gas.value)
    ends = (last_s - apart_s, last_s)
    whole = over_windows_mol_per_s(*rows, starts_s=ends, window_s=window_s, volume_m3=step.volume_m3)
    halves = over_windows_mol_per_s(
        *rows, starts_s=(ends[0], last_s - apart_s / 2.0, last_s), window_s=window_s, volume_m3=step.volume_m3
    )
    off = None if whole is None else abs(whole[0] - float(told["gas_leak_mol_per_s"]))  # type: ignore[arg-type]
    return {
        "mol_per_s": None if whole is None else whole[0],
        "first_half_mol_per_s": None if halves is None else halves[0],
        "second_half_mol_per_s": None if halves is None else halves[1],
        "agrees_with_engine": off is not None and off <= ALIKE * float(told["gas_leak_u_mol_per_s"]),  # type: ignore[arg-type]
    }


def _held(air: Samples, at: Samples) -> Any:
    """The newest value of one channel when each sample of another was taken; the first one before there is any."""
    newest = air.t_s.searchsorted(at.t_s, side="right") - 1
    return air.value[newest.clip(min=0)]
