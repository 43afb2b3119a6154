"""A signed journal cut and flipped: signatures are told from blocks and never stand in their way.

Ed25519 itself is held to RFC 8032, section 7.1, test 2.
"""

import pytest

from rigd.model.errors import RecordAltered
from rigd.store import heads
from rigd.store.journal import SIGNED, is_closing, read_blocks, segment_path, signed_head
from rigd.store.keys import RigKey, is_signed

KEY = RigKey(bytes(range(32)))


def sign_every(run, every: int) -> None:
    """The one segment of a run again, with a signature before each so many blocks and before the last."""
    path = segment_path(run.folder, 1)
    header = path.read_bytes()[: path.stat().st_size - sum(map(len, run.blocks))]
    framed = []
    for at, block in enumerate(run.blocks, start=1):
        due = at % every == 0 or is_closing(block)
        framed.append((signed_head(block, lambda head: heads.sign(KEY, head)) if due else b"") + block)
    path.write_bytes(header + b"".join(framed))


def test_the_signature_is_that_of_the_standard():
    """RFC 8032 7.1, TEST 2."""
    key = RigKey(bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"))
    assert key.public == "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    assert key.sign(b"\x72") == (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    assert is_signed(b"\x72", key.sign(b"\x72"), key.public) and not is_signed(b"\x73", key.sign(b"\x72"), key.public)


def test_cut_at_every_byte_the_prefix_survives_with_the_signatures_it_had(run_maker):
    run = run_maker("cut", count=4, per_block=2, per_segment=99)
    sign_every(run, 2)
    path = segment_path(run.folder, 1)
    data, reader = path.read_bytes(), read_blocks(run.folder)
    whole = [block.hash for block in reader]
    assert reader.ending.kind == "clean" and len(whole) == len(run.blocks) and len(reader.heads) == 2
    assert all(is_signed(heads.signed_bytes(head), sig.hex(), KEY.public) for head, sig in reader.heads)
    for length in range(len(data)):
        path.write_bytes(data[:length])
        cut = read_blocks(run.folder)
        found = [block.hash for block in cut]
        assert found == whole[: len(found)], length
        assert cut.ending.kind == "torn" and cut.heads == reader.heads[: len(cut.heads)], length


def test_every_bit_of_a_signed_journal_is_guarded(run_maker):
    run = run_maker("bits", count=4, per_block=2, per_segment=99)
    sign_every(run, 2)
    path = segment_path(run.folder, 1)
    data, reader = bytearray(path.read_bytes()), read_blocks(run.folder)
    whole, signed = [block.hash for block in reader], reader.heads
    for bit in range(0, len(data) * 8, 37):
        data[bit // 8] ^= 1 << bit % 8
        path.write_bytes(data)
        found = read_blocks(run.folder)
        hashes = [block.hash for block in found]
        assert hashes == whole[: len(hashes)] and found.heads == signed[: len(found.heads)], bit
        assert found.ending.kind != "clean", bit
        data[bit // 8] ^= 1 << bit % 8


def test_a_signature_of_another_place_is_damage(run_maker):
    run = run_maker("moved", count=12, per_block=2, per_segment=99)
    sign_every(run, 2)
    path = segment_path(run.folder, 1)
    first, second = (signed_head(run.blocks[at], lambda head: heads.sign(KEY, head)) for at in (1, 3))
    data = path.read_bytes()
    assert first[8] == SIGNED and first in data and second in data
    path.write_bytes(data.replace(second, first))
    reader = read_blocks(run.folder)
    assert len(list(reader)) == 3 and reader.ending.kind == "damaged" and "signature" in reader.ending.words


def test_a_file_of_heads_that_is_none_is_refused():
    rows = heads.MAGIC + heads.rows([(b"h" * 32, b"s" * 64)])
    assert heads.parse(rows) == [(b"h" * 32, b"s" * 64)] and heads.parse(heads.MAGIC) == []
    for wrong in (b"", rows[:-1], rows + b"x", b"X" + rows[1:]):
        with pytest.raises(RecordAltered):
            heads.parse(wrong)
