"""kill -9, SIGSTOP and a blocked event loop, on the rig process over real Modbus TCP, at random moments.

Judged by what the simulated iron did and served: its relay de-energises everything within 500 ms of the death, nothing
is energised again before a person arms, at most 250 ms of samples are lost and none is invented, and the next start
seals what is left as interrupted.
"""

import os
import signal
import subprocess
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from random import Random

import pytest
from lanes import NOT_OF_THE_RUN, Lane, check_served, end_closing, scans_in_journal, scans_in_record, told, wait_until
from shims import Shim, Word

from rigd.model.errors import INVALID

pytestmark = pytest.mark.alone

KILLS = int(os.environ.get("RIGD_KILLS", "20"))  # `make crash` asks for more
RELAY_NS = 500_000_000  # the demo rig's watchdog relay
STEP_NS = 2_000_000  # of the simulated iron
LOST_NS = 250_000_000  # most that a killed process may lose
DISK_STALLED = "TRIP journal behind"  # a machine whose disk holds a sync up for a quarter of a second
SETTLE_S = 0.6  # beyond the relay's time
PAUSES_S = (0.6, 1.5)  # longer than the relay waits


@dataclass(frozen=True, slots=True, kw_only=True)
class Death:
    """One killed run: what its journal held, when it was dead, and how much was lost."""

    folder: Path
    recorded: list[tuple[int, ...]]
    dead_ns: int
    lost_ns: int


def kill_once(lane: Lane, chance: Random, killed_before_ns: int, tries: int = 3) -> Death:
    """One run, killed 0 to 3 s after RUNNING began, now and then together with its closing process."""
    began_ns = time.monotonic_ns()
    process = lane.start()
    armed_ns = lane.bring_to("RUNNING", process)
    if killed_before_ns:
        since = lane.energised(after_ns=killed_before_ns + RELAY_NS + STEP_NS, before_ns=armed_ns)
        assert not any(energised for _, energised in since), "only a person who arms may let it rise again"
    time.sleep(chance.uniform(0.0, 3.0))
    folder = lane.newest()
    process.kill()
    process.wait()
    dead_ns = time.monotonic_ns()
    if chance.random() < 0.5:
        end_closing(folder)  # else it seals what is left at once, and the journal goes
    recorded, ending = scans_in_journal(folder)
    time.sleep(SETTLE_S)
    assert lane.safe_after_ns(dead_ns) <= RELAY_NS + STEP_NS
    if ending.kind == "clean" and DISK_STALLED in lane.said:  # it tripped and closed by itself, before it was killed
        assert tries > 1, "this disk stalls time after time"
        return kill_once(lane, chance, dead_ns, tries - 1)
    assert ending.kind == "torn", ending
    served = lane.served(after_ns=began_ns, before_ns=dead_ns)
    passed, last_ns = check_served(recorded, served)
    assert passed <= NOT_OF_THE_RUN
    lost_ns = served[-1].at_ns - last_ns  # what was never scanned, on a busy machine, cannot be lost
    return Death(folder=folder, recorded=recorded, dead_ns=dead_ns, lost_ns=lost_ns)


def kill_many(lane: Lane, chance: Random, times: int) -> list[int]:
    lane.simulate("--seed", "3", "--body", "strong")
    deaths: list[Death] = []
    for _ in range(times):
        deaths.append(kill_once(lane, chance, deaths[-1].dead_ns if deaths else 0))
    lane.close_what_is_left()
    for death in deaths:
        assert (told(death.folder)["outcome"], told(death.folder)["replay"]) == ("interrupted", "identical")
        assert scans_in_record(death.folder) == death.recorded, "sealing keeps what was there, no more and no less"
    lane.verify_all()
    return [death.lost_ns for death in deaths]


def test_killed_at_random_moments(lanes: list[Lane], chance: Random) -> None:
    parts = [len(range(n, KILLS, len(lanes))) for n in range(len(lanes))]
    seeds = [Random(chance.random()) for _ in lanes]
    with ThreadPoolExecutor(len(lanes)) as at_once:
        lost = list(chain(*at_once.map(kill_many, lanes, seeds, parts)))
    assert len(lost) == KILLS and max(lost) <= LOST_NS, sorted(lost)


def pause_in_mid_run(
    lane: Lane, chance: Random, environment: dict[str, str], pause: Callable[[subprocess.Popen[bytes], float], None]
) -> None:
    """The process stands still for longer than the relay waits, and comes back into a rig that is vented."""
    lane.simulate("--seed", "3", "--body", "strong")
    process = lane.start(environment=environment)
    lane.bring_to("RUNNING", process)
    time.sleep(chance.uniform(0.0, 3.0))
    pause_s = chance.uniform(*PAUSES_S)
    began_ns = time.monotonic_ns()
    pause(process, pause_s)
    ended_ns = time.monotonic_ns()
    wait_until(lambda: lane.view(process)["trip_state"] != "CLEAR", "a trip")
    wait_until(lambda: lane.view(process)["state"] in ("VENTED", "UNPROVEN"), "the end of venting")
    after = lane.energised(after_ns=began_ns + RELAY_NS + STEP_NS)
    assert not any(energised for _, energised in after), (after, began_ns, ended_ns)
    assert lane.conclude(process) == INVALID, lane.said
    record = told(lane.newest())
    assert record["replay"] == "identical" and record["result"]["first_out"].endswith("stale"), record["result"]
    check_served(scans_in_record(lane.newest()), lane.served())
    lane.verify_all()


def test_stopped_or_blocked_for_longer_than_the_relay_waits(
    lanes: list[Lane], chance: Random, shim: Shim, tmp_path: Path
) -> None:
    """SIGSTOP stands for a computer that sleeps; a blocked loop lets the other threads of the process go on."""
    stall = Word(tmp_path / "stall")

    def stop(process: subprocess.Popen[bytes], seconds: float) -> None:
        process.send_signal(signal.SIGSTOP)
        time.sleep(seconds)
        process.send_signal(signal.SIGCONT)

    def block(process: subprocess.Popen[bytes], seconds: float) -> None:
        stall.set(int(seconds * 1e9))
        time.sleep(seconds)

    with ThreadPoolExecutor(2) as at_once:
        stopped = at_once.submit(pause_in_mid_run, lanes[0], Random(chance.random()), {}, stop)
        blocked = at_once.submit(
            pause_in_mid_run, lanes[1], Random(chance.random()), shim.environment(stall=stall), block
        )
        stopped.result()
        blocked.result()
