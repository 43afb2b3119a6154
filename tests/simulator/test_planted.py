"""A handful of planted bugs, one of each kind, must be found by the nights; `make planted` plants them all."""

import pytest

from simulator.planted import ROOT, hunt, known_kills
from simulator.planted_bugs import BUGS

FEW = (
    "trip rows are never looked at",
    "the latch lets go by itself",
    "arming needs no ready",
    "vent hold is shortened",
    "failed is no cause",
    "raising is not marked",
    "kicks whatever the samples",
    "pressure before its record",
    "the chain does not move on",
    "a write error is fine",
)


@pytest.mark.parametrize("name", FEW)
def test_a_planted_bug_is_found(name):
    (bug,) = [bug for bug in BUGS if bug.name == name]
    kill = hunt(bug, 2.0, known_kills().get(name))
    assert kill.by and kill.hours > 0.0, kill


def test_every_planted_bug_still_has_its_place():
    assert len(BUGS) >= 60 and len({bug.name for bug in BUGS}) == len(BUGS)
    for bug in BUGS:
        assert (ROOT / bug.file).read_text().count(bug.old) == 1, bug.name
        assert bug.old != bug.new
