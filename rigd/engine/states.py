"""The two state machines, as data. The engine follows these rows and has no state of its own beside them.

**The run.** A record begins in VENTING, never in VENTED: at the start of a process nobody has proven anything. Pressure
proven low on every specimen channel leads to VENTED; no proof in time leads to UNPROVEN, which only a named person's
hand check leaves. With a profile loaded, the questions answered and every permissive true, VENTED becomes READY. A
person arms, a person starts: two acts. From RUNNING everything leads to VENTING: the last step, a failure, a trip, a
person, and a pause, in which hands have their turn at a line proven vented; a paused run goes on by arm and start, as
any other pressure does.

**The interlock.** A trip latches. It becomes resettable when every cause is healthy, and clear when a person resets
it. A reset never starts anything.

A row that is missing for a person's act is a refusal, in words; a row missing for our own event is a bug.
"""

from rigd.model.states import (
    ARMED,
    CLEAR,
    READY,
    RESETTABLE,
    RUNNING,
    TRIPPED,
    UNPROVEN,
    VENTED,
    VENTING,
)

PROVEN, NO_PROOF, HAND_CHECK = "pressure proven low", "no proof in time", "hand check"
PERMISSIVES_HOLD, PERMISSIVE_LOST = "permissives hold", "a permissive is lost"
ARM, ARMING_EXPIRED, START = "arm", "arming expired", "start"
VENT, STOP, TRIP, ENDED, PAUSED = "vent", "stop", "trip", "steps ended", "pause"

RUN_TABLE: dict[tuple[str, str], str] = {
    (VENTING, PROVEN): VENTED,
    (VENTING, NO_PROOF): UNPROVEN,
    (UNPROVEN, HAND_CHECK): VENTED,
    (VENTED, PERMISSIVES_HOLD): READY,
    (READY, PERMISSIVE_LOST): VENTED,
    (READY, ARM): ARMED,
    (ARMED, ARMING_EXPIRED): READY,
    (ARMED, PERMISSIVE_LOST): VENTING,
    (ARMED, START): RUNNING,
    (RUNNING, ENDED): VENTING,
    (RUNNING, PAUSED): VENTING,
    (READY, VENT): VENTING,
    (ARMED, VENT): VENTING,
    (RUNNING, VENT): VENTING,
    (VENTED, VENT): VENTED,
    (VENTING, VENT): VENTING,
    (UNPROVEN, VENT): UNPROVEN,
    (READY, STOP): VENTING,
    (ARMED, STOP): VENTING,
    (RUNNING, STOP): VENTING,
    (VENTED, STOP): VENTED,
    (VENTING, STOP): VENTING,
    (UNPROVEN, STOP): UNPROVEN,
    (READY, TRIP): VENTING,
    (ARMED, TRIP): VENTING,
    (RUNNING, TRIP): VENTING,
    (VENTING, TRIP): VENTING,
    (VENTED, TRIP): VENTED,
    (UNPROVEN, TRIP): UNPROVEN,
}

CAUSE, HEALTHY, RESET = "a cause", "all causes healthy", "reset"

TRIP_TABLE: dict[tuple[str, str], str] = {
    (CLEAR, CAUSE): TRIPPED,
    (TRIPPED, CAUSE): TRIPPED,
    (TRIPPED, HEALTHY): RESETTABLE,
    (RESETTABLE, CAUSE): TRIPPED,
    (RESETTABLE, RESET): CLEAR,
}

ACT_REFUSED = {
    "arm": "arming is possible only in READY",
    "start": "start is possible only in ARMED: arm first",
    "hand_check": "a hand check is asked for only in UNPROVEN",
    "reset": "there is nothing that can be reset now",
}


def draw(table: dict[tuple[str, str], str]) -> str:
    """A table as the text of a state diagram (Mermaid), rows in order; self-loops are left out."""
    rows = [f"    {old} --> {new}: {event}" for (old, event), new in table.items() if old != new]
    return "\n".join(["stateDiagram-v2", *rows])
