"""What `rigd check` says of surges and stations before a night begins: cycles, time, disk, energy, who sees a peak."""

import json
from pathlib import Path

import pytest

from rigd.cli.check import check
from rigd.files import load

RIG = load.find("demo-surge", "rig").read_text(encoding="utf-8")


@pytest.fixture
def told(tmp_path, capsys):
    """Check the demo surge rig, some of its words replaced, with a profile; give back exit code and what was said."""

    def run(*edits, profile="cyclic-surge", specimen="K-21", as_json=False):
        text = RIG
        for old, new in edits:
            assert old in text, old
            text = text.replace(old, new)
        path = tmp_path / "rig.yaml"
        path.write_text(text, encoding="utf-8")
        code = check([path, Path(profile), Path(specimen)], as_json=as_json)
        return code, capsys.readouterr().out

    return run


def test_a_night_of_surges_is_foretold(told):
    code, said = told()
    assert code == 0
    for words in (
        *("24 valid cycles owed in 2 blocks at each of 4 stations", "1.83 s to 5.13 s", "62.9 s to 2 min 22 s"),
        *("records of all stations: 1.61 MB", "surges of 85 psi", "stored at one station by the charge"),
        *("2.94 kJ, stays behind its bladder", "the release valve opens in 30 ms", "93.21 psi in all"),
        *("marked as not resolved", "NOT resolved and is no result", "1884 samples a second"),
        "blind to shorter peaks: overpressure_a (each station), overpressure_b (each station), tank_overpressure",
        "holding:7 = 40008",
    ):
        assert words in said, words
    assert "CAUTION: the shots can exceed" not in said and "air that can come" not in said
    assert said.count("trip overpressure_a (each station)") == 2, "in the limits and for a flow that stops at once"
    assert said.splitlines()[-1].startswith("Caution: this software is not the safety device")


def test_air_comes_with_its_energy_and_a_caution(told):
    code, said = told(profile="surge-air-over-water")
    assert code == 0
    for words in ("most dangerous thing", "2.49 kJ (ASME PCC-2)", "for 40 kJ by invented test house", "strikes"):
        assert words in said, words
    assert "inspections at a person's pace: 1" in said
    code, said = told(("rated: 40 kJ", "rated: 2.2 kJ"), profile="surge-air-over-water")
    assert code == 0 and "Do not run it" in said, "only with the specimen's volume is it too much"
    code, said = told(("rated: 40 kJ", "rated: 2 kJ"), profile="surge-air-over-water")
    assert code == 65 and "proved for, 2000 J" in said


def test_a_stiff_line_is_warned_of(told):
    code, said = told(("modulus: 1500 MPa", "modulus: 200000 MPa"), ("inside: 20 mm", "inside: 8 mm"),
                      ("length: 1.2 m", "length: 30 m"))  # fmt: skip
    assert code == 0
    caution = next(line for line in said.splitlines() if "the shots can exceed" in line)
    for words in ("trip overpressure_a (each station) (120 psi)", "relief set (140 psi)", "proof of specimen_a"):
        assert words in caution, words


def test_json_carries_it_in_si(told):
    code, said = told(as_json=True)
    body = json.loads(said)
    (surge,) = body["forecasts"][0]["surges"]
    assert code == 0 and body["rig"]["stations"] == 4 and surge["owed"] == 24
    assert surge["release"]["opens_s"] == 0.03 and surge["gas_j"] == 0.0
    step = next(step for step in body["profiles"][0]["steps"] if "blocks" in step)
    assert step["part"]["sign"] == "switch" and step["blocks"] == [12, 12]


def test_alone_and_with_eight(capsys):
    assert check([Path("cyclic-surge")]) == 0
    said = capsys.readouterr().out
    assert "24 valid cycles owed in 2 blocks;" in said and "stored at one station" not in said
    assert check([Path("demo-surge-8"), Path("cyclic-surge")]) == 0
    said = capsys.readouterr().out
    assert "at each of 8 stations" in said and "read 200 times a second" in said and "give the specimen file" in said
