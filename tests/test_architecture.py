"""The rules of the house, held by a machine: who may import whom, what arithmetic may run, how long things may be.

The engine must give the same bytes on every machine and Python, so its arithmetic is walked here node by node. Each
check is also fed something bad, because a check that cannot fail proves nothing.
"""

import ast
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("rigd", "drivers", "simulator", "profiles")
FILE_LINES, FUNCTION_LINES = 500, 60
PATTERN_WORDS = {"manager", "handler", "helper", "helpers", "service", "base", "utils", "util"}

PURE_IMPORTS = {"__future__", "collections.abc", "dataclasses", "enum", "math", "typing"}
PURE_MATH = {"isfinite", "sqrt", "floor", "nan", "inf", "pi"}  # IEEE 754 fixes the first three; the rest are constants
BANNED_NAMES = {"sum", "pow", "hash", "id", "eval", "exec", "open", "input", "print", "__import__", "globals", "vars"}


def sources(*rooms: str) -> list[Path]:
    return sorted(path for room in rooms for path in (ROOT / room).rglob("*.py"))


def tracked() -> list[Path]:
    """What is in the repository or about to be."""
    command = ["git", "-C", str(ROOT), "ls-files", "--cached", "--others", "--exclude-standard"]
    names = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    return [ROOT / name for name in names if (ROOT / name).is_file()]


# --- imports between rooms ---------------------------------------------------------------------------------------


def lint_imports(root: Path) -> subprocess.CompletedProcess[str]:
    code = "import sys; sys.path.insert(0, '.'); from importlinter.cli import lint_imports; sys.exit(lint_imports())"
    environment = {**os.environ, "NO_COLOR": "1", "COLUMNS": "120"}
    return subprocess.run(
        [sys.executable, "-c", code], cwd=root, env=environment, capture_output=True, text=True, timeout=120
    )


def test_rooms_import_only_what_they_may() -> None:
    done = lint_imports(ROOT)
    assert done.returncode == 0, done.stdout + done.stderr


def test_import_contracts_notice_a_hidden_chain(tmp_path: Path) -> None:
    """Chance reached from the engine by way of the model, inside a function: the contracts must see all of that."""
    for package in PACKAGES:
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    hidden = tmp_path / "rigd/model/verdicts.py"
    hidden.write_text(hidden.read_text() + "\n\ndef toss():\n    import random\n\n    return random\n")
    (tmp_path / "rigd/engine/probe.py").write_text("import rigd.model.verdicts\n")
    done = lint_imports(tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "rigd.engine is not allowed to import random" in done.stdout


def test_every_room_has_a_contract() -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    spoken_of = {module for contract in contracts for module in contract["source_modules"]}
    rooms = {f"rigd.{path.stem}" for path in (ROOT / "rigd").iterdir() if not path.name.startswith("__")}
    rooms |= {"drivers", "simulator"}
    assert rooms - spoken_of == {"rigd.cli"}, "only cli may import everything"


# --- determinism -------------------------------------------------------------------------------------------------


def _is_set(node: ast.AST) -> bool:
    match node:
        case ast.Set() | ast.SetComp() | ast.Call(func=ast.Name(id="set" | "frozenset")):
            return True
    return False


def sets_with_order(tree: ast.AST) -> Iterator[str]:
    """Sets used for anything but asking whether something is in them, for nobody promises their order.

    A set may be looked up, or given a name that is only looked up or added to.
    """
    parent = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}

    def is_looked_up(node: ast.AST) -> bool:
        match parent.get(node):
            case ast.Compare(ops=[ast.In() | ast.NotIn()], comparators=[right]):
                return right is node
            case ast.Attribute(attr="add" | "discard"):
                return True
        return False

    named: list[str] = []
    for node in filter(_is_set, ast.walk(tree)):
        whole = node
        while isinstance(parent[whole], ast.IfExp):
            whole = parent[whole]
        match parent[whole]:
            case ast.Assign(targets=[ast.Name() | ast.Attribute() as target]):
                named.append(ast.unparse(target))
            case _ if not is_looked_up(node):
                yield f"line {node.lineno}: a set, whose order nobody promises; use a tuple"
    for node in ast.walk(tree):
        match node:
            case ast.Name(ctx=ast.Load()) | ast.Attribute(ctx=ast.Load()):
                if ast.unparse(node) in named and not is_looked_up(node):
                    yield f"line {node.lineno}: the set {ast.unparse(node)}, used for more than being looked up"


def impurities(tree: ast.AST, own: tuple[str, ...]) -> Iterator[str]:
    """What this code does that might give other bits elsewhere. `own`: which of our modules it may import."""
    yield from sets_with_order(tree)
    for node in ast.walk(tree):
        where = f"line {getattr(node, 'lineno', 0)}"
        match node:
            case ast.Import(names=names):
                for name in names:
                    if (name.name not in PURE_IMPORTS and not f"{name.name}.".startswith(own)) or name.asname:
                        yield f"{where}: import {name.name}"
            case ast.ImportFrom(module=module, names=names, level=level):
                if level or (module not in PURE_IMPORTS and not f"{module}.".startswith(own)):
                    if not all(f"{module}.{name.name}.".startswith(own) for name in names):
                        yield f"{where}: from {'.' * level}{module} import"
                elif module == "math" and {name.name for name in names} - PURE_MATH:
                    yield f"{where}: more of math than {sorted(PURE_MATH)}"
            case ast.Attribute(value=ast.Name(id="math"), attr=attr) if attr not in PURE_MATH:
                yield f"{where}: math.{attr}"
            case ast.BinOp(op=ast.Pow()) | ast.AugAssign(op=ast.Pow()):
                yield f"{where}: **"
            case ast.Call(func=ast.Name(id="round"), args=args, keywords=keywords) if len(args) + len(keywords) > 1:
                yield f"{where}: round to decimals"
            case ast.Name(id=name, ctx=ast.Load()) if name in BANNED_NAMES:
                yield f"{where}: {name}"
            case ast.Global():
                yield f"{where}: global"
            case ast.Attribute(attr="__dict__" | "__hash__"):
                yield f"{where}: {node.attr}"


EXACT = ("rigd.model.", "rigd.calc.exact.")
ENGINE = (*EXACT, "rigd.engine.")
LOOP = (*ENGINE, "rigd.store.encode.", "rigd.loop.")


@pytest.mark.parametrize(
    ("room", "own"), [("rigd/calc/exact", EXACT), ("rigd/engine", ENGINE), ("rigd/model", ("rigd.model.",))]
)
def test_exact_rooms_give_the_same_bits_everywhere(room: str, own: tuple[str, ...]) -> None:
    files = [path for path in sources(room) if path.name != "__init__.py"]
    assert files, f"{room} has no code to check"
    found = [
        f"{path.relative_to(ROOT)} {words}" for path in files for words in impurities(ast.parse(path.read_text()), own)
    ]
    assert not found, "\n".join(found)


def test_loop_knows_no_clock_and_no_asyncio() -> None:
    assert not list(impurities(ast.parse((ROOT / "rigd/loop.py").read_text()), LOOP))


@pytest.mark.parametrize(
    "bad",
    [
        "x = sum([0.1] * 10)",
        "x = y ** 2",
        "y **= 0.5",
        "x = round(1.25, 1)",
        "x = round(1.25, ndigits=1)",
        "from math import fsum",
        "import math\nx = math.exp(1.0)",
        "import math as m\nx = m.exp(1.0)",
        "x = map(sum, y)",
        "import statistics",
        "import numpy as np",
        "import time",
        "from os import environ",
        "import random",
        "for x in {1, 2}: pass",
        "for x in set(y): pass",
        "x = [a for a in frozenset(y)]",
        "x = list({a for a in y})",
        "x = {1, 2}\nfor a in x: pass",
        "x = {1} if y else set()\nz = tuple(x)",
        "class A:\n    def f(self):\n        self.when = frozenset(y)\n        return sorted(self.when)",
        "x = hash('a')",
        "x = id(y)",
        "x = pow(2.0, 0.5)",
        "def f():\n    import logging",
        "from rigd.files import units",
        "from rigd import files",
        "from . import states",
        "x = open('f')",
        "def f():\n    global x\n    x = 1",
    ],
)
def test_walk_notices(bad: str) -> None:
    assert list(impurities(ast.parse(bad), ENGINE)), f"passed: {bad}"


@pytest.mark.parametrize(
    "good",
    [
        "from math import isfinite, sqrt, floor",
        "import math\nx = math.sqrt(2.0) if math.isfinite(2.0) else math.nan",
        "x = y in {1, 2}",
        "x = {a for a in y} if y else set()\nz = 1 in x or 2 not in x\nx.add(3)",
        "class A:\n    def f(self):\n        self.when = frozenset(y)\n        return 1 in self.when",
        "x = round(y)",
        "from rigd.model.messages import Scan",
        "from rigd.model import states",
        "from rigd.engine import states",
        "import dataclasses",
        "x = min(abs(y), 1.0) / 2 - 3 * 4",
    ],
)
def test_walk_lets_honest_code_pass(good: str) -> None:
    assert not list(impurities(ast.parse(good), ENGINE))


# --- size, names, words ------------------------------------------------------------------------------------------


def words_in(name: str) -> set[str]:
    return {word.lower() for part in name.split("_") for word in re.findall(r"[A-Z]?[a-z0-9]+|[A-Z]+", part)}


def docstring_lines(node: ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) -> int:
    """A worked example in a docstring is welcome and is not length."""
    first = node.body[0]
    return (first.end_lineno or 0) - first.lineno + 1 if ast.get_docstring(node) else 0


def untidy(path: Path, text: str) -> Iterator[str]:
    if len(text.splitlines()) > FILE_LINES:
        yield f"{path}: {len(text.splitlines())} lines, allowed {FILE_LINES}"
    if bad := words_in(path.stem) & PATTERN_WORDS:
        yield f"{path}: pattern word {bad}"
    tree = ast.parse(text)
    if tree.body and not ast.get_docstring(tree):
        yield f"{path}: no first paragraph saying what it is for"
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            if bad := words_in(node.name) & PATTERN_WORDS:
                yield f"{path}:{node.lineno}: {node.name}: pattern word {bad}"
            length = (node.end_lineno or node.lineno) - node.lineno + 1 - docstring_lines(node)
            if not isinstance(node, ast.ClassDef) and length > FUNCTION_LINES:
                yield f"{path}:{node.lineno}: {node.name} has {length} lines, allowed {FUNCTION_LINES}"


def test_code_is_small_and_plainly_named() -> None:
    found = [
        words
        for path in sources(*PACKAGES, "tests", "benchmarks")
        for words in untidy(path.relative_to(ROOT), path.read_text())
    ]
    assert not found, "\n".join(found)


def test_untidy_code_is_noticed() -> None:
    long = '"""Theory."""\ndef f():\n' + "    x = 1\n" * 60
    assert list(untidy(Path("a.py"), long))
    assert list(untidy(Path("a.py"), '"""Theory."""\n' + "x = 1\n" * 500))
    assert list(untidy(Path("a.py"), "x = 1\n"))
    assert list(untidy(Path("run_manager.py"), '"""Theory."""\n'))
    assert list(untidy(Path("a.py"), '"""Theory."""\nclass ValveHandler:\n    pass\n'))
    assert not list(untidy(Path("database.py"), '"""Theory."""\n\n\ndef baseline():\n    pass\n'))


def test_package_files_stay_empty() -> None:
    full = [path for path in sources(*PACKAGES) if path.name == "__init__.py" and path.read_text()]
    assert not full, "an __init__ with code makes imports reach further than they say"
    assert not list((ROOT / "tests").rglob("__init__.py"))


# Written in halves so that this file does not find itself.
HOSTS = re.compile("python" + "hosted|py" + r"pi\.org|registry\." + "npmjs|deb" + r"\.debian\.org", re.I)
PATHS = re.compile("/" + "work/|/" + "root/|/" + r"home/\w+/|/" + "tmp/bash_jobs")


def test_no_file_names_a_package_host_or_a_path_of_one_machine() -> None:
    found = []
    for path in tracked():
        try:
            text = path.read_text("utf-8")
        except UnicodeDecodeError:
            continue  # a committed trace or picture
        found += [
            f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}"
            for number, line in enumerate(text.splitlines(), 1)
            if HOSTS.search(line) or PATHS.search(line)
        ]
    assert not found, "\n".join(found)
    assert HOSTS.search("https://" + "py" + "pi.org/simple") and PATHS.search("/" + "home/ann/records")


def test_style() -> None:
    done = subprocess.run([sys.executable, "-m", "ruff", "check", "."], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
