"""The command line as a whole: verbs, help, speed of its first words, and errors that end in words."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from rigd.cli import main as command_line
from rigd.cli.main import app
from rigd.model import errors

VERBS = (
    ("check",), ("run",), ("demo", "burst"), ("demo", "surge"), ("demo", "leak"), ("demo", "flush"), ("status",),
    ("arm",), ("start",), ("hold",), ("resume",), ("vent",), ("stop",), ("reset",), ("confirm",), ("mark",),
    ("hand-check",), ("channels", "list"), ("channels", "read"), ("channels", "zero"), ("runs", "list"),
    ("runs", "show"), ("runs", "verify"), ("runs", "replay"), ("runs", "authorise"), ("runs", "amend"),
    ("runs", "inspect"), ("doctor",),
)  # fmt: skip
HEAVY = ("numpy", "pandas", "pyarrow", "pint", "pymodbus", "pydantic", "matplotlib", "scipy", "asyncio", "yaml")
"""What no help text may wait for (LIBRARIES A8: pandas alone takes 370 ms)."""


def rigd(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rigd.cli.main", *words], env=os.environ | {"COLUMNS": "120"} | environment,
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def run_here(
    words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str, str]:
    """The command line in this process, which is quicker than a process each."""
    monkeypatch.setattr(sys, "argv", ["rigd", *words])
    code = command_line.main()
    said = capsys.readouterr()
    return code, said.out, said.err


def registered() -> set[tuple[str, ...]]:
    found = {(command.name,) for command in app.registered_commands}
    for group in app.registered_groups:
        found |= {(group.name, command.name) for command in group.typer_instance.registered_commands}
    return found


def test_the_verbs_are_those_we_speak_of() -> None:
    assert registered() == set(VERBS)


@pytest.mark.parametrize("verb", VERBS, ids=" ".join)
def test_every_help_begins_with_examples_that_parse(
    verb: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said, _ = run_here([*verb, "--help"], monkeypatch, capsys)
    assert code == 0
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    assert lines[1] == "Examples:", said
    examples = [line for line in lines if line.startswith("rigd ")]
    assert examples and all(line.startswith(" ".join(("rigd", *verb))) for line in examples), examples


def test_the_first_words_wait_for_nothing_heavy() -> None:
    code = f"import sys; import rigd.cli.main; print([name for name in {HEAVY!r} if name in sys.modules])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.strip() == "[]"


def test_the_first_screen_speaks_of_the_danger(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _, said, _ = run_here(["--help"], monkeypatch, capsys)
    words = " ".join(said.split())
    for due in ("can kill", "not the safety device", "local codes", "licensed practice", "emergency stop"):
        assert due in words
    for verb in ("arm", "vent", "hand-check", "runs"):
        assert f"\n  {verb}" in said


def test_errors_end_in_words_and_their_code(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setenv("RIGD_RUNTIME", str(tmp_path / "rt"))
    for words, code, told in (
        (["status"], errors.UNREACHABLE, "no rig process"),
        (["runs", "show", "7", "--records", str(tmp_path)], errors.NO_SUCH_RUN, "no run '7'"),
        (["run", "nowhere", "--rig", "demo", "--specimen", "K-07"], errors.BAD_DATA, "ramped-burst"),
        (["run", "ramped-burst", "--rig", "demo", "--specimen", "K-07", "--set", "colour=red"], errors.USAGE, "FACT"),
        (["demo", "burst", "--body", "explodes"], errors.USAGE, "rupture"),
        (["demo", "burst", "--fault", "gremlins"], errors.USAGE, "door_opened"),
        (["demo", "surge", "--virtual", "--stations", "9"], errors.USAGE, "1 to 8"),
        (["explode"], errors.USAGE, "No such command"),
        (["vent", "--operator", "x" * 200], errors.USAGE, "--operator"),
    ):
        found, _, trouble = run_here(words, monkeypatch, capsys)
        assert found == code, (words, trouble)
        assert told in trouble and "Traceback" not in trouble, (words, trouble)


def test_our_own_faults_are_told_as_ours(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("rigd.live.places.find_socket", fail)
    code, _, trouble = run_here(["status"], monkeypatch, capsys)
    assert code == errors.OUR_BUG and "fault of rigd itself" in trouble and "Traceback" not in trouble
    monkeypatch.setenv("RIGD_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        run_here(["status"], monkeypatch, capsys)


def test_channels_of_the_demo_rig(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    code, said, _ = run_here(["channels", "list", "--rig", "demo", "--json"], monkeypatch, capsys)
    rows = json.loads(said)
    assert code == 0 and rows[0]["channel"] == "specimen_a" and rows[0]["address"] == "holding:0"
    _, table, _ = run_here(["channels", "list", "--rig", "demo"], monkeypatch, capsys)
    assert "holding:5 bit 0" in table


def test_the_installed_command_is_this_one() -> None:
    said = rigd("--version")
    assert said.returncode == 0 and said.stdout.startswith("rigd ")
