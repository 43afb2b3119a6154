"""What a campaign must have met at least once: states with trip causes, transitions, faults in states.

An invariant that was never put to the test proves nothing, so each cell here is counted and the table is printed. Cells
that cannot be reached by design are listed with the reason; a reason that turns out wrong (the cell was reached) is an
error of this file and is told.
"""

from collections import Counter

from rigd.engine.states import PAUSED, RUN_TABLE, TRIP_TABLE
from rigd.model.rig import Rig
from rigd.model.states import ARMED, READY, RUN_STATES, RUNNING
from simulator.weather import KINDS

HOST_CAUSES = ("record cannot be written", "journal behind", "inbox full", "disk full")


def causes_of(rig: Rig) -> list[str]:
    """Every cause of a trip that a rig like this can name."""
    found = [row.name for row in rig.rows if row.kind == "trip"]
    for channel in rig.channels:
        if channel.role == "read_back" or not channel.required:
            continue
        words = ("stale",) if channel.type == "bit" else ("failed", "uncertain", "stale")
        found += [f"{channel.name} {word}" for word in words]
    found.append("transducers disagree")
    found += [f"{output.name} not confirmed" for output in rig.outputs if output.read_back >= 0]
    return found + list(HOST_CAUSES)


def unreachable(rig: Rig) -> dict[tuple[str, str], str]:
    """(state, cause) -> why no run can show it."""
    found = {}
    for row in rig.rows:
        if row.kind == "trip":
            for state in RUN_STATES:
                if state not in row.when:
                    found[state, row.name] = f"the rig file looks at {row.name} only in {', '.join(row.when)}"
    for cause in causes_of(rig):
        if cause.endswith(" uncertain"):
            for state in (READY, ARMED):
                found[state, cause] = "doubt trips after a second, and ends READY and ARMED at once"
    return found


NOT_DRAWN = {(RUNNING, PAUSED): "only steps with hands in them pause, and a burst has none"}
"""Transitions that no night makes, by design."""


class Seen:
    """Counts of one campaign, or of a part of it; parts are added up."""

    def __init__(self) -> None:
        self.causes: Counter[tuple[str, str]] = Counter()
        self.moves: Counter[tuple[str, str]] = Counter()
        self.strikes: Counter[tuple[str, str]] = Counter()
        self.others: Counter[str] = Counter()

    def add(self, other: "Seen") -> None:
        for name in ("causes", "moves", "strikes", "others"):
            getattr(self, name).update(getattr(other, name))

    def strike(self, kind: str, state: str) -> None:
        self.strikes[kind, state] += 1

    def missing(self, rig: Rig) -> dict[str, list[str]]:
        """What has not been met, by table, cells unreachable by design left out."""
        by_design = unreachable(rig)
        cells = [(state, cause) for cause in causes_of(rig) for state in RUN_STATES]
        moves = [(old, event) for old, event in [*RUN_TABLE, *TRIP_TABLE]]
        strikes = [(kind, state) for kind in KINDS for state in RUN_STATES]
        return {
            "state x cause": [f"{s} x {c}" for s, c in cells if not self.causes[s, c] and (s, c) not in by_design],
            "transitions": [f"{old}: {event}" for old, event in moves
                            if not self.moves[old, event] and (old, event) not in NOT_DRAWN],
            "fault x state": [f"{k} x {s}" for k, s in strikes if not self.strikes[k, s]],
        }

    def wrong_reasons(self, rig: Rig) -> list[str]:
        wrong = [f"{s} x {c} was reached" for (s, c) in unreachable(rig) if self.causes[s, c]]
        return wrong + [f"{old}: {event} was met" for old, event in NOT_DRAWN if self.moves[old, event]]

    def table(self, rig: Rig) -> str:
        """Counts as text: causes and fault kinds down, run states across."""
        by_design = unreachable(rig)
        wide = max(len(name) for name in [*causes_of(rig), *KINDS]) + 2
        lines = ["cause of a trip".ljust(wide) + "".join(state.rjust(10) for state in RUN_STATES)]
        for cause in causes_of(rig):
            cells = ["by design" if (s, cause) in by_design else str(self.causes[s, cause]) for s in RUN_STATES]
            lines.append(cause.ljust(wide) + "".join(cell.rjust(10) for cell in cells))
        lines += ["", "fault struck in".ljust(wide) + "".join(state.rjust(10) for state in RUN_STATES)]
        for kind in KINDS:
            lines.append(kind.ljust(wide) + "".join(str(self.strikes[kind, s]).rjust(10) for s in RUN_STATES))
        lines += ["", "transition"]
        lines += [
            f"{old}: {event}".ljust(wide + 20) + str(self.moves[old, event]) for old, event in [*RUN_TABLE, *TRIP_TABLE]
        ]
        lines += ["", *(f"{name}: {count}" for name, count in sorted(self.others.items()))]
        return "\n".join(lines)
