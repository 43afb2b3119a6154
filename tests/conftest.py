"""What every test owes the next one: no task, thread or exception left behind, and no tool silently missing.

pytest-asyncio lets a background task outlive its test and lets its exception vanish. Here both fail the test that
caused them. A tool of the machine (mbpoll, socat ...) that is missing skips its test on a person's machine and fails it
where RIGD_REQUIRE=all says that everything must be there.
"""

import asyncio
import gc
import logging
import os
import shutil
import threading
from collections.abc import AsyncIterator, Callable, Iterator

import pytest
import pytest_asyncio

THREAD_GRACE_S = 2.0  # a thread already told to end may need a moment to do so; only a forgotten one takes longer


class _Collector(logging.Handler):
    """Keeps what asyncio could only log: exceptions nobody awaited, from any loop, pytest's or the test's own."""

    def __init__(self) -> None:
        super().__init__(level=logging.ERROR)
        self.lost: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        cause = record.exc_info[1] if record.exc_info else None
        self.lost.append(f"{record.getMessage()} {cause!r}")


@pytest.fixture
def _heard() -> Iterator[None]:
    """Fail when an exception was lost. Torn down last, after the loop's own goodbye below."""
    collector = _Collector()
    logger = logging.getLogger("asyncio")
    logger.addHandler(collector)
    yield
    logger.removeHandler(collector)
    if collector.lost:
        pytest.fail(f"lost: {collector.lost[0]}")


@pytest_asyncio.fixture
async def _no_task_left(_heard: None) -> AsyncIterator[None]:
    yield
    left = [task.get_name() for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    gc.collect()  # a task that died unheard reports only when it is collected
    await asyncio.sleep(0)
    if left:
        pytest.fail(f"tasks left behind: {sorted(left)[:5]}")


@pytest.fixture(autouse=True)
def nothing_left_behind(request: pytest.FixtureRequest, _heard: None) -> Iterator[None]:
    """Fail the test that leaks a task, loses an exception or leaves a thread running. Works for plain tests too."""
    before = set(threading.enumerate())
    if request.node.get_closest_marker("asyncio"):
        request.getfixturevalue("_no_task_left")
    yield
    gc.collect(1)  # an unclosed file or socket is told here, not in whichever test collects it later; young ones only
    for thread in set(threading.enumerate()) - before:
        if not thread.daemon and not thread.name.startswith("asyncio_"):  # asyncio ends its own with the loop
            thread.join(THREAD_GRACE_S)
            if thread.is_alive():
                pytest.fail(f"thread left behind: {thread.name}")


@pytest.fixture
def require_tool() -> Callable[[str], str]:
    """require_tool("mbpoll") -> its path; skips without it, or fails where RIGD_REQUIRE=all."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path:
            return path
        words = f"{name} is not installed (Debian: apt-get install {name})"
        if os.environ.get("RIGD_REQUIRE") == "all":
            pytest.fail(words)
        pytest.skip(words)

    return find
