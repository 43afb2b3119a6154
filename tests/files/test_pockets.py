"""Pockets as a rig file says them: refused where nothing could prove them, and placed at every station."""

import pytest

from rigd.files.load import find, load_rig_bytes
from rigd.model.errors import FilesRefused
from rigd.model.stations import of_station

DEMO, SURGE = find("demo", "rig").read_text(), find("demo-surge", "rig").read_text()
LINE = "  specimen and line: {sensor: specimen_a}\n"


@pytest.mark.parametrize(
    ("pocket", "words"),
    [
        ("{}", "nobody looks at"),
        ("{sensor: door}", "reads pressure"),
        ("{sensor: tnak}", "Did you mean tank"),
        ("{sensor: supply}", "can prove the vent limit"),
        ("{vent: set_point}", "seen to be open"),
        ("{vent: vent_vale}", "Did you mean vent_valve"),
    ],
)
def test_a_pocket_that_nothing_can_prove_is_refused_at_its_line(pocket, words):
    text = DEMO.replace(LINE, f"  specimen and line: {pocket}\n")
    with pytest.raises(FilesRefused) as refused:
        load_rig_bytes(text.encode(), "rig.yaml")
    (fault,) = refused.value.faults
    assert words in str(fault) and text.splitlines()[fault.line - 1].startswith("  specimen and line")


@pytest.mark.parametrize(("rise", "shut_for"), [("0.05 psi", "1.5 s"), ("6 psi", "1.5 s"), ("1 psi", "19 s")])
def test_a_rise_test_that_means_nothing_is_refused(rise, shut_for):
    text = DEMO.replace("    rise: 1 psi\n", f"    rise: {rise}\n").replace("shut_for: 1.5 s", f"shut_for: {shut_for}")
    with pytest.raises(FilesRefused) as refused:
        load_rig_bytes(text.encode(), "rig.yaml")
    assert all(fault.key.startswith("vent.isolation_test") for fault in refused.value.faults)


def test_a_pocket_of_every_station_is_one_at_each():
    head, _, rest = SURGE.partition("\npockets:")
    bare = head + rest[rest.index("\n\n") :]
    block = "\npockets:\n  specimen: {sensor: specimen_a}\n  vessel: {sensor: SENSOR}\n  hose: {hand_checked: true}\n"
    feed = next(c.name for c in load_rig_bytes(SURGE.encode(), "rig").channels if c.role == "feed")
    rig = load_rig_bytes((bare + block.replace("SENSOR", feed)).encode(), "rig.yaml")
    assert [pocket.name for pocket in rig.pockets] == [f"specimen {n}" for n in (1, 2, 3, 4)] + ["vessel", "hose"]
    third = of_station(rig, 3).rig
    assert [pocket.name for pocket in third.pockets] == ["specimen 3", "vessel", "hose"]
    assert third.channels[third.pockets[0].channel].name == "specimen_a_3"
    assert third.channels[third.pockets[1].channel].name == feed
    assert third.pockets[2] == rig.pockets[5]
