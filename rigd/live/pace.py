"""Ticks at a steady pace, each due at an absolute time, so that lateness never adds up.

asyncio rounds its own timers up to a millisecond, which makes a 1 kHz scan late most of the time; a kernel timer read
through the loop is on time within tens of microseconds. The kernel counts ticks that nobody took, so a consumer that
was late learns exactly how many it missed. Knows nothing of scans.
"""

import asyncio
import ctypes
import math
import os
import sys
import time

TFD_TIMER_ABSTIME = 1
FLAGS = os.O_NONBLOCK | getattr(os, "O_CLOEXEC", 0)
"""timerfd's own flags have the values of these two on Linux."""

NS = 1_000_000_000


class _Timespec(ctypes.Structure):
    _fields_ = (("seconds", ctypes.c_long), ("nanoseconds", ctypes.c_long))

    @classmethod
    def of(cls, time_ns: int) -> "_Timespec":
        return cls(*divmod(time_ns, NS))


class _Itimerspec(ctypes.Structure):
    _fields_ = (("interval", _Timespec), ("first", _Timespec))


def open_timer(first_ns: int, period_ns: int) -> int | None:
    """A kernel timer on the monotonic clock as a file descriptor, or None where the system has none (not Linux)."""
    if sys.platform != "linux":
        return None
    if hasattr(os, "timerfd_create"):  # Python 3.13 and later
        fd = os.timerfd_create(time.CLOCK_MONOTONIC, flags=FLAGS)
        os.timerfd_settime_ns(fd, flags=TFD_TIMER_ABSTIME, initial=first_ns, interval=period_ns)
        return fd
    libc = ctypes.CDLL(None, use_errno=True)
    fd = libc.timerfd_create(time.CLOCK_MONOTONIC, FLAGS)
    if fd < 0:
        raise OSError(ctypes.get_errno(), "timerfd_create")
    times = _Itimerspec(_Timespec.of(period_ns), _Timespec.of(first_ns))
    if libc.timerfd_settime(fd, TFD_TIMER_ABSTIME, ctypes.byref(times), None) < 0:
        error = ctypes.get_errno()
        os.close(fd)
        raise OSError(error, "timerfd_settime")
    return fd


class Pace:
    """`missed = await pace.tick()` returns at the next due time, or at once when one has passed; `missed` counts those
    before it that nobody took. Used by one task, inside a running loop; `close` it, or use it in a `with`.

    Where there is no timerfd the loop's own timer takes its place: the same counts, but each tick up to 1 ms late.
    """

    def __init__(self, period_ns: int) -> None:
        assert period_ns > 0, f"a period of {period_ns} ns is no pace"
        self.period_ns = period_ns
        self._loop = asyncio.get_running_loop()
        self._due = 0  # ticks that came and were not taken
        self._waiting: asyncio.Future[None] | None = None
        self._closed = False
        self._next_ns = time.monotonic_ns() + period_ns
        self._fd = open_timer(self._next_ns, period_ns)
        self._handle: asyncio.TimerHandle | None = None
        if self._fd is not None:
            self._loop.add_reader(self._fd, self._read_timer)
        else:
            self._arm()

    async def tick(self) -> int:
        """Wait for the next tick. Returns how many were missed before it [-]."""
        assert not self._closed, "the pace is closed"
        if self._due == 0:
            assert self._waiting is None, "one task at a time waits for the tick"
            self._waiting = self._loop.create_future()
            try:
                await self._waiting
            finally:
                self._waiting = None
        missed, self._due = self._due - 1, 0
        return missed

    def __aiter__(self) -> "Pace":
        return self

    async def __anext__(self) -> int:
        if self._closed:
            raise StopAsyncIteration
        return await self.tick()

    def close(self) -> None:
        """Stop the timer; a task that waits is cancelled."""
        if self._closed:
            return
        self._closed = True
        if self._waiting is not None:
            self._waiting.cancel()
        if self._handle is not None:
            self._handle.cancel()
        if self._fd is not None:
            self._loop.remove_reader(self._fd)
            os.close(self._fd)

    def __enter__(self) -> "Pace":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _read_timer(self) -> None:
        try:
            count = int.from_bytes(os.read(self._fd, 8), sys.byteorder)
        except BlockingIOError:
            return  # the loop woke us for nothing: the next expiry wakes us again
        self._count(count)

    def _arm(self) -> None:
        """Fallback: ask the loop to wake us at the next due time."""
        delay_s = max(0.0, (self._next_ns - time.monotonic_ns()) / NS)
        self._handle = self._loop.call_later(delay_s, self._take_late_ticks)

    def _take_late_ticks(self) -> None:
        late_ns = time.monotonic_ns() - self._next_ns
        if late_ns >= 0:
            count = 1 + math.floor(late_ns / self.period_ns)
            self._next_ns += count * self.period_ns
            self._count(count)
        self._arm()

    def _count(self, count: int) -> None:
        self._due += count
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)
