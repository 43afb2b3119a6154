"""What the crash tests share. Each of them kills, starves or lies to real processes and looks from outside."""

import contextlib
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # what stands beside the tests is theirs alone

from forks import Forks
from lanes import Lane
from shims import Shim, build_shim

LANES = 3  # a run is mostly waiting: so many fit on two cores without one making another late
SEED = int(os.environ.get("RIGD_SEED", "20261124"))  # another one for other random moments


@pytest.fixture
def chance(request: pytest.FixtureRequest) -> Random:
    """Random moments that come again with the same seed."""
    return Random(f"{SEED}/{request.node.name}")


@pytest.fixture
def lanes(tmp_path: Path) -> Iterator[list[Lane]]:
    """Benches, each with a simulated rig and records of its own, to be used at the same time."""
    with contextlib.ExitStack() as stack:
        yield [Lane(tmp_path / f"lane-{number}", stack) for number in range(1, LANES + 1)]


@pytest.fixture
def lane(lanes: list[Lane]) -> Lane:
    return lanes[0]


@pytest.fixture
def shim(tmp_path_factory: pytest.TempPathFactory, require_tool: Callable[[str], str]) -> Shim:
    """The library that makes the kernel's answers up, compiled once a session."""
    folder = tmp_path_factory.getbasetemp() / "shim"
    if folder.exists():
        return Shim(folder / "shim.so")
    folder.mkdir()
    return build_shim(folder, require_tool("gcc"))


@pytest.fixture
def forks(shim: Shim) -> Iterator[Forks]:
    """Processes by the dozen, under the shim."""
    made = Forks(shim.environment(who="forks.py"))
    yield made
    made.close()
