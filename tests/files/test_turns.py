"""Cap-turn profiles that must be refused, at the right key, in words: each is dangerous or its number means nothing.

SAFETY S31 (thread left, retention, distance), ASTM E2930-13(2021) 5.1 (seen: a tenth of the limit), and the rules of
the project's issue on cap turns; a case edits the shipped profile or meets it with another rig.
"""

from dataclasses import replace
from fractions import Fraction

import pytest

from rigd.files import load
from rigd.model.errors import FilesRefused
from rigd.model.leak import CapTurns

TEXT = load.find("cap-turn-leak", "profile").read_text()
RIG = load.load_rig(load.find("demo-leak", "rig"))
METHODS = TEXT[TEXT.index("      methods:") : TEXT.index("      minimum_turns")]
STIFF = TEXT[TEXT.index("      stiffness:") : TEXT.index("      methods:")]
VENTS = "vent_before_turn: true"
MARKS = "[1/16, 1/8, 3/16, 1/4, 5/16, 3/8, 7/16, 1/2]"


def step_of(profile) -> CapTurns:
    return next(step for step in profile.steps if type(step) is CapTurns)


def method(words):
    return METHODS, f"      methods: {words}\n"


REFUSED = {
    "too little thread": (("threads[6].turns", "at least 1 1/2", "Take the largest marks"), (MARKS, "[1/2, 1]")),
    "less than a turn left": (("least_engaged", "comes off"), ("least_engaged: 1 1/2", "least_engaged: 1/2")),
    "gas by hand": (("medium", "never with a cap that a hand turns"), ("medium: water", "medium: gas")),
    "gas by fixture": (
        ("medium", "gas_leak"),
        *(("medium: water", "medium: gas"), ("turned_by: hand", "turned_by: fixture")),
    ),
    "make-up through an open outlet": (("methods.make_up", "not a leak"), ("outlet: blocked", "outlet: flowing")),
    "decay through an open outlet": (
        ("methods.decay", "not a leak"), ("outlet: blocked", "outlet: flowing"), method("{decay: {limit: 1 mL/min}}"),
    ),
    "decay without the stiffness": (("methods.decay", "dV/dp"), (STIFF, ""), method("{decay: {limit: 1 mL/min}}")),
    "an expansion without its uncertainty": (
        ("methods.decay.expansion_uncertainty", "uncertainty"),
        method("{decay: {limit: 1 mL/min, expansion: 70 um/m/K}}"),
    ),
    "an uncertainty of nothing": (
        ("methods.decay.expansion", "Add `expansion:`"),
        method("{decay: {limit: 1 mL/min, expansion_uncertainty: 20 um/m/K}}"),
    ),
    "make-up without the stiffness": (("methods.make_up", "dV/dp"), (STIFF, "")),
    "sccm of water": (("methods.make_up.limit", "gas"), ("make_up: {limit: 0.5 mL/min}", "make_up: {limit: 0.5 sccm}")),
    "no method": (("methods", "one or several"), method("{}")),
    "at the specimen without an air check": (("observer", "air check"), ("observer: window", "observer: specimen")),
    "turning under pressure": (("vent_before_turn", "permissive"), (VENTS, "vent_before_turn: false")),
    "a permissive for nothing": (
        ("permissive", "vented before each turn"), (VENTS, f"{VENTS}\n      permissive: x"),
    ),
    "tightening under pressure": (
        ("vent_before_turn", "only on a vented line"), ("order: ascending", "order: bisecting"),
        ("vent_before_turn: true", "vent_before_turn: false\n      permissive: x"),
    ),
    "marks that fall": (("turns[1]", "more than"), (MARKS, "[1/8, 1/16]")),
    "a mark at zero": (("turns[0]", "proved by itself"), (MARKS, "[0, 1/8]")),
    "marks nearer than a hand errs": (
        ("angle_uncertainty", "below half"), ("angle_uncertainty: 1/64", "angle_uncertainty: 1/32"),
    ),
    "no turn at all": (("turns[0]", "a turn such as"), (MARKS, "[a bit]")),
    "a turn with its word": (("turns[0]", "the key says"), (MARKS, "[1/16 turn]")),
    "a third of a turn as decimals of a fraction": (("turns[0]", "a turn such as"), (MARKS, "[1/0.3]")),
    "division by zero": (("turns[0]", "a turn such as"), (MARKS, "[1/0]")),
    "a criterion beyond the list": (("minimum_turns", "largest mark"), ("minimum_turns: none", "minimum_turns: 3/4")),
    "torque without unit": (("torque", "torque with its unit"), ("torque: 8 N m", "torque: 8")),
    "drops without their volume": (("methods.drops.drop", "drop"), method("{drops: {limit: 1 mL/min}}")),
    "a stream counted in drops": (
        ("methods.drops.limit", "five drops"),
        method("{drops: {limit: 100 mL/min, drop: 0.05 mL, drop_uncertainty: 0.01 mL}}"),
    ),
    "a scale read by a person without uncertainty": (
        ("methods.catch.uncertainty", "uncertainty"), method("{catch: {limit: 1 mL/min, read_by: person}}"),
    ),
    "seal of unknown age": (("required", "loosenings"), ("lot, loosenings,", "lot,")),
    "above the profile's max": (("pressure", "max"), ("pressure: 30 psi", "pressure: 45 psi")),
    "without fill": (
        ("", "a `fill` step before it"), ("  - fill: {name: Fill, bleed: 8 s, until: 10 psi, timeout: 60 s}\n", ""),
    ),
    "closed with pressure on": (("steps[4].close_down", "vent"), ("  - vent: {name: Vent}\n", "")),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_refused_by_itself(name, loaded):
    (key, *words), *edits = REFUSED[name]
    with pytest.raises(FilesRefused) as refused:
        loaded(*edits)
    faults = [fault for fault in refused.value.faults if fault.key.endswith(key)]
    assert faults, [fault.key for fault in refused.value.faults]
    said = " ".join(f"{fault.found} {fault.allowed} {fault.todo}" for fault in faults)
    assert all(word in said for word in words), said


def conflicts(profile, rig=RIG):
    return [(fault.key, f"{fault.found} {fault.allowed}") for fault in load.check_together(rig, profile)]


def without(role):
    return replace(RIG, channels=tuple(c for c in RIG.channels if c.role != role), rows=(), outputs=RIG.outputs)


def test_the_shipped_pair_is_sound(loaded):
    assert not load.check_together(RIG, loaded())


@pytest.mark.parametrize(
    ("edits", "rig", "key", "words"),
    [
        ((), without("make_up_flow"), "methods.make_up", "make_up_flow"),
        ((), without("catch"), "methods.catch", "catch"),
        ((("make_up: {limit: 0.5", "make_up: {limit: 0.1"),), RIG, "methods.make_up.limit", "a tenth"),
        ((("catch: {limit: 0.5", "catch: {limit: 0.1"),), RIG, "methods.catch.limit", "a tenth"),
        ((("dwell: 30 s", "dwell: 5 s"),), RIG, "methods.catch.limit", "a tenth"),
        ((method("{decay: {limit: 0.001 mL/min}}"),), RIG, "methods.decay.limit", "a tenth"),
        (
            (method("{drops: {limit: 0.5 mL/min, drop: 0.05 mL, drop_uncertainty: 0.01 mL}}"),),
            RIG, "methods.drops.limit", "a tenth",
        ),
        (
            (("vent_before_turn: true", "vent_before_turn: false\n      permissive: cap_cage"),),
            RIG, "permissive", "door_shut",
        ),
        (
            (("vent_before_turn: true", "vent_before_turn: false\n      permissive: door_shut"),),
            replace(RIG, approach_pa=29.0 * 6894.757), "pressure", "approach",
        ),
    ],
)  # fmt: skip
def test_refused_with_this_rig(edits, rig, key, words, loaded):
    found = conflicts(loaded(*edits), rig)
    assert any(at.endswith(key) and words in said for at, said in found), found


def test_a_look_at_the_specimen_stays_below_the_approach_pressure(loaded):
    profile = loaded()
    near = replace(step_of(profile), observer="specimen", pressure_pa=RIG.approach_pa)
    steps = tuple(near if type(step) is CapTurns else step for step in profile.steps)
    assert any(key.endswith("pressure") and "people are near" in said for key, said in
               conflicts(replace(profile, steps=steps)))  # fmt: skip


def test_a_model_whose_thread_nobody_counted_is_refused_where_profile_and_specimen_meet(loaded):
    profile = loaded()

    def told(text):
        return load.check_specimen(profile, load.load_specimen_bytes(text.encode(), "body"))

    (fault,) = told("{specimen: Q-1, make: Q, size: short}")
    assert fault.key == "steps[3].cap_turns.threads" and "make Q, size short, which Q-1 has" in fault.found
    assert "K short" in fault.allowed and "add `- {make: Q, size: short, turns: TURNS}`" in fault.todo
    assert len(told("{specimen: Q-2, make: K, size: long}")) == 1
    assert told("{specimen: K-1, make: K, size: short}") == ()
    assert told("{specimen: Q-3, make: Q}") == (), "not known yet: it is asked for at the rig, and the engine refuses"


AIR = """  - air_check:
      added_by: meter
      pressures: [8 psi, 12 psi, 16 psi, 20 psi, 24 psi]
      rate: 2 psi/s
      volume_uncertainty: 2 %
      settle: 2 s
      at_most: 5 mL
      tries: 1
"""


def test_a_look_at_the_specimen_needs_an_air_check_that_has_a_limit(loaded):
    before, near = "  - cap_turns:\n", ("observer: window", "observer: specimen")
    assert step_of(loaded((before, AIR + before), near)).observer == "specimen"
    with pytest.raises(FilesRefused, match="air check"):
        loaded((before, AIR.replace("at_most: 5 mL", "at_most: none") + before), near)


def test_turns_are_read_exactly_as_a_technician_writes_them(loaded):
    step = step_of(loaded((MARKS, '[1/16, "1/8", 3/16, 0.25, 1/3]')))
    assert [turn.text for turn in step.turns] == ["1/16", "1/8", "3/16", "0.25", "1/3"]
    assert [turn.turns for turn in step.turns] == [0.0625, 0.125, 0.1875, 0.25, float(Fraction(1, 3))]
    assert step.threads[2].engaged_turns == 2.5, "2 1/2"


def test_what_was_written_is_what_is_turned(loaded):
    step = step_of(loaded())
    assert step.angle_u_turns == 1 / 64 and step.torque_text == "8 N m" and step.order == "ascending"
    assert [(m.kind, round(m.limit_m3_per_s * 60e6, 9)) for m in step.methods] == [
        ("eye", 0.05), ("make_up", 0.5), ("catch", 0.5),
    ]  # fmt: skip
    assert step.stiffness_most_m3_per_pa == pytest.approx(0.5e-6 / (3 * 6894.757), rel=1e-6)
    assert step.minimum_turns == 0.0 and step.threads[0].engaged_turns == 3.0
    assert step_of(loaded(("minimum_turns: none", "minimum_turns: 1/8"))).minimum_turns == 0.125
