"""Makes the line to a live controller out of a wiring."""

from __future__ import annotations

import ipaddress

from controller.wiring import (
    TcpLink,
    Wiring,
)


def leaves_this_machine(wiring: Wiring) -> bool:
    """Whether any link is a serial line or leads to another host than this one."""
    return any(not (isinstance(link, TcpLink) and _is_here(link.host)) for link in wiring.links)


def _is_here(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
