"""What survives a loss of power, and how it is told from rubbish.

The text is JSON with a checksum. A text that does not check out is not guessed at: every unit of it
starts locked out with "retained data lost".
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from typing import Any

from controller.unit.memory import UnitMemory
from controller.unit.states import Event

FIELDS = ("start_flushes_due", "in_maintenance", "stopped", "run_ms", "starts", "lost_memory")


@dataclass(frozen=True)
class Retained:
    """Retained values of all units, in unit order."""

    units: tuple[dict[str, Any], ...]


class RetainedLostError(ValueError):
    """The retained text is missing a part, damaged, or of another bank."""


def gather(memories: list[UnitMemory]) -> Retained:
    """Take what is to be kept from the units' memories."""
    return Retained(
        tuple(
            {name: getattr(m, name) for name in FIELDS} | {"latched": m.latched.name if m.latched else None}
            for m in memories
        )
    )


def apply(retained: Retained, memories: list[UnitMemory]) -> None:
    """Put retained values into fresh memories. The flush debt is set whatever was kept: after an
    interruption nobody can know what stands in the membranes."""
    for values, m in zip(retained.units, memories, strict=True):
        for name in FIELDS:
            setattr(m, name, values[name])
        m.latched = Event[values["latched"]] if values["latched"] else None
        m.flush_owed = True


def encode(retained: Retained) -> str:
    """One line of JSON and its CRC-32."""
    body = json.dumps(list(retained.units), sort_keys=True)
    return f"{zlib.crc32(body.encode()):08x} {body}"


def decode(text: str, n_units: int) -> Retained:
    """The inverse of ``encode``; RetainedLostError with the reason when it cannot be trusted."""
    checksum, _, body = text.partition(" ")
    if checksum != f"{zlib.crc32(body.encode()):08x}":
        raise RetainedLostError("checksum does not match")
    units = json.loads(body)
    if len(units) != n_units:
        raise RetainedLostError(f"{len(units)} units kept, {n_units} configured")
    return Retained(tuple(units))
