"""The words of `rigd check` about pockets: each place that can hold pressure, how it is proven, and what is said."""

from collections.abc import Iterator

from rigd.model.rig import Pocket, Rig
from rigd.model.states import LINE_AT_ZERO, SAFE_TO_OPEN


def describe_pockets(rig: Rig) -> Iterator[str]:
    yield ""
    yield "Pockets: places that can hold pressure by themselves"
    for pocket in rig.pockets:
        yield f"  {pocket.name:35} {how_proven(rig, pocket)}"
    lacks = why_never_safe(rig)
    if lacks:
        yield f"  the words will be {LINE_AT_ZERO}, because {'; '.join(lacks)}"
        return
    yield f"  the words may be {SAFE_TO_OPEN}, while all of it is proven;"
    yield f"  else, and always with a body that came apart, {LINE_AT_ZERO}"


def how_proven(rig: Rig, pocket: Pocket) -> str:
    """By its sensor, by the output that lets it out, or by a person; the last goes before the others."""
    if pocket.hand_checked:
        return "HAND-CHECKED by a named person, each time"
    if pocket.channel >= 0:
        return f"low by the sensor {rig.channels[pocket.channel].name}"
    output = rig.outputs[pocket.vent]
    seen = rig.channels[output.read_back].name if output.read_back >= 0 else ""
    return f"let out by {output.name}, {f'seen by {seen}' if seen else 'which nobody sees'}"


def why_never_safe(rig: Rig) -> list[str]:
    """What of the rig file alone keeps the rig from ever saying that it is safe to open."""
    if not rig.pockets:
        return ["the rig file declares no `pockets:`"]
    by_hand = [pocket.name for pocket in rig.pockets if pocket.hand_checked]
    lacks = [f"a person checks {', '.join(by_hand)}"] if by_hand else []
    blind = [
        pocket.name
        for pocket in rig.pockets
        if not pocket.hand_checked and pocket.channel < 0 and rig.outputs[pocket.vent].read_back < 0
    ]
    lacks += [f"nobody sees what lets out {', '.join(blind)}"] if blind else []
    if not rig.vent.isolation_ns:
        lacks.append("there is no `isolation_test:` under `vent:`")
    return lacks
