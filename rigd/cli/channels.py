"""`rigd channels`: what the rig measures - listed from its file, read from its process or straight from its devices.

Reading straight from a device is refused while a rig process has the rig: one rig, one master. Values shown are what
the transmitter says through its calibration, before any zero.
"""

from typing import Annotated, Any

import typer

from rigd.cli.options import Json, Operator, Rig, Station, print_json
from rigd.model import errors

app = typer.Typer(
    help="Channels of a rig: list them, read them, read their zero.", no_args_is_help=True, rich_markup_mode=None
)
RigFile = Annotated[str, typer.Option("--rig", metavar="RIG", help="A rig: a name that ships, or a file.")]

LIST_HELP = (
    "Examples:\n\n\b\n  rigd channels list --rig demo\n\nList every channel of a rig file: where it lives, what it is."
)
READ_HELP = (
    "Examples:\n\n\b\n  rigd channels read --rig demo\n  rigd channels read --rig demo --json\n\n"
    "Read every channel once: from the rig process if there is one, else straight from the devices, with raw counts."
)
ZERO_HELP = (
    "Examples:\n\n\b\n  rigd channels zero --operator 'A. Novak'\n\n"
    "Read the zero of the specimen channels anew, in VENTED and before pressure. It is refused beyond its limit, "
    "because a zero taken on trapped pressure hides it; trips never use it."
)


@app.command("list", help=LIST_HELP, short_help="List every channel of a rig file.")
def list_channels(rig: RigFile = "demo", as_json: Json = False) -> None:
    shape = _load(rig)
    rows = [
        {
            "channel": channel.name, "role": channel.role, "quantity": channel.quantity,
            "device": shape.devices[channel.device].name,
            "address": f"{channel.address.table}:{channel.address.offset}", "type": channel.type,
            "bit": channel.bit if channel.type == "bit" else None, "reference": channel.reference,
            "unit": channel.display, "required": channel.required, "due": channel.due,
        }
        for channel in shape.channels
    ]  # fmt: skip
    if as_json:
        print_json(rows)
        return
    for row in rows:
        row["address"] += f" bit {row['bit']}" if row["bit"] is not None else ""
    _print_table(rows, ("channel", "role", "device", "address", "type", "reference", "unit", "due"))


@app.command("read", help=READ_HELP, short_help="Read every channel once.")
def read_channels(rig: RigFile = "demo", as_json: Json = False) -> None:
    from rigd.live.places import is_held, lock_path

    shape = _load(rig)
    rows = _read_from_process(shape) if is_held(lock_path(shape.name)) else _read_from_devices(shape)
    if as_json:
        print_json(rows)
        return
    _print_table(rows, ("channel", "counts", "shown", "quality"))


@app.command("zero", help=ZERO_HELP, short_help="Read the zero of the specimen channels anew.")
def zero_channels(operator: Operator = "", station: Station = None, rig: Rig = "", as_json: Json = False) -> None:
    from rigd.cli.act import act

    act("zero", rig=rig, operator=operator, as_json=as_json, station=station)


def _load(rig: str) -> Any:
    from rigd.files import load

    return load.load_rig(load.find(rig, "rig"))


def _read_from_process(shape: Any) -> list[dict[str, Any]]:
    from rigd.control import Client
    from rigd.live.places import socket_path

    with Client(socket_path(shape.name)) as client:
        view = client.ask("status").view
    views = [view, *view.get("stations", ()), *view.get("guarded", ())]  # the newest of a station stands last
    values = {name: told for each in views for name, *told in each.get("values", ())}
    return [_row(channel, None, *values[channel.name]) for channel in shape.channels]


def _read_from_devices(shape: Any) -> list[dict[str, Any]]:
    import asyncio

    from rigd.live.places import RigLock

    lock = RigLock(shape.name)
    lock.take()
    try:
        return asyncio.run(_scan_all(shape))
    finally:
        lock.release()


async def _scan_all(shape: Any) -> list[dict[str, Any]]:
    from drivers.protocol import DriverFault
    from drivers.registry import DRIVERS
    from rigd.engine.channels import Channels
    from rigd.model.messages import Scan

    channels, counts_of = Channels(shape), {}
    for index, device in enumerate(shape.devices):
        driver = DRIVERS[device.driver](shape, index)
        try:
            await driver.open()
            reply = await driver.scan()
        except DriverFault as fault:
            raise errors.RigUnreachable(f"device {device.name}: {fault.fault}: {fault.detail}") from None
        finally:
            await driver.close()
        channels.read(Scan(seq=0, t_ns=0, device=index, age_us=0, width_us=0, counts=reply.counts), [])
        counts_of |= dict(zip((c.name for c in shape.channels if c.device == index), reply.counts, strict=True))
    return [
        _row(channel, counts_of[channel.name], channels.value[at], channels.quality[at])
        for at, channel in enumerate(shape.channels)
    ]


def _row(channel: Any, counts: int | None, value: float | None, quality: int) -> dict[str, Any]:
    from rigd.calc.exact.quality import QUALITY_WORDS
    from rigd.control import plain

    return {
        "channel": channel.name, "counts": counts, "value": plain(value), "quality": QUALITY_WORDS[quality],
        "shown": _shown(channel, value),
    }  # fmt: skip


def _shown(channel: Any, value: float | None) -> str:
    """The value for people, in the channel's own unit."""
    from rigd.files import units

    if value is None or value != value:
        return "—"
    if channel.quantity == "switch":
        return str(int(value))
    kind = {"pressure": units.PRESSURE, "temperature": units.TEMPERATURE, "flow": units.FLOW}.get(channel.quantity)
    return units.say(value, channel.display, kind) if kind else f"{value:g}"


def _print_table(rows: list[dict[str, Any]], columns: tuple[str, ...]) -> None:
    texts = [[str("—" if row[column] is None else row[column]) for column in columns] for row in rows]
    widths = [max(len(line[at]) for line in [list(columns), *texts]) for at in range(len(columns))]
    for line in [list(columns), *texts]:
        typer.echo("  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip())
