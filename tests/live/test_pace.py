"""The pace counts every tick, taken or missed, with the kernel's timer and without it. Nothing is timed here: what is
checked is that ticks taken and missed add up to the time that passed."""

import asyncio
import time

import pytest

from rigd.live import pace
from rigd.live.pace import Pace

PERIOD_NS = 2_000_000


@pytest.fixture(params=["kernel", "loop"])
def timer(request, monkeypatch):
    if request.param == "loop":
        monkeypatch.setattr(pace, "open_timer", lambda first_ns, period_ns: None)
    return request.param


async def test_ticks_and_misses_add_up(timer):
    before_ns = time.monotonic_ns()
    with Pace(PERIOD_NS) as ticks:
        started_ns = time.monotonic_ns()
        count = 0
        for _ in range(5):
            count += 1 + await ticks.tick()
            # Never early: the n-th tick is due n periods after the start.
            assert time.monotonic_ns() - before_ns >= count * PERIOD_NS
        time.sleep(5 * PERIOD_NS / 1e9)  # noqa: ASYNC251 - the loop is blocked on purpose
        missed = await ticks.tick()
        assert missed >= 4
        count += 1 + missed
        ended_ns = time.monotonic_ns()
    assert (ended_ns - started_ns) // PERIOD_NS - 1 <= count <= (ended_ns - before_ns) // PERIOD_NS


async def test_ticks_while_the_task_is_elsewhere_are_counted(timer):
    with Pace(PERIOD_NS) as ticks:
        await ticks.tick()
        await asyncio.sleep(4 * PERIOD_NS / 1e9)
        assert await ticks.tick() >= 2


async def test_iterates_cancels_and_closes(timer):
    ticks = Pace(PERIOD_NS)
    seen = 0
    async for _ in ticks:
        seen += 1
        if seen == 3:
            ticks.close()
    ticks.close()  # once more does no harm

    slow = Pace(3600 * 10**9)
    task = asyncio.create_task(slow.tick())
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    task = asyncio.create_task(slow.tick())  # a cancelled wait leaves the pace usable
    await asyncio.sleep(0)
    slow.close()
    with pytest.raises(asyncio.CancelledError):
        await task
