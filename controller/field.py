"""Which field the firmware drives: the one that wiring.toml names, or one in memory where a site has none."""

from __future__ import annotations

import time
from collections.abc import Callable

from controller.drivers.base import Driver
from controller.drivers.memory import MemoryDriver
from controller.drivers.remote import RemoteDriver
from controller.drivers.wired import beyond_this_machine, place_of, remote_links
from controller.files import InputError
from controller.settings import Setpoints
from controller.site import Site
from controller.wiring import WIRING_FILE, Wiring, load_wiring

LOOK_S = 0.05
REAL_OPTION = "--drive-real-outputs"
_PROOFS = ("feed_valve_shut", "flush_valve_shut")

REAL_OUTPUTS = """\
REAL OUTPUTS may be driven through {links}.
Do not go on without a written permit, a person at the emergency stop, and the plant cut off from every other
master. The emergency-stop chain, pressure switches, motor protectors, high-high float, watchdog relay and
relief valves must exist and act whatever this program does. The I/O must let its outputs go by itself when
nothing has been written for 2 s: prove it by pulling the cable. OFF or MAINTENANCE in a program is not
isolation: lock out, tag out, try out before anybody opens anything. This is a prototype, not a safety system:
no SIL or PL is claimed. docs/cautions.md says the rest."""


def wiring_of(site: Site, drive_real: bool) -> Wiring | None:
    """The site's wiring, None without the file. InputError when it is at fault, or real and not allowed."""
    if not (site.folder / WIRING_FILE).exists():
        return None
    wiring = load_wiring(site.folder, site.table.units)
    real = beyond_this_machine(wiring)
    if real and not drive_real:
        links = _several(real)
        raise InputError(f"{WIRING_FILE}: {links} may lead to real outputs; {REAL_OPTION} if they are meant")
    remote_links(wiring, allow_remote=drive_real)  # opens nothing; refuses what cannot be opened
    return wiring


def check_proofs(wiring: Wiring | None, setpoints: Setpoints) -> None:
    """InputError when the firmware is to judge proofs that have no wire: each valve would trip its unit."""
    if wiring is None or not setpoints.position_proofs:
        return
    for name in wiring.left_out:
        if name.endswith(_PROOFS):
            raise InputError(f"{WIRING_FILE}: {name} is not wired, and position_proofs is on")


def caution(wiring: Wiring | None) -> str:
    """What must be read before anything is driven; empty where nothing real is."""
    real = () if wiring is None else beyond_this_machine(wiring)
    return REAL_OUTPUTS.format(links=_several(real)) if real else ""


def words_of(wiring: Wiring | None) -> str:
    """Which field it is, in one line."""
    if wiring is None:
        return f"a healthy field in memory, the site has no {WIRING_FILE}; nothing is driven"
    links = _several(tuple(f"{link.name} ({place_of(link)})" for link in wiring.links))
    return f"{len(wiring.devices)} devices of {WIRING_FILE} on {links}"


def driver_for(wiring: Wiring | None, n_units: int, mark: int, say: Callable[[str], None]) -> Driver:
    """The driver; with a wiring it begins to ask at once, and drives the safe image until it is told more.

    ``wiring`` has gone through ``wiring_of``.
    """
    if wiring is None:
        return MemoryDriver(n_units)
    return RemoteDriver(remote_links(wiring, allow_remote=True), n_units, mark, say)


def await_field(driver: Driver, wait_s: float, go_on: Callable[[], bool]) -> list[str]:
    """Wait until every device has shown itself; those that have not in time."""
    if not isinstance(driver, RemoteDriver):
        return []
    end_s = time.monotonic() + wait_s
    while (unseen := driver.unseen()) and go_on() and time.monotonic() < end_s:
        time.sleep(LOOK_S)
    return unseen


def _several(names: tuple[str, ...]) -> str:
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return ", ".join(names[:3]) + more
