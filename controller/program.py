"""The program around the firmware: a site, its data folder, and everything that runs beside the loop.

``python -m controller`` and ``skidproof control`` both start it. What it drives is chosen in
controller/field.py.
"""

from __future__ import annotations

import contextlib
import fcntl
import math
import secrets
import sqlite3
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO, NamedTuple

from controller import retained
from controller.changes import Overlay
from controller.drivers.base import Driver
from controller.field import await_field, caution, check_proofs, driver_for, wiring_of, words_of
from controller.files import InputError
from controller.firmware import Controller
from controller.journal import Journal
from controller.notify import Notifier, from_environment
from controller.panel.opening import StatusOptions, StatusPort
from controller.parts.journal import Entry
from controller.runtime import Clock, Loop, Runner
from controller.site import Site, load_site
from controller.store import LOST, Keeper, Store
from controller.wiring import Wiring

DISK_S = 5.0  # the disk has so long at the end
WAIT_S = 10.0
MARKS = 65_535


@dataclass(frozen=True)
class Options:
    """What a start may be given.

    How long to run, where the data are, who changed site.toml and why; whether outputs may be real, how long
    to wait for the devices before the first scan, and where status is shown, None for nowhere.
    """

    for_s: float | None = None
    data: Path | None = None
    by: str = ""
    why: str = ""
    drive_real: bool = False
    wait_s: float = WAIT_S
    status: StatusOptions | None = None


def status_options(port: int | None, host: str, accept_commands: bool) -> StatusOptions | None:
    """From the command line; InputError when the three do not fit together."""
    if port is None:
        if host or accept_commands:
            raise InputError("--status-host and --accept-commands need --status-port")
        return None
    if not 0 <= port <= 65_535:
        raise InputError(f"--status-port {port}: must be 0 to 65535")
    return StatusOptions(port, host or StatusOptions.host, accept_commands)


class _Parts(NamedTuple):
    """What is there before the firmware is."""

    site: Site
    wiring: Wiring | None
    options: Options
    overlay: Overlay
    journal: Journal
    store: Store
    notifier: Notifier
    clock: Clock
    mark: int

    def record(self, kind: str, text: str) -> None:
        """One journal line of the program's own."""
        self.journal.add(Entry(self.clock.now_ns() // 1_000_000, 0, kind, text), self.clock.wall_ns())

    def tell(self, kind: str, text: str) -> None:
        """The same, and to whoever started the program."""
        self.record(kind, text)
        _print(f"{kind}: {text}")


def _lock(folder: Path) -> IO[str] | None:
    """Hold the folder for this process; None when another one holds it. The lock ends with the process."""
    file = open(folder / "lock", "w", encoding="utf-8")  # noqa: SIM115  # stays open as long as we run
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        return None
    return file


def run_site(folder: Path, options: Options, found_sound: Callable[[], None] = lambda: None) -> int:
    """Run a site until a signal or the time limit; STOPPED or CRASHED.

    ``found_sound`` is called once the input is known to be sound. InputError, in one line, when it is not;
    nothing runs then.
    """
    if options.for_s is not None and not (math.isfinite(options.for_s) and options.for_s > 0):
        raise InputError(f"--for {options.for_s:g}: must be seconds, more than 0")
    if not (math.isfinite(options.wait_s) and options.wait_s >= 0):
        raise InputError(f"--wait {options.wait_s:g}: must be seconds, 0 or more")
    site = load_site(folder)
    wiring = wiring_of(site, options.drive_real)
    data = options.data or folder / "data"
    try:
        data.mkdir(parents=True, exist_ok=True)
        lock = _lock(data)
        if lock is None:
            raise InputError(f"{data}: another process runs on this folder")
        with lock:
            return _run(site, wiring, data, options, found_sound)
    except OSError as error:
        raise InputError(f"{error.filename or folder}: {error.strerror or error}") from error
    except sqlite3.Error as error:
        raise InputError(f"{data / 'journal.sqlite'}: {error}") from error


def _run(
    site: Site, wiring: Wiring | None, data: Path, options: Options, found_sound: Callable[[], None]
) -> int:
    overlay = Overlay(data, site.setpoints, site.table.units)  # first: it may refuse
    check_proofs(wiring, overlay.setpoints)
    mark = 1 + secrets.randbelow(MARKS)
    with contextlib.ExitStack() as stack:
        status = None
        if options.status is not None:
            status = stack.enter_context(StatusPort(options.status, mark, site.table.units))
        journal, store = Journal(data / "journal.sqlite"), Store(data)
        found_sound()
        parts = _Parts(site, wiring, options, overlay, journal, store, from_environment(), Clock(), mark)
        return _run_parts(parts, status)


def _run_parts(parts: _Parts, status: StatusPort | None) -> int:
    _record_start(parts)
    _tell_field(parts)
    n_units = parts.site.table.units
    driver = driver_for(parts.wiring, n_units, parts.mark, lambda line: parts.record("link", line))
    controller = Controller(n_units, parts.overlay.setpoints, parts.store.recalled.text)
    loop, keeper = _assemble(parts, controller, driver)
    if status is not None:
        status.attach(controller, loop, parts.journal)
        parts.tell("panel", status.words())
    try:
        before = partial(_await, parts, driver)
        code = Runner(loop, parts.notifier, parts.options.for_s, before).run()
    finally:
        driver.close()
        if not keeper.close(DISK_S):
            loop.record("store", "the last retained text could not be written")
        if not parts.journal.close(DISK_S):
            print("controller: the journal could not be written to its end", file=sys.stderr)
        parts.notifier.close()
    return code


def _assemble(parts: _Parts, controller: Controller, driver: Driver) -> tuple[Loop, Keeper]:
    keeper = Keeper(parts.store, lambda text: parts.record("store", text))
    scan_ms = parts.site.table.scan_ms
    loop = Loop(controller, driver, parts.journal, keeper, parts.notifier, scan_ms, parts.clock)
    return loop, keeper


def _tell_field(parts: _Parts) -> None:
    """Cautions first, then what is going to be driven."""
    real = caution(parts.wiring)
    if real:
        _print(real)
        parts.record("run", "started with real outputs allowed, cautions shown")
    words = words_of(parts.wiring)
    if parts.wiring is None:
        _print(f"link: {words}")
    else:
        parts.tell("link", f"{words}; our mark is {parts.mark}")


def _await(parts: _Parts, driver: Driver, go_on: Callable[[], bool]) -> None:
    """Before the first scan: let the devices show themselves, and say which have not."""
    unseen = await_field(driver, parts.options.wait_s, go_on)
    if unseen and go_on():
        within = f"not seen within {parts.options.wait_s:g} s"
        parts.tell("link", f"{within}: {', '.join(unseen)}; what they hold counts as lost and is awaited")


def _print(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # a terminal that is gone ends no plant
        print(text, file=sys.stderr, flush=True)


def _record_start(parts: _Parts) -> None:
    site, journal, overlay, recalled = parts.site, parts.journal, parts.overlay, parts.store.recalled
    parts.record(
        "run", f"started: site {site.table.name}, {site.table.units} units, scan {site.table.scan_ms} ms"
    )
    if journal.moved_aside:
        parts.record("run", f"the journal was damaged and moved to {journal.moved_aside.name}")
    for note in recalled.notes:
        parts.record("store", note)
    if recalled.text not in (None, LOST):
        try:
            retained.decode(str(recalled.text), site.table.units)
        except retained.RetainedLostError as error:
            parts.record("store", f"retained data lost: {error}")
    for note in overlay.notes:
        parts.record("setting", note)
    changes = journal.setpoints_in_force(
        overlay.setpoints.model_dump(),
        parts.options.by.strip() or "not named (edit of site.toml)",
        parts.options.why,
        parts.clock.now_ns() // 1_000_000,
        parts.clock.wall_ns(),
        overlay.authors(),
    )
    for change in changes:
        why = change.why or "no reason given"
        parts.record("setting", f"{change.name}: {change.old} -> {change.new}, by {change.who}: {why}")
