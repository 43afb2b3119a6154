"""An onset in words and columns: an interval with its ends, never a point; nothing where there is none."""

from types import SimpleNamespace

import pytest

from rigd.report.turns import describe_turns, onset_of, say_turns, turn_columns

DATA = {
    "last_tight_turns": 0.1875, "first_leaking_turns": 0.25, "onset_low_turns": 0.171875, "onset_high_turns": 0.265625,
    "onset_censoring": "interval", "angle_u_turns": 0.015625, "turns_judged": 4, "turns_undecided": 0,
    "tightness_proofs": 1, "order": "ascending", "prior_loosenings": 0, "loosenings_here": 1, "primary": True,
}  # fmt: skip


def result(**changes):
    return {"data": tuple((DATA | changes).items())}


def lines(*judged, **changes):
    looks = [SimpleNamespace(kind="turn", number=n, text=text) for n, text in enumerate(judged, 1)]
    return "\n".join(describe_turns(result(**changes), looks))


def test_words_of_an_onset():
    said = lines("fully tight: tight", "1/4 turn: leaking")
    assert "after 3/16 turn, up to 1/4 turn" in said and "above 0.1719, up to 0.2656 turn" in said
    assert "uncertainty of 1/64" in said and "the primary result" in said and "Look 2            1/4 turn" in said
    assert "not a first loosening" in lines(primary=False, prior_loosenings=2)
    assert "unknown how often" in lines(primary=False, prior_loosenings=None)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"first_leaking_turns": None, "onset_high_turns": None, "onset_censoring": "right"}, "after 3/16 turn"),
        ({"last_tight_turns": None, "onset_low_turns": 0.0, "onset_censoring": "left"}, "up to 1/4 turn"),
        ({"onset_low_turns": None, "onset_high_turns": None, "onset_censoring": "not monotone"}, "no onset is named"),
    ],
)
def test_open_ends_are_said_and_left_open(changes, words):
    assert words in lines(**changes)
    onset = onset_of(result(**changes))
    if changes["onset_censoring"] == "not monotone":
        assert onset["last_tight_turns"] is None and onset["first_leaking_turns"] is None
    else:
        assert onset["last_tight_turns"] == (DATA | changes)["last_tight_turns"]


def test_what_each_shut_dwell_was_is_said_and_what_contradicts_the_look():
    told = {
        "look": 1, "told": True, "why": "", "leak_m3_per_s": 1e-6 / 60.0, "leak_u_m3_per_s": 2e-8 / 60.0,
        "creep_m3": 3e-9, "creep_u_m3": 1e-9, "temperature_m3": -2e-9, "temperature_u_m3": 5e-10, "verdict": "reject",
        "engine": "tight", "contradicts_engine": True,
    }  # fmt: skip
    refused = {"look": 2, "told": False, "why": "because", "contradicts_engine": False}
    decay = {"told": 1, "of": 2, "refused": 1, "looks": [told, refused]}
    said = "\n".join(describe_turns(result(), [], decay))
    assert "told apart in 1 of 2 looks, refused in 1" in said and "not told: because" in said
    assert "leak 1 ± 0.02 mL/min; in its dwell creep took 0.003 ± 0.001 mL, warming took -0.002 ± 0.0005 mL" in said
    assert said.count("CONTRADICTION: tight by its fall, above its limit by what was told apart") == 1


def test_runs_of_another_kind_have_none_of_this():
    for other in ({"data": ()}, {}, {"data": (("cycles_owed", 24),)}):
        assert onset_of(other) is None and describe_turns(other, []) == [] and turn_columns(other) == {}


@pytest.mark.parametrize(
    ("turns", "words"), [(0.0625, "1/16"), (1.125, "1 1/8"), (2.0, "2"), (0.0, "0"), (1 / 3, "0.3333")]
)
def test_turns_are_written_as_a_technician_writes_them(turns, words):
    assert say_turns(turns) == words
