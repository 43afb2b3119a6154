"""The fault shim of shim.c from the side of a test: compile it, ask a process to be lied to, read what it did.

A shim says what a process shall meet; whoever starts the process gives it the environment. Nothing here knows rigd.
"""

import ctypes
import os
import struct
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

SOURCE = Path(__file__).with_name("shim.c")
RIG_PROCESS, CLOSING_PROCESS = "rigd.cli.main", "rigd.closing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One call of a process on a file: error 0 done, above 0 the system's number, below 0 made up otherwise."""

    at_ns: int
    number: int
    operation: str
    path: str
    error: int
    size: int


def read_log(path: Path) -> list[Call]:
    calls = []
    for line in path.read_text().splitlines() if path.exists() else ():
        at_ns, number, operation, rest = line.split(" ", 3)
        where, error, size = rest.rsplit(" ", 2)
        calls.append(
            Call(
                at_ns=int(at_ns), number=int(number), operation=operation, path=where, error=int(error), size=int(size)
            )
        )
    return calls


class Word:
    """A file with one int64 that a process under the shim sees at once."""

    def __init__(self, path: Path, value: int = 0) -> None:
        self.path = path
        self.set(value)

    def set(self, value: int) -> None:
        with open(self.path, "r+b" if self.path.exists() else "wb", buffering=0) as file:
            file.write(struct.pack("=q", value))


class Shim:
    def __init__(self, library: Path) -> None:
        self.library = library

    def environment(
        self,
        *,
        under: Path | None = None,
        faults: str = "",
        log: Path | None = None,
        who: str = RIG_PROCESS,
        clock: Word | None = None,
        stall: Word | None = None,
        after: Word | None = None,
    ) -> dict[str, str]:
        """What to add to the environment of the process that shall meet this."""
        told = {"LD_PRELOAD": str(self.library), "SHIM_WHO": who}
        if under is not None:
            told |= {"SHIM_UNDER": str(under), "SHIM_FAULTS": faults, "SHIM_LOG": str(log or os.devnull)}
        words = {"SHIM_CLOCK": clock, "SHIM_STALL": stall, "SHIM_AFTER": after}
        return told | {name: str(word.path) for name, word in words.items() if word is not None}


def arm_here(under: Path, faults: str, log: Path) -> None:
    """In a forked process that has the shim: from now on."""
    ctypes.CDLL(None).shim_arm(os.fsencode(under), faults.encode(), os.fsencode(log))


def build_shim(folder: Path, compiler: str) -> Shim:
    library = folder / "shim.so"
    done = subprocess.run(
        [compiler, "-shared", "-fPIC", "-O1", "-Wall", "-o", library, SOURCE, "-ldl"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        pytest.fail(done.stderr)
    return Shim(library)
