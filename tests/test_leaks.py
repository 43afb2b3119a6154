"""The check for leaks is itself checked: a suite that leaks in every way we know must fail in every one of them."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

LEAKY = """
import asyncio, threading, time
from hypothesis import given, strategies as st

async def forever(): await asyncio.sleep(100)
async def fail(): raise ValueError("lost")

async def test_task_leaks(): asyncio.create_task(forever())

async def test_exception_leaks():
    asyncio.create_task(fail())
    await asyncio.sleep(0)

def test_exception_leaks_in_a_loop_of_its_own():
    async def main():
        asyncio.create_task(fail())
        await asyncio.sleep(0)
    asyncio.run(main())

def test_thread_leaks(): threading.Thread(target=time.sleep, args=(3,)).start()

@given(st.booleans())
async def test_task_leaks_from_an_example(_): asyncio.create_task(forever())

def test_missing_tool_fails(require_tool): require_tool("no-such-tool")

async def test_clean(): await asyncio.gather(asyncio.sleep(0), asyncio.to_thread(time.sleep, 0))
def test_clean_in_a_loop_of_its_own(): asyncio.run(asyncio.sleep(0))
@given(st.booleans())
async def test_clean_example(_): await asyncio.sleep(0)
"""


def test_every_kind_of_leak_fails_its_test(tmp_path: Path) -> None:
    here = Path(__file__).parent
    shutil.copy(here / "conftest.py", tmp_path)
    (tmp_path / "test_leaky.py").write_text(LEAKY)
    # Its own suite: what xdist and the outer pytest put into the environment stays out.
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST", "COV"))}
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-c",
            here.parent / "pyproject.toml",
            "--rootdir",
            tmp_path,
            "-p",
            "no:cacheprovider",
            "-p",
            "no:xdist",
            "-rfE",
            ".",
        ],
        cwd=tmp_path,
        env=environment | {"RIGD_REQUIRE": "all"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    faulty = {
        line.split("::")[1].split(" ")[0] for line in done.stdout.splitlines() if line.startswith(("FAIL", "ERROR t"))
    }
    assert faulty == {name for name in _tests() if "leaks" in name or "fails" in name}, done.stdout + done.stderr


def _tests() -> list[str]:
    return [line.split("(")[0].split()[-1] for line in LEAKY.splitlines() if "def test_" in line]
