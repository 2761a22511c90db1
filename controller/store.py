"""Retained memory on disk, and any other text that must survive in the same way.

Two copies in one folder, by default ``retained.a`` and ``retained.b``, each one line: sequence number,
SHA-256 of number and text, text. A change goes into one copy and then into the other, so that at rest both
hold the same text and the loss of one costs nothing. A copy is replaced whole: a temporary file is written
and forced to disk, then renamed over the copy, then the folder is forced to disk. A cut of the supply at any
byte therefore leaves the text before the change or the one after it.

What is found at a start:

- a valid copy: the one with the higher number is taken; a damaged or missing second one is noted;
- none, but a copy or the marker ``commissioned`` is there: the data are lost. The text is then ``LOST``,
  which no firmware accepts: every unit starts locked out, and a person decides;
- nothing at all: the first start ever. A folder that was emptied looks the same; that is why the marker
  stands beside the copies and why the folder must be kept with them.

What the order of writing has to care for is little. Whatever is kept, BOOT sets the flush debt and the
full least rest of the motor, so no start of a pump and no half-done flush depends on this file. Latched
causes, maintenance, a person's stop and the counters do. Outputs are driven first, then the text is written:
a trip must not wait for a disk. A cut in between loses a latch that is some milliseconds old, as a cut just
before it would have; a latch that was reset may come back, which is the safe side.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

COPIES = ("retained.a", "retained.b")
MARKER = "commissioned"
LOST = ""
"""A text that does not check out: it makes every unit start locked out."""

RETRY_S = 1.0
_BYTES_MAX = 1_000_000
_MARKER_TEXT = (
    "This folder holds the retained memory of a commissioned bank. While this file is here, missing\n"
    "copies count as lost data and lock every unit out. Remove the whole folder only to commission anew.\n"
)


@dataclass(frozen=True)
class Recalled:
    """What was found at a start: None for a first start, ``LOST``, or the text; and notes for the journal."""

    text: str | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Copy:
    name: str
    sequence: int = 0
    text: str = ""
    fault: str = ""


class Store:
    """The two copies in ``folder``, which must exist; ``recalled`` says what stood there.

    Without a marker a folder that has lost both copies looks like one that never had any. Raises OSError
    when the folder cannot be read or written.
    """

    def __init__(self, folder: Path, name: str = "retained", marker: str | None = MARKER) -> None:
        self._folder, self._name, self._marker = folder, name, marker
        self._copies = (f"{name}.a", f"{name}.b")
        self._sequence = 0
        self._newest = 0  # index of the copy written last
        self.recalled = self._load()

    def write(self, text: str) -> None:
        """Keep this text. On OSError the copies still hold this text or the one before it."""
        self._sequence += 1  # also used up by a write that fails: no two texts share a number
        data = _frame(self._sequence, text)
        for index in (1 - self._newest, self._newest):
            self._replace(self._copies[index], data)
            self._newest = index
        if self._marker and not self._is_there(self._marker):
            self._replace(self._marker, _MARKER_TEXT.encode())

    def _load(self) -> Recalled:
        copies = [self._read(name) for name in self._copies]
        valid = [copy for copy in copies if not copy.fault]
        faults = tuple(f"{copy.name}: {copy.fault}" for copy in copies if copy.fault)
        cut = tuple(
            f"{name}.new: a write was cut short" for name in self._copies if self._is_there(name + ".new")
        )
        if not valid:
            witnesses = (*self._copies, self._marker) if self._marker else self._copies
            if not any(map(self._is_there, witnesses)):
                return Recalled(None, ("first start: neither retained data nor the marker", *cut))
            return Recalled(LOST, (f"{self._name} data lost: " + "; ".join(faults), *cut))
        if len({copy.text for copy in valid}) > len({copy.sequence for copy in valid}):
            return Recalled(LOST, (f"{self._name} data lost: the copies contradict each other", *cut))
        newest = max(valid, key=lambda copy: copy.sequence)
        self._sequence, self._newest = newest.sequence, copies.index(newest)
        return Recalled(newest.text, tuple(f"{fault}; {newest.name} is used" for fault in faults) + cut)

    def _read(self, name: str) -> _Copy:
        try:
            with open(self._folder / name, "rb") as file:
                data = file.read(_BYTES_MAX + 1)
        except FileNotFoundError:
            return _Copy(name, fault="missing")
        except OSError as error:
            return _Copy(name, fault=f"cannot be read: {error.strerror or error}")
        number, _, rest = data.partition(b" ")
        _, _, text = rest.partition(b" ")
        try:
            sequence, words = int(number), text.decode()
        except ValueError:
            return _Copy(name, fault="damaged")
        if data != _frame(sequence, words):
            return _Copy(name, fault="checksum does not match")
        return _Copy(name, sequence, words)

    def _is_there(self, name: str) -> bool:
        """False only when it certainly is not: what cannot be told counts as there."""
        try:
            os.lstat(self._folder / name)
        except FileNotFoundError:
            return False
        except OSError:
            return True
        return True

    def _replace(self, name: str, data: bytes) -> None:
        new = self._folder / (name + ".new")
        file = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o640)
        try:
            rest = data
            while rest:
                rest = rest[os.write(file, rest) :]
            os.fsync(file)
        finally:
            os.close(file)
        os.replace(new, self._folder / name)
        folder = os.open(self._folder, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _frame(sequence: int, text: str) -> bytes:
    body = f"{sequence} {text}"
    return f"{sequence} {hashlib.sha256(body.encode()).hexdigest()} {text}".encode()


class Keeper:
    """Writes to a store in a thread of its own, so that a scan never waits for a disk.

    Only the newest text is worth writing. A write that fails is told to ``report`` once and tried again
    every second until it succeeds, which is told too.
    """

    def __init__(self, store: Store, report: Callable[[str], None]) -> None:
        self._store, self._report = store, report
        self._offered = store.recalled.text
        self._changed = threading.Condition()
        self._waiting: str | None = None
        self._closing = False
        self._failing = False
        self._thread = threading.Thread(target=self._work, name="retained", daemon=True)
        self._thread.start()

    def offer(self, text: str) -> None:
        """Called once a scan with the firmware's retained text; returns at once."""
        if text == self._offered:
            return
        self._offered = text
        with self._changed:
            self._waiting = text
            self._changed.notify()

    def close(self, timeout_s: float) -> bool:
        """Write what waits and end; False when the disk did not take it in time."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self._failing

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting is not None or self._closing)
                text, self._waiting = self._waiting, None
            if text is None:
                return
            if not self._try(text) and not self._wait_to_retry(text):
                return

    def _try(self, text: str) -> bool:
        try:
            self._store.write(text)
        except OSError as error:
            if not self._failing:
                self._report(f"retained memory cannot be written: {error.strerror or error}")
            self._failing = True
            return False
        if self._failing:
            self._report("retained memory is written again")
        self._failing = False
        return True

    def _wait_to_retry(self, text: str) -> bool:
        """Keep the text unless a newer one came meanwhile; False at the end of the program."""
        with self._changed:
            self._changed.wait_for(lambda: self._closing, RETRY_S)
            if self._closing and self._waiting is None:
                return False
            if self._waiting is None:
                self._waiting = text
            return True
