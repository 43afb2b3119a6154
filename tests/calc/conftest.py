"""A pressure channel to be varied: the commonest one of the invented lab, 4-20 mA read as microamperes."""

from collections.abc import Callable

import pytest

from rigd.model.rig import Address, Calibration, Channel, Signal

PSI = 8896443230521 / 1290320000  # Pa; from lbf = 4.4482216152605 N and in = 0.0254 m, both exact

CURRENT = Signal(kind="mA", counts_low=4000.0, counts_high=20000.0, signal_low=4.0, signal_high=20.0)
BARE = Signal(kind="counts", counts_low=0.0, counts_high=1.0, signal_low=0.0, signal_high=1.0)
USUAL = {
    "name": "specimen_a",
    "device": 0,
    "role": "specimen",
    "quantity": "pressure",
    "address": Address(table="holding", offset=0),
    "type": "int16",
    "order": "ABCD",
    "bit": 0,
    "signal": CURRENT,
    "calibration": Calibration(kind="two_point", points=((4.0, 0.0), (20.0, 1000.0 * PSI))),
    "reference": "gauge",
    "head_pa": 0.0,
    "range_low": -100.0 * PSI,
    "range_high": 1200.0 * PSI,
    "tau_ns": 20_000_000,
    "resolution": PSI / 16.0,
    "accuracy": 2.5 * PSI,
    "proof_pa": 1500.0 * PSI,
    "zero_limit": 5.0 * PSI,
    "required": True,
    "stale_ns": 100_000_000,
    "tapping": "a",
    "module": "a",
    "power": "a",
    "display": "psi",
    "certificate": "",
    "due": "",
}


@pytest.fixture(scope="session")
def make_channel() -> Callable[..., Channel]:
    """Build a channel that differs from the usual one in what is given; `bare=True` means counts are the signal."""

    def make(*, bare: bool = False, **different: object) -> Channel:
        return Channel(**{**USUAL, **({"signal": BARE} if bare else {}), **different})

    return make
