"""What one link does in a round: ask its devices in turn, judge what they show, publish it.

No thread and no clock: ``Rounds.round`` is called by what has them (``controller/drivers/remote.py``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol

from controller.drivers.freshness import Shown, Watch
from controller.modbus.link import LinkError, Read, Trouble, Write

Values = Mapping[str, bool | float]
"""By the names of signals and service points."""
SILENT_EVERY_MS = 2_000
"""While others on its link live, a device that does not answer is asked no more often: it costs them time."""
RETRY_ROUNDS, RETRIED_MS = 4, 1_000
"""A device that has answered within ``RETRIED_MS`` is asked again so many rounds later all the same: one
answer that is lost must not cost the image, which is good for as long (narrative 2.3). Not sooner: a failure
costs the others on a TCP link their writes, and on a serial line its rest; they need a round or two to be
fresh again."""
BROKEN_MA = 0.0
_LOOP_MAX_MA = 30.0  # beyond what any loop can carry; such a register holds nonsense
_HEARTBEATS = 0xFFFF


class Block(Protocol):
    """A run of addresses in one table of a device."""

    @property
    def table(self) -> str:
        """coil, discrete, holding or input."""

    @property
    def address(self) -> int:
        """The first, from zero."""

    @property
    def count(self) -> int:
        """How many."""


class Exchange(Protocol):
    """A block that is read, one that is written, or both in one request (function 23)."""

    @property
    def read(self) -> Block | None:
        """What is read."""

    @property
    def write(self) -> Block | None:
        """What is written."""


@dataclass(frozen=True)
class RemoteDevice:
    """What answers under one unit id.

    ``pack`` gives the content of a block that is written, ``unpack`` the values in the answer to one that is
    read; both go by names: "bank.header_ma", "unit3.suction_ma", and "skid3.life" for a service point of the
    device "skid3" (identity, known, life, heartbeat, heartbeat_seen, owner, owner_seen). ``inputs`` names the
    signals that it shows. What ``unpack`` cannot read raises ValueError.
    """

    name: str
    unit_id: int
    timeout_s: float
    exchanges: Sequence[Exchange]
    inputs: Sequence[str]
    pack: Callable[[Any, Mapping[str, bool | float]], Sequence[int]]
    unpack: Callable[[Any, Sequence[int]], Mapping[str, bool | float]]
    identity: float | None = None
    known: float | None = None
    numbers: Sequence[str] = ()  # further names that it shows, which are no loops: states of a controller


class Asks(Protocol):
    """What is needed of a link; ``controller.modbus.link.Link`` is one."""

    @property
    def losses(self) -> int:
        """How often it has been lost, each time with a LinkError."""

    def exchange(
        self, unit_id: int, write: Write | None, read: Read | None, fc23: bool, deadline_s: float
    ) -> list[int]:
        """The values read, or LinkError."""

    def close(self) -> None:
        """Let go."""


class RemoteLink(NamedTuple):
    """A link, what answers on it, and how often they are asked."""

    link: Asks
    devices: Sequence[RemoteDevice]
    exchange_ms: int


class Snapshot(NamedTuple):
    """Never changed after it is published, so that it can be read without a lock."""

    values: Values
    fresh_ms: int | None


@dataclass
class Asked:
    """A device as its link's thread knows it; ``newest`` alone is read by others."""

    device: RemoteDevice
    watch: Watch
    newest: Snapshot = field(default_factory=lambda: Snapshot({}, None))
    silent: bool = False  # the last round with it failed and cost time
    answered_ms: int | None = None  # when it was last asked and answered
    heartbeat: int = 0
    losses: int = 0  # of the link, when the device last showed who it is
    reached: bool = False  # the last round with it wrote the outputs


class Rounds:
    """One link and its devices. ``owner`` is our mark at the devices; ``say`` takes lines for people.

    ``rest`` is the image at rest, for a device that began anew; without it such a device gets what the others
    get, and its image counts.
    """

    def __init__(
        self, remote: RemoteLink, owner: int, say: Callable[[str], None], rest: Values | None = None
    ) -> None:
        self.link, self.exchange_ms = remote.link, remote.exchange_ms
        self.asked = [
            Asked(device, Watch(device.name, owner, device.identity, device.known, rest is not None))
            for device in remote.devices
        ]
        self._owner, self._say, self._rest = owner, say, rest or {}
        self._turn = 0  # among the silent devices
        self._tried_ms = self._rounds_since_try = 0  # since one was last asked in vain

    def round(self, outputs: Values, now_ms: Callable[[], int]) -> None:
        """Ask every device that answered last time and, when its turn has come, one that did not."""
        self._rounds_since_try += 1
        silent = [a for a in self.asked if a.silent]
        none_live = len(silent) == len(self.asked)
        due = self._turn_of(silent, none_live, now_ms())
        for a in self.asked:
            if not a.silent or a is due:
                self._ask(a, outputs, now_ms())
            for line in a.watch.words.take():
                self._say(line)
        if none_live and due is not None and not due.silent:  # the link itself is back: try them all
            for a in silent:
                a.silent = False

    def _turn_of(self, silent: list[Asked], none_live: bool, now_ms: int) -> Asked | None:
        tried_ms = now_ms - self._tried_ms
        lately = [a for a in silent if a.answered_ms is not None and now_ms - a.answered_ms < RETRIED_MS]
        if lately and not none_live and self._rounds_since_try >= RETRY_ROUNDS:
            return lately[0]
        if not silent or (not none_live and tried_ms < SILENT_EVERY_MS):
            return None
        self._turn += 1
        return silent[self._turn % len(silent)]

    def _ask(self, a: Asked, outputs: Values, now_ms: int) -> None:
        a.reached = False
        try:
            values = self._talk(a, outputs, now_ms)
        except LinkError as error:
            a.reached = False
            if error.kind is Trouble.REFUSED:
                a.answered_ms = now_ms
            a.silent, self._tried_ms, self._rounds_since_try = error.kind is not Trouble.REFUSED, now_ms, 0
            a.watch.missed(str(error))
        except ValueError as error:
            a.watch.missed(f"its registers make no sense ({error})")
        else:
            a.silent, a.answered_ms, a.losses = False, now_ms, self.link.losses
            a.watch.answered()
            fresh_ms = a.watch.fresh_ms
            image: dict[str, bool | float] = {}
            if fresh_ms is not None:
                image = {name: cleaned(values[name]) for name in a.device.inputs}
                image |= {name: values[name] for name in a.device.numbers}
            a.newest = Snapshot(image, fresh_ms)

    def _talk(self, a: Asked, outputs: Values, now_ms: int) -> dict[str, bool | float]:
        """One round with one device; the values read.

        What it showed is judged before anything is written alone: a device that began anew, or that another
        master has just marked, gets nothing of what was meant for the one before.
        """
        device, values = a.device, dict[str, bool | float]()
        written = self._written(a, outputs, now_ms)
        judged = False
        for exchange in device.exchanges:
            block, out = exchange.read, exchange.write if written else None
            if block is None and out is not None and not judged:
                a.watch.judge(_shown(device.name, values), now_ms)
                judged = True
            if judged:
                out = out if a.watch.may_write else None
                written = {**written, **self._rest} if a.watch.must_rest else written
            write = (out.table, out.address, device.pack(out, written)) if out is not None else None
            read = (block.table, block.address, block.count) if block is not None else None
            if write is None and read is None:
                continue
            both = write is not None and read is not None
            got = self.link.exchange(device.unit_id, write, read, both, device.timeout_s)
            a.reached = a.reached or write is not None
            if block is not None:
                values.update(device.unpack(block, got))
        if not judged:
            a.watch.judge(_shown(device.name, values), now_ms)
        return values

    def _written(self, a: Asked, outputs: Values, now_ms: int) -> Values:
        """What is written in this round, with our marks; nothing while the device must not be written to."""
        if not a.watch.may_write or a.losses != self.link.losses:
            return {}
        a.heartbeat = a.heartbeat % _HEARTBEATS + 1
        a.watch.wrote(a.heartbeat, now_ms)
        marks = {f"{a.device.name}.heartbeat": a.heartbeat, f"{a.device.name}.owner": self._owner}
        return {**(self._rest if a.watch.must_rest else outputs), **marks}


def _shown(name: str, values: Values) -> Shown:
    def whole(point: str) -> int | None:
        value = values.get(f"{name}.{point}")
        if value is None:
            return None
        if not math.isfinite(value):
            raise ValueError(f"{point} is {value}")
        return int(value)

    return Shown(
        identity=values.get(f"{name}.identity"),
        known=values.get(f"{name}.known"),
        life=whole("life"),
        heartbeat_seen=whole("heartbeat_seen"),
        owner_seen=whole("owner_seen"),
    )


def cleaned(value: bool | float) -> bool | float:
    """A contact as it is; of a loop, 0 mA for what no loop can carry, so that the firmware finds it BAD.

    >>> cleaned(float("nan")), cleaned(-1e30), cleaned(21.5), cleaned(True)
    (0.0, 0.0, 21.5, True)
    """
    if isinstance(value, bool):
        return value
    return value if math.isfinite(value) and 0.0 <= value <= _LOOP_MAX_MA else BROKEN_MA
