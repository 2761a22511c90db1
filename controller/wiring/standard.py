"""The wiring of a site without a file of its own, and of the nursery: all on one port of this machine.

Each device is read in one request and written in one, so its values are of one moment. Loops stand in the
registers in microampere: whole numbers, 0 for a broken loop, and room above 20 mA.
"""

from __future__ import annotations

from typing import Any

from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind, Signal, names
from controller.wiring.model import Asker, Wiring
from controller.wiring.reading import wiring_from

PORT = 1502
"""502 is the registered one; on most systems only an administrator may listen there."""
BANK_UNIT_ID = 100  # above the units, of which there are 64 at most

_SERVICES: dict[str, dict[str, Any]] = {
    "life": {"table": "input", "address": 0},
    "heartbeat_seen": {"table": "input", "address": 1},
    "owner_seen": {"table": "input", "address": 2},
    "known": {"table": "input", "address": 4, "type": "float32", "value": 1234.5},
    "heartbeat": {"table": "holding", "address": 0},
    "owner": {"table": "holding", "address": 1},
}
_IDENTITY = {"table": "input", "address": 3}
_CONTACTS, _LOOPS, _OUTPUTS, _REFERENCES = 6, 7, 2, 3
_RAW = [4000, 20000]


def default_wiring(
    n_units: int, asker: Asker = Asker.CONTROLLER, host: str = "127.0.0.1", port: int = PORT
) -> Wiring:
    """All signals of a site on one port: unit 3 under unit id 3, the bank under 100."""
    data = {
        "link": [{"name": "io", "host": host, "port": port}],
        "device": [_device("bank", BANK_UNIT_ID, BANK_UNIT_ID), _device("skid*", "*", "*")],
        "point": [*_points("bank", "bank", BANK_SIGNALS), *_points("skid*", "unit*", UNIT_SIGNALS)],
    }
    return wiring_from(data, n_units, asker, "default wiring")


def _device(name: str, unit_id: int | str, identity: int | str) -> dict[str, Any]:
    return {
        "name": name,
        "link": "io",
        "unit_id": unit_id,
        "identity": {**_IDENTITY, "value": identity},
        **_SERVICES,
    }


def _points(device: str, owner: str, table: tuple[Signal, ...]) -> list[dict[str, Any]]:
    groups: list[tuple[Kind, dict[str, Any]]] = [
        (Kind.DI, {"table": "input", "address": _CONTACTS, "bit": 0}),
        (Kind.AI, {"table": "input", "address": _LOOPS, "type": "uint16", "raw": _RAW}),
        (Kind.DO, {"table": "holding", "address": _OUTPUTS, "bit": 0}),
        (Kind.AO, {"table": "holding", "address": _REFERENCES, "type": "uint16", "raw": _RAW}),
    ]
    return [
        {"device": device, **place, "signals": [f"{owner}.{name}" for name in names(table, kind)]}
        for kind, place in groups
        if names(table, kind)
    ]
