"""What an incremental cap-turn leak test is: marks to loosen to, pressure, and how a leak is judged at each mark.

Turns count from the fully tightened mark, larger is looser. A leak test brings hands near a seal that is about to let
go, so the shape says how the cap is retained, from where people look, and how much thread must be left.
"""

from dataclasses import dataclass

ORDERS = ("ascending", "descending", "bisecting")
LEAK_OUTLETS = ("blocked", "flowing")
LEAK_MEDIA = ("water", "gas")
OBSERVERS = ("window", "camera", "specimen")
RETENTIONS = ("cage", "strap")
TURNED_BY = ("hand", "fixture")
METHODS = ("eye", "make_up", "decay", "catch", "drops")
READ_BY = ("channel", "person")
SEEN = ("tight", "weep", "drops", "stream")
"""What an eye may say of a closure, least first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A mark: as the technician wrote it, and what that is."""

    text: str  # "1/16", "1 1/8"
    turns: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakMethod:
    """One way of judging. A field that does not belong to its kind is 0 or ""."""

    kind: str  # one of METHODS
    limit_m3_per_s: float  # more than this is a leak; for the eye, the least flow it can see in the dwell
    leaks_from: str = ""  # eye: the first word of SEEN that counts as a leak
    read_by: str = ""  # catch: one of READ_BY
    catch_u_kg: float = 0.0  # catch read by a person: standard uncertainty of a difference of two readings
    drop_m3: float = 0.0
    drop_u_m3: float = 0.0  # standard uncertainty
    expansion_per_k: float = 0.0  # decay: linear expansion of the body's material; it and the next 0: not known
    expansion_u_per_k: float = 0.0  # standard uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Thread:
    """How much thread of a model is engaged when fully tight, counted once with no pressure."""

    make: str
    size: str
    engaged_turns: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CapTurns:
    """Tighten fully, loosen by a listed turn, look under pressure, vent, and so on until the onset is bracketed."""

    name: str
    pressure_pa: float
    ramp_pa_per_s: float
    medium: str  # one of LEAK_MEDIA
    outlet: str  # one of LEAK_OUTLETS
    turns: tuple[Turn, ...]  # rising, none of them 0
    order: str  # one of ORDERS
    beyond: int  # marks judged on the far side of the turn-over, to see whether it is one
    angle_u_turns: float  # half-width that always holds the turn that was made
    torque_text: str  # closing torque as written, such as 8 N m
    torque_source: str  # whose: the maker's, or one for all makes
    turned_by: str  # one of TURNED_BY
    retention: str  # one of RETENTIONS
    observer: str  # one of OBSERVERS
    threads: tuple[Thread, ...]
    least_engaged_turns: float  # that must be left at the largest turn
    vent_before_turn: bool
    permissive: str  # row of the rig that allows turning under pressure, "" when vented before each turn
    settle_ns: int
    dwell_ns: int
    answer_ns: int  # longest wait for an answer under pressure, then the line is vented
    hands_ns: int  # longest wait for work at the vented specimen, then the run ends
    stiffness_step_pa: float  # dV/dp is measured over this much, ending at the pressure; 0 = not measured
    stiffness_most_m3_per_pa: float  # a softer line than this cannot resolve the limits
    methods: tuple[LeakMethod, ...]
    minimum_turns: float  # acceptance criterion: tight to at least this turn, 0 = none

    def has_counted(self, make: str, size: str) -> bool:
        """Whether the engaged thread of this model is known: else no cap of it is turned."""
        return any(thread.make == make and thread.size == size for thread in self.threads)
