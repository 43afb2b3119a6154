"""The closing process killed, starved and doubled: the next one finishes with the same bytes.

One run is played under virtual time into a journal of several segments. Every trial closes a copy of it, in a process
that dies or whose disk fails at some call, and then again; what comes out is compared, byte for byte, with what an
undisturbed closing made.
"""

import os
import shutil
import threading
from hashlib import sha256
from pathlib import Path
from random import Random

import pytest
from forks import Forks
from lanes import PROFILE
from shims import read_log

from rigd.files.load import find, load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.live.journal_writer import JournalWriter
from rigd.model.errors import DONE
from rigd.store.edition import edition
from rigd.store.journal import BlockBuilder, identity, segments
from rigd.store.runs import allocate, list_runs, verify_records
from simulator.person import Person
from simulator.plant import Plant
from simulator.world import Names, World

THOROUGH = bool(os.environ.get("RIGD_THOROUGH"))  # `make crash`
KILLS = 200 if THOROUGH else 36
ERRORS = 200 if THOROUGH else 12
WHATS = ("EIO", "ENOSPC", "EROFS", "short", "EINTR")
SEGMENT_NS = 4_000_000_000  # by a clock that follows the run: a handful of segments
WITH_PLOT = 0.15  # of the trials: it costs more than all the rest
UTC_NS = 1_795_000_000_000_000_000
AHEAD = 32  # blocks; half of what the writer takes


@pytest.fixture(scope="module")
def left(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A records folder whose only run nobody has closed."""
    records = tmp_path_factory.mktemp("left") / "records"
    files = {"rig.yaml": find("demo", "rig").read_bytes(), "profile.yaml": PROFILE.encode(),
             "specimen.yaml": find("K-07", "specimen").read_bytes()}  # fmt: skip
    given = allocate(records, profile="quick", specimen="K-07", utc_ns=UTC_NS, files=files)
    hashes = {name: sha256(data).hexdigest() for name, data in files.items()}
    whose = identity(run=given.number, version=edition(), files=tuple(hashes.items()))
    room = threading.Semaphore(AHEAD)
    builder = BlockBuilder(whose)
    rig, profile = load_rig_bytes(files["rig.yaml"], "demo"), load_profile_bytes(files["profile.yaml"], "quick")
    specimen = load_specimen_bytes(files["specimen.yaml"], "K-07")
    now_ns = [1]
    writer = JournalWriter(
        given.path, whose, lambda lag_us, error: room.release(), clock_ns=lambda: now_ns[0], segment_ns=SEGMENT_NS
    )
    writer.open()

    def hand_over(block: bytes) -> None:
        room.acquire()
        now_ns[0] = 1 + world.t_ns
        assert writer.put(block)

    names = Names(
        run=given.number, utc_ns=UTC_NS, version=edition(),
        **{f"{name.removesuffix('.yaml')}_sha256": digest for name, digest in hashes.items()},
    )  # fmt: skip
    plant, person = Plant(rig, seed=5, body="weep"), Person("A. Person", 5)
    world = World(rig, profile, specimen, plant, person, builder, hand_over, names)
    world.run()
    room.acquire()
    writer.put(builder.close())
    assert writer.close()
    assert len(segments(given.path)) >= 3
    return records


def copy_of(left: Path, place: Path) -> Path:
    """The folder of the run, in records of its own."""
    shutil.copytree(left, place)
    return list_runs(place)[0].path


def bytes_of(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def undisturbed(forks: Forks, left: Path, place: Path, plot: bool) -> tuple[dict[str, str], int]:
    """What comes out when nothing happens, and in how many calls."""
    place.mkdir()
    folder = copy_of(left, place / "records")
    (ended,) = forks.run({"do": "close", "folder": str(folder), "plot": plot, "log": str(place / "log")})
    assert ended["code"] == DONE, ended["said"]
    return bytes_of(folder), len(read_log(place / "log"))


class Trials:
    """Closes copies of the left run, with and without a plot, and compares what comes out."""

    def __init__(self, forks: Forks, left: Path, place: Path) -> None:
        self.forks, self.left, self.place = forks, left, place
        place.mkdir()
        self.due = {plot: undisturbed(forks, left, place / f"due-{plot}", plot) for plot in (False, True)}
        self.died = self.said = 0

    def disturb(self, name: str, chance: Random, what: str, part: float) -> None:
        """Once or twice interrupted, the first time at this part of the way, then let alone."""
        plot = chance.random() < WITH_PLOT
        whole, calls = self.due[plot]
        folder = copy_of(self.left, self.place / name)
        job = {"do": "close", "folder": str(folder), "plot": plot}
        for at in (part, *([chance.random()] if chance.random() < 0.3 else [])):
            lasts = chance.choice(["", "+"])
            (ended,) = self.forks.run(job | {"faults": f"any:{what}:{1 + int(at * calls)}{lasts}"})
            assert "Traceback" not in ended["said"], ended["said"]
            self.died += ended["code"] == -9
            self.said += bool(ended["said"])
            assert ended["code"] in (DONE, -9) or ended["said"], "what failed is told"
        (ended,) = self.forks.run(job)
        assert ended["code"] == DONE, ended["said"]
        made = bytes_of(folder)
        assert made == whole, (name, what, part, {path for path, _ in made.items() ^ whole.items()})
        self._verify(folder.parent)

    def double(self, name: str) -> None:
        """Two at once: one waits, and both find it done."""
        folder = copy_of(self.left, self.place / name)
        ended = self.forks.run(*[{"do": "close", "folder": str(folder)}] * 2)
        assert [one["code"] for one in ended] == [DONE, DONE], ended
        assert bytes_of(folder) == self.due[False][0]
        self._verify(folder.parent)

    @staticmethod
    def _verify(records: Path) -> None:
        each, of_folder = verify_records(records)
        assert of_folder == () and all(one.ok for one in each), (of_folder, each)


def parts_of_the_way(chance: Random, count: int) -> list[float]:
    """Random, and yet in every stage."""
    return [(n + chance.random()) / count for n in range(count)]


def test_killed_anywhere_and_finished_by_the_next_with_the_same_bytes(
    forks: Forks, left: Path, tmp_path: Path, chance: Random
) -> None:
    trials = Trials(forks, left, tmp_path / "trials")
    for number, part in enumerate(parts_of_the_way(chance, KILLS)):
        trials.disturb(f"kill-{number}", chance, chance.choice(["kill", "half"]), part)
    assert trials.died >= KILLS


def test_a_disk_that_fails_while_closing_is_told_and_the_next_finishes(
    forks: Forks, left: Path, tmp_path: Path, chance: Random
) -> None:
    trials = Trials(forks, left, tmp_path / "trials")
    for number, part in enumerate(parts_of_the_way(chance, ERRORS)):
        trials.disturb(f"error-{number}", chance, WHATS[number % len(WHATS)], part)
    assert trials.said >= ERRORS // 3
    trials.double("double")
