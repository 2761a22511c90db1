"""``python -m controller SITE``: the firmware of a site in real time, without a simulator.

This version has one driver, the one without a line (controller/drivers/memory.py): it drives nothing.

Exit codes: 0 stopped by a signal or by --for, with the safe image driven; 1 a crash, or the safe image could
not be driven; 2 the input is at fault (one line says what).
"""

from __future__ import annotations

import argparse
import fcntl
import math
import sqlite3
import sys
from pathlib import Path
from typing import IO, NoReturn

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

INPUT_AT_FAULT = 2
DISK_S = 5.0  # the disk has so long at the end


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """One line, as for every other input at fault."""
        raise SystemExit(_refuse(message))


def _refuse(message: str) -> int:
    print(f"controller: {message}", file=sys.stderr)
    return INPUT_AT_FAULT


def _seconds(text: str) -> float:
    value = float(text)
    if not (math.isfinite(value) and value > 0):
        raise ValueError
    return value


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = _Parser(prog="python -m controller", description="Run the firmware of a site in real time.")
    parser.add_argument("site", type=Path, metavar="SITE", help="site folder, holds site.toml")
    parser.add_argument("--for", dest="for_s", type=_seconds, metavar="SECONDS", help="stop after so long")
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="retained memory and journal; SITE/data when left out"
    )
    parser.add_argument("--by", default="", metavar="NAME", help="who changed setpoints since the last start")
    parser.add_argument("--why", default="", metavar="TEXT", help="why they were changed")
    return parser.parse_args(arguments)


def _lock(folder: Path) -> IO[str] | None:
    """Hold the folder for this process; None when another one holds it. The lock ends with the process."""
    file = open(folder / "lock", "w", encoding="utf-8")  # noqa: SIM115  # stays open as long as we run
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        return None
    return file


def main(arguments: list[str] | None = None) -> int:
    """Run a site; the exit code."""
    options = _options(arguments)
    try:
        site = load_site(options.site)
        data = options.data or site.folder / "data"
        data.mkdir(parents=True, exist_ok=True)
        lock = _lock(data)
        if lock is None:
            return _refuse(f"{data}: another process runs on this folder")
        with lock:
            return _run(site, data, options)
    except InputError as error:
        return _refuse(str(error))
    except OSError as error:
        return _refuse(f"{error.filename or options.site}: {error.strerror or error}")
    except sqlite3.Error as error:
        return _refuse(f"{data / 'journal.sqlite'}: {error}")


def _run(site: Site, data: Path, options: argparse.Namespace) -> int:
    overlay = Overlay(data, site.setpoints, site.table.units)  # first: it may refuse
    journal, store = Journal(data / "journal.sqlite"), Store(data)
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
    site: Site, loop: Loop, journal: Journal, store: Store, overlay: Overlay, options: argparse.Namespace
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


if __name__ == "__main__":
    sys.exit(main())
