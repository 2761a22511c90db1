"""Devices in memory behind a link that has no line, for tests of the remote driver."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from controller.drivers.rounds import RemoteDevice
from controller.modbus.troubles import LinkError, Trouble, refused

IDENTITY = 4711
PER_MA = 1000


@dataclass(frozen=True)
class Words:
    """A block whose registers hold one named value each; loops in microampere."""

    table: str
    address: int
    names: tuple[str, ...]

    @property
    def count(self) -> int:
        return len(self.names)


@dataclass(frozen=True)
class Pair:
    """One exchange."""

    read: Words | None
    write: Words | None


def pack(block: Words, values: Mapping[str, bool | float]) -> list[int]:
    """Registers for these values."""
    return [round(values[name] * (PER_MA if name.endswith("_ma") else 1)) for name in block.names]


def unpack(block: Words, registers: Sequence[int]) -> dict[str, bool | float]:
    """Values in these registers; a loop at 65535 is not a number."""
    values: dict[str, bool | float] = {}
    for name, register in zip(block.names, registers, strict=True):
        if name.endswith("_ma"):
            values[name] = float("nan") if register == 0xFFFF else register / PER_MA
        elif name.startswith(("bank.", "unit")):
            values[name] = bool(register)
        else:
            values[name] = register
    return values


SEEN = ("identity", "life", "heartbeat_seen", "owner_seen")
MARKS = ("heartbeat", "owner")


def device(
    name: str,
    unit_id: int,
    inputs: tuple[str, ...],
    outputs: tuple[str, ...],
    fc23: bool = False,
    timeout_s: float = 0.2,
) -> RemoteDevice:
    """Inputs in input registers (holding with ``fc23``) from 0, outputs in holding registers from 100."""
    reads = Words("holding" if fc23 else "input", 0, (*(f"{name}.{word}" for word in SEEN), *inputs))
    writes = Words("holding", 100, (*(f"{name}.{word}" for word in MARKS), *outputs))
    exchanges = [Pair(reads, writes)] if fc23 else [Pair(reads, None), Pair(None, writes)]
    return RemoteDevice(name, unit_id, timeout_s, exchanges, inputs, pack, unpack, identity=IDENTITY)


@dataclass
class Field:
    """The link, the devices on it and the clock, which moves by what each exchange costs.

    ``inputs`` are the registers after the service points. A device in ``silent`` never answers.
    """

    inputs: dict[int, list[int]]
    now_ms: int = 0
    cost_ms: int = 5
    losses: int = 0
    closed: bool = False
    silent: set[int] = field(default_factory=set)
    refusing: set[int] = field(default_factory=set)  # writes, with exception 4
    frozen: set[int] = field(default_factory=set)  # life stands still
    deaf: set[int] = field(default_factory=set)  # writes are answered and not carried out
    identity: dict[int, int] = field(default_factory=dict)
    life: dict[int, int] = field(default_factory=dict)
    marks: dict[int, list[int]] = field(default_factory=dict)
    written: list[tuple[int, list[int]]] = field(default_factory=list)
    asked: list[tuple[int, int, str]] = field(default_factory=list)

    def exchange(
        self,
        unit_id: int,
        write: tuple[str, int, Sequence[int]] | None,
        read: tuple[str, int, int] | None,
        fc23: bool,
        deadline_s: float,
    ) -> list[int]:
        """As ``controller.modbus.link.Link``."""
        what = "both" if fc23 else "read" if write is None else "write"
        self.asked.append((self.now_ms, unit_id, what))
        if unit_id in self.silent:
            self.now_ms += round(deadline_s * 1000)
            raise LinkError(Trouble.TIMED_OUT, "nothing came back in time")
        self.now_ms += self.cost_ms
        if write is not None:
            if unit_id in self.refusing:
                raise refused(4)
            self.written.append((unit_id, list(write[2])))
            if unit_id not in self.deaf:
                self.marks[unit_id] = list(write[2][:2])
        return [] if read is None else self._read(unit_id)[: read[2]]

    def close(self) -> None:
        """Remembered."""
        self.closed = True

    def clock(self) -> int:
        """The time."""
        return self.now_ms

    def _read(self, unit_id: int) -> list[int]:
        self.life[unit_id] = self.life.get(unit_id, 0) + (unit_id not in self.frozen)
        heartbeat, owner = self.marks.get(unit_id, [0, 0])
        identity = self.identity.get(unit_id, IDENTITY)
        return [identity, self.life[unit_id], heartbeat, owner, *self.inputs[unit_id]]
