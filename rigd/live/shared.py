"""What the stations of one rig have in common, told in the right order: outputs, and word of their neighbours.

`engine.combine` says what a shared output is told; here that reaches the devices. A command in the safe direction goes
out at once, in the middle of the turn that caused it. One that can raise pressure waits for the end of that turn, when
its cause has been handed to the writer: a neighbour that stops asking can raise what the others get, so what raises is
judged by the output itself and not by the command that came last. On a rig with one station everything passes through
untouched.
"""

from collections.abc import Callable, Sequence

from rigd.engine.combine import Combine, neighbours_of
from rigd.live.station import Order
from rigd.model.rig import Rig
from rigd.model.states import RUNNING

MOST_ROUNDS = 64  # of telling neighbours about neighbours: eight stations change a few times each, and then stand


class Shared:
    """Between the orders of all stations and the outputs of the whole rig. `send(output, counts)` reaches a device."""

    def __init__(self, rig: Rig, orders: Sequence[Order], send: Callable[[int, int], None]) -> None:
        self._rig, self._send = rig, send
        self._orders = list(orders)
        self._engines = [order.engine for order in orders]
        self._combine = Combine(rig, [order.place for order in orders], self._engines)
        self._shared = {
            at: output.counts_safe
            for at, output in enumerate(rig.outputs)
            if rig.stations > 1 and not output.station and output.role != "watchdog"
        }
        """Of the outputs that several stations ask for: what each was last told."""
        self._raising: dict[int, int] = {}
        self._telling = self._tell_again = False

    def replace(self, order: Order) -> None:
        """Another engine has a station's say from now on."""
        self._orders[order.at] = order
        self._engines[order.at] = order.engine

    def drive(self, order: Order, output: int, counts: int) -> None:
        """An engine's command, in the middle of its turn."""
        for at, told in self._combine.drive(order.at, output, counts):
            self._pass_on(at, told)

    def settle(self, order: Order) -> None:
        """After every turn, whosoever it was: a station may lose or get its say, and be seen to, without a command."""
        engine = order.engine
        standing = (engine.state, engine.wants_hands)
        if engine.state != RUNNING or standing != order.standing:  # who runs has a say by commands alone
            for at, told in self._combine.settle():
                self._pass_on(at, told)
        if self._raising:
            order.loop.flush()
            for at, told in self._raising.items():
                self._send(at, told)
            self._raising.clear()
        if standing != order.standing:
            order.standing = standing
            self._tell_neighbours()

    def forget(self, device: int) -> None:
        """A device came back: what its outputs show is not known."""
        self._combine.forget(device)

    def _pass_on(self, at: int, counts: int) -> None:
        before = self._shared.get(at)
        if before is None:
            self._send(at, counts)
            return
        safe = self._rig.outputs[at].counts_safe
        self._shared[at] = counts
        self._raising.pop(at, None)
        if abs(counts - safe) > abs(before - safe):
            self._raising[at] = counts
        else:
            self._send(at, counts)

    def _tell_neighbours(self) -> None:
        """Everybody whose neighbours have changed. What they answer may change their neighbours' in turn."""
        self._tell_again = True
        if self._telling:
            return
        self._telling = True
        try:
            for _ in range(MOST_ROUNDS):
                if not self._tell_again:
                    return
                self._tell_again = False
                for order in tuple(self._orders):
                    order.tell_neighbours(*neighbours_of(self._engines, order.at))
            raise AssertionError("stations change each other without end")
        finally:
            self._telling = False
