"""A controller that is a server: the bench asks, as a master of its own.

The rounds are those of our own driver (``controller/drivers/rounds.py``), turned round: what it calls outputs
is the input image that we write; what it reads are the outputs of the controller.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence

from controller.drivers.rounds import Asked, RemoteLink
from controller.drivers.rounds import Rounds as LinkRounds
from controller.modbus.link import LinkError
from controller.signals import Inputs, Outputs
from controller.wiring import (
    Direction,
    Point,
    Use,
    Wiring,
    blocks_of,
    decode,
    encode,
    what_is_wrong,
)
from sim_plant.bench.live.field import AGED_MS, Commands, Rounds, StateWords
from sim_plant.serve.remote_io import outputs_of, values_of

READ_BACK_S = 5.0


def _monotonic_ms() -> int:
    return time.monotonic_ns() // 1_000_000


class AskedField:
    """Writes the input image and reads outputs and states, one thread a link, every ``exchange_ms``."""

    def __init__(
        self,
        wiring: Wiring,
        links: Sequence[RemoteLink],
        say: Callable[[str], None],
        now_ms: Callable[[], int] = _monotonic_ms,
    ) -> None:
        self.name = "controller that is asked"
        self.rounds = Rounds()
        self._now_ms = now_ms
        self._commands, self._words = Commands(wiring), StateWords(wiring)
        self._n_units = wiring.n_units
        self._images = {(p.unit, p.device) for p in wiring.points if p.use is Use.FIELD_INPUT}
        self._values: dict[str, bool | float] = {}
        owner = int.from_bytes(os.urandom(2), "big") % 0xFFFF + 1
        self._links = [LinkRounds(link, owner, say) for link in links]
        self._say, self._slips = say, dict[str, str]()  # by device, what a wrong known value tells of the map
        self._wiring, self._over = wiring, threading.Event()
        self._reading_back, self._misread = threading.Event(), dict[int, list[str]]()
        self._threads = [
            threading.Thread(target=self._ask, args=(rounds,), name="asked field", daemon=True)
            for rounds in self._links
        ]
        self._lock = threading.Lock()

    def publish(self, inputs: Inputs) -> None:
        """Written from the next round on; the first image starts the rounds."""
        now_ms = self._now_ms()
        self._commands.take(inputs.commands, now_ms)
        self._values = {**values_of(inputs), **self._commands.values(now_ms)}
        if not self._threads[0].is_alive() and not self._over.is_set():
            for thread in self._threads:
                thread.start()

    def outputs(self) -> Outputs:
        """The newest image; at rest where a device is not to be believed."""
        return outputs_of(self._newest(), self._n_units)

    def states(self) -> tuple[int, ...]:
        """Codes of all units, or none."""
        return self._words.codes(self._newest())

    def ages_ms(self) -> tuple[int, ...]:
        """Since each device last showed that it hears us."""
        now_ms, ages_ms = self._now_ms(), [0] * (self._n_units + 1)
        fresh_ms = {a.device.name: a.newest.fresh_ms for rounds in self._links for a in rounds.asked}
        for unit, device in self._images:
            proven_ms = fresh_ms[device]
            if proven_ms is not None:
                ages_ms[unit] = max(ages_ms[unit], now_ms - proven_ms)
        return tuple(ages_ms)

    def trouble(self) -> str:
        """The first device that is not to be believed, and why."""
        for asked in (a for rounds in self._links for a in rounds.asked):
            fresh_ms = asked.newest.fresh_ms
            if fresh_ms is None or self._now_ms() - fresh_ms > AGED_MS:
                slip = self._slips.get(asked.device.name, "")
                told = slip or asked.watch.words.standing()
                return told or f"{asked.device.name}: it shows nothing that is new"
        return ""

    def unheard(self) -> list[str]:
        """None: we ask for all, and a device that refuses one point is in trouble."""
        return []

    def misread(self) -> list[str]:
        """Inputs that do not read back as they were written; waits for one round, ``READ_BACK_S`` at most."""
        self._misread.clear()
        self._reading_back.set()
        end_s = time.monotonic() + READ_BACK_S
        while len(self._misread) < len(self._links) and time.monotonic() < end_s:
            time.sleep(0.01)
        self._reading_back.clear()
        if len(self._misread) < len(self._links):
            return ["no answer while reading back"]
        return [name for names in self._misread.values() for name in names]

    def close(self) -> None:
        """Stop asking."""
        self._over.set()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(2.0)
        for rounds in self._links:
            rounds.link.close()

    def _newest(self) -> dict[str, bool | float]:
        values: dict[str, bool | float] = {}
        for asked in (a for rounds in self._links for a in rounds.asked):
            newest = asked.newest
            if newest.fresh_ms is not None and self._now_ms() - newest.fresh_ms <= AGED_MS:
                values.update(newest.values)
        return values

    def _ask(self, rounds: LinkRounds) -> None:
        next_ms = last_ms = self._now_ms()
        while not self._over.is_set():
            values = self._values
            rounds.round(values, self._now_ms)
            for asked in rounds.asked:
                self._look_at_known(rounds, asked)
            if self._reading_back.is_set() and id(rounds) not in self._misread:
                self._misread[id(rounds)] = list(self._differences(rounds, values))
            now_ms = self._now_ms()
            with self._lock:
                self.rounds.add(now_ms - last_ms)
            last_ms = now_ms
            next_ms = max(next_ms + rounds.exchange_ms, now_ms)
            self._over.wait((next_ms - now_ms) / 1000.0)

    def _look_at_known(self, rounds: LinkRounds, asked: Asked) -> None:
        """When the known value is wrong, read what stands around it, once, and find the slip."""
        name = asked.device.name
        if not asked.watch.words.is_wrong("known"):
            self._slips.pop(name, None)
        elif name not in self._slips:
            point = self._wiring.device(name).known
            assert point is not None, "a device without a known value has none that is wrong"
            slip = what_is_wrong(point, around) if (around := _around(rounds, asked, point)) else ""
            if slip:
                self._slips[name] = slip
                self._say(slip)

    def _differences(self, rounds: LinkRounds, values: Mapping[str, bool | float]) -> Iterator[str]:
        """Read what has just been written, as far as it can be read, and compare bit for bit."""
        for device in (asked.device for asked in rounds.asked):
            for block in blocks_of(self._wiring, device.name, Direction.WRITE):
                read = (block.table, block.address, block.count)
                try:
                    words = rounds.link.exchange(device.unit_id, None, read, False, device.timeout_s)
                except LinkError as error:
                    yield f"{device.name} {block.table} {block.address}: {error}"
                    continue
                for point in (p for p in block.points if p.name in values):
                    here = words[point.address - block.address : point.end - block.address]
                    if decode(point, here) != decode(point, encode(point, values[point.name])):
                        yield point.name


def _around(rounds: LinkRounds, asked: Asked, point: Point) -> dict[int, int]:
    """Registers by address: those of the point, one below it and some above where the device gives them.

    Empty when it does not give those of the point.
    """
    found: dict[int, int] = {}
    above = (point.end, point.address + 3 - point.end)
    for first, count in ((point.address, point.count), (point.address - 1, 1), above):
        if first < 0 or count < 1 or (first != point.address and not found):
            continue
        read = (point.table, first, count)
        try:
            words = rounds.link.exchange(asked.device.unit_id, None, read, False, asked.device.timeout_s)
        except LinkError:
            continue
        found |= dict(zip(range(first, first + count), words, strict=False))
    return found
