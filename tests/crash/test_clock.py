"""The wall clock is set by hours, forwards and backwards, and lives through both nights of summer time.

Nothing measured may change, and the step must stand in the record: everything a run measures is on the monotonic clock,
and the wall clock is only noted beside it. The matrix is played under virtual time; then real rig processes meet a wall
clock that is set under them (shim.c), and the witness's monotonic times are what their times are held against.
"""

import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from itertools import pairwise

import pytest
from lanes import PROFILE, Lane, match, told
from shims import Shim, Word

from rigd.files.load import find, load_profile_bytes, load_rig
from rigd.model.errors import STOPPED
from rigd.model.messages import Event, Input, Scan
from rigd.model.specimen import Specimen
from rigd.store import archive
from rigd.store.encode import encode
from rigd.store.journal import BlockBuilder, identity
from simulator.person import Person
from simulator.plant import Plant
from simulator.world import Names, World

HOUR_NS = 3_600_000_000_000
SECOND_NS = 1_000_000_000
ABOUT_NS = 100_000_000  # between two looks at a clock, on a busy machine
RIG, QUICK = load_rig(find("demo", "rig")), load_profile_bytes(PROFILE.encode(), "quick")
ABOUT_CLOCKS = ("clock_step", "anchor")
# Central European summer time ends and begins at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3).
NIGHTS = ("2026-10-25T01:00:00+00:00", "2027-03-28T01:00:00+00:00")
BEFORE_S, AFTER_S = 16.0, 1.0  # a process is started so long before, and ends so long after

STEPS = {  # at so many seconds of the run the wall clock is set by so many seconds
    "never": {},
    "an hour forwards": {4: 3600},
    "an hour backwards": {4: -3600},
    "to and fro": {3: 3600, 5: -3600, 7: -7200, 9: 7200},
    "to 1970 and back": {4: -1_000_000_000, 8: 1_000_000_000},
    "a nervous time server": {n: 0.2 if n % 2 else -0.2 for n in range(2, 20)},
    "less than a step": {4: 0.04},
}


def play(steps: dict[int, float]) -> tuple[list[bytes], list[Event]]:
    """A whole run. Returns all that the engine said but what is about clocks, and that."""
    person = Person("A. Person", 5)
    facts = tuple((name, person.facts[name]) for name in QUICK.required)
    world = World(
        RIG, QUICK, Specimen(id="demo", facts=facts, volume_m3=0.0), Plant(RIG, seed=5, body="rupture"), person,
        BlockBuilder(identity(run=1, version="0", files=())), lambda block: None,
        Names(run=1, utc_ns=1_795_000_000 * SECOND_NS, version="0"),
    )  # fmt: skip
    said: list[bytes] = []
    turn, due = world.loop.turn, dict(steps)

    def turn_and_keep(message: Input) -> tuple:
        for at_s in [at_s for at_s in due if message.t_ns >= at_s * SECOND_NS]:
            world._utc_offset_ns += int(due.pop(at_s) * SECOND_NS)
        outputs = turn(message)
        said.extend(encode(output) for output in outputs if not (type(output) is Event and output.kind in ABOUT_CLOCKS))
        return outputs

    world.loop = type("Kept", (), {"turn": staticmethod(turn_and_keep), "flush": world.loop.flush})()
    world.run()
    assert not due, "the run is longer than the last step"
    return said, [event for event in world.events if event.kind == "clock_step"]


@pytest.mark.parametrize("case", STEPS)
def test_a_wall_clock_that_is_set_changes_nothing_but_is_noted(case: str) -> None:
    said, told_steps = play(STEPS[case])
    assert said == play({})[0]
    noticeable = [step for step in STEPS[case].values() if abs(step) > 0.05]
    assert [dict(event.data)["step_ns"] for event in told_steps] == [int(step * SECOND_NS) for step in noticeable]


def run_for(lane: Lane, shim: Shim, clock: Word, *, steps: list[int], last_s: float, zone: str) -> archive.Archive:
    """A run, until this time of the machine's own clock, in which the wall clock is set. Returns its record."""
    lane.simulate("--seed", "3", "--body", "strong")
    process = lane.start(environment=shim.environment(clock=clock) | {"TZ": zone})
    lane.bring_to("RUNNING", process)
    for offset_ns in steps:
        clock.set(offset_ns)
        time.sleep(0.7)
    time.sleep(max(0.5, last_s - time.time()))
    process.terminate()
    assert lane.last_words(process) == STOPPED, lane.said
    lane.verify_all()
    opened = archive.open_run(lane.newest())
    check_times(lane, [message for message in opened.inputs() if type(message) is Scan])
    assert told(lane.newest())["replay"] == "identical"
    return opened


def check_times(lane: Lane, scans: list[Scan]) -> None:
    """The time between any two scans is what it was for the rig that served them."""
    matched = match([scan.counts for scan in scans], lane.served())
    pairs = [(scan.t_ns - scan.age_us * 1000, one.at_ns) for scan, one in zip(scans, matched, strict=True)]
    assert len(pairs) > 200
    assert all(later.t_ns > earlier.t_ns for earlier, later in pairwise(scans))
    offsets = sorted(t_ns - at_ns for t_ns, at_ns in pairs)
    spread_ns = offsets[-len(offsets) // 20] - offsets[len(offsets) // 20]  # a late reply of a busy machine is no clock
    assert spread_ns < ABOUT_NS, spread_ns


def steps_told(record: archive.Archive) -> list[int]:
    return [dict(e.data)["step_ns"] for e in record.events() if type(e) is Event and e.kind == "clock_step"]


def utc(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def set_the_clock(lane: Lane, shim: Shim) -> None:
    clock = Word(lane.folder / "clock")
    began_s = time.time()
    record = run_for(lane, shim, clock, steps=[HOUR_NS, 0, -HOUR_NS, HOUR_NS], last_s=0.0, zone="UTC")
    due = [HOUR_NS, -HOUR_NS, -HOUR_NS, 2 * HOUR_NS]
    found = steps_told(record)
    assert len(found) == len(due) and all(abs(a - b) < ABOUT_NS for a, b in zip(found, due, strict=True)), found
    assert began_s - 1 <= utc(record.run["opened_utc"]) <= began_s + 60, "the anchor is the one it was opened with"


def live_through(lane: Lane, shim: Shim, night: str) -> None:
    """Summer time ends or begins while it runs: in UTC nothing happens, and everything written is UTC."""
    ahead_s = utc(night) - BEFORE_S - time.time()
    clock = Word(lane.folder / "clock", int(ahead_s * SECOND_NS))
    last_s = utc(night) + AFTER_S - ahead_s
    record = run_for(lane, shim, clock, steps=[], last_s=last_s, zone="Europe/Berlin")
    assert steps_told(record) == []
    name, opened = record.folder.name, record.run["opened_utc"]
    assert name[:18] == opened.replace(":", ""), "the folder, too, is named in UTC"
    assert utc(night) - BEFORE_S <= utc(opened) < utc(night) <= utc(record.run["ended_utc"])
    assert utc(record.run["ended_utc"]) - utc(opened) == pytest.approx(record.run["duration_s"], abs=1.0)


@pytest.mark.alone
def test_the_wall_clock_is_set_under_a_real_run_and_two_nights_pass(lanes: list[Lane], shim: Shim) -> None:
    with ThreadPoolExecutor(3) as at_once:
        trials = [at_once.submit(set_the_clock, lanes[0], shim)]
        trials += [
            at_once.submit(live_through, lane, shim, night) for lane, night in zip(lanes[1:], NIGHTS, strict=True)
        ]
        for trial in trials:
            trial.result()
