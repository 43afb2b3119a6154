"""events.jsonl: whatever order lines are put in, exactly those orders are taken that merging can have given."""

from hypothesis import given, settings
from hypothesis import strategies as st

from rigd.model.errors import RecordAltered
from rigd.model.messages import DeviceFault, Kick
from rigd.store.encode import encode
from rigd.store.events import merge, part

SEQS = st.lists(st.integers(0, 6), max_size=4)


@settings(max_examples=400, deadline=None)
@given(SEQS, SEQS, st.randoms(use_true_random=False))
def test_only_the_merged_order_is_taken(ins, outs, chance):
    inputs = [encode(DeviceFault(seq=s, t_ns=n, device=0, fault="absent", detail="")) for n, s in enumerate(ins)]
    outputs = [encode(Kick(seq=s, t_ns=n, output=0, counts=0)) for n, s in enumerate(outs)]
    merged = merge(inputs, outputs).splitlines(keepends=True)
    assert part(merged) == (list(zip(ins, inputs, strict=True)), outputs)
    lines = merged[:]
    chance.shuffle(lines)
    own = ([x[:-1] for x in lines if b"DeviceFault" in x], [x[:-1] for x in lines if b"Kick" in x])
    try:
        found = part(lines)
    except RecordAltered:
        assert merge(*own) != b"".join(lines)
    else:
        assert merge(*own) == b"".join(lines) and ([line for _, line in found[0]], found[1]) == own
