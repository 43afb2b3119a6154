"""Bytes that nobody wrote: decoders answer with the message or with words, never with anything else.

Budgeted by examples; each decoder also gets real bytes with one thing changed, which reach deeper than noise.
"""

from hypothesis import given, settings
from hypothesis import strategies as st

from rigd.model.errors import RecordAltered
from rigd.model.messages import Event, Kick, Reading, Scan, Tick
from rigd.store.chain import Chain
from rigd.store.encode import decode, encode, join, split
from rigd.store.journal import BlockBuilder, identity, read_blocks, segment_header, segment_path

SCAN = Scan(seq=1, t_ns=1_000, device=0, age_us=3, width_us=5, counts=(4000, -1, 1 << 31))
MESSAGES = (
    SCAN,
    Tick(seq=2, t_ns=2_000),
    Reading(seq=1, t_ns=1_000, device=0, values=(1.5, float("nan")), quality=(0, 2), step=-1, cycle=0,
            target_pa=float("nan"), highest_pa=0.0),
    Kick(seq=1, t_ns=1_000, output=5, counts=65535),
    Event(seq=1, t_ns=1_000, kind="words", text="\u202e\ud800 \x00", data=(("a", None), ("b", 1.5), ("c", True))),
)  # fmt: skip
changes = st.tuples(st.integers(0, 400), st.integers(0, 255), st.sampled_from(["set", "cut", "insert", "drop"]))


def changed(data: bytes, change: tuple[int, int, str]) -> bytes:
    place, byte, how = change
    at = place % (len(data) + 1)
    return {
        "set": data[:at] + bytes([byte]) + data[at + 1 :],
        "cut": data[:at],
        "insert": data[:at] + bytes([byte]) + data[at:],
        "drop": data[:at] + data[at + 1 :],
    }[how]


def read(data: bytes) -> None:
    try:
        message = decode(data)
    except RecordAltered as told:
        assert str(told)
    else:
        assert encode(message) == data, "what is accepted is canonical"


@settings(max_examples=1500, deadline=None)
@given(st.binary(max_size=300))
def test_noise_is_no_message(data):
    read(data)


@settings(max_examples=1500, deadline=None)
@given(st.sampled_from(MESSAGES), st.lists(changes, min_size=1, max_size=3))
def test_a_changed_message_is_another_message_or_none(message, all_changes):
    data = encode(message)
    for change in all_changes:
        data = changed(data, change)
    read(data)


@settings(max_examples=800, deadline=None)
@given(st.binary(max_size=200) | st.lists(st.sampled_from(MESSAGES), max_size=4).map(
    lambda messages: join([encode(m) for m in messages])), st.none() | changes)  # fmt: skip
def test_joined_messages_come_apart_again_or_are_refused(data, change):
    if change is not None:
        data = changed(data, change)
    try:
        assert join(split(data)) == data
    except RecordAltered as told:
        assert str(told)


@settings(max_examples=800, deadline=None)
@given(st.binary(max_size=400) | st.just(b"rigdchn\x01\x02\x00\x00\x00{}"))
def test_a_chain_of_any_bytes_is_read_or_refused(data):
    try:
        list(Chain(data).broken_links())
    except RecordAltered as told:
        assert str(told)


@settings(max_examples=300, deadline=None)
@given(st.lists(changes, max_size=2), st.binary(max_size=100))
def test_a_journal_of_any_bytes_ends_in_words(tmp_path_factory, all_changes, tail):
    """What is read of a changed journal is a true beginning of what was written."""
    builder = BlockBuilder(identity(run=1, version="0", files=()))
    blocks = []
    for number in range(3):
        builder.add_input(Tick(seq=number, t_ns=1_000 * (number + 1)))
        blocks.append(builder.take())
    data = segment_header(number=1, identity=identity(run=1, version="0", files=()), block=blocks[0]) + b"".join(blocks)
    for change in all_changes:
        data = changed(data, change)
    folder = tmp_path_factory.mktemp("run")
    (folder / "journal").mkdir()
    segment_path(folder, 1).write_bytes(data + tail)
    reader = read_blocks(folder)
    found = [message for block in reader for message in block.input_messages()]
    assert found == [Tick(seq=number, t_ns=1_000 * (number + 1)) for number in range(len(found))]
    assert reader.ending is not None and reader.ending.words
    assert all_changes or tail or reader.ending.kind != "damaged"
