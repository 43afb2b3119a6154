"""An air check as people write it: every key arrives, and what could not tell anything is refused in its place."""

import jsonschema
import pytest

from rigd.files import load
from rigd.files.document import read
from rigd.files.schema import schema_of
from rigd.model.air import AirCheck
from rigd.model.errors import FilesRefused

PSI = 6894.757293168362
S = 1_000_000_000
TEXT = load.find("air-check", "profile").read_text(encoding="utf-8")
LEAK = load.find("cap-turn-leak", "profile").read_text(encoding="utf-8")
STEP = "steps[2].air_check"
PRESSURES = "pressures: [6 psi, 9 psi, 13 psi, 18 psi, 24 psi, 30 psi]"
STROKES = [
    ("added_by: meter", "added_by: strokes"),
    (PRESSURES, "strokes: 5"),
    ("rate: 1 psi/s", "stroke: 0.5 mL\n      answer: 1 min"),
]


def air_of(profile) -> AirCheck:
    return next(step for step in profile.steps if isinstance(step, AirCheck))


def test_every_key_arrives_and_the_shipped_pair_is_sound(loaded):
    step = air_of(loaded())
    assert (step.added_by, step.tries, step.strokes, step.stroke_m3) == ("meter", 3, 0, 0.0)
    assert step.pressures_pa == pytest.approx([p * PSI for p in (6, 9, 13, 18, 24, 30)])
    assert (step.volume_u, step.settle_ns, step.bleed_ns, step.hands_ns) == (0.02, 3 * S, 8 * S, 900 * S)
    assert step.most_m3 == pytest.approx(2.5e-6) and len(step.bleed_prompts) == 2
    strokes = air_of(loaded(*STROKES))
    assert (strokes.strokes, strokes.answer_ns, strokes.pressures_pa) == (5, 60 * S, ())
    assert strokes.stroke_m3 == pytest.approx(5e-7)
    known = air_of(loaded(("      settle", "      body: {least: 1 mL/MPa, most: 0.03 mL/psi}\n      settle")))
    assert known.body_least_m3_per_pa == pytest.approx(1e-12)
    assert known.body_most_m3_per_pa == pytest.approx(0.03e-6 / PSI)
    profile = loaded()
    assert load.check_together(load.load_rig(load.find("demo-leak", "rig")), profile) == ()
    jsonschema.Draft202012Validator(schema_of("profile")).validate(read(TEXT.encode(), "x").data)


@pytest.mark.parametrize(
    ("edits", "key", "words"),
    [
        ([(PRESSURES, "pressures: [6 psi, 9 psi, 13 psi]")], "body", "at least 5 points"),
        ([("9 psi", "5 psi")], "pressures[1]", "above the one before"),
        ([("30 psi]", "41 psi]")], "pressures[5]", "profile's max"),
        ([(PRESSURES, "pressures: [6 psi, 6.1 psi, 6.2 psi, 6.3 psi, 6.4 psi]")], "pressures", "at least 10 %"),
        ([("rate: 1 psi/s", "")], "rate", "added_by: meter"),
        ([*STROKES, ("strokes: 5", "strokes: 3")], "body", "at least 5 points"),
        ([*STROKES[:2], ("rate: 1 psi/s", "stroke: 1 mL")], "answer", "added_by: strokes"),
        ([("at_most: 2.5 mL", "at_most: none")], "at_most", "more than one try"),
        ([("tries: 3", "tries: 1")], "bleed", "more than one try"),
        (
            [("      settle", "      body: {least: 3 mL/MPa, most: 1 mL/MPa}\n      settle")],
            "body.most", "above `least`",
        ),
    ],
)  # fmt: skip
def test_what_could_tell_nothing_is_refused_in_its_place(edits, key, words, loaded):
    with pytest.raises(FilesRefused) as told:
        loaded(*edits)
    found = [fault for fault in told.value.faults if fault.key == f"{STEP}.{key}"]
    assert any(words in f"{fault.found} {fault.allowed} {fault.todo}" for fault in found), told.value.faults


def test_the_stretch_of_a_body_may_stand_in_its_file_with_its_uncertainty():
    text = "specimen: K-90\nvolume: 1.1 L\nstretch: 2 mL/MPa\nstretch_uncertainty: 0.1 mL/MPa\n"
    specimen = load.load_specimen_bytes(text.encode(), "x")
    assert specimen.stretch_m3_per_pa == pytest.approx(2e-12)
    assert specimen.stretch_u_m3_per_pa == pytest.approx(1e-13)
    for left in ("stretch: 2 mL/MPa\n", "stretch_uncertainty: 0.1 mL/MPa\n"):
        with pytest.raises(FilesRefused, match="stretch"):
            load.load_specimen_bytes(text.replace(left, "", 1).encode(), "x")


def test_a_rig_without_a_meter_is_refused(loaded):
    faults = load.check_together(
        load.load_rig(load.find("demo", "rig")), loaded()
    )
    assert any("make_up_flow" in fault.allowed for fault in faults), faults


AIR = """  - air_check:
      added_by: meter
      pressures: [6 psi, 9 psi, 13 psi, 18 psi, 24 psi]
      rate: 1 psi/s
      volume_uncertainty: 2 %
      settle: 3 s
      at_most: {}
      tries: 1
  - vent: {{name: Vent}}
  - cap_turns:
"""


def test_people_come_near_only_after_a_check_that_can_fail():
    """SAFETY S31: hands near pressure only after the air check passed."""
    near = LEAK.replace("observer: window", "observer: specimen")
    with pytest.raises(FilesRefused, match="air check"):
        load.load_profile_bytes(near.encode(), "x")
    load.load_profile_bytes(near.replace("  - cap_turns:\n", AIR.format("2 mL")).encode(), "x")
    with pytest.raises(FilesRefused) as told:
        load.load_profile_bytes(near.replace("  - cap_turns:\n", AIR.format("none")).encode(), "x")
    assert [fault.key for fault in told.value.faults] == ["steps[5].cap_turns.observer"]
