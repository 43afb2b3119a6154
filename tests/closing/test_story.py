"""What the lines of a run tell, and what may be said about opening up."""

import pytest

from rigd.closing.story import read_story
from rigd.files.load import find, load_profile
from rigd.model.messages import Event, HostReport, Kick, Result
from rigd.model.states import LINE_AT_ZERO, NOT_PROVEN
from rigd.store.encode import encode

RESULT = Result(
    **dict.fromkeys(Result.__dataclass_fields__)
    | {"seq": 5, "t_ns": 5000, "outcome": "stopped", "verdict": "undecided", "trace_class": "", "signs": (),
       "observation": "not_inspected", "first_out": "", "flags": (), "data": ()}
)  # fmt: skip
KICK = Kick(seq=9, t_ns=9000, output=1, counts=7)


def told(*messages):
    return read_story([encode(message) + b"\n" for message in messages], load_profile(find("ramped-burst", "profile")))


def moved(to: str, seq: int = 3) -> Event:
    return Event(seq=seq, t_ns=seq * 1000, kind="state", text=f"to {to}", data=(("to", to), ("why", "a test")))


@pytest.mark.parametrize(
    ("messages", "words"),
    [
        ((moved("VENTED"), RESULT), LINE_AT_ZERO),
        ((moved("VENTED"), moved("READY", 4), RESULT), LINE_AT_ZERO),
        ((moved("UNPROVEN"), RESULT), NOT_PROVEN),
        ((moved("UNPROVEN"), moved("VENTED", 4), RESULT), LINE_AT_ZERO),  # somebody checked by hand
        ((RESULT,), NOT_PROVEN),  # still VENTING, as every record begins
        ((moved("VENTED"),), NOT_PROVEN),  # cut off: nobody has seen the line since
        ((), NOT_PROVEN),
    ],
)
def test_only_a_run_proven_low_to_its_end_has_the_kinder_words(messages, words):
    assert told(*messages).opening_words == words


def test_who_leaves_a_line_proven_vented_knows_how_it_was_left():
    story = told(moved("VENTED"))
    story.was_cut_off = False  # the journal has an end
    assert story.opening_words == LINE_AT_ZERO
    story = told(moved("VENTING"))
    story.was_cut_off = False
    assert story.opening_words == NOT_PROVEN


def test_what_tells_nothing_is_passed_over_but_for_its_time():
    """A million kicks and reports of the host are not decoded, and their words cannot pass for an event."""
    report = HostReport(
        seq=8, t_ns=8000, journal_lag_us=0, write_error='"type":"Event"', free_bytes=1, missed_ticks=0,
        inbox_full=False, utc_ns=1,
    )  # fmt: skip
    step = Event(seq=2, t_ns=2000, kind="step", text="Ramp", data=(("step", 3),))
    fact = Event(seq=1, t_ns=1000, kind="fact", text="make: K", data=(("fact", "make"), ("value", "K")))
    story = told(fact, step, RESULT, report, KICK)
    assert story.last_ns == 9000 and story.counts == {"fact": 1, "step": 1}
    assert story.facts == {"make": "K"} and story.watched_step == 3 and story.result == RESULT
