"""The same nights some times faster: the busiest files, turned into C in a copy of the tree.

A campaign is slow for one reason only, that Python interprets it. mypyc (of the mypy project) compiles plain annotated
Python, the files as they are. The copy lies in `records/compiled/` under a hash of its sources, so it is made once.
Only what nights of bursts use is compiled: gcc takes many minutes for all of the engine. What a compiled night says
must be what the shipped files say: every 50th night is played again by those, in another interpreter under another hash
seed, and the two records must have the same hash. Nothing compiled is ever shipped, and without mypyc or a C compiler
nights are played as they are.
"""

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("rigd", "drivers", "simulator", "profiles")
WHERE = Path("records/compiled")
BUSY = (
    *(f"rigd/engine/{name}.py" for name in ("acts", "channels", "endings", "engine", "findings", "host", "interlocks",
                                            "opening", "outputs", "pressure", "procedure", "questions", "rest",
                                            "showing", "standing", "states", "zero")),
    "rigd/calc/exact/*.py",
    "rigd/loop.py",
    "rigd/store/encode.py",
    "rigd/store/journal.py",
    *(f"simulator/{name}.py" for name in ("crowd", "evidence", "gauge", "invariants", "night", "night_plant", "person",
                                          "plant", "storm", "transducers", "valves", "water")),
)  # fmt: skip
NOT_ASKED = (
    "arg-type", "assignment", "attr-defined", "call-arg", "call-overload", "dict-item", "has-type", "index",
    "list-item", "misc", "operator", "return-value", "type-var", "union-attr", "var-annotated",
)  # fmt: skip
"""What mypy would object to and mypyc checks where it happens instead: a wrong type raises."""
LONGEST_S = 900.0
SOURCE_NAME = "RIGD_NIGHTS_SOURCE"  # tells a process that runs in the copy where the plain files are


def sources(root: Path) -> dict[str, bytes]:
    found = {}
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*")):
            if path.is_file() and path.suffix not in (".pyc", ".so"):
                found[str(path.relative_to(root))] = path.read_bytes()
    return found


def compile_tree() -> tuple[Path | None, str]:
    """The folder of the compiled copy, or None and why there is none."""
    if importlib.util.find_spec("mypyc") is None:
        return None, "mypyc is not installed (pip install mypy)"
    if not any(shutil.which(name) for name in ("cc", "gcc", "clang")):
        return None, "there is no C compiler"
    files = sources(ROOT)
    digest = hashlib.sha256(repr((sys.version, sorted(files.items()))).encode()).hexdigest()[:16]
    tree = (WHERE / digest).resolve()
    if (tree / "done").exists():
        return tree, "compiled before"
    shutil.rmtree(tree, ignore_errors=True)
    for name, data in files.items():
        path = tree / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    busy = [str(p.relative_to(tree)) for pattern in BUSY for p in sorted(tree.glob(pattern)) if p.name != "__init__.py"]
    left_out: list[str] = []
    while busy:
        wrong = _compile(tree, busy)
        if not wrong:
            (tree / "done").touch()
            return tree, "compiled" + (f" but for {', '.join(left_out)}" if left_out else "")
        file = wrong.partition(":")[0]
        if file not in busy:
            return None, f"mypyc: {wrong}"
        busy.remove(file)  # it is played as it is, the others compiled
        left_out.append(file)
    return None, "nothing compiles"


def _compile(tree: Path, busy: list[str]) -> str:
    """The first error, or ""."""
    quiet = [word for code in NOT_ASKED for word in ("--disable-error-code", code)]
    try:
        done = subprocess.run(
            [sys.executable, "-m", "mypyc", "--ignore-missing-imports", "--explicit-package-bases", *quiet, *busy],
            cwd=tree, capture_output=True, text=True, check=False, timeout=LONGEST_S,
            env=os.environ | {"PYTHONPATH": "", "MYPYC_OPT_LEVEL": "2", "MYPYC_DEBUG_LEVEL": "0"},
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return f"compiling took longer than {LONGEST_S:.0f} s"
    wrong = [line for line in (done.stdout + done.stderr).splitlines() if "error:" in line]
    return "" if not done.returncode else wrong[0] if wrong else f"exit code {done.returncode}"


def run_there(tree: Path, arguments: list[str]) -> int:
    """The campaign by the files of the copy (-P: not by those of the folder this is called from)."""
    return subprocess.run(
        [sys.executable, "-P", "-m", "simulator.nights", *arguments],
        check=False, env=os.environ | {"PYTHONPATH": str(tree), SOURCE_NAME: str(ROOT)},
    ).returncode  # fmt: skip
