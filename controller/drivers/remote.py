"""Images over links that are slow, break and lie: a thread per link talks, the firmware never waits.

Every ``exchange_ms`` a link's thread goes through one round (``controller/drivers/rounds.py``) and leaves the
newest image of each device with the moment from which its age counts (``controller/drivers/freshness.py``).
``read`` puts these together, ``write`` leaves an output image for the next round. Nothing here knows a
wiring: which requests a device takes, and what their registers mean, comes with ``RemoteDevice``.
"""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable, Sequence

from controller.drivers.rounds import BROKEN_MA, Asked, RemoteDevice, RemoteLink, Rounds, Snapshot, Values
from controller.signals import (
    BANK_SIGNALS,
    UNIT_SIGNALS,
    BankInputs,
    Inputs,
    Kind,
    Outputs,
    Signal,
    UnitInputs,
    names,
    safe_outputs,
)

__all__ = ["RemoteDevice", "RemoteDriver", "RemoteLink"]

LATE_MS = 1_000
"""A device whose image is older is named in the status line."""
NAMED = 5  # so many in one line
LOST_AGE_MS = 3_600_000
"""Age of an image that nothing has proven yet."""
OUTPUTS_KEPT_MS = 1_000
"""The safe image takes the place of outputs that are older: the firmware has missed ten scans."""
CLOSE_S = 1.5
"""``close`` waits so long at most for the safe image to reach the devices."""


def _monotonic_ms() -> int:
    return time.monotonic_ns() // 1_000_000


class RemoteDriver:
    """A ``controller.drivers.base.Driver`` over Modbus devices.

    ``owner`` is our mark at devices that have one, 1..65535, another one for each program that may write.
    ``say`` takes lines for people; it is called by the links' threads and must not wait.
    """

    def __init__(
        self,
        links: Sequence[RemoteLink],
        n_units: int,
        owner: int,
        say: Callable[[str], None],
        now_ms: Callable[[], int] = _monotonic_ms,
    ) -> None:
        self._now_ms = now_ms
        self._outputs = _Driven(n_units, now_ms)
        self._say = say
        rest = by_name(safe_outputs(n_units))
        rounds = [Rounds(link, owner, say, rest) for link in links]
        self._asked = asked = [a for of_link in rounds for a in of_link.asked]
        self._bank = _Image("bank.", BANK_SIGNALS, asked)
        self._units = [_Image(f"unit{unit}.", UNIT_SIGNALS, asked) for unit in range(1, n_units + 1)]
        self._threads = [_Thread(of_link, self._outputs, now_ms) for of_link in rounds]
        for thread in self._threads:
            thread.start()

    def read(self) -> Inputs:
        """The newest images with their ages. RuntimeError when a link's thread broke, which is a defect."""
        for thread in self._threads:
            if thread.broken:
                raise RuntimeError(thread.broken)
        now_ms = self._now_ms()
        bank, bank_age_ms = self._bank.at(now_ms)
        units = [image.at(now_ms) for image in self._units]
        return Inputs(
            bank=BankInputs(*bank),  # type: ignore[arg-type]  # kinds and order are those of the I/O list
            units=tuple(UnitInputs(*unit) for unit, _ in units),  # type: ignore[arg-type]  # likewise
            unit_age_ms=tuple(age_ms for _, age_ms in units),
            bank_age_ms=bank_age_ms,
        )

    def write(self, outputs: Outputs) -> None:
        """Leave this image for the next round of every link."""
        self._outputs.put(outputs)

    def unseen(self) -> list[str]:
        """Devices that have never shown that they are alive and the right ones."""
        return [a.device.name for a in self._asked if a.newest.fresh_ms is None]

    def status(self) -> str:
        """Age of the oldest image, who is late or lost, and how many rounds took longer than they may."""
        now_ms = self._now_ms()
        ages_ms = {a.device.name: age_of(a.newest, now_ms) for a in self._asked}
        late = [name for name, age_ms in ages_ms.items() if age_ms > LATE_MS]
        known_ms = [age_ms for age_ms in ages_ms.values() if age_ms < LOST_AGE_MS]
        oldest = f"oldest image {max(known_ms) / 1000.0:.2f} s" if known_ms else "no image yet"
        more = f" and {len(late) - NAMED} more" if len(late) > NAMED else ""
        lost = f", late or lost: {', '.join(late[:NAMED])}{more}" if late else ""
        skipped = sum(thread.skipped for thread in self._threads)
        return f"{len(ages_ms)} devices, {oldest}, rounds skipped {skipped}{lost}"

    def close(self) -> None:
        """Have the safe image written once more, then let go; waits ``CLOSE_S`` at most.

        A device that it did not reach is told of; its own time-out of 2 s must do the rest.
        """
        self._outputs.end()
        for thread in self._threads:
            thread.over.set()
        end_s = time.monotonic() + CLOSE_S
        for thread in self._threads:
            thread.join(max(end_s - time.monotonic(), 0.0))
        for a in self._asked:
            if not a.reached:
                self._say(f"{a.device.name}: the safe image did not reach it; its own time-out must act")


class _Driven:
    """The output image that the links write; safe when the firmware is gone or stays silent."""

    def __init__(self, n_units: int, now_ms: Callable[[], int]) -> None:
        self._now_ms = now_ms
        self._safe = by_name(safe_outputs(n_units))
        self._newest: tuple[Outputs | None, int] = (None, 0)
        self._over = False

    def put(self, outputs: Outputs) -> None:
        self._newest = (outputs, self._now_ms())

    def end(self) -> None:
        self._over = True

    def values(self) -> Values:
        outputs, put_ms = self._newest
        if self._over or outputs is None or self._now_ms() - put_ms > OUTPUTS_KEPT_MS:
            return self._safe
        return by_name(outputs)


class _Image:
    """One image put together from the devices that show its signals.

    While a device proves nothing its last proven values stay, as in a silence: its age says all. Loops at
    0 mA would be called BAD, and a unit be locked out, when the right device is back.
    """

    def __init__(self, prefix: str, table: tuple[Signal, ...], asked: Sequence[Asked]) -> None:
        self._values = dict.fromkeys(
            (prefix + name for name in names(table, Kind.DI)), False
        ) | dict.fromkeys((prefix + name for name in names(table, Kind.AI)), BROKEN_MA)
        self._sources = [a for a in asked if any(name in self._values for name in a.device.inputs)]

    def at(self, now_ms: int) -> tuple[tuple[bool | float, ...], int]:
        """The values in image order, and the age of the oldest part."""
        values = self._values
        age_ms = 0 if self._sources else LOST_AGE_MS
        for source in self._sources:
            newest = source.newest
            for name in values.keys() & newest.values.keys():
                values[name] = newest.values[name]
            age_ms = max(age_ms, age_of(newest, now_ms))
        return tuple(values.values()), age_ms


def age_of(newest: Snapshot, now_ms: int) -> int:
    """Age of a device's image in ms; LOST_AGE_MS while nothing has proven it."""
    return LOST_AGE_MS if newest.fresh_ms is None else max(now_ms - newest.fresh_ms, 0)


class _Thread(threading.Thread):
    """Goes through the rounds of one link at absolute moments until it is over."""

    def __init__(self, rounds: Rounds, outputs: _Driven, now_ms: Callable[[], int]) -> None:
        super().__init__(name="link", daemon=True)
        self.over = threading.Event()
        self.broken = ""
        self.skipped = 0  # rounds that did not begin, because the one before took too long
        self._rounds, self._outputs, self._now_ms = rounds, outputs, now_ms

    def run(self) -> None:
        """The thread's body."""
        try:
            self._until_over()
            self._round()  # the outputs are the safe ones now
        except Exception:  # a defect; read hands it to the scanning thread, which ends the program
            self.broken = traceback.format_exc()
        finally:
            self._rounds.link.close()

    def _until_over(self) -> None:
        period_ms, next_ms = self._rounds.exchange_ms, self._now_ms()
        while not self.over.is_set():
            self._round()
            missed = max(0, (self._now_ms() - next_ms) // period_ms)
            self.skipped += missed
            next_ms += (missed + 1) * period_ms
            self.over.wait((next_ms - self._now_ms()) / 1000.0)

    def _round(self) -> None:
        self._rounds.round(self._outputs.values(), self._now_ms)


def by_name(outputs: Outputs) -> dict[str, bool | float]:
    """The output image by the names of its signals: "bank.horn", "unit1.pump"."""
    values: dict[str, bool | float] = {
        f"bank.{name}": value for name, value in outputs.bank._asdict().items()
    }
    for unit, driven in enumerate(outputs.units, 1):
        values |= {f"unit{unit}.{name}": value for name, value in driven._asdict().items()}
    return values
