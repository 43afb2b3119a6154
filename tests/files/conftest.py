"""Edited files for several test files: a shipped text with some words replaced, and where a fault must point."""

from collections.abc import Callable, Iterable

import pytest

from rigd.files import load
from rigd.model.errors import Fault, FilesRefused
from rigd.model.profile import Profile
from rigd.model.rig import Rig

MARK = "§"
LOADERS = {"rig": load.load_rig_bytes, "profile": load.load_profile_bytes, "specimen": load.load_specimen_bytes}


def edited(text: str, edits: Iterable[tuple[str, str]]) -> str:
    for old, new in edits:
        assert old in text, f"the shipped file no longer says {old!r}"
        text = text.replace(old, new, 1)
    return text


@pytest.fixture
def loaded(request: pytest.FixtureRequest) -> Callable[..., Profile]:
    """loaded(*edits): the profile that a file of tests calls TEXT, edited."""
    return lambda *edits: load.load_profile_bytes(edited(request.module.TEXT, edits).encode(), "profile.yaml")


@pytest.fixture
def rig_of(request: pytest.FixtureRequest) -> Callable[..., Rig]:
    """rig_of(*edits): the rig that a file of tests calls RIG_TEXT, edited."""
    return lambda *edits: load.load_rig_bytes(edited(request.module.RIG_TEXT, edits).encode(), "rig.yaml")


@pytest.fixture
def refuse() -> Callable[..., tuple[Fault, ...]]:
    """Edit a shipped file, load it, and give back its faults: the first must be where the mark stood, and be alone."""

    def run(kind: str, text: str, key: str, words: str, *edits: tuple[str, str], count: int = 1) -> tuple[Fault, ...]:
        text = edited(text, edits)
        assert text.count(MARK) == 1
        before = text[: text.index(MARK)]
        place = (before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
        with pytest.raises(FilesRefused) as refused:
            LOADERS[kind](text.replace(MARK, "").encode(), "broken.yaml")
        faults = refused.value.faults
        told = "\n".join(str(fault) for fault in faults)
        found = [fault for fault in faults if (fault.line, fault.column) == place and fault.key == key]
        assert found, f"wanted {place} {key}, got:\n{told}"
        assert all(word in str(found[0]) for word in words.split("|")), told
        assert len(faults) == count, f"one slip, {len(faults)} faults:\n{told}"
        return faults

    return run
