"""Looking changes nothing: an engine whose view is asked for at every message says what one that nobody looks at says.

Found by killing rig processes while a terminal watched them: their records did not replay, because each look at the
permissives started a permissive's persistence.
"""

from dataclasses import replace

import pytest

from rigd.files.load import find, load_profile, load_rig
from rigd.model.messages import Event, Input
from rigd.model.specimen import Specimen
from rigd.store.journal import BlockBuilder, identity
from simulator.person import Person
from simulator.plant import Plant
from simulator.world import Names, World

DEMO = load_rig(find("demo", "rig"))
SLOW_NS = 30_000_000_000  # longer than all that the person does before arming, so that permissives are the last to hold
RIG = replace(
    DEMO, rows=tuple(replace(row, persistence_ns=SLOW_NS) if row.kind == "permissive" else row for row in DEMO.rows)
)
PROFILE = load_profile(find("ramped-burst", "profile"))


def play(fault: str, looks: bool) -> tuple[bytes, list[Event]]:
    plant, person = Plant(RIG, seed=4, body="rupture", faults=(fault,) if fault else ()), Person("A. Person", 4)
    facts = tuple((name, person.facts[name]) for name in PROFILE.required)
    builder = BlockBuilder(identity(run=1, version="0", files=()))
    world = World(
        RIG, PROFILE, Specimen(id="demo", facts=facts, volume_m3=0.0), plant, person, builder, lambda block: None,
        Names(run=1, utc_ns=10**18, version="0"),
    )  # fmt: skip
    if looks:
        turn = world.loop.turn

        def turn_looked_at(message: Input) -> tuple:
            world.engine.view()
            said = turn(message)
            world.engine.view()
            return said

        world.loop = type("Looked", (), {"turn": staticmethod(turn_looked_at), "flush": world.loop.flush})()
    world.run()
    return builder.head, world.events


@pytest.mark.parametrize("fault", ["", "door_opened", "emergency_stop"])
def test_looking_at_every_message_changes_no_byte_of_the_record(fault: str) -> None:
    head, events = play(fault, looks=False)
    looked_head, looked_events = play(fault, looks=True)
    assert looked_events == events
    assert looked_head == head
