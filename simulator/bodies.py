"""The bodies that fail: how strong each is, how it stretches, and how it ends. Everything here is invented.

A body is drawn from a seed and is then a plain description; how pressure acts on it is the plant's business. The make,
the size and the water's temperature do not depend on how the body will end, so that whoever knows only the seed knows
what lies on the bench, and not what will become of it.

Where the sizes of the numbers come from: compliance above water's own, see checks/physics.md C13 (a thin plastic tube
stretches 0.729 % at 500 psi, 2.1e-9 per Pa; from memory there). Strength of plastics rises with the rate of loading by
a few per cent a decade; as a power law (rate / reference)^n with n = 0.03 to 0.05 this is common practice.
"""

import math
from dataclasses import dataclass
from random import Random

from rigd.model.errors import UsageRefused

PSI = 8896443230521 / 1290320000  # [Pa], exact, checks/physics.md
REFERENCE_RATE_PA_PER_S = 15.0 * PSI  # the rate at which a make's strength is stated
MM2 = 1e-6

MAKES = {"K": (330.0, 20.0), "L": (300.0, 25.0), "M": (315.0, 35.0), "N": (250.0, 22.0)}
"""Invented: mean and standard deviation of the burst strength at the reference rate [psi]. K, L and M overlap."""

WEAKEST_PSI, STRONGEST_PSI = 180.0, 420.0
SIZES = {"short": 0.6e-3, "tall": 1.1e-3}
"""Free inside volume [m3]."""

KINDS = {
    "rupture": "bursts, splits or cracks through",
    "weep": "cracks a little and seeps while the tank keeps feeding",
    "ballooned": "yields and grows for good",
    "parted": "the cap blows off",
    "own_joint_leak": "leaks at its own threaded joint",
    "end_closure_leak": "leaks at the end closure: the fixture's fault, not the body's",
    "strong": "does not fail",
    "early": "so weak that it breaks in fill or proof",
}
DRAWN = (("rupture", 0.6), ("parted", 0.2), ("weep", 0.1), ("own_joint_leak", 0.1))
"""Kinds that a seed may draw by itself, with their shares: all end in a failure of the body under a 450 psi ceiling."""

OPENINGS_MM2 = {
    "burst": (150.0, 800.0),
    "split": (5.0, 60.0),
    "weep": (0.1, 2.0),
    "parted": (400.0, 1500.0),
    "own_joint_leak": (0.2, 1.0),
    "end_closure_leak": (1.0, 8.0),
    "early": (20.0, 100.0),
}
SHARE_OF_SPLITS = 0.3  # of ruptures


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """One specimen. Pressures are gauge; infinity means *never*."""

    kind: str
    make: str
    size: str
    lot: str
    water_k: float  # temperature of the test water at the start
    volume_m3: float
    compliance_per_pa: float  # elastic growth of the volume, as a part of it, per Pa
    trapped_air_m3: float  # air that bleeding leaves behind, at atmospheric pressure
    strength_pa: float  # at the reference rate
    rate_exponent: float
    opening_m2: float  # area of the opening when containment is lost
    yield_pa: float
    growth_per_s: float  # growth rate of the volume, as a part of it, per part of pressure above yield
    growth_limit: float  # part of its volume by which it can grow
    sight: str  # what a person would call the end: a key of OBSERVATIONS


def strength_at(body: Body, rate_pa_per_s: float) -> float:
    """Strength at this rate of loading [Pa]; the power law is trusted for one decade either way and no further."""
    ratio = min(max(rate_pa_per_s / REFERENCE_RATE_PA_PER_S, 0.1), 10.0)
    return body.strength_pa * ratio**body.rate_exponent


def draw_body(kind: str, seed: int) -> Body:
    """The body of this seed, ending as `kind`, or as the seed will have it when `kind` is ""."""
    if kind and kind not in KINDS:
        raise UsageRefused(f"body: found {kind!r}; allowed: {', '.join(KINDS)}")
    bench, fate = Random(f"{seed}/bench"), Random(f"{seed}/fate")
    make, size = bench.choice(sorted(MAKES)), bench.choice(sorted(SIZES))
    lot, water_k = f"{bench.choice('ABCD')}{bench.randrange(1, 60):02d}", 273.15 + bench.uniform(18.0, 23.0)
    drawn = fate.random()
    mean, sd = MAKES[make]
    strength_psi = min(max(fate.gauss(mean, sd), WEAKEST_PSI), STRONGEST_PSI)
    exponent, compliance, air_m3 = fate.uniform(0.03, 0.05), fate.uniform(1.6e-9, 2.8e-9), fate.uniform(0.5e-6, 3e-6)
    size_drawn, split, later = fate.random(), fate.random() < SHARE_OF_SPLITS, fate.random()
    kind = kind or _by_share(drawn)
    opening = "split" if split and kind == "rupture" else "burst" if kind in ("rupture", "ballooned") else kind
    yield_pa = math.inf
    if kind == "early":
        strength_psi = 8.0 + 12.0 * size_drawn
    elif kind == "strong":
        strength_psi = math.inf
    elif kind == "end_closure_leak":
        strength_psi *= 0.4 + 0.5 * later
    elif kind == "ballooned":
        yield_pa = 0.75 * strength_psi * PSI
        strength_psi = strength_psi * 1.05 if later < 0.5 else math.inf  # half of them break in the end
    return Body(
        kind=kind, make=make, size=size, lot=lot, water_k=water_k, volume_m3=SIZES[size],
        compliance_per_pa=compliance, trapped_air_m3=air_m3, strength_pa=strength_psi * PSI, rate_exponent=exponent,
        opening_m2=_between(*OPENINGS_MM2.get(opening, (0.0, 0.0)), size_drawn) * MM2,
        yield_pa=yield_pa, growth_per_s=0.5 + 0.5 * later, growth_limit=0.10 + 0.2 * size_drawn,
        sight={"strong": "nothing", "early": "rupture", "ballooned": "rupture"}.get(kind, kind),
    )  # fmt: skip


def _by_share(drawn: float) -> str:
    for kind, share in DRAWN:
        drawn -= share
        if drawn < 0.0:
            return kind
    return DRAWN[0][0]


def _between(low: float, high: float, drawn: float) -> float:
    """Between low and high, evenly by ratio: small openings are as usual as large ones."""
    return low * (high / low) ** drawn if low > 0.0 else 0.0
