"""Every reply but the right one is named for what it is. Frames: the published TCP example of the Modbus application
protocol V1.1b3, 6.3 (registers 108 to 110 hold 555, 0, 100), as quoted in several repositories."""

from hypothesis import given
from hypothesis import strategies as st

from drivers.modbus_frame import DATA_AT, expect_echo, expect_read, judge

REPLY = bytes.fromhex("00 03 00 00 00 09 01 03 06 02 2B 00 00 00 64")
EXPECTED = expect_read(unit=1, function=3, byte_count=6, question="read 3 from holding:107 (40108)")
ECHO = expect_echo(unit=0x11, function=6, offset=0x64, value=0x1234, question="write")


def test_the_published_reply_is_the_expected_one():
    assert REPLY.startswith(REPLY[:2] + EXPECTED.head)
    assert len(REPLY) == EXPECTED.length
    assert REPLY[DATA_AT:] == bytes.fromhex("02 2B 00 00 00 64")
    # `11 06 00 64 12 34`, published RTU frame without its CRC: the reply repeats the request.
    assert ECHO.head == bytes.fromhex("00 00 00 06") + bytes.fromhex("11 06 00 64 12 34")


def test_every_beginning_may_still_become_it():
    refusal = bytes.fromhex("00 03 00 00 00 03 01 83 02")
    assert all(judge(REPLY[:size], b"\x00\x03", EXPECTED) is None for size in range(len(REPLY)))
    assert all(judge(refusal[:size], b"\x00\x03", EXPECTED) is None for size in range(len(refusal)))
    fault, words = judge(refusal, b"\x00\x03", EXPECTED)
    assert fault == "exception_reply" and "illegal data address" in words


@given(st.integers(0, DATA_AT - 1), st.integers(1, 255), st.integers(0, 6))
def test_any_changed_byte_of_the_head_is_refused(place, change, cut):
    wrong = bytearray(REPLY)
    wrong[place] ^= change
    fault, words = judge(bytes(wrong[: len(wrong) - cut]), b"\x00\x03", EXPECTED)
    assert fault == "wrong_reply" and "found" in words and "allowed" in words


@given(st.binary(min_size=1, max_size=300))
def test_anything_longer_is_refused(tail):
    assert judge(REPLY + tail, b"\x00\x03", EXPECTED)[0] == "wrong_reply"


def test_an_echo_of_something_else_is_a_failed_write():
    right = b"\x00\x07" + ECHO.head
    assert judge(right[:-1] + b"\x35", b"\x00\x07", ECHO)[0] == "write_failed"
    assert judge(right[:9] + b"\x65" + right[10:], b"\x00\x07", ECHO)[0] == "write_failed"
    assert judge(right[:7] + b"\x05" + right[8:], b"\x00\x07", ECHO)[0] == "wrong_reply"
