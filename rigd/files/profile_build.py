"""From a sound profile or specimen file to the shapes of `model`; a file with a fault never comes this far."""

from typing import Any

from rigd.files.air_shape import build_air
from rigd.files.flush_shape import build_flush
from rigd.files.gas_leak import build_gas_leak
from rigd.files.turns import build_turns
from rigd.files.walk_shape import build_check
from rigd.model.profile import (
    Ask,
    CloseDown,
    FailureSigns,
    Fill,
    Hold,
    Mount,
    MovingPart,
    Profile,
    Proof,
    Ramp,
    Step,
    Surge,
    Vent,
)
from rigd.model.specimen import FACTS, Specimen


def build_profile(sound: dict[str, Any]) -> Profile:
    signs = sound["signs"]
    return Profile(
        name=sound["profile"],
        title=sound["title"],
        method=sound["method"],
        steps=tuple(_step(kind, shape, sound["zero_shift"]) for kind, shape in sound["steps"]),
        max_pa=sound["max"],
        minimum_pa=sound["minimum"],
        signs=FailureSigns(
            drop_pa=signs.drop,
            drop_fraction=signs.drop_fraction,
            lag_pa=signs.lag,
            lag_ns=signs.lag_time,
            mark_ns=signs.mark,
            flow_m3_per_s=signs.flow or 0.0,
        ),
        peak_tolerance_pa=sound["peak_tolerance"],
        zero_shift_pa=sound["zero_shift"],
        required=tuple(sound["required"]),
        arm_prompts=tuple(sound["arm"]),
        display=sound["display"],
    )


def ramp_rate(shape: Any) -> float:
    """By rate, or what brings the expected pressure to the middle of the window [Pa/s]."""
    if shape.rate is not None:
        return float(shape.rate)
    low, high = shape.window
    return float(shape.expected_pressure / ((low + high) / 2e9))


def _step(kind: str, shape: Any, zero_shift_pa: float) -> Step:
    match kind:
        case "mount":
            return Mount(name=shape.name, prompts=tuple(shape.prompts))
        case "fill":
            return Fill(name=shape.name, bleed_ns=shape.bleed, until_pa=shape.until, timeout_ns=shape.timeout)
        case "proof":
            return Proof(
                name=shape.name,
                pressure_pa=shape.pressure,
                ramp_pa_per_s=shape.rate,
                hold_ns=shape.hold,
                loss_pa=shape.loss,
                fall_below_pa=shape.fall_below,
                fall_ns=shape.fall_time,
            )
        case "ramp":
            low, high = shape.window or (0, 0)
            return Ramp(
                name=shape.name,
                rate_pa_per_s=ramp_rate(shape),
                ceiling_pa=shape.ceiling,
                rate_tolerance=shape.rate_tolerance,
                window_low_ns=low,
                window_high_ns=high,
                expected_pa=shape.expected_pressure or 0.0,
            )
        case "hold":
            return Hold(
                name=shape.name, pressure_pa=shape.pressure, duration_ns=shape.duration, tolerance_pa=shape.tolerance
            )
        case "surge":
            return _surge(shape)
        case "air_check":
            return build_air(shape)
        case "flush":
            return build_flush(shape)
        case "cap_turns":
            return build_turns(shape)
        case "gas_leak":
            return build_gas_leak(shape, zero_shift_pa)
        case "vent":
            return Vent(name=shape.name)
        case "ask":
            return Ask(name=shape.name, timeout_ns=shape.timeout)
        case "close_down":
            return CloseDown(name=shape.name, prompts=tuple(shape.prompts))
    return build_check(kind, shape)


def blocks_of(shape: Any) -> tuple[int, ...]:
    """Valid cycles owed, block by block, with blocks alike written out."""
    return tuple(owed for alike in shape.blocks for owed in alike)


def _surge(shape: Any) -> Surge:
    return Surge(
        name=shape.name,
        shape=shape.shape,
        points=tuple(shape.points or ()),
        shot=shape.shot,
        pressure_pa=shape.pressure,
        peak_tolerance=shape.peak_tolerance,
        charge_pa=shape.charge,
        charge_tolerance=shape.charge_tolerance,
        sag=shape.sag,
        rise_ns=shape.rise,
        hold_ns=shape.hold,
        release_ns=shape.release_valve_opens,
        blow_down_pa=shape.blow_down.below,
        blow_down_ns=shape.blow_down.within,
        drain_ns=shape.drain,
        rest_ns=shape.rest,
        threshold_pa=shape.threshold,
        blocks=blocks_of(shape),
        between=shape.between or "rest",
        between_ns=shape.between_time or 0,
        between_prompt=shape.between_prompt or "",
        medium=shape.medium,
        outlet=shape.outlet,
        slug_m3=shape.slug,
        water_ns=shape.water,
        give_up=shape.give_up,
        minimum_cycles=0 if shape.minimum_cycles == "none" else shape.minimum_cycles,
        baseline=shape.normal.cycles,
        departure=shape.normal.departure,
        part=_moving_part(shape.moving_part),
        life_exponent=shape.life_curve.exponent if shape.life_curve else 0.0,
        life_source=shape.life_curve.source if shape.life_curve else "",
    )


def _moving_part(shape: Any) -> MovingPart | None:
    if shape is None:
        return None
    return MovingPart(
        sign=shape.sign,
        below_pa=shape.below,
        within_ns=shape.within,
        home_m=shape.home or 0.0,
        slow=shape.slow or 0.0,
        when_stuck=shape.when_stuck,
        extra_most=shape.extra_most or 0,
    )


def build_specimen(sound: dict[str, Any]) -> Specimen:
    """Quantities are written as the shortest text that gives the same float back."""
    facts = tuple(
        (name, value if isinstance(value, str) else repr(float(value)))
        for name in FACTS
        if (value := sound.get(name)) is not None
    )
    return Specimen(
        id=sound["specimen"],
        facts=facts,
        volume_m3=sound.get("volume") or 0.0,
        stretch_m3_per_pa=sound.get("stretch") or 0.0,
        stretch_u_m3_per_pa=sound.get("stretch_uncertainty") or 0.0,
    )
