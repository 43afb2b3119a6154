"""Which kind of device each `driver:` word of a rig file means. Adding a kind is adding a line."""

from collections.abc import Callable

from drivers.modbus_tcp import ModbusTcp
from drivers.protocol import Driver
from rigd.model.rig import Rig

DRIVERS: dict[str, Callable[[Rig, int], Driver]] = {"modbus_tcp": ModbusTcp}
