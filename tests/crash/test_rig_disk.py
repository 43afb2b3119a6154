"""A disk that fails, fills up or is too small, under a run at pressure on the simulated rig.

Never pressurised and unrecorded: the outputs are safe within a second of the failing call, the trouble is said, the
exit code is that of a trip, and what was recorded before is an intact prefix that verifies. Small disks are real ones
(tmpfs) and need root, as the machine that runs these for a release has.
"""

import contextlib
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from random import Random

import pytest
from lanes import NOT_OF_THE_RUN, Lane, check_served, scans_in_record, told, wait_until
from shims import Call, Shim, Word, read_log

from rigd.model.errors import CANNOT_CREATE, STOPPED, TRIPPED
from rigd.store.runs import list_runs

pytestmark = pytest.mark.alone

THOROUGH = bool(os.environ.get("RIGD_THOROUGH"))  # `make crash`
SAFE_NS = 1_000_000_000
FAULTS = (
    "fdatasync:EIO:{n}", "fdatasync:EIO:{n}+", "fdatasync:ENOSPC:{n}", "write:ENOSPC:{n}", "write:ENOSPC:{n}+",
    "write:EROFS:{n}+", "write:EIO:{n}", "write:short:{n}+", "any:EINTR:{n}+", "write:half:{n}",
)  # fmt: skip
HARMLESS = ("short", "EINTR")


def fail_in_mid_run(lane: Lane, shim: Shim, chance: Random, fault: str) -> None:
    lane.simulate("--seed", "3", "--body", "strong")
    log, after = lane.folder / "calls.log", Word(lane.folder / "after")
    faults = fault.format(n=chance.randrange(1, 12))
    process = lane.start(environment=shim.environment(under=lane.records, faults=faults, log=log, after=after))
    lane.bring_to("RUNNING", process)
    time.sleep(chance.uniform(0.0, 2.0))
    after.set(1)
    what = fault.split(":")[1]
    if what == "half":
        assert process.wait(20) == -9
    elif what in HARMLESS:
        time.sleep(2.0)
        assert lane.view(process)["state"] == "RUNNING", "what is only slow to say so is no trouble"
        process.terminate()
        assert lane.last_words(process) == STOPPED
    else:
        wait_until(lambda: lane.view(process)["trip_state"] != "CLEAR", "a trip")
        assert lane.view(process)["first_out"] == "record cannot be written"
        wait_until(lambda: lane.view(process)["state"] in ("VENTED", "UNPROVEN"), "the end of venting")
        failed = [call for call in read_log(log) if call.error > 0]
        assert lane.safe_after_ns(failed[0].at_ns, wire_ns=1 << 62) <= SAFE_NS
        assert lane.conclude(process) == TRIPPED, lane.said
        check_dead(read_log(log), failed[0])
    check_record(lane, what)


def check_dead(calls: list[Call], failed: Call) -> None:
    """After a sync that failed the file is dead; after a write that failed it may be, or take its last words."""
    later = [call for call in calls if call.at_ns > failed.at_ns and call.path == failed.path]
    if failed.operation == "fdatasync":
        assert not [call for call in later if call.operation in ("write", "fdatasync", "ftruncate")], later


def check_record(lane: Lane, what: str) -> None:
    """What there is, is sealed by now or by the next start, and true."""
    if list_runs(lane.records)[0].state != "sealed":
        lane.close_what_is_left()
    folder = list_runs(lane.records)[0].path
    assert told(folder)["replay"] == "identical"
    assert (told(folder)["outcome"] == "stopped") == (what in HARMLESS)
    passed, _ = check_served(scans_in_record(folder), lane.served())
    assert passed <= NOT_OF_THE_RUN
    lane.verify_all()


def test_a_disk_that_fails_in_mid_run(lanes: list[Lane], shim: Shim, chance: Random) -> None:
    faults = list(FAULTS) if THOROUGH else [*chance.sample(FAULTS[:7], 2), chance.choice(FAULTS[7:])]
    for at in range(0, len(faults), len(lanes)):
        now = faults[at : at + len(lanes)]
        fresh = [lane.again(f"disk-{at}") for lane in lanes[: len(now)]]
        with ThreadPoolExecutor(len(now)) as at_once:
            list(at_once.map(fail_in_mid_run, fresh, [shim] * len(now), [Random(chance.random()) for _ in now], now))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[Path, int], None]]:
    """small_disk(path, size [bytes]): a disk of its own there."""
    if os.getuid():
        pytest.skip("a small disk is mounted, which needs root; run this as root: make crash")
    mounted: list[Path] = []

    def mount(path: Path, size: int) -> None:
        path.mkdir()
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={size},mode=0700", "tmpfs", path], capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        if done.returncode:
            pytest.skip(f"a small disk cannot be mounted here: {done.stderr.strip()}")
        mounted.append(path)

    yield mount
    for path in mounted:
        subprocess.run(["umount", "--lazy", path], check=True)


def fill(path: Path) -> None:
    """Fill a small disk to the last byte; again, when room was given back."""
    with open(path / "filler", "ab", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(1 << 16))


def make_room(path: Path) -> None:
    (path / "filler").unlink()


MEGABYTE = 1_000_000


def full_at_the_start(lane: Lane, small_disk: Callable[[Path, int], None]) -> None:
    small_disk(lane.records, 2 * MEGABYTE)
    fill(lane.records)
    lane.simulate()
    process = lane.start()
    assert lane.last_words(process) == CANNOT_CREATE
    assert "No space left" in lane.said
    make_room(lane.records)
    lane.verify_all()  # nothing was begun, so no number is missing


def too_small_to_arm(lane: Lane, small_disk: Callable[[Path, int], None]) -> None:
    """The quick profile on the demo rig is expected to need 12 MB; twice that must be free before it may arm."""
    small_disk(lane.records, 16 * MEGABYTE)
    lane.simulate()
    process = lane.start()

    def only_room_is_missing() -> bool:
        missing = [name for name, holds, _ in lane.answer(process)["permissives"] if not holds]
        return missing == ["room on disk"]

    wait_until(only_room_is_missing, "everything but the room")
    time.sleep(1.0)
    view = lane.view(process)
    assert view["state"] == "VENTED" and "are free" in view["words"] and "needed before arming" in view["words"]
    assert not any(energised for _, energised in lane.energised(after_ns=0))
    process.terminate()
    assert lane.last_words(process) == STOPPED, lane.said
    lane.verify_all()


def full_in_mid_run(lane: Lane, small_disk: Callable[[Path, int], None]) -> None:
    small_disk(lane.records, 40 * MEGABYTE)
    lane.simulate("--seed", "3", "--body", "strong")
    process = lane.start()
    lane.bring_to("RUNNING", process)
    time.sleep(1.0)
    began_ns = time.monotonic_ns()
    fill(lane.records)
    wait_until(lambda: lane.view(process)["trip_state"] != "CLEAR", "a trip")
    assert lane.view(process)["first_out"] in ("record cannot be written", "disk full")
    wait_until(lambda: lane.view(process)["state"] in ("VENTED", "UNPROVEN"), "the end of venting")
    assert lane.safe_after_ns(began_ns, wire_ns=1 << 62) <= 2 * SAFE_NS, "the disk is asked once a second"
    fill(lane.records)  # also what the journal's reserve gave back for its last words
    assert lane.conclude(process) == TRIPPED, lane.said
    assert "not sealed" in lane.said and "the next run" in lane.said
    make_room(lane.records)
    lane.close_what_is_left()
    first = list_runs(lane.records)[0].path
    assert told(first)["replay"] == "identical" and told(first)["outcome"] in ("tripped", "interrupted")
    check_served(scans_in_record(first), lane.served())
    lane.verify_all()


def test_small_disks(lanes: list[Lane], small_disk: Callable[[Path, int], None]) -> None:
    with ThreadPoolExecutor(3) as at_once:
        for done in [
            at_once.submit(trial, lane, small_disk)
            for trial, lane in zip((full_at_the_start, too_small_to_arm, full_in_mid_run), lanes, strict=True)
        ]:
            done.result()
