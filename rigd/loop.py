"""The loop body that the live, the simulated and the replaying world share: one message, all the way through.

Message into the journal, engine, then its outputs: commands in the safe direction at once, commands that can raise
pressure only after the block that holds their record has been handed to the writer, and the watchdog's kick not at all
while the computer last reported itself unwell. It knows no clock and no event loop; the ports are plain callables.
"""

from collections.abc import Callable
from typing import Protocol

from rigd.engine.engine import Engine
from rigd.engine.host import JOURNAL_BEHIND_US
from rigd.model.messages import HostReport, Input, Kick, Output, Reading, ValveCommand


class Builder(Protocol):
    """Where messages are gathered into a block (store.journal.BlockBuilder)."""

    @property
    def empty(self) -> bool: ...

    def add_input(self, message: Input) -> None: ...

    def add_output(self, message: Output) -> None: ...

    def take(self) -> bytes: ...


class Loop:
    __slots__ = ("_builder", "_drive", "_hand_over", "_publish", "_unwell", "engine")

    def __init__(
        self,
        engine: Engine,
        builder: Builder,
        hand_over: Callable[[bytes], None],
        *,
        drive: Callable[[int, int], None],
        publish: Callable[[Output], None],
    ) -> None:
        self.engine = engine
        self._builder, self._hand_over = builder, hand_over
        self._drive, self._publish = drive, publish
        self._unwell = False

    def turn(self, message: Input) -> tuple[Output, ...]:
        """One message through. Returns what the engine said."""
        builder = self._builder
        builder.add_input(message)
        if type(message) is HostReport:
            self._unwell = bool(message.write_error) or message.journal_lag_us > JOURNAL_BEHIND_US
        said = self.engine.step(message)
        raising: list[ValveCommand] = []
        for output in said:
            builder.add_output(output)
            kind = type(output)
            if kind is Reading:
                continue
            if kind is ValveCommand:
                if output.raises:
                    raising.append(output)
                else:
                    self._drive(output.output, output.counts)
            elif kind is Kick:
                if not self._unwell:
                    self._drive(output.output, output.counts)
            else:
                self._publish(output)
        if raising:
            self.flush()
            for command in raising:
                self._drive(command.output, command.counts)
        return said

    def flush(self) -> None:
        """Hand over what has been gathered, if anything."""
        if not self._builder.empty:
            self._hand_over(self._builder.take())
