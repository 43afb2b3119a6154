"""Disks that fail, fill up, lie and are cut off, under real processes.

The kernel's answers are made up by a preloaded library (shim.c), at the N-th call, once and from then on. What must
hold every time is SQLite's rule carried over: either the whole is there, or the rig is safe, the trouble is said, and
what was kept is an intact prefix. A file whose sync failed is never touched again. The control at the end lets sync
lie: then the same check must fail, or it proves nothing.
"""

import errno
import os
import shutil
from pathlib import Path
from random import Random

from forks import Forks
from shims import Call, read_log

from rigd.model.errors import CANNOT_CREATE, DONE, TRIPPED
from rigd.store.journal import read_blocks, segments
from rigd.store.runs import list_runs, verify_records

THOROUGH = bool(os.environ.get("RIGD_THOROUGH"))  # `make crash`
BLOCKS = 6
WHATS = ("EIO", "ENOSPC", "EROFS", "EINTR", "short", "kill", "half")
HARMLESS = ("EINTR", "short")
SYNCS = ("fsync", "fdatasync")
CUTS = 200 if THOROUGH else 25


def record(forks: Forks, place: Path, faults: str) -> tuple[int, str, list[Call], int]:
    """Record some blocks in a process of its own. Returns its exit code and words, its calls, and how many blocks the
    writer acknowledged."""
    place.mkdir()
    acks, log = place / "acks", place / "log"
    acks.touch()
    (ended,) = forks.run(
        {"do": "record", "folder": str(place / "records"), "blocks": BLOCKS, "acks": str(acks), "log": str(log),
         "faults": faults}
    )  # fmt: skip
    return ended["code"], ended["said"], read_log(log), acks.stat().st_size


def recovered(records: Path) -> int:
    """How many blocks of the only run come back, 0 when there is none: an intact prefix, or this fails."""
    runs = list_runs(records)
    assert len(runs) <= 1
    if not runs:
        return 0
    reader = read_blocks(runs[0].path)
    seqs = [message.seq for block in reader for message in block.input_messages()]
    assert seqs == list(range(len(seqs)))
    assert reader.ending.kind in ("clean", "torn"), reader.ending
    return len(seqs)


def check_no_touch_after_a_failed_sync(calls: list[Call]) -> None:
    """A second sync after a failed one can succeed with the data lost (fsyncgate)."""
    dead = set()
    for call in calls:
        assert not (call.operation in (*SYNCS, "write") and call.path in dead), (call, calls)
        if call.operation in SYNCS and call.error > 0 and call.error != errno.EINTR:
            dead.add(call.path)


def close(forks: Forks, records: Path, faults: str = "") -> int:
    codes = [
        forks.run({"do": "close", "folder": str(run.path), "faults": faults})[0]
        for run in list_runs(records)
        if run.state == "unsealed"
    ]
    for ended in codes:
        assert "Traceback" not in ended["said"], ended["said"]
    return max((ended["code"] for ended in codes), default=0)


def test_the_nth_call_of_a_recording_process_fails_also_during_recovery(
    forks: Forks, tmp_path: Path, chance: Random
) -> None:
    code, said, whole, acks = record(forks, tmp_path / "whole", "")
    assert (code, acks, recovered(tmp_path / "whole" / "records")) == (DONE, BLOCKS + 1, BLOCKS), said
    tried = dict.fromkeys(WHATS, 0)
    for n in range(1, len(whole) + 1):
        for what in WHATS if THOROUGH else [chance.choice(WHATS)]:
            place, lasts = tmp_path / f"{n}-{what}", chance.choice(["", "+"])
            code, said, calls, acks = record(forks, place, f"any:{what}:{n}{lasts}")
            records = place / "records"
            assert "Traceback" not in said, said
            if what in ("kill", "half"):
                assert code in (-9, DONE)
            elif what in HARMLESS:
                assert code == DONE, (n, what, said)
            else:
                assert code in (DONE, TRIPPED, CANNOT_CREATE) and (code == DONE or what in said or words(what) in said)
            check_no_touch_after_a_failed_sync(calls)
            came_back = recovered(records) if records.exists() else 0
            assert came_back >= min(acks, BLOCKS), (n, what, lasts)
            if code == DONE:
                assert came_back == BLOCKS
            if records.exists() and (THOROUGH or n % 2):
                if THOROUGH or n % 3 == 0:
                    close(forks, records, f"any:{chance.choice(WHATS)}:{chance.randrange(1, 40)}{lasts}")
                assert close(forks, records) == DONE
                each, of_folder = verify_records(records)
                assert of_folder == () and all(one.ok for one in each), (n, what, of_folder, each)
            tried[what] += 1
    assert sum(tried.values()) >= len(whole) >= 40


def words(what: str) -> str:
    return os.strerror(getattr(errno, what))


def cut_power(records: Path, calls: list[Call]) -> None:
    """Leave of the journal what a disk must have kept: of each segment the bytes that were synced, and no segment whose
    folder was not synced after it was made."""
    for run in list_runs(records):
        for segment in segments(run.path):
            of_it = [call for call in calls if call.path == str(segment)]
            made = next(call.number for call in of_it if call.operation == "open")
            is_named = any(
                call.operation == "fsync"
                and call.error == 0
                and call.path == str(segment.parent)
                and call.number > made
                for call in calls
            )
            kept = max((call.size for call in of_it if call.operation in SYNCS and call.error == 0), default=0)
            if is_named:
                os.truncate(segment, kept)
            else:
                segment.unlink()


def lost_acknowledged(forks: Forks, tmp_path: Path, chance: Random, faults: str) -> list[int]:
    """Kill at random calls, cut the power in the same moment, and count what was acknowledged and did not come back."""
    lost = []
    for number in range(CUTS):
        place = tmp_path / f"cut-{number}"
        _, _, calls, acks = record(forks, place, f"{faults}any:kill:{chance.randrange(28, 47)}")
        cut_power(place / "records", calls)
        lost.append(min(acks, BLOCKS) - recovered(place / "records"))
        shutil.rmtree(place)
    return lost


def test_power_is_cut_and_nothing_acknowledged_is_lost(forks: Forks, tmp_path: Path, chance: Random) -> None:
    lost = lost_acknowledged(forks, tmp_path, chance, "")
    assert max(lost) <= 0, lost


def test_control_a_sync_that_lies_fails_the_same_check(forks: Forks, tmp_path: Path, chance: Random) -> None:
    lost = lost_acknowledged(forks, tmp_path, chance, "fdatasync:lie:1+,fsync:lie:1+,")
    assert max(lost) > 0, "the check above would not notice a writer that does not sync"
