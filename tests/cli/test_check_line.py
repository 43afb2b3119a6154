"""What `rigd check` says of water hammer: warnings, the sampling rate, and that a sampled trip is blind."""

import json
from pathlib import Path

import pytest

from rigd.cli.check import check
from rigd.files import load

TEXT = load.find("demo", "rig").read_text(encoding="utf-8")


@pytest.fixture
def check_line(tmp_path, capsys):
    """Run it on the demo rig with some words replaced; give back exit code and what was said."""

    def run(*edits, as_json=False):
        text = TEXT
        for old, new in edits:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path = tmp_path / "rig.yaml"
        path.write_text(text, encoding="utf-8")
        code = check([path, Path("ramped-burst")], as_json=as_json)
        return code, capsys.readouterr().out

    return run


def test_a_sound_line_still_says_what_a_sampled_trip_cannot_see(check_line):
    code, said = check_line()
    assert code == 0
    for words in (
        *("pipe period 2L/a of 11 ms", "0.99 m/s", "450 psi (profile max)", "464.9 psi in all"),
        *("912 samples a second (10 in 2L/a)", "read 100 times a second", "NOT resolved"),
        "a trip on a sampled surge is blind to shorter peaks: overpressure_a, overpressure_b, tank_overpressure",
        *("517.9 psi in all", "would be above trip overpressure_a (500 psi)", "trapped air"),
    ):
        assert words in said, words
    assert "can exceed" not in said


def test_a_fast_valve_on_a_stiff_narrow_line_is_warned_of(check_line):
    code, said = check_line(
        ("modulus: 1500 MPa", "modulus: 200000 MPa"),
        ("valve_closes: 50 ms", "valve_closes: 0 ms"),
        ("inside: 12 mm", "inside: 4 mm"),
    )
    assert code == 0, "a warning, for the file itself is sound"
    caution = next(line for line in said.splitlines() if "CAUTION: the line and this valve can exceed" in line)
    for words in ("trip overpressure_a (500 psi)", "relief set (600 psi)", "hose (800 psi)", "proof of specimen_a"):
        assert words in caution, words
    assert "so at once" in said and "whatever stops" not in said


def test_a_fast_capture_is_not_called_blind(check_line):
    edits = [("scan: 10 ms", "scan: 1 ms"), ("    persistence: 20 ms\n", "    persistence: 0 ms\n")]
    code, said = check_line(*edits, ("length: 2.6 m", "length: 40 m"))
    assert code == 0 and "NOT resolved" not in said and "blind" not in said


def test_without_a_line_it_says_so(check_line):
    block = TEXT[TEXT.index("line: # from") : TEXT.index("approach: 40 psi")]
    code, said = check_line((block, ""))
    assert code == 0 and "nothing can be foretold of water hammer" in said and "blind" not in said
    assert check_line((block, ""), as_json=True)[1].count('"surge": null') == 1


def test_json_carries_it_in_si(check_line):
    _, said = check_line(as_json=True)
    body = json.loads(said)
    surge = body["forecasts"][0]["surge"]
    assert body["rig"]["line"]["inside_m"] == 0.012 and body["rig"]["line"]["closes_ns"] == 50_000_000
    assert surge["period_s"] == pytest.approx(0.011, abs=2e-4) and surge["resolved"] is False
    assert surge["declared"]["exceeded"] == [] and surge["at_once"]["exceeded"][0][0] == "trip overpressure_a"


@pytest.mark.parametrize(
    ("edit", "key", "words"),
    [
        (("restraint: expansion_joints", "restraint: anchored_upstream"), "line.poisson", "Add `poisson"),
        (("restraint: expansion_joints", "restraint: glued"), "line.restraint", "anchored_throughout"),
        (("inside: 12 mm", "inside: 12"), "line.inside", "bare number"),
        (("inside: 12 mm", "inside: 0 mm"), "line.inside", "from 0.1 mm"),
        (("modulus: 1500 MPa", "modulus: 1500 psi s"), "line.modulus", "pressure"),
        (("  wall: 2 mm\n", ""), "line.wall", "wall thickness"),
        (("  wall: 2 mm\n", "  wall: 2 mm\n  walls: 2 mm\n"), "line.walls", "Did you mean wall"),
        (("valve_closes: 50 ms", "valve_closes: -1 ms"), "line.valve_closes", "from 0 ms"),
        (("  wall: 2 mm\n", "  wall: 2 mm\n  poisson: 0.7\n"), "line.poisson", "at most 0.5"),
    ],
)
def test_faults_of_the_block(check_line, edit, key, words):
    code, said = check_line(edit)
    assert code == 65
    fault = said.splitlines()[0]
    assert key in fault and words in said, said
    assert said.splitlines()[-1].startswith("1 fault")
