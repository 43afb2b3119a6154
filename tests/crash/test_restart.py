"""A start after a death: the rig is written safe before anything is read, and an old run delays nothing.

How long a start takes, with and without twelve hours to recover, is in benchmarks/recovery.py.
"""

import json
import signal
import time

import pytest
from lanes import DEMO, Lane, end_closing, told, wait_until

from rigd.model.errors import STOPPED
from rigd.store.disk import FolderLock
from rigd.store.runs import list_runs

pytestmark = pytest.mark.alone

SAFE = {(output.address.offset, output.counts_safe & 0xFFFF) for output in DEMO.outputs if output.role != "watchdog"}


def first_things(lane: Lane, since_ns: int) -> list[tuple[int, int]]:
    """What a process wrote before it read anything, as (register, value)."""
    written = []
    for line in map(json.loads, lane.witness.read_text().splitlines()):
        if line["at_ns"] < since_ns:
            continue
        if "served" in line:
            break
        if "written" in line:
            written.append(tuple(line["written"]))
    return written


def test_a_start_writes_safe_first_and_waits_for_no_old_run(lane: Lane) -> None:
    lane.simulate("--seed", "3", "--body", "strong")
    process = lane.start()
    lane.bring_to("RUNNING", process)
    time.sleep(1.0)
    old = lane.newest()
    process.kill()
    process.wait()
    end_closing(old)
    with FolderLock(old):  # stands for a night that takes long to seal: whoever wants to close it waits
        began_ns = time.monotonic_ns()
        process = lane.start()
        lane.bring_to("READY", process)
        assert set(first_things(lane, began_ns)) == SAFE
        assert list_runs(lane.records)[0].state == "unsealed"
        process.terminate()
        wait_until(lambda: "still being sealed" in lane.said, "the words that an old run is still being sealed")
        assert told(lane.newest())["outcome"] == "stopped", "its own record is closed by then"
        process.send_signal(signal.SIGINT)
        assert lane.last_words(process) == STOPPED, lane.said
    lane.close_what_is_left()
    assert told(old)["outcome"] == "interrupted"
    lane.verify_all()
