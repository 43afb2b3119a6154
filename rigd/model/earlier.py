"""What a rig's own earlier walks found, brought along by whoever starts one: the figures it is judged against.

They are part of what the walk's record is built from, so that its replay judges against the same ones.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of one earlier walk; its name and unit are those of model.walk.TRENDS."""

    check: str
    figure: float
    run: int
    manifest_sha256: str  # of that walk's sealed record


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    figures: tuple[Figure, ...] = ()

    def of(self, check: str) -> tuple[Figure, ...]:
        return tuple([figure for figure in self.figures if figure.check == check])


NO_WALKS = Earlier()
