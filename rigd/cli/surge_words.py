"""The words of `rigd check` about a step of surges. It judges nothing and works nothing out."""

from collections.abc import Iterator

from rigd.calc.expect import Forecast
from rigd.calc.expect_surge import ExpectedSurge
from rigd.cli.line_words import say_limits
from rigd.cli.say import say_bytes, say_energy, say_time
from rigd.files import units
from rigd.model.rig import Rig

AIR = "compressed air in plastic parts is the most dangerous thing in a lab like this"


def describe_surge(surge: ExpectedSurge, rig: Rig | None, foretold: Forecast, unit: str) -> Iterator[str]:
    yield ""
    yield f"Surges of step {surge.index + 1}, {surge.name} ({surge.medium})"
    each = f" at each of {surge.stations} stations" if surge.stations > 1 else ""
    blocks = f" in {surge.blocks} blocks" if surge.blocks > 1 else ""
    yield f"  {surge.owed} valid cycles owed{blocks}{each}; a cycle that is not valid is given again"
    yield f"  a cycle takes {say_time(surge.cycle_least_s)} to {say_time(surge.cycle_most_s)} with its rest"
    asked = f", and inspections at a person's pace: {surge.inspections}" if surge.inspections else ""
    yield f"  the step takes {say_time(surge.least_s)} to {say_time(surge.most_s)}{asked}"
    if rig is None:
        return
    if foretold.bytes_per_s:
        least, most = (say_bytes(foretold.bytes_per_s * seconds) for seconds in (surge.least_s, surge.most_s))
        yield f"  records of all stations: {least} to {most}"
    yield from _describe_energy(surge, rig)
    yield from _describe_release(surge, foretold, unit)


def _describe_energy(surge: ExpectedSurge, rig: Rig) -> Iterator[str]:
    known = "" if surge.specimen_known else " (give the specimen file to count its volume too)"
    yield f"  stored at one station by the charge: water {say_energy(surge.water_j)} in line and specimen{known}"
    if not surge.gas_j:
        yield f"    the gas that pushes, {say_energy(surge.behind_j)}, stays behind its bladder while that is whole"
        return
    yield f"  CAUTION: {AIR}"
    yield f"    air that can come to one specimen holds {say_energy(surge.gas_j)} (ASME PCC-2); the chamber was proved"
    yield f"    for {say_energy(rig.chamber.rated_j)} by {rig.chamber.proved_by} on {rig.chamber.proved_on}"
    if surge.gas_j > rig.chamber.rated_j:
        yield "  CAUTION: with this specimen's volume that is more than the chamber was proved for. Do not run it"


def _describe_release(surge: ExpectedSurge, foretold: Forecast, unit: str) -> Iterator[str]:
    release, line = surge.release, foretold.surge
    if release is None or line is None:
        return
    how = "within the pipe period, so at once" if release.sudden else "longer than the pipe period"
    rise, peak = units.say(release.rise_pa, unit, digits=3), units.say(release.peak_pa, unit)
    yield f"  the release valve opens in {say_time(release.opens_s)}, {how}: {rise} of rise at most, {peak} in all"
    if surge.exceeded:
        yield f"  CAUTION: the shots can exceed {say_limits(surge.exceeded, unit, surge.stations)}"
        yield "    Use a slower release valve, less charge or a wider line before anything is pressurised"
    if surge.gas_j:
        yield "    water driven by air strikes a closed or throttled outlet harder than this (a column in free flight)"
    if not line.resolved:
        yield "  each peak in the cycles table is marked as not resolved; `peak_held` of the device is another column"
