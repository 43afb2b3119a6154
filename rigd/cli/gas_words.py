"""The words of `rigd check` about a leak test with gas. It judges nothing and works nothing out."""

from collections.abc import Iterator

from rigd.calc.expect_gas import ExpectedGasLeak
from rigd.cli.say import say_energy, say_time
from rigd.files import units
from rigd.model.rig import Rig


def describe_gas_leak(gas: ExpectedGasLeak, rig: Rig | None, unit: str) -> Iterator[str]:
    at = f"sccm ({gas.sccm_k - 273.15:.4g} degC)"
    shut_in, pressure = units.say(gas.volume_m3, "L", units.VOLUME, 3), units.say(gas.pressure_pa, unit)
    yield ""
    yield f"Leak of gas in step {gas.index + 1}, {gas.name} ({gas.medium})"
    yield f"  CAUTION: {shut_in} of gas at {pressure} hold {say_energy(gas.stored_j)} (ASME PCC-2)"
    if rig is not None:
        yield f"    the chamber was proved for {say_energy(rig.chamber.rated_j)}; shut, and nobody near, until vented"
    yield "    exhaust led outside, oxygen monitor on: below 19.5 % leave the room, nobody feels it go"
    yield f"  closed by {gas.closure.replace('_', ' ')}: {gas.closed_by}; never by a hand"
    yield f"  limit {gas.limit_sccm:.3g} {at}, standard meaning that temperature and 101,325 Pa"
    if rig is not None:
        yield f"  it resolves {gas.resolves_sccm:.3g} {at}; a dwell of {say_time(gas.enough_s)} would be just enough"
    yield f"  a tenth of a kelvin over the dwell, if nobody measured it, would look like {gas.cooling_sccm:.3g} {at};"
    yield f"    the change the body is allowed may look like {gas.body_sccm:.3g} {at} and counts as uncertainty"
