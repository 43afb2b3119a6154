"""The same nights some times faster: the busiest files, turned into C in a copy of the tree.

A campaign is slow for one reason only, that Python interprets it. mypyc (of the mypy project) compiles plain annotated
Python, the files as they are. The copy lies in `records/compiled/` under a hash of its sources, so it is made once.
Only what nights of bursts use is compiled: gcc takes many minutes for all of the engine. What a compiled night says
must be what the shipped files say: every 50th night is played again by those, in another interpreter under another hash
seed, and the two records must have the same hash. Nothing compiled is ever shipped.
"""

import ast
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("rigd", "drivers", "simulator", "profiles")
WHERE = Path("records/compiled")
# Whatever runs once or more in a step of a night.
BUSY = (
    *(f"rigd/engine/{name}.py" for name in ("acts", "channels", "endings", "engine", "findings", "host", "interlocks",
                                            "opening", "outputs", "pressure", "procedure", "questions", "rest",
                                            "showing", "standing", "states", "zero")),
    "rigd/calc/exact/*.py",
    "rigd/loop.py",
    "rigd/store/encode.py",
    "rigd/store/journal.py",
    *(f"simulator/{name}.py" for name in ("bodies", "crowd", "evidence", "gauge", "invariants", "night", "night_plant",
                                          "open_invariants", "person", "plant", "record_check",
                                          "storm", "transducers", "valves", "water")),
)  # fmt: skip
NOT_ASKED = (
    "arg-type", "assignment", "attr-defined", "call-arg", "call-overload", "dict-item", "has-type", "index",
    "list-item", "misc", "operator", "return-value", "type-var", "union-attr", "var-annotated",
)  # fmt: skip
"""What mypy would object to and mypyc checks where it happens instead: a wrong type raises."""
MESSAGES, FROZEN, THAWED = "rigd/model/messages.py", b"dataclass(frozen=True, ", b"dataclass(unsafe_hash=True, "
"""A frozen message is made field by field, in twice the time. In the copy they are not frozen; what wrote to one would
raise in the nights that are played again by the plain files."""
LONGEST_S = 900.0
SOURCE_NAME = "RIGD_NIGHTS_SOURCE"  # tells a process that runs in the copy where the plain files are


def sources(root: Path) -> dict[str, bytes]:
    found = {}
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*")):
            if path.is_file() and path.suffix not in (".pyc", ".so", ".md"):
                found[str(path.relative_to(root))] = path.read_bytes()
    return found


class NotCompiled(Exception):
    """Why there is no compiled copy, in words."""


def compile_tree() -> tuple[Path, str]:
    """The folder of the compiled copy, and whether it was made now. Raises NotCompiled."""
    if importlib.util.find_spec("mypyc") is None:
        raise NotCompiled("mypyc is not installed: pip install mypy")
    if not any(shutil.which(name) for name in ("cc", "gcc", "clang")):
        raise NotCompiled("there is no C compiler: on Debian, apt-get install gcc libc6-dev")
    if not (Path(sysconfig.get_path("include")) / "Python.h").exists():
        raise NotCompiled("the headers of this Python are missing: on Debian, apt-get install python3-dev")
    files = sources(ROOT)
    digest = hashlib.sha256(repr((sys.version, sorted(files.items()))).encode()).hexdigest()[:16]
    tree = (WHERE / digest).resolve()
    if (tree / "done").exists():
        return tree, "compiled before"
    shutil.rmtree(tree, ignore_errors=True)
    for name, data in files.items():
        path = tree / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data.replace(FROZEN, THAWED) if name == MESSAGES else data)
    busy = [str(p.relative_to(tree)) for pattern in BUSY for p in sorted(tree.glob(pattern)) if p.name != "__init__.py"]
    for name in busy:
        path = tree / name
        path.write_text(with_final_constants(path.read_text()))
    _compile(tree, busy)
    (tree / "done").touch()
    return tree, "compiled"


def with_final_constants(text: str) -> str:
    """The same file with its constants marked `Final`, all but the composed ones: mypyc then puts their values where
    they are used, instead of looking each up by its name."""
    lines = text.splitlines(keepends=True)
    body = ast.parse(text).body
    for node in reversed(body):
        match node:
            case ast.Assign(targets=[ast.Name() as name], value=value):
                told = [(name, value)]
            case ast.Assign(targets=[ast.Tuple(elts=names)], value=ast.Tuple(elts=values)) if len(names) == len(values):
                told = list(zip(names, values, strict=True))
            case _:
                continue
        if all(isinstance(name, ast.Name) and name.id.isupper() and is_one_value(value) for name, value in told):
            marked = [f"{name.id}: Final = {ast.unparse(value)}\n" for name, value in told]
            lines[node.lineno - 1 : node.end_lineno] = marked
    behind_docstring = body[0].end_lineno if body and ast.get_docstring(ast.parse(text)) is not None else 0
    lines.insert(behind_docstring, "from typing import Final\n")
    return "".join(lines)


def is_one_value(value: ast.expr) -> bool:
    """A number, a word or what is reckoned from some."""
    plain = (ast.Constant, ast.BinOp, ast.UnaryOp, ast.operator, ast.unaryop, ast.Name, ast.Attribute, ast.expr_context)
    return all(isinstance(node, plain) for node in ast.walk(value))


def _compile(tree: Path, busy: list[str]) -> None:
    quiet = [word for code in NOT_ASKED for word in ("--disable-error-code", code)]
    try:
        done = subprocess.run(
            [sys.executable, "-m", "mypyc", "--ignore-missing-imports", "--explicit-package-bases", *quiet, *busy],
            cwd=tree, capture_output=True, text=True, check=False, timeout=LONGEST_S,
            env=os.environ | {"PYTHONPATH": "", "MYPYC_OPT_LEVEL": "3", "MYPYC_DEBUG_LEVEL": "0"},
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        raise NotCompiled(f"compiling took longer than {LONGEST_S:.0f} s") from None
    if done.returncode:
        wrong = [line for line in (done.stdout + done.stderr).splitlines() if "error:" in line]
        raise NotCompiled(f"mypyc: {wrong[0]}" if wrong else f"mypyc ended with exit code {done.returncode}")


def run_there(tree: Path, arguments: list[str]) -> int:
    """The campaign by the files of the copy (-P: not by those of the folder this is called from)."""
    return subprocess.run(
        [sys.executable, "-P", "-m", "simulator.nights", *arguments],
        check=False, env=os.environ | {"PYTHONPATH": str(tree), SOURCE_NAME: str(ROOT)},
    ).returncode  # fmt: skip
