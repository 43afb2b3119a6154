"""What the two ways to play a demo share: the names of the invented specimen and person, and how a demo ends."""

from dataclasses import dataclass
from pathlib import Path

from rigd.model.errors import UsageRefused

PERSON = "simulated person"
RIG, PROFILE = "demo", "ramped-burst"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoEnding:
    exit_code: int
    record: Path
    words: str
    strength_pa: float | None  # true pressure at the first loss of containment, None when the body held


def specimen_id(seed: int) -> str:
    return f"demo-{seed}"


def check_names(body: str, faults: tuple[str, ...]) -> None:
    """Refuse names the simulator does not know, before anything is started."""
    from simulator.bodies import KINDS
    from simulator.faults import FAULTS

    if body and body not in KINDS:
        raise UsageRefused(f"--body {body}: allowed: {', '.join(KINDS)}")
    for fault in faults:
        if fault.partition("@")[0] not in FAULTS:
            raise UsageRefused(f"--fault {fault}: allowed: {', '.join(FAULTS)}")
