"""Makes the line to a live controller out of a wiring."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable

from controller.wiring import TcpLink, Wiring
from sim_plant.bench.live.asked import AskedField, asking_links
from sim_plant.bench.live.loop_check import Line
from sim_plant.bench.live.polled import PolledField


def leaves_this_machine(wiring: Wiring) -> bool:
    """Whether any link is a serial line or leads to another host than this one."""
    return any(not (isinstance(link, TcpLink) and _is_here(link.host)) for link in wiring.links)


def _is_here(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def asked_line(wiring: Wiring, beyond_here: bool, say: Callable[[str], None]) -> Line:
    """The bench asks; nothing is opened before the first image is published."""
    return AskedField(wiring, asking_links(wiring, beyond_here), say)


def polled_line(wiring: Wiring, beyond_here: bool) -> Line:
    """The bench answers from now on; OSError when a port cannot be had."""
    return PolledField(wiring, beyond_here)
