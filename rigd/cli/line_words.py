"""The words of `rigd check` about water hammer in the line. It judges nothing and works nothing out."""

from collections.abc import Iterator

from rigd.calc.line import LineSurge, Reach
from rigd.files import units

NOT_DECLARED = "no `line:` in the rig file, so nothing can be foretold of water hammer"


def describe_line(foretold: LineSurge | None, unit: str) -> Iterator[str]:
    yield ""
    yield "Water hammer in the line (upper bound by Joukowsky: no friction, no air, no branches; not a safety case)"
    if foretold is None:
        yield f"  {NOT_DECLARED}"
        return
    period = _ms(foretold.period_s)
    yield f"  a wave runs at {foretold.wave_speed_m_per_s:.0f} m/s and is back after the pipe period 2L/a of {period}"
    drive = units.say(foretold.driving_pa, unit)
    yield f"  flow at most {foretold.flow_m_per_s:.2g} m/s, with {drive} ({foretold.driving_name}) across the inlet"
    how = "within that, so at once" if foretold.sudden else "longer than that"
    yield f"  the valve shuts in {_ms(foretold.closes_s)}, {how}: {_reach(foretold.declared, unit)}"
    yield from _caution(foretold.declared, unit, "the line and this valve")
    if not foretold.sudden:
        yield f"  whatever stops the flow within {period} (a flap that slams, a body full and closed):"
        yield f"    {_reach(foretold.at_once, unit)}"
        if foretold.at_once.exceeded:
            yield f"    which would be above {_limits(foretold.at_once, unit)}"
    yield from _describe_sight(foretold)
    yield "  branches, changes of bore, trapped air and collapsing vapour can make more than this"


def _describe_sight(foretold: LineSurge) -> Iterator[str]:
    read = f"{foretold.channel} is read {foretold.scan_hz:.0f} times a second and lags {_ms(foretold.lag_s)}"
    yield f"  a peak is resolved with {foretold.needed_hz:.0f} samples a second (10 in 2L/a); {read}"
    if not foretold.resolved:
        yield "    so a sampled peak of a surge in this line is NOT resolved and is no result"
    if foretold.blind_trips:
        yield f"  CAUTION: a trip on a sampled surge is blind to shorter peaks: {', '.join(foretold.blind_trips)}"
        yield "    cannot guard against these. A slower valve, a relief fast enough and parts rated for it can;"
        yield "    a peak hold in the device or a fast capture can show it"


def _caution(reach: Reach, unit: str, what: str) -> Iterator[str]:
    if reach.exceeded:
        yield f"  CAUTION: {what} can exceed {_limits(reach, unit)}"
        yield "    Use a slower valve, a restriction, less pressure or a wider line before anything is pressurised"


def _reach(reach: Reach, unit: str) -> str:
    return f"{units.say(reach.rise_pa, unit, digits=3)} of rise at most, {units.say(reach.peak_pa, unit)} in all"


def _limits(reach: Reach, unit: str) -> str:
    return ", ".join(f"{name} ({units.say(pressure_pa, unit)})" for name, pressure_pa in reach.exceeded)


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.3g} ms" if seconds < 1.0 else f"{seconds:.3g} s"
