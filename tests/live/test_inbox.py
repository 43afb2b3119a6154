"""The order of everything is decided in one place, whoever posts."""

from rigd.live import inbox as inbox_room
from rigd.live.inbox import Inbox
from rigd.model.messages import Event, Input, Output, Tick


def tick(seq: int, t_ns: int) -> Tick:
    return Tick(seq=seq, t_ns=t_ns)


def test_times_increase_strictly_in_whole_microseconds_whatever_the_clock_does() -> None:
    origin = 5_000_000_123
    elapsed = iter([0, 0, 1, 1_001, 3_999, 2_000, 20_000_000])  # the first is the opening; it stands and runs back
    seen: list[Input] = []

    def turn(message: Input) -> tuple[Output, ...]:
        seen.append(message)
        return ()

    inbox = Inbox(turn, lambda: origin + next(elapsed))
    for _ in range(6):
        inbox.post(tick)
    assert [message.seq for message in seen] == [0, 1, 2, 3, 4, 5]
    assert [message.t_ns for message in seen] == [0, 1_000, 2_000, 3_000, 4_000, 20_000_000]


def test_what_is_posted_within_a_turn_waits_for_its_end() -> None:
    order: list[int] = []

    def turn(message: Input) -> tuple[Output, ...]:
        if message.seq == 0:
            assert inbox.post(tick) == (), "no answer before it was worked on"
            assert inbox.post(tick) == ()
        order.append(message.seq)
        return (Event(seq=message.seq, t_ns=message.t_ns, kind="host", text=""),)

    inbox = Inbox(turn)
    (answer,) = inbox.post(tick)
    assert answer.seq == 0, "the answer is to the message posted, not to those behind it"
    assert order == [0, 1, 2]


def test_a_flood_within_one_turn_is_told_and_bounded() -> None:
    count = 0

    def turn(message: Input) -> tuple[Output, ...]:
        nonlocal count
        count += 1
        if message.seq == 0:
            for _ in range(inbox_room.LIMIT + 5):
                inbox.post(tick)
        return ()

    inbox = Inbox(turn)
    inbox.post(tick)
    assert inbox.overflowed and count == 1 + inbox_room.LIMIT


def test_a_bug_in_a_turn_does_not_leave_the_inbox_deaf() -> None:
    def turn(message: Input) -> tuple[Output, ...]:
        if message.seq == 0:
            raise ZeroDivisionError
        return ()

    inbox = Inbox(turn)
    try:
        inbox.post(tick)
    except ZeroDivisionError:
        pass
    inbox.post(tick)
    assert inbox.last_t_ns > 0
