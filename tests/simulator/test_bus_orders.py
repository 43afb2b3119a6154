"""Orders to a running simulated module: what is spoiled next, and for how long."""

import pytest

from rigd.model.errors import UsageRefused
from simulator.modbus_faults import BusOrders, ModbusFault, schedule_faults

READ, WRITE = 3, 6


def test_orders_are_taken_once_or_until_healed_and_by_kind_of_request() -> None:
    orders = BusOrders(schedule_faults(["close@9"]))
    assert orders(1, READ) is None
    orders.take("write silent")
    orders.take("slow:0.5+")
    assert [orders(2, READ), orders(3, WRITE), orders(4, WRITE)] == [
        ModbusFault(kind="slow", delay_s=0.5), ModbusFault(kind="silent"), ModbusFault(kind="slow", delay_s=0.5),
    ]  # fmt: skip
    orders.take("heal")
    assert orders(8, READ) is None and orders(9, READ) == ModbusFault(kind="close")


@pytest.mark.parametrize("text", ["nonsense", "", "silent@4", "read", "silent++"])
def test_an_order_that_means_nothing_is_refused_in_words(text: str) -> None:
    with pytest.raises(UsageRefused, match="allowed: heal"):
        BusOrders().take(text)
