"""From a list of channels to the fewest block reads, and from the replies to one integer a channel.

Planning happens once, when a driver is made, so that a scan does no thinking: a block read becomes one permutation of
bytes (often none) and one struct call. The plan knows where values stand and how they are laid out; it refuses to know
how bytes travel, so any Modbus transport can use it.
"""

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import itemgetter

from drivers.registers import CODES, WIDTHS, byte_places, format_address
from rigd.model.errors import Misconfigured
from rigd.model.rig import ORDERS, TYPES, Channel

READ_FUNCTIONS = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
BIT_TABLES = ("coil", "discrete")

REGISTERS_MAX = 125
BITS_MAX = 2000
"""Most that one read may ask for (Modbus application protocol V1.1b3, 6.1 to 6.4): a reply is 253 bytes at most."""

GAP_REGISTERS = 8
"""Unused registers worth reading to save a request: 16 bytes cost far less than a round trip. A device that refuses
addresses it does not use needs 0 (setting `gap`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One read request."""

    table: str
    offset: int
    count: int  # registers, or bits of a bit table

    @property
    def function(self) -> int:
        return READ_FUNCTIONS[self.table]

    @property
    def byte_count(self) -> int:
        """Data bytes of the right reply."""
        return (self.count + 7) // 8 if self.table in BIT_TABLES else 2 * self.count

    def __str__(self) -> str:
        return f"{self.count} from {format_address(self.table, self.offset)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanning:
    """Blocks to read and how to take them apart. `decode` turns the data bytes of all replies, in the order of
    `blocks`, into one integer a channel, in the order the channels were given; each reply's data begins at `skip`."""

    blocks: tuple[Block, ...]
    decode: Callable[[Sequence[bytes]], tuple[int, ...]]


def plan_scan(channels: Sequence[Channel], *, gap: int = GAP_REGISTERS, skip: int = 0) -> Scanning:
    """Plan the reads of one device's channels. Raises Misconfigured with everything that cannot be read."""
    complaints = [words for channel in channels for words in _complaints(channel)]
    if complaints:
        raise Misconfigured("\n".join(complaints))
    blocks = _merge_spans({_span(channel) for channel in channels}, gap)
    fields: list[list[tuple[str, tuple[int, ...]]]] = [[] for _ in blocks]
    picks = []
    for channel in channels:
        index = next(i for i, block in enumerate(blocks) if _covers(block, channel))
        code, places, bit = _field(blocks[index], channel, skip)
        if (code, places) not in fields[index]:
            fields[index].append((code, places))
        picks.append((index, fields[index].index((code, places)), bit))
    readers = tuple(_compile_reader(block_fields) for block_fields in fields)
    starts = [sum(len(earlier) for earlier in fields[:index]) for index in range(len(fields))]
    flat = tuple((starts[index] + field, bit) for index, field, bit in picks)
    return Scanning(blocks=blocks, decode=_compile_decoder(readers, flat))


def _complaints(channel: Channel) -> list[str]:
    table, offset = channel.address.table, channel.address.offset
    if table not in READ_FUNCTIONS:
        return [f"channel {channel.name}: found table {table}; allowed: {', '.join(READ_FUNCTIONS)}"]
    if channel.type not in TYPES or channel.order not in ORDERS:
        found = f"type {channel.type}, order {channel.order}"
        return [f"channel {channel.name}: found {found}; allowed: {', '.join(TYPES)} in {', '.join(ORDERS)}"]
    found = []
    if table in BIT_TABLES and channel.type != "bit":
        found.append(f"channel {channel.name}: found {channel.type} in table {table}; allowed: bit")
    if channel.type == "bit" and not 0 <= channel.bit <= 15:
        found.append(f"channel {channel.name}: found bit {channel.bit}; allowed: 0 to 15")
    width = 1 if table in BIT_TABLES else WIDTHS[channel.type]
    if not 0 <= offset <= 65536 - width:
        found.append(f"channel {channel.name}: found {table}:{offset}; allowed: 0 to {65536 - width}")
    return found


def _span(channel: Channel) -> tuple[str, int, int]:
    table, offset = channel.address.table, channel.address.offset
    return table, offset, offset + (1 if table in BIT_TABLES else WIDTHS[channel.type])


def _merge_spans(spans: set[tuple[str, int, int]], gap: int) -> tuple[Block, ...]:
    """Join neighbours while the hole between them is small and the reply fits one frame; never split a value."""
    blocks: list[Block] = []
    for table, start, end in sorted(spans):
        last = blocks[-1] if blocks else None
        most, hole = (BITS_MAX, 16 * gap) if table in BIT_TABLES else (REGISTERS_MAX, gap)
        if last and last.table == table and start - (last.offset + last.count) <= hole and end - last.offset <= most:
            blocks[-1] = Block(table=table, offset=last.offset, count=max(last.count, end - last.offset))
        else:
            blocks.append(Block(table=table, offset=start, count=end - start))
    return tuple(blocks)


def _covers(block: Block, channel: Channel) -> bool:
    table, start, end = _span(channel)
    return block.table == table and block.offset <= start and end <= block.offset + block.count


def _field(block: Block, channel: Channel, skip: int) -> tuple[str, tuple[int, ...], int]:
    """struct code, byte places within the reply, and which bit of it (-1: the whole value)."""
    distance = channel.address.offset - block.offset
    if block.table in BIT_TABLES:
        return "B", (skip + distance // 8,), distance % 8
    places = tuple(skip + 2 * distance + place for place in byte_places(channel.type, channel.order))
    return CODES[channel.type], places, channel.bit if channel.type == "bit" else -1


def _compile_reader(fields: Sequence[tuple[str, tuple[int, ...]]]) -> Callable[[bytes], tuple[int, ...]]:
    """One function that takes a whole reply apart."""
    layout = struct.Struct(">" + "".join(code for code, _ in fields))
    places = [place for _, group in fields for place in group]
    first = places[0]
    if places == list(range(first, first + len(places))):
        return lambda data: layout.unpack_from(data, first)
    # Two places at least (one would be a range), so itemgetter returns a tuple.
    arrange = itemgetter(*places)
    return lambda data: layout.unpack(bytes(arrange(data)))


def _compile_decoder(
    readers: Sequence[Callable[[bytes], tuple[int, ...]]], picks: Sequence[tuple[int, int]]
) -> Callable[[Sequence[bytes]], tuple[int, ...]]:
    """One function from all replies to all channels. The cheapest form that fits is chosen here, once."""

    def read_fields(replies: Sequence[bytes]) -> tuple[int, ...]:
        if len(readers) == 1:
            return readers[0](replies[0])
        return tuple([field for reader, data in zip(readers, replies, strict=True) for field in reader(data)])

    whole = sum(1 for _, bit in picks if bit < 0)
    tail = tuple(picks[whole:])
    if list(picks[:whole]) == [(index, -1) for index in range(whole)]:
        if not tail:
            return read_fields

        def decode_values_then_bits(replies: Sequence[bytes]) -> tuple[int, ...]:
            fields = read_fields(replies)
            return (*fields[:whole], *[(fields[index] >> bit) & 1 for index, bit in tail])

        return decode_values_then_bits

    def decode_mixed(replies: Sequence[bytes]) -> tuple[int, ...]:
        fields = read_fields(replies)
        return tuple([fields[index] if bit < 0 else (fields[index] >> bit) & 1 for index, bit in picks])

    return decode_mixed
