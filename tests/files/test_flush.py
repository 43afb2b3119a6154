"""A flush-direction test as people write it: every key arrives, and what means nothing is refused in its place.

Limits that a pair must keep are common practice; the drop across an inlet is Q = k sqrt(dp) (rigd.model.rig).
"""

import jsonschema
import pytest

from rigd.files import load
from rigd.files.document import read
from rigd.files.schema import schema_of
from rigd.model.errors import FilesRefused
from rigd.model.flush import Flush

PSI = 6894.757293168362
S = 1_000_000_000
TEXT = load.find("flush-direction", "profile").read_text(encoding="utf-8")
RIG = load.load_rig(load.find("demo-flush", "rig"))
STEP = "steps[3].flush"
HITS = [("judged_by: cups", "judged_by: hits"), ("      weighing: 0.5 g", "#"), ("      balance: 25 %", "#")]


def flush_of(profile) -> Flush:
    return next(step for step in profile.steps if isinstance(step, Flush))


def test_every_key_arrives_and_the_shipped_pair_is_sound(loaded):
    profile = loaded()
    assert flush_of(profile) == Flush(
        name="Aim the stream", azimuths_deg=(0.0, 90.0, 180.0, 270.0), repeats=3, pressure_pa=pytest.approx(20 * PSI),
        pressure_tolerance=0.15, ramp_pa_per_s=pytest.approx(5 * PSI), flow_m3_per_s=pytest.approx(2e-5),
        flow_tolerance=0.15, duration_ns=10 * S, half_width_deg=15.0, judged_by="cups",
        mass_u_kg=pytest.approx(5e-4), balance=0.25, hands_ns=1800 * S,
    )  # fmt: skip
    assert flush_of(profile).aims == 12
    assert load.check_together(RIG, profile) == ()
    hits = flush_of(loaded(*HITS))
    assert (hits.judged_by, hits.mass_u_kg, hits.balance) == ("hits", 0.0, 0.0)
    jsonschema.Draft202012Validator(schema_of("profile")).validate(read(TEXT.encode(), "x").data)


@pytest.mark.parametrize(
    ("edits", "key", "words"),
    [
        ([("180 deg", "360 deg")], "azimuths[2]", "each direction once"),
        ([("90 deg", "90")], "azimuths[1]", "unit"),
        ([("repeats: 3", "repeats: 60")], "repeats", "2 to 200 aims"),
        ([("[0 deg, 90 deg, 180 deg, 270 deg]", "[0 deg]"), ("repeats: 3", "repeats: 1")], "repeats", "no interval"),
        ([("      weighing: 0.5 g", "#")], "weighing", "cups are weighed"),
        (HITS[:1], "weighing", "belongs to `judged_by: cups`"),
        ([("weighing: 0.5 g", "weighing: 20 g")], "weighing", "a fiftieth of the 200 g"),
        ([("half_width: 15 deg", "half_width: 120 deg")], "half_width", "90 deg"),
        ([("pressure: 20 psi", "pressure: 60 psi")], "pressure", "at most the profile's max"),
    ],
)  # fmt: skip
def test_what_means_nothing_is_refused_in_its_place(edits, key, words, loaded):
    with pytest.raises(FilesRefused) as told:
        loaded(*edits)
    found = [fault for fault in told.value.faults if fault.key == f"{STEP}.{key}"]
    assert found, told.value.faults
    assert any(words in f"{fault.found} {fault.allowed} {fault.todo}" for fault in found), found


@pytest.mark.parametrize(
    ("edits", "words"),
    [
        ([("repeats: 3", "repeats: 10")], "6 L that demo-flush holds"),  # 40 aims of 0.28 L
        ([("flow: 1.2 L/min", "flow: 1.8 L/min")], "before the inlet of demo-flush"),  # 10 psi x 1.8^2 and 20 psi
    ],
)
def test_what_the_rig_cannot_do_is_refused(edits, words, loaded):
    faults = load.check_together(RIG, loaded(*edits))
    assert any(words in f"{fault.found} {fault.allowed}" for fault in faults), faults


def test_a_stream_needs_a_vent_before_hands(loaded):
    with pytest.raises(FilesRefused) as told:
        loaded(("  - vent: {name: Vent}\n", ""))
    assert any("pressure still in the body" in fault.found for fault in told.value.faults)
