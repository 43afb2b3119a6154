"""Leak tests with gas that must be refused, at the right line, in words: each is dangerous or its number means nothing.

Sources: SAFETY S17, S22 to S24 (a chamber, stored energy, nitrogen in a room); ASTM E2930-13(2021) 5.1 (seen in a
preview: resolution a tenth of the limit, accuracy a quarter, a fall below a tenth) and 1.1 (no deformable vessels,
hence the stated change); ASTM E1003-13(2018) 1.3 and its footnote (a standard volume has a temperature).
"""

from dataclasses import replace

import pytest

from rigd.calc import energy, expect_gas, leak
from rigd.calc import gas_leak as published
from rigd.calc.exact import gas_leak as exact
from rigd.calc.expect import forecast
from rigd.engine.air import ROOT_3
from rigd.files import gas, gas_leak, load
from rigd.model.errors import FilesRefused
from rigd.model.gas import GasLeak

TEXT = load.find("gas-leak", "profile").read_text()
RIG_TEXT = load.find("demo-gas", "rig").read_text()
RIG = load.load_rig(load.find("demo-gas", "rig"))
KEY = "steps[2].gas_leak"
FILL = "  - fill: {name: Fill, bleed: 8 s, until: 10 psi, timeout: 60 s}\n"
TURNS = load.find("cap-turn-leak", "profile").read_text()
CAP_TURNS = TURNS[TURNS.index("  - cap_turns:") : TURNS.index("  - vent:")]
AIR = TEXT[TEXT.index("      atmosphere:\n") : TEXT.index("  - vent:")]
BAROMETER = """  barometer:
    role: atmosphere
    device: io
    address: holding:8
    type: uint16
    signal: {counts: [0, 60000]} # pascals above 50 kPa
    calibration: {two_point: [[0 counts, 50 kPa], [60000 counts, 110 kPa]]}
    reference: absolute
    plausible: [-20 kPa, 8 kPa]
    lag: 100 ms
    accuracy: 50 Pa
    proof: 150 kPa
    required: false
"""
MEASURED = (("  # Switches are", BAROMETER + "  # Switches are"), ("approach:", "ambient: 101.3 kPa\napproach:"))


def part(start, end):
    return TEXT[TEXT.index(start) : TEXT.index(end)]


def step_of(profile) -> GasLeak:
    return next(step for step in profile.steps if type(step) is GasLeak)


def line_of(words):
    return TEXT[: TEXT.index(words)].count("\n") + 1


REFUSED = {
    "a hand": ("closure", "closure:", "hand turns or holds|cap_turns", ("retained_plug #", "hand #")),
    "no word of the closure": (
        "closed_by", "", "torque or retention", (part("      closed_by", "      pressure: 15"), ""),
    ),
    "no temperature beside sccm": (
        "sccm_at", "", "no default|7 %", (part("      sccm_at", "      volume:"), ""),
    ),
    "a limit in millilitres": ("limit", "limit: 1 sccm", "1 sccm", ("limit: 1 sccm", "limit: 1 mL/min")),
    "no limit at all": ("limit", "limit: 1 sccm", "1e-06", ("limit: 1 sccm", "limit: 0 sccm")),
    "water": ("medium", "medium:", "nitrogen, air", ("medium: nitrogen", "medium: water")),
    "no air pressure": ("atmosphere", "", "gauge pressure alone", (AIR, "")),
    "two air pressures": (
        "atmosphere", "atmosphere:\n", "belongs to", ("atmosphere_from: stated", "atmosphere_from: channel"),
    ),
    "no source of the body's change": (
        "body_change.source", "", "how that is known", (part("        source:", "      atmosphere_from"), ""),
    ),
    "no proof": ("", "", "`proof` step before", (part("  - proof:", "  - gas_leak"), "")),
    "pressure left on": ("steps[3].ask", "", "vent", ("  - vent: {name: Vent}\n", "")),
    "above the max": ("pressure", "pressure: 15 psi", "max", ("pressure: 15 psi", "pressure: 19 psi")),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_refused_by_itself(name, loaded):
    key, place, words, edit = REFUSED[name]
    with pytest.raises(FilesRefused) as refused:
        loaded(edit)
    (fault,) = refused.value.faults
    assert fault.key.endswith(key), fault
    assert all(word in str(fault) for word in words.split("|")), fault
    if place:
        assert fault.line == line_of(place), fault
    assert str(fault).startswith(f"profile.yaml:{fault.line}:")


@pytest.mark.parametrize(
    ("wet", "words"),
    [(FILL, "`gas_leak` with fill|dry"), (CAP_TURNS, "no `cap_turns`|never has gas"),
     ("  - hold: {name: Hold, pressure: 10 psi, duration: 10 s, tolerance: 1 psi}\n", "with hold")],
)  # fmt: skip
def test_nothing_wet_and_no_turned_cap_beside_gas(wet, words, loaded):
    with pytest.raises(FilesRefused) as refused:
        loaded(("  - gas_leak:\n", wet + "  - gas_leak:\n"))
    told = [str(fault) for fault in refused.value.faults if fault.key.endswith("gas_leak")]
    assert any(all(word in line for word in words.split("|")) for line in told), told


def test_once_and_with_water_in_a_cap_turn_test(loaded):
    twice = TEXT[TEXT.index("  - gas_leak:") : TEXT.index("  - vent:")]
    with pytest.raises(FilesRefused, match="once: a run has one verdict"):
        loaded(("  - vent:", twice + "  - vent:"))
    with pytest.raises(FilesRefused, match=r"never with a cap that a hand turns.*`gas_leak`"):
        load.load_profile_bytes(TURNS.replace("medium: water", "medium: gas").encode(), "p.yaml")


def conflicts(profile, rig=RIG):
    return [(fault.key.removeprefix(KEY), str(fault)) for fault in load.check_together(rig, profile)]


def test_the_shipped_pair_is_sound(loaded):
    assert conflicts(loaded()) == []


def without(role):
    return replace(RIG, channels=tuple(c for c in RIG.channels if c.role != role), rows=(), outputs=())


NO_DOOR = replace(RIG, rows=tuple(row for row in RIG.rows if RIG.channels[row.channel].role != "door"))
WEAK = replace(RIG, chamber=replace(RIG.chamber, rated_j=50.0))
WET = load.load_rig(load.find("demo-leak", "rig"))


@pytest.mark.parametrize(
    ("rig", "key", "words"),
    [
        (NO_DOOR, ".medium", "door is a permissive"),
        (NO_DOOR, ".medium", "door is a trip"),
        (WEAK, ".medium", "chamber was proved for, 50 J"),
        (WET, ".medium", "holds water in bladder tank"),
        (without("gas_temperature"), "", "gas_temperature"),
        (without("feed"), ".medium", "could hide a leak"),
        (replace(RIG, stations=2), "", "thermometer of its own"),
        (replace(RIG, channels=tuple(replace(c, head_pa=10.0) for c in RIG.channels)), ".medium", "no head"),
    ],
    ids=str,
)
def test_refused_on_a_rig(rig, key, words, loaded):
    told = conflicts(loaded(), rig)
    assert any(where == key and words in said for where, said in told), told


def test_a_method_that_does_not_see_a_tenth_names_the_dwell_that_would(loaded, rig_of):
    ((key, told),) = conflicts(loaded(("dwell: 10 min", "dwell: 5 min")))
    assert key == ".dwell" and "at least 5.6 min" in told and "(0 degC)" in told
    assert conflicts(loaded(("dwell: 10 min", "dwell: 5.7 min"))) == []
    coarse = (("counts: [0, 300000]", "counts: [0, 750]"), ("[300000 counts,", "[750 counts,"))
    for edits in ((("accuracy: 0.05 K", "accuracy: 0.5 K"),), coarse):
        ((key, told),) = conflicts(loaded(), rig_of(*edits))
        assert key == ".dwell" and "a tenth of its limit" in told
    ((key, told),) = conflicts(loaded(("at_most: 0.02 %", "at_most: 0.2 %")))
    assert key == ".dwell" and "Or a limit of at least" in told
    ((key, told),) = conflicts(loaded(("body_uncertainty: 4 mL", "body_uncertainty: 120 mL")))
    assert key == ".volume" and "a quarter of its limit" in told
    ((key, told),) = conflicts(loaded(("limit: 1 sccm", "limit: 20 sccm"), ("dwell: 10 min", "dwell: 60 min")))
    assert key == ".dwell" and "more than 10% of the gas" in told


def test_a_fault_of_the_pair_stands_at_its_line(tmp_path):
    profile = tmp_path / "profile.yaml"
    profile.write_text(TEXT.replace("dwell: 10 min", "dwell: 1 min"))
    shape = load.load_profile(profile)
    (fault,) = load.check_together(RIG, shape, rig_path=str(load.find("demo-gas", "rig")), profile_path=str(profile))
    assert fault.line == line_of("dwell: 10 min") and fault.path == str(profile)


def test_a_barometer_takes_the_place_of_what_is_stated(loaded, rig_of):
    by_channel = loaded(("atmosphere_from: stated", "atmosphere_from: channel"), (AIR, ""))
    ((key, told),) = conflicts(by_channel)
    assert key == ".atmosphere_from" and "role: atmosphere" in told
    measured = rig_of(*MEASURED)
    assert conflicts(by_channel, measured) == []
    gauge = BAROMETER.replace("absolute", "gauge")
    assert conflicts(by_channel, rig_of(("  # Switches are", gauge + "  # Switches are")))[0][0] == ".atmosphere_from"


def test_another_body_than_the_profiles_is_refused_at_its_line():
    body, path = load.load_specimen(load.find("K-21", "specimen")), load.find("gas-leak", "profile")
    shape = load.load_profile(path)
    assert load.check_specimen(shape, body, profile_path=str(path)) == ()
    assert load.check_specimen(shape, replace(body, volume_m3=0.0), profile_path=str(path)) == ()
    (fault,) = load.check_specimen(shape, replace(body, volume_m3=0.82e-3), profile_path=str(path))
    assert fault.line == line_of("        body: 0.8 L") and "K-21 has 0.82 L" in str(fault)


def test_rules_that_two_rooms_have_are_the_same(loaded, rig_of):
    step = step_of(loaded())
    assert gas_leak.resolved_mol_per_s(RIG, step) == pytest.approx(expect_gas.resolved_mol_per_s(RIG, step), rel=1e-12)
    measured = rig_of(*MEASURED)
    by_channel = step_of(loaded(("atmosphere_from: stated", "atmosphere_from: channel"), (AIR, "")))
    assert gas_leak.resolved_mol_per_s(measured, by_channel) == pytest.approx(
        expect_gas.resolved_mol_per_s(measured, by_channel), rel=1e-12
    )
    assert (gas_leak.RESOLVED_PARTS, gas_leak.ACCURATE_PARTS, gas_leak.LARGEST_FALL) == (
        leak.RESOLVED_PARTS, leak.ACCURATE_PARTS, leak.LARGEST_FALL,
    )  # fmt: skip
    assert (gas_leak.GAS_CONSTANT, gas_leak.WINDOW) == (exact.GAS_CONSTANT_J_PER_MOL_K, exact.WINDOW)
    assert gas_leak.ROOT_3 == exact.ROOT_3 == ROOT_3
    assert step.limit_mol_per_s == pytest.approx(published.from_sccm_mol_per_s(1.0, 273.15), rel=1e-12)
    # E1: ASME PCC-2-2008 App. II eq. II-2.
    same = energy.gas_pcc2_j(step.pressure_pa + energy.PCC2_ATMOSPHERE_PA, 1e-3)
    assert step.stored_j == pytest.approx(same) == gas.gas_energy_j(step.pressure_pa, 1e-3)


def test_what_no_sample_shows_is_counted_by_the_book():
    """JCGM 100:2008 4.3.7 and 5.1 by hand: half-widths over root 3, each times its own slope of n = pV/(RT)."""
    end = exact.Look(200e3, 0.0, 300.0, 0.03)
    found = exact.leaked(end, end, 1000.0, exact.Unseen(1e-3, 5e-6, drift_pa=40.0, body_m3=1e-7))
    moles = 200e3 * 1e-3 / 8.31446261815324 / 300.0
    parts = (moles * 40.0 / 200e3, moles * 0.03 / 300.0 * 2.0**0.5, 0.0, moles * 1e-4)
    assert (found.by_pressure, found.by_temperature, found.by_volume, found.by_body) == pytest.approx(
        [part / 1000.0 for part in parts]
    )
    assert found.flow == 0.0 and found.u == pytest.approx(sum(part**2 for part in parts) ** 0.5 / 1000.0)


def test_the_forecast_counts_gas_and_not_water(loaded):
    profile, specimen = loaded(), load.load_specimen(load.find("K-21", "specimen"))
    told = forecast(RIG, profile, specimen)
    (only,) = told.gas_leaks
    assert only.limit_sccm == pytest.approx(1.0) and only.sccm_k == 273.15
    assert only.resolves_sccm < 0.1 and only.enough_s < 600.0
    body = next(charge for charge in told.charges if charge.name.startswith("specimen"))
    assert body.water_j == 0.0 and body.gas_j > 50.0
    # L7 of the published check values, scaled: 40 psi gauge, 0.1 K in 60 s and 1 L look like 1.270 sccm (293.15 K).
    like = replace(step_of(profile), pressure_pa=40 * 6894.757293168362, dwell_ns=60 * 10**9, sccm_k=293.15,
                   atmosphere_pa=101_325.0)  # fmt: skip
    assert expect_gas.expect_gas_leak(None, 0, like).cooling_sccm == pytest.approx(1.270, abs=2e-3)
