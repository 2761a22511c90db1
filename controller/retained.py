"""What survives a loss of power, and how it is told from rubbish.

The text is JSON with a checksum. A text that does not check out is not guessed at: every unit of it
starts locked out with "retained data lost". All of a text is read before any of it is used, so that a bank
never starts from half of it.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from typing import Any

from controller.bank.memory import BankMemory
from controller.unit.memory import UnitMemory
from controller.unit.states import Event

FIELDS = (
    "start_flushes_due",
    "first_start",
    "in_maintenance",
    "stopped",
    "estopped",
    "run_ms",
    "starts",
    "lost_memory",
)
RUN_STEP_MS = 60_000  # run time is kept by the minute, so that the text does not change in every scan


@dataclass(frozen=True)
class Retained:
    """Retained values of the bank, and of all units in unit order."""

    bank: dict[str, Any]
    units: tuple[dict[str, Any], ...]


class RetainedLostError(ValueError):
    """The retained text is missing a part, damaged, or of another bank."""


def gather(bank: BankMemory, units: list[UnitMemory]) -> Retained:
    """Take what is to be kept from the memories."""
    return Retained(
        {"latched": [event.name for event in bank.latched], "returns": bank.returns},
        tuple(
            {name: getattr(m, name) for name in FIELDS}
            | {
                "latched": m.latched.name if m.latched else None,
                "run_ms": m.run_ms - m.run_ms % RUN_STEP_MS,
                "starts_ago_ms": _ago_ms(m.starts_ms),
                "io_lost_ago_ms": _ago_ms(m.io_lost_ms),
            }
            for m in units
        ),
    )


def _ago_ms(moments_ms: list[int]) -> list[int]:
    """How long before the last of them each was: that does not change from scan to scan."""
    return [moments_ms[-1] - moment_ms for moment_ms in moments_ms]


def recall(text: str, bank: BankMemory, units: list[UnitMemory]) -> None:
    """Put a text that ``encode`` made into fresh memories; RetainedLostError when it cannot be trusted.

    The flush debt is set whatever was kept: after an interruption nobody can know what stands in the
    membranes. Pump starts and losses of the I/O count as if power had been away for no time.
    """
    kept = decode(text, len(units))
    try:
        latched = [Event[name] for name in kept.bank["latched"]]
        returns = int(kept.bank["returns"])
        values = [_unit_values(unit) for unit in kept.units]
    except (KeyError, TypeError, ValueError) as error:
        raise RetainedLostError(f"a value is missing or of the wrong kind: {error}") from error
    bank.latched, bank.returns = latched, returns + 1
    for memory, found in zip(units, values, strict=True):
        memory.flush_owed = True
        for name, value in found.items():
            setattr(memory, name, value)


def _unit_values(kept: dict[str, Any]) -> dict[str, Any]:
    values = {name: kept[name] for name in FIELDS}
    values["latched"] = Event[kept["latched"]] if kept["latched"] else None
    for name in ("starts", "io_lost"):
        values[f"{name}_ms"] = [-int(ago_ms) for ago_ms in kept[f"{name}_ago_ms"]]
    return values


def encode(retained: Retained) -> str:
    """One line of JSON and its CRC-32."""
    body = json.dumps({"bank": retained.bank, "units": list(retained.units)}, sort_keys=True)
    return f"{zlib.crc32(body.encode()):08x} {body}"


def decode(text: str, n_units: int) -> Retained:
    """The inverse of ``encode``; RetainedLostError with the reason when it cannot be trusted."""
    checksum, _, body = text.partition(" ")
    if checksum != f"{zlib.crc32(body.encode()):08x}":
        raise RetainedLostError("checksum does not match")
    try:
        kept = json.loads(body)
        bank, units = kept["bank"], kept["units"]
    except (KeyError, TypeError, ValueError) as error:
        raise RetainedLostError(f"not a retained text: {error}") from error
    if len(units) != n_units:
        raise RetainedLostError(f"{len(units)} units kept, {n_units} configured")
    return Retained(bank, tuple(units))
