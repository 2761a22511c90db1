"""Images, a clock to set by hand, and the remote driver wired to a plant that is served."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from controller.drivers.remote import RemoteLink
from controller.drivers.wired import remote_links as wired_links
from controller.signals import (
    SAFE_BANK_OUTPUTS,
    SAFE_UNIT_OUTPUTS,
    BankInputs,
    BankOutputs,
    Inputs,
    Outputs,
    UnitInputs,
    UnitOutputs,
)
from controller.tables import Table
from controller.wiring import Link as WiredLink
from controller.wiring import Parity, SerialLink, Wiring
from sim_plant.serve.remote_io import RemoteIo
from tests.wiring.wiring_samples import PAIR, changed, wired

DEADLINE_S = 20.0  # no test waits so long unless something is broken
COIL, DISCRETE, HOLDING, INPUT = (
    Table.COIL,
    Table.DISCRETE,
    Table.HOLDING,
    Table.INPUT,
)
SAFE = (SAFE_BANK_OUTPUTS, SAFE_UNIT_OUTPUTS)

MARKED = changed(
    PAIR,
    (
        'heartbeat = { table = "holding", address = 0 }',
        'heartbeat = { table = "holding", address = 0 }\n'
        'heartbeat_seen = { table = "input", address = 101 }\n'
        'owner = { table = "holding", address = 1 }\n'
        'owner_seen = { table = "input", address = 102 }\n'
        'identity = { table = "input", address = 103, value = "70+*" }\n'
        'known = { table = "input", address = 104, type = "float32", value = 1234.5 }',
    ),
)
"""Two units with every service point, outputs in coils; the bank has none but life, and floats to write."""

DRIVEN = Outputs(
    BankOutputs(True, True, True, True, False, 12.5, 7.25),
    (UnitOutputs(True, False, True, True, False, False), UnitOutputs(True, True, False, False, False, True)),
)
"""Something to drive; exact in every raw type of the samples. No diverter, which PAIR has not wired."""


class Time:
    """A clock that stands until it is set."""

    def __init__(self) -> None:
        self.ms = 0

    def __call__(self) -> int:
        return self.ms


def marked_io(now_ms: Callable[[], int]) -> RemoteIo:
    """The I/O of MARKED."""
    return RemoteIo(wired(MARKED), now_ms)


def image(n_units: int = 2, first_ma: float = 4.0, closed: bool = True) -> Inputs:
    """Loops one milliampere apart from one another, contacts all alike; options open."""
    bank = BankInputs(*[closed] * 15, *(first_ma + step for step in range(8)))
    contacts = [closed] * 9 + [False, False]
    units = tuple(
        UnitInputs(*contacts, *(first_ma + 0.5 * unit + step for step in range(5)))
        for unit in range(1, n_units + 1)
    )
    return Inputs(bank, units, (0,) * n_units)


def remote_links(wiring: Wiring, places: dict[str, str | int]) -> list[RemoteLink]:
    """The driver's side of a wiring, at other ports than those in it: a number for TCP, a name for a line."""
    links = tuple(_moved(link, places[link.name]) for link in wiring.links)
    return wired_links(replace(wiring, links=links))


def _moved(link: WiredLink, place: str | int) -> WiredLink:
    """The link at a place of this machine; a pseudo terminal knows no parity."""
    if isinstance(link, SerialLink):
        return replace(link, port=str(place), parity=Parity.NONE)
    return replace(link, host="127.0.0.1", port=int(place))


def until(holds: Callable[[], bool], within_s: float = DEADLINE_S) -> bool:
    """Whether that comes true in time."""
    end_s = time.monotonic() + within_s
    while not holds() and time.monotonic() < end_s:
        time.sleep(0.01)
    return holds()


def aged(inputs: Inputs, unit: int, age_ms: int) -> Inputs:
    """The same, with an image of one unit that is old."""
    ages = list(inputs.unit_age_ms)
    ages[unit - 1] = age_ms
    return inputs._replace(unit_age_ms=tuple(ages))


def on_line(wiring: Wiring, port: str) -> Wiring:
    """The same wiring with its one link on a pseudo terminal, which knows no parity."""
    old = wiring.links[0]
    link = SerialLink(old.name, port, 115_200, Parity.NONE, 1, None, old.timeout_ms, old.exchange_ms)
    return replace(wiring, links=(link,))
