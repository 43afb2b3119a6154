"""Every way a Modbus module can misbehave, in mid-run of the real daemon: no wrong value ever enters the record.

The simulated module takes orders on its standard input. What it served is written down by the witness before anything
is spoiled, and every scan in the record must be one of these, in their order.
"""

import os
import signal
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from random import Random

import pytest
from lanes import Lane, check_served, scans_in_record, told, wait_until

from rigd.model.errors import TRIPPED
from simulator.modbus_faults import FAULTS

pytestmark = pytest.mark.alone

# A bit flipped in a value, in a reply that is right in all else, cannot be noticed: Modbus TCP has no checksum of its
# own. The same in the echo of a write can.
UNNOTICEABLE_IN_READS = ("other_value", "other_address")
THOROUGH = bool(os.environ.get("RIGD_THOROUGH"))  # `make crash`
PAUSE_S = 0.25
UNREAD_NS = 700_000_000  # a time-out, and then the relay
LASTING = ("silent+", "half_then_silent+", "slow:0.3+", "close+", "exception+", "transaction+", "previous+", "flood+")


def each_order(chance: Random) -> list[str]:
    """Every kind at a read or at a write, by chance; at both when there is time."""
    orders = []
    for kind in FAULTS:
        late = ":0.02" if kind == "slow" else ""
        at = ["write"] if kind in UNNOTICEABLE_IN_READS else ["read", "write"]
        orders += [f"{of} {kind}{late}" for of in (at if THOROUGH else [chance.choice(at)])]
    chance.shuffle(orders)
    return orders


def misbehave(lane: Lane, orders: list[str], chance: Random) -> None:
    """One order after another at random moments of runs that go on, begun again when one has ended."""
    lane.simulate("--seed", "3", "--body", "strong")
    waiting = list(orders)
    while waiting:
        began_ns = time.monotonic_ns()
        process = lane.start()
        lane.bring_to("RUNNING", process)
        while waiting and lane.view(process)["state"] == "RUNNING":
            lane.order(waiting.pop())
            time.sleep(chance.uniform(0.5, 1.5) * PAUSE_S)
        lane.order("heal")
        check_end(lane, process, began_ns)
    lane.verify_all()


def check_end(lane: Lane, process: subprocess.Popen[bytes], began_ns: int) -> None:
    """However it went on from there: it ends safe, says so by its exit code, and recorded nothing that was not so."""
    if lane.view(process)["state"] == "RUNNING":
        process.terminate()
    code = lane.conclude(process)
    record = told(lane.newest())
    assert code in (3, 4, 5), (code, lane.said)
    assert record["replay"] == "identical"
    assert not lane.energised(after_ns=time.monotonic_ns())[-1][1]
    served = lane.served(after_ns=began_ns)
    recorded = scans_in_record(lane.newest())
    passed, _ = check_served(recorded, served)
    assert passed < len(served) / 2 and recorded


def test_every_misbehaviour_in_mid_run(lanes: list[Lane], chance: Random) -> None:
    orders = each_order(chance)
    assert len({order.split()[-1] for order in orders}) == len(FAULTS) >= 38
    parts = [orders[n :: len(lanes)] for n in range(len(lanes))]
    with ThreadPoolExecutor(len(lanes)) as at_once:
        list(at_once.map(misbehave, lanes, parts, [Random(chance.random()) for _ in lanes]))


def last(lane: Lane, order: str, chance: Random) -> None:
    """What does not heal: the run ends, and since nothing can be read nothing is proven, and that is what is said."""
    lane.simulate("--seed", "3", "--body", "strong")
    process = lane.start()
    lane.bring_to("RUNNING", process)
    time.sleep(chance.uniform(0.0, 3.0))
    began_ns = time.monotonic_ns()
    if order == "half-open":
        lane.simulator.send_signal(signal.SIGSTOP)  # the kernel goes on taking what is sent, and nobody answers
    elif order == "dead":
        lane.simulator.kill()
    else:
        lane.order(order)
    wait_until(lambda: lane.view(process)["state"] == "UNPROVEN", "the words NOT PROVEN")
    view = lane.view(process)
    assert view["trip_state"] == "TRIPPED" and view["words"].startswith("NOT PROVEN") and view["first_out"]
    if order not in ("half-open", "dead"):
        assert lane.safe_after_ns(began_ns, wire_ns=1 << 62) <= UNREAD_NS, "without a good read nothing kicks the relay"
    process.terminate()
    assert lane.last_words(process) == TRIPPED, lane.said
    check_served(scans_in_record(lane.newest()), lane.served())
    lane.verify_all()


def test_what_does_not_heal_ends_unproven_and_says_so(lanes: list[Lane], chance: Random) -> None:
    orders = chance.sample(LASTING, len(LASTING) if THOROUGH else len(lanes) - 2) + ["half-open", "dead"]
    while orders:
        now, orders = orders[: len(lanes)], orders[len(lanes) :]
        with ThreadPoolExecutor(len(now)) as at_once:
            list(at_once.map(last, lanes, now, [Random(chance.random()) for _ in now]))
