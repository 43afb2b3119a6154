"""What a leak test with gas is: a dry, closed body filled, isolated, left to settle, watched, judged by the gas law.

Gas under pressure throws whatever lets go, so a closure that a hand turns or holds has no place in it, and the shape
says what holds the closure. Everything the law needs and no channel shows is stated here, each with its uncertainty.
"""

from dataclasses import dataclass

GASES = ("nitrogen", "air")
CLOSURES = ("fixture", "torqued_plug", "retained_plug")
ATMOSPHERES = ("channel", "stated")


@dataclass(frozen=True, slots=True, kw_only=True)
class GasLeak:
    """Fill by the inlet, shut it, settle, dwell, judge. Half-widths always hold the truth; `_u_` is standard."""

    name: str
    medium: str  # one of GASES
    closure: str  # one of CLOSURES
    closed_by: str  # in words: torque or retention, and whose
    pressure_pa: float
    ramp_pa_per_s: float
    settle_ns: int
    dwell_ns: int
    limit_mol_per_s: float  # more than this is a leak
    sccm_k: float  # reference temperature of every sccm of this test
    body_m3: float  # dry inside volume
    body_u_m3: float
    line_m3: float  # everything else that is shut in
    line_u_m3: float
    body_change: float  # half-width: part of its volume by which the body may change over the dwell
    body_change_source: str
    atmosphere_pa: float  # 0 = by a channel
    atmosphere_u_pa: float
    atmosphere_change_pa: float  # half-width over the dwell
    zero_drift_pa: float  # half-width: a zero that moved further voids the run
    stored_j: float  # in what is shut in, at the pressure

    @property
    def volume_m3(self) -> float:
        return self.body_m3 + self.line_m3
