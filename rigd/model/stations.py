"""One station of a rig as a rig of its own: what one engine guards and one record holds.

What carries no station number is shared and stands in every station's rig. Devices keep their places, so that a device
index means the same everywhere; channels, outputs and rows of other stations are left out, and what pointed at a place
points at the new one.
"""

from dataclasses import dataclass, replace

from rigd.model.rig import Channel, Pocket, Rig


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """`rig` is the station's own view. `picks[device]`: which of that device's counts are its own, in order; `outputs`:
    where each of its outputs stands in the whole rig."""

    number: int
    rig: Rig
    picks: tuple[tuple[int, ...], ...]
    outputs: tuple[int, ...]

    def counts_of(self, device: int, counts: tuple[int, ...]) -> tuple[int, ...]:
        """This station's part of a device's reply, empty when the device has nothing of it."""
        return tuple([counts[at] for at in self.picks[device]])


def of_station(rig: Rig, number: int) -> Station:
    """The station `number`, counted from 1; of a rig with one station also 0, which is the rig as it is."""
    if rig.stations == 1:
        assert number in (0, 1)
        picks = tuple(tuple(range(len(_of_device(rig, at)))) for at in range(len(rig.devices)))
        return Station(number=number, rig=rig, picks=picks, outputs=tuple(range(len(rig.outputs))))
    assert 1 <= number <= rig.stations
    own = (0, number)
    channels = [at for at, channel in enumerate(rig.channels) if channel.station in own]
    outputs = tuple(at for at, output in enumerate(rig.outputs) if output.station in own)
    new_at = {old: new for new, old in enumerate(channels)} | {-1: -1}
    mine = replace(
        rig,
        station=number,
        channels=tuple(rig.channels[at] for at in channels),
        outputs=tuple(replace(rig.outputs[at], read_back=new_at.get(rig.outputs[at].read_back, -1)) for at in outputs),
        rows=tuple(replace(row, channel=new_at[row.channel]) for row in rig.rows if row.channel in new_at),
        pockets=pockets_within(rig, new_at, {old: new for new, old in enumerate(outputs)} | {-1: -1}),
    )
    picks = tuple(
        tuple(at for at, channel in enumerate(_of_device(rig, device)) if channel.station in own)
        for device in range(len(rig.devices))
    )
    return Station(number=number, rig=mine, picks=picks, outputs=outputs)


def pockets_within(rig: Rig, channel_at: dict[int, int], output_at: dict[int, int]) -> tuple[Pocket, ...]:
    """Those that some of the channels and outputs can see or let out: old index to new of each, -1 to -1."""
    mine = [pocket for pocket in rig.pockets if pocket.channel in channel_at and pocket.vent in output_at]
    return tuple(replace(p, channel=channel_at[p.channel], vent=output_at[p.vent]) for p in mine)


def _of_device(rig: Rig, device: int) -> list[Channel]:
    return [channel for channel in rig.channels if channel.device == device]
