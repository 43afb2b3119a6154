"""The words of `rigd check` about water hammer in the line. It judges nothing and works nothing out."""

from collections.abc import Iterator

from rigd.calc.line import LineSurge, Reach
from rigd.cli.say import fold_stations
from rigd.files import units

NOT_DECLARED = "no `line:` in the rig file, so nothing can be foretold of water hammer"


def describe_line(foretold: LineSurge | None, unit: str, stations: int = 1) -> Iterator[str]:
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
    yield from _caution(foretold.declared, unit, stations)
    if not foretold.sudden:
        yield f"  whatever stops the flow within {period} (a flap that slams, a body full and closed):"
        yield f"    {_reach(foretold.at_once, unit)}"
        if foretold.at_once.exceeded:
            yield f"    which would be above {say_limits(foretold.at_once.exceeded, unit, stations)}"
    yield from _describe_sight(foretold, stations)
    yield "  branches, changes of bore, trapped air and collapsing vapour can make more than this"


def _describe_sight(foretold: LineSurge, stations: int) -> Iterator[str]:
    read = f"{foretold.channel} is read {foretold.scan_hz:.0f} times a second and lags {_ms(foretold.lag_s)}"
    yield f"  a peak is resolved with {foretold.needed_hz:.0f} samples a second (10 in 2L/a); {read}"
    if not foretold.resolved:
        yield "    so a sampled peak of a surge in this line is NOT resolved and is no result"
    if foretold.blind_trips:
        blind = ", ".join(filter(None, fold_stations(foretold.blind_trips, stations).values()))
        yield f"  CAUTION: a trip on a sampled surge is blind to shorter peaks: {blind}"
        yield "    cannot guard against these. A slower valve, a relief fast enough and parts rated for it can;"
        yield "    a peak hold in the device or a fast capture can show it"


def _caution(reach: Reach, unit: str, stations: int) -> Iterator[str]:
    if reach.exceeded:
        yield f"  CAUTION: the line and this valve can exceed {say_limits(reach.exceeded, unit, stations)}"
        yield "    Use a slower valve, a restriction, less pressure or a wider line before anything is pressurised"


def _reach(reach: Reach, unit: str) -> str:
    return f"{units.say(reach.rise_pa, unit, digits=3)} of rise at most, {units.say(reach.peak_pa, unit)} in all"


def say_limits(limits: tuple[tuple[str, float], ...], unit: str, stations: int) -> str:
    shown = fold_stations((name for name, _ in limits), stations)
    return ", ".join(f"{shown[name]} ({units.say(pressure_pa, unit)})" for name, pressure_pa in limits if shown[name])


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.3g} ms" if seconds < 1.0 else f"{seconds:.3g} s"
