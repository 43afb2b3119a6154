"""What the pages say must be so: commands, options, files, targets, exit codes and rooms are looked up in the code."""

import re
import shlex
import subprocess
from pathlib import Path
from typing import Any

import pytest

from rigd.model import errors, states
from rigd.model.errors import RigdError

ROOT = Path(__file__).parent.parent
PAGES = ("README.md", "DEVELOPERS.md")


def page(name: str) -> str:
    return (ROOT / name).read_text()


def commands(name: str) -> list[str]:
    """Every `rigd ...` a reader could type: in blocks and in running text, without shell redirection."""
    text = page(name)
    blocks = re.findall(r"^```\w*\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    lines = [line.split("#")[0].strip() for block in blocks for line in block.splitlines()]
    inline = re.findall(r"`(rigd [^`]+)`", re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL))
    return [line.split(" > ")[0] for line in [*lines, *inline] if line.startswith("rigd ")]


def unknown_in(line: str, root: Any) -> str:
    """Which word of a command line the program does not know, "" when all is well."""
    command, words = root, shlex.split(line)[1:]
    while words and hasattr(command, "commands"):
        if words[0] not in command.commands:
            return f"{line}: no verb {words[0]!r}"
        command = command.commands[words.pop(0)]
    known = {option for parameter in command.params for option in parameter.opts} | {"-h", "--help"}
    unknown = [word for word in words if word.startswith("-") and word.split("=")[0] not in known]
    return f"{line}: no option {unknown}" if unknown else ""


@pytest.mark.parametrize("name", PAGES)
def test_every_command_that_is_shown_exists(name: str) -> None:
    import typer

    from rigd.cli.main import app

    root = typer.main.get_command(app)
    found = [words for line in commands(name) if (words := unknown_in(line, root))]
    assert not found, "\n".join(found)
    assert unknown_in("rigd frobnicate", root) and unknown_in("rigd status --frobnicate", root)


def test_readme_shows_the_commands_of_the_job() -> None:
    shown = " ".join(commands("README.md"))
    for verb in ("demo burst", "check", "run", "status", "arm", "start", "confirm", "runs show", "runs verify"):
        assert f"rigd {verb}" in shown, verb


@pytest.mark.parametrize("name", PAGES)
def test_every_file_that_is_named_exists(name: str) -> None:
    text = page(name)
    links = re.findall(r"\]\((?!http)([^)#]+)\)", text)
    rooms = r"(?:rigd|drivers|simulator|profiles|tests|benchmarks)"
    named = re.findall(rf"`({rooms}(?:/[\w.\-]+)*/?)`", text) + [
        f"profiles/{p}" for p in re.findall(r"`profiles/(\S+)`", text)
    ]
    missing = [path for path in {*links, *named} if not (ROOT / path).exists()]
    assert not missing, sorted(missing)


@pytest.mark.parametrize("name", PAGES)
def test_every_make_target_that_is_named_exists(name: str) -> None:
    makefile = page("Makefile")
    for target in set(re.findall(r"\bmake (demo|test|bench|lint|[a-z]+)\b", page(name))) - {"git"}:
        assert re.search(rf"^{target}:", makefile, re.MULTILINE), target


def test_readme_comes_in_the_order_that_keeps_people_whole() -> None:
    text = page("README.md")
    marks = [
        "rigd runs a pressure test rig",
        "## Cautions",
        "apt-get install make git python3-venv",
        "make demo\nmake test",
    ]
    marks += ["## A burst in ten minutes", "## On a real rig", "## Exit codes"]
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)
    cautions = text[text.index("## Cautions") : text.index("## Two commands")]
    for due in ("compressed gas", "caps", "whips hoses", "not the safety device", "relief valve", "emergency stop"):
        assert due in cautions, due
    for due in ("claims no safety rating", "local codes", "licensed practice", states.LINE_AT_ZERO, states.NOT_PROVEN):
        assert due in " ".join(cautions.split()), due
    assert not re.search(r"\bSIL\s*\d|\bPL\s*[a-e]\b", text), "no rating may be claimed"


def test_exit_codes_of_the_readme_are_those_of_the_code() -> None:
    table = page("README.md").split("## Exit codes")[1].split("## ")[0]
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", table, re.MULTILINE)}
    in_code = {value for name, value in vars(errors).items() if name.isupper() and isinstance(value, int)}
    assert told == in_code
    assert {kind.exit_code for kind in RigdError.__subclasses__()} <= told


def test_rooms_of_the_contributors_page_are_those_of_the_code() -> None:
    table = page("DEVELOPERS.md").split("## Rooms")[1].split("## ")[0]
    told = set(
        re.findall(
            r"`(rigd/[\w/]+?)(?:\.py)?`", "\n".join(row.split("|")[1] for row in table.splitlines() if "|" in row)
        )
    )
    there = {f"rigd/{path.stem}" for path in (ROOT / "rigd").iterdir() if not path.name.startswith("__")}
    assert there | {"rigd/calc/exact"} == told


def test_ci_requires_everything_and_make_explains_itself() -> None:
    assert "RIGD_REQUIRE=all" in page(".ci/run") and "make test" in page(".ci/run")
    said = subprocess.run(["make", "help"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert "make demo" in said and "make test" in said


def test_constraints_are_names_and_versions_only() -> None:
    lines = page("constraints.txt").splitlines()
    assert lines and all(re.fullmatch(r"[A-Za-z0-9._-]+==[0-9][A-Za-z0-9.]*", line) for line in lines)
    pinned = {re.sub(r"[-_.]+", "-", line.split("==")[0]).lower() for line in lines}
    asked = re.findall(r'^  "([A-Za-z0-9_.-]+)[>=]', page("pyproject.toml"), re.MULTILINE)
    assert asked and {re.sub(r"[-_.]+", "-", name).lower() for name in asked} <= pinned
    assert not pinned & {"pip", "setuptools", "wheel", "rigd"}


def test_the_state_diagrams_are_drawn_from_the_tables():
    from rigd.engine.states import RUN_TABLE, TRIP_TABLE, draw

    text = (ROOT / "DEVELOPERS.md").read_text()
    for table in (RUN_TABLE, TRIP_TABLE):
        assert f"```mermaid\n{draw(table)}\n```" in text
