"""The program around the firmware: a site, its data folder, and everything that runs beside the loop.

``python -m controller`` and ``skidproof control`` both start it. This version has one driver, the one without
a line (controller/drivers/memory.py): it drives nothing.
"""

from __future__ import annotations

import fcntl
import math
import sqlite3
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from controller import retained
from controller.changes import Overlay
from controller.drivers.base import Driver
from controller.drivers.memory import MemoryDriver
from controller.files import InputError
from controller.firmware import Controller
from controller.journal import Journal
from controller.notify import Notifier, from_environment
from controller.runtime import Loop, Runner
from controller.site import Site, load_site
from controller.store import LOST, Keeper, Store

DISK_S = 5.0  # the disk has so long at the end


@dataclass(frozen=True)
class Options:
    """What a start may be given: how long to run, where the data are, who changed site.toml and why."""

    for_s: float | None = None
    data: Path | None = None
    by: str = ""
    why: str = ""


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
    site = load_site(folder)
    data = options.data or folder / "data"
    try:
        data.mkdir(parents=True, exist_ok=True)
        lock = _lock(data)
        if lock is None:
            raise InputError(f"{data}: another process runs on this folder")
        with lock:
            return _run(site, data, options, found_sound)
    except OSError as error:
        raise InputError(f"{error.filename or folder}: {error.strerror or error}") from error
    except sqlite3.Error as error:
        raise InputError(f"{data / 'journal.sqlite'}: {error}") from error


def _run(site: Site, data: Path, options: Options, found_sound: Callable[[], None]) -> int:
    overlay = Overlay(data, site.setpoints, site.table.units)  # first: it may refuse
    journal, store = Journal(data / "journal.sqlite"), Store(data)
    found_sound()
    driver = MemoryDriver(site.table.units)
    controller = Controller(site.table.units, overlay.setpoints, store.recalled.text)
    notifier = from_environment()
    loop, keeper = _assemble(site, controller, driver, journal, store, notifier)
    _record_start(site, loop, journal, store, overlay, options)
    try:
        code = Runner(loop, notifier, options.for_s).run()
    finally:
        if not keeper.close(DISK_S):
            loop.record("store", "the last retained text could not be written")
        if not journal.close(DISK_S):
            print("controller: the journal could not be written to its end", file=sys.stderr)
        notifier.close()
        driver.close()
    return code


def _assemble(
    site: Site, controller: Controller, driver: Driver, journal: Journal, store: Store, notifier: Notifier
) -> tuple[Loop, Keeper]:
    loop: Loop
    keeper = Keeper(store, lambda text: loop.record("store", text))
    loop = Loop(controller, driver, journal, keeper, notifier, site.table.scan_ms)
    return loop, keeper


def _record_start(
    site: Site, loop: Loop, journal: Journal, store: Store, overlay: Overlay, options: Options
) -> None:
    loop.record(
        "run", f"started: site {site.table.name}, {site.table.units} units, scan {site.table.scan_ms} ms"
    )
    if journal.moved_aside:
        loop.record("run", f"the journal was damaged and moved to {journal.moved_aside.name}")
    for note in store.recalled.notes:
        loop.record("store", note)
    if store.recalled.text not in (None, LOST):
        try:
            retained.decode(str(store.recalled.text), site.table.units)
        except retained.RetainedLostError as error:
            loop.record("store", f"retained data lost: {error}")
    for note in overlay.notes:
        loop.record("setting", note)
    changes = journal.setpoints_in_force(
        overlay.setpoints.model_dump(),
        options.by.strip() or "not named (edit of site.toml)",
        options.why,
        loop.clock.now_ns() // 1_000_000,
        loop.clock.wall_ns(),
        overlay.authors(),
    )
    for change in changes:
        why = change.why or "no reason given"
        loop.record("setting", f"{change.name}: {change.old} -> {change.new}, by {change.who}: {why}")
