"""The words of `rigd check`: a forecast told to a person, line by line. It judges nothing and works nothing out."""

from collections.abc import Iterator
from math import pi, sqrt
from pathlib import Path
from typing import Any

from rigd.calc.expect import ExpectedStep, Forecast, across_inlet_pa
from rigd.calc.supplies import needs
from rigd.cli.gas_words import describe_gas_leak
from rigd.cli.line_words import describe_line
from rigd.cli.pocket_words import describe_pockets
from rigd.cli.say import fold_stations, say_bytes, say_energy, say_time
from rigd.cli.surge_words import describe_surge
from rigd.cli.unattended import say_need
from rigd.files import units
from rigd.model.leak import CapTurns
from rigd.model.profile import Profile, Ramp
from rigd.model.rig import Address, Rig, Row
from rigd.model.specimen import FACTS, Specimen

CAUTION = (
    "Caution: this software is not the safety device and claims no safety rating. Relief valve, guard, hardware "
    "emergency stop, watchdog relay, site procedures, local codes and licensed practice come first."
)
_FIRST_NUMBER = {"holding": 40001, "input": 30001, "coil": 1, "discrete": 10001}
_SMALL_TABLE = 9999  # beyond this the numbers get a sixth digit


def describe(
    loaded: list[tuple[Path, Any]], made: list[tuple[Profile | None, Forecast]], specimen: Specimen | None
) -> Iterator[str]:
    rig = next((shape for _, shape in loaded if isinstance(shape, Rig)), None)
    for path, shape in loaded:
        yield f"{path}: sound ({_name(shape)})"
    if rig is not None:
        yield from _describe_addresses(rig)
        yield from describe_pockets(rig)
    for profile, foretold in made:
        unit = profile.display if profile else "psi"
        if profile is not None:
            yield from _describe_steps(profile, foretold, unit)
        yield from _describe_limits(rig, foretold, unit)
        if rig is not None:
            yield from _describe_energy(rig, foretold, unit)
        for surge in foretold.surges:
            yield from describe_surge(surge, rig, foretold, unit)
        for gas in foretold.gas_leaks:
            yield from describe_gas_leak(gas, rig, unit)
        if rig is not None:
            yield from describe_line(foretold.surge, unit, rig.stations)
        if rig is not None and profile is not None:
            yield from _describe_decay(rig, profile, specimen)
            yield from _describe_sight(rig, profile, foretold, unit)
            yield from _describe_supplies(rig, profile, specimen)
    if specimen is not None:
        yield from _describe_specimen(specimen, [profile for profile, _ in made if profile])
    if rig is None and made:
        yield ""
        yield "Give a rig file too, for limits of the iron, stored energy, gas, disk and what the rig can notice."
    yield ""
    yield CAUTION


def _name(shape: Any) -> str:
    match shape:
        case Rig():
            return f"rig {shape.name}, {shape.site}{', SIMULATED' if shape.simulated else ''}"
        case Profile():
            return f"profile {shape.name}: {shape.title}"
    return f"specimen {shape.id}"


def both_forms(address: Address) -> str:
    """holding:0 = 40001: counted from 0 and counted from 1."""
    first = _FIRST_NUMBER[address.table]
    if address.offset >= _SMALL_TABLE:
        first = (first - 1) * 10 + 1
    return f"{address.table}:{address.offset} = {first + address.offset:05d}"


def _describe_addresses(rig: Rig) -> Iterator[str]:
    yield ""
    yield "Addresses (counted from 0 = counted from 1)"
    for channel in rig.channels:
        bit = f" bit {channel.bit}" if channel.type == "bit" and channel.address.table in ("holding", "input") else ""
        kind = "" if channel.type == "bit" else f" {channel.type} {channel.order}"
        where = f"{rig.devices[channel.device].name} {both_forms(channel.address)}{bit}{kind}"
        what = ", ".join(word for word in (channel.role, channel.reference) if word)
        yield f"  read   {channel.name:20} {where:44} {what}"
    for output in rig.outputs:
        where = f"{rig.devices[output.device].name} {both_forms(output.address)}"
        yield f"  drive  {output.name:20} {where:44} {output.role}, safe {output.counts_safe}"


def _describe_steps(profile: Profile, foretold: Forecast, unit: str) -> Iterator[str]:
    yield ""
    yield f"Steps of {profile.name} ({profile.method})"
    for step in foretold.steps:
        yield f"  {step.index + 1:2}  {step.kind:11} {step.name:24} {_step_words(step, unit)}"
        source = profile.steps[step.index]
        if isinstance(source, Ramp) and source.window_low_ns:
            low, high = source.window_low_ns / 1e9, source.window_high_ns / 1e9
            expected = units.say(source.expected_pa, unit)
            yield f"{'':18}rate from failure at {expected} between {low:g} s and {high:g} s; outside it is flagged"
    expected = units.say(foretold.expected_pa, unit) if foretold.expected_pa else "not said by the profile"
    yield f"Expected   failure {expected}; highest pressure called for {units.say(foretold.peak_pa, unit)}"
    yield f"Duration   {say_time(foretold.least_s)} to {say_time(foretold.most_s)}, and what persons take"
    if foretold.bytes_per_s:
        longest = say_bytes(foretold.disk_bytes)
        yield f"Disk       {say_bytes(foretold.bytes_per_s)}/s of record, {longest} for the longest run"


def _describe_decay(rig: Rig, profile: Profile, specimen: Specimen | None) -> Iterator[str]:
    """Whether leak, creep and warming will be told apart when a cap is judged by decay."""
    from rigd.calc.decay import REFUSED_IN_100
    from rigd.calc.shut import decay_of, lacks

    for step in profile.steps:
        if type(step) is not CapTurns or decay_of(step) is None:
            continue
        yield ""
        yield f"Decay in {step.name}: leak, creep and warming of each look are told apart when the run is over"
        missing = lacks(rig, step, specimen)
        yield from (f"  NOT TOLD: {words}" for words in missing)
        if not missing:
            yield "  where the fit can tell them; invented vessels of 1 L at 30 psi, limit 0.009 mL/min, were refused:"
            yield from (f"    {count:3} in 100  {kind}" for kind, count in REFUSED_IN_100.items())


def _step_words(step: ExpectedStep, unit: str) -> str:
    if step.waits_for_person:
        return "a person's pace"
    rate = f" at {units.say(step.rate_pa_per_s, f'{unit}/s', units.RATE)}" if step.rate_pa_per_s else ""
    if step.rate_pa_per_s and f"{unit}/s" not in units.RATE.units:
        rate = f" at {units.say(step.rate_pa_per_s, 'psi/s', units.RATE)}"
    if step.kind == "surge":
        return f"surges of {units.say(step.from_pa, unit)}, {say_time(step.least_s)} to {say_time(step.most_s)}"
    if step.kind == "cap_turns":
        taken = f"{say_time(step.least_s)} to {say_time(step.most_s)}"
        return f"looks at {units.say(step.from_pa, unit)}, {taken} under pressure, and a person's pace between them"
    went = f"{_number(step.from_pa, unit)} to {units.say(step.to_pa, unit)}{rate}"
    return f"{went}, {say_time(step.least_s)} to {say_time(step.most_s)}"


def _number(pressure_pa: float, unit: str) -> str:
    return units.say(pressure_pa, unit).removesuffix(f" {unit}")


def _describe_limits(rig: Rig | None, foretold: Forecast, unit: str) -> Iterator[str]:
    yield ""
    yield "Limits of pressure, lowest first"
    shown = fold_stations((limit.name for limit in foretold.limits), rig.stations if rig else 1)
    for limit in foretold.limits:
        if shown[limit.name]:
            yield f"  {units.say(limit.pressure_pa, unit):>12}  {shown[limit.name]:35} {limit.what}"
    if rig is None:
        return
    yield "Guards"
    shown = fold_stations((row.name for row in rig.rows), rig.stations)
    for row in rig.rows:
        if shown[row.name]:
            yield f"  {row.kind:10}  {shown[row.name]:29} {_row_words(rig, row)}"
    yield "Times"
    for device in rig.devices:
        scan, timeout = say_time(device.scan_ns / 1e9), say_time(device.timeout_ns / 1e9)
        yield f"  {device.name}: a scan each {scan}, lost after {timeout} without a reply"
    stale = min(channel.stale_ns for channel in rig.channels if channel.required)
    yield f"  a required value is lost when older than {say_time(stale / 1e9)}"
    agreement = units.say(rig.agreement.limit_pa, unit)
    yield f"  transducers apart by more than {agreement} for {say_time(rig.agreement.persistence_ns / 1e9)}: trip"
    slowest = max((output.read_back_ns for output in rig.outputs if output.read_back >= 0), default=0)
    yield f"  a valve not seen to do as told within {say_time(slowest / 1e9)}: trip"
    yield f"  watchdog relay drops out {say_time(rig.watchdog_ns / 1e9)} after the last kick"
    hold, timeout = say_time(rig.vent.hold_ns / 1e9), say_time(rig.vent.timeout_ns / 1e9)
    below = units.say(rig.vent.limit_pa, unit)
    yield f"  vented is below {below} for {hold} on every specimen channel; else UNPROVEN after {timeout}"


def _row_words(rig: Rig, row: Row) -> str:
    from rigd.files.rig_shape import SWITCH_WORDS

    channel = rig.channels[row.channel]
    if row.test == "is":
        limit = SWITCH_WORDS[channel.role][int(row.limit)]
    else:
        kind = {"temperature": units.TEMPERATURE, "flow": units.FLOW, "position": units.LENGTH, "mass": units.MASS}
        limit = units.say(row.limit, channel.display, kind.get(channel.quantity, units.PRESSURE))
    does = "must be" if row.kind == "permissive" else f"{row.action} when"
    test = "" if row.test == "is" else f"{row.test} "
    return f"{does} {channel.name} {test}{limit} for {say_time(row.persistence_ns / 1e9)} in {', '.join(row.when)}"


def _describe_energy(rig: Rig, foretold: Forecast, unit: str) -> Iterator[str]:
    yield ""
    yield "Stored energy when charged as declared (gas by ASME PCC-2 eq. II-2; water without the stretch of its walls)"
    for charge in foretold.charges:
        gas, water = say_energy(charge.gas_j), say_energy(charge.water_j)
        yield f"  {charge.name:24} {units.say(charge.gauge_pa, unit):>10}  gas {gas:>9}  water {water:>9}"
    yield f"  {'all':24} {'':>10}  {say_energy(foretold.energy_j)}"
    yield "Distance from all the gas at once WITHOUT a barrier, blast only"
    for stand_off in foretold.stand_offs:
        formula = f"formula {stand_off.formula_m:.1f} m, never below 30 m"
        yield f"  {stand_off.distance_m:.0f} m  {stand_off.edition} ({formula})"
    chamber = rig.chamber
    yield (
        f"Chamber declared for {say_energy(chamber.rated_j)}, proved by {chamber.proved_by} on {chamber.proved_on}; "
        f"nearest person {chamber.distance_m:g} m away behind it"
    )
    over = [charge.name for charge in foretold.charges if charge.gas_j + charge.water_j > chamber.rated_j]
    if over:
        names = ", ".join(over)
        yield f"  CAUTION: {names} alone holds more than the chamber was proved for; keep it outside, isolated"


def _describe_sight(rig: Rig, profile: Profile, foretold: Forecast, unit: str) -> Iterator[str]:
    yield ""
    yield "What this rig can do and notice"
    if foretold.opening_m2:
        across = 2.0 * sqrt(foretold.opening_m2 / pi)
        flow = units.say(foretold.opening_flow_m3_per_s, "L/min", units.FLOW, 2)
        area, at = f"{foretold.opening_m2 * 1e6:.2g} mm2", units.say(foretold.opening_pa, unit, digits=3)
        yield f"  smallest opening it could notice: a hole {across * 1e3:.2g} mm across ({area}) at {at}"
        behind = units.say(across_inlet_pa(rig, profile), unit)
        yield f"    assumed: it takes more than the inlet feeds with {behind} across it, {flow} (Cd 0.62);"
        yield "    a smaller one is fed through and is left to a person's eyes and to the mark key"
    yield f"  smallest pressure step it can make: {units.say(foretold.set_point_step_pa, unit, digits=3)}"
    if foretold.hidden_pa:
        hidden, allowed = units.say(foretold.hidden_pa, unit, digits=3), units.say(profile.peak_tolerance_pa, unit)
        yield f"  most that the ramp rises between two samples: {hidden} (allowed {allowed})"
        needs = units.say(foretold.gas_flow_m3_per_s, "L/min", units.FLOW, 3)
        passes = units.say(rig.regulator_m3_per_s, "L/min", units.FLOW, 3)
        yield f"  gas the ramp takes: {needs} at ambient conditions; the regulator passes {passes}"
        yield f"  gas one run takes at most: {units.say(foretold.gas_m3, 'L', units.VOLUME, 3)} at ambient conditions"


def _describe_supplies(rig: Rig, profile: Profile, specimen: Specimen | None) -> Iterator[str]:
    """With a specimen like this one at every station."""
    at = f" at each of {rig.stations} stations" if rig.stations > 1 else ""
    stated = "" if rig.budgets else "; no `budgets:` in the rig file, so it is never unattended"
    yield f"What a run takes at most, a fifth for cycles given again included, with a specimen{at}{stated}"
    for need in needs(rig, profile, (specimen,) * rig.stations):
        yield f"  {'' if need.is_covered else 'NOT COVERED: '}{say_need(need)}"


def _is_required(fact: str, profiles: list[Profile]) -> bool:
    return any(fact in profile.required for profile in profiles)


def _describe_specimen(specimen: Specimen, profiles: list[Profile]) -> Iterator[str]:
    yield ""
    known = dict(specimen.facts)
    wanted = [fact for fact in FACTS if fact != "loosenings" or fact in known or _is_required(fact, profiles)]
    yield f"Specimen {specimen.id}: {len(known)} of {len(wanted)} facts known"
    for fact in FACTS:
        if fact not in known and _is_required(fact, profiles):
            yield f"  will be asked of a named person: {FACTS[fact]}"
