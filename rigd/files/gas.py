"""Gas that can come to a specimen: what it stores, and the chamber without which a profile is refused.

Surges by air and leak tests with gas ask the same. `files` may not import `calc`: tests hold the formulas equal.
"""

from rigd.files import units
from rigd.files.document import Document, Path
from rigd.model.rig import Rig

GUARDED_ABOVE_J = 100.0
"""Gas in a specimen that holds more than this needs a chamber proved for it. A tenth of a litre of air at 85 psi; no
standard gives a number, any gas test is guarded in common practice."""
AIR_PA = 101_000.0  # ASME PCC-2-2008 App. II counts from this, and its exponent is printed so
GAS_EXPONENT = 0.286


def gas_energy_j(gauge_pa: float, volume_m3: float) -> float:
    """ASME PCC-2-2008 App. II eq. II-2 [J]; `calc.energy` has it with its proofs."""
    absolute_pa = gauge_pa + AIR_PA
    return 2.5 * absolute_pa * volume_m3 * (1.0 - (AIR_PA / absolute_pa) ** GAS_EXPONENT)


def check_chamber(rig: Rig, document: Document, at: Path, gauge_pa: float, volume_m3: float) -> None:
    """Compressed gas in plastic parts: a chamber proved for what can come to one specimen, or nothing; and its door
    seen, before and while there is pressure."""
    stored_j = gas_energy_j(gauge_pa, volume_m3)
    if stored_j > GUARDED_ABOVE_J and stored_j > rig.chamber.rated_j:
        found = f"gas that holds {stored_j:.0f} J at one station ({units.say(gauge_pa, 'psi')}, ASME PCC-2)"
        allowed = f"at most what the chamber was proved for, {rig.chamber.rated_j:.0f} J"
        document.fault(at, found, allowed, "Less gas, less pressure, or water alone")
    for kind in ("permissive", "trip"):
        rows = [row for row in rig.rows if row.kind == kind and rig.channels[row.channel].role == "door"]
        if not rows:
            allowed = f"a rig whose door is a {kind}: gas is never behind an open door"
            document.fault(at, document.found(at), allowed)
