"""Servers for the links of a wiring, on this machine unless something else is asked for."""

from __future__ import annotations

import errno
from collections.abc import Coroutine
from dataclasses import dataclass
from typing import Any

from controller.files import InputError
from controller.modbus.server import SerialServer, Server, ServerThread, TcpServer, serve_serial, serve_tcp
from controller.modbus.settings import SerialSettings, check, is_loopback
from controller.wiring import SerialLink, TcpLink, Wiring
from sim_plant.serve.remote_io import RemoteIo

LOOPBACK = "127.0.0.1"


@dataclass(frozen=True)
class Places:
    """Where to listen in place of what the wiring says; both are for TCP.

    Without ``bind`` a link listens on its own host where that is this machine, else on 127.0.0.1: the host in
    a wiring is the address of a real device. ``port`` is for a wiring with one link; 0 takes a free one.
    """

    bind: str | None = None
    port: int | None = None

    @property
    def beyond_loopback(self) -> bool:
        """Other machines are let in."""
        return self.bind is not None and not is_loopback(self.bind)


@dataclass(frozen=True)
class Served:
    """A link that is answered; ``words`` say where, for people."""

    server: Server
    words: str


def serve_links(wiring: Wiring, io: RemoteIo, places: Places, thread: ServerThread) -> list[Served]:
    """Start a server for every link; InputError, one line that names the port, when one cannot be had.

    Those that were started then are closed with the thread.
    """
    hosts = _tcp_places(wiring, places)
    return [
        _serve_tcp(link, *hosts[link.name], io, places, thread)
        if isinstance(link, TcpLink)
        else _serve_serial(link, io, places, thread)
        for link in wiring.links
    ]


def _tcp_places(wiring: Wiring, places: Places) -> dict[str, tuple[str, int]]:
    """Host and port of each TCP link; no two may be the same."""
    links = [link for link in wiring.links if isinstance(link, TcpLink)]
    if places.port is not None and len(links) != 1:
        raise InputError(
            f"--port {places.port}: is for a wiring with one TCP link, and this has {len(links)}"
        )
    taken: dict[tuple[str, int], str] = {}
    for link in links:
        host = places.bind or (link.host if is_loopback(link.host) else LOOPBACK)
        place = (host, link.port if places.port is None else places.port)
        if place in taken:
            raise InputError(
                f'links "{taken[place]}" and "{link.name}" would both listen on {host}:{place[1]}; '
                "give each a port of its own, or an address of this machine (127.0.0.2 is one)"
            )
        taken[place] = link.name
    return {name: place for place, name in taken.items()}


def _serve_tcp(
    link: TcpLink, host: str, port: int, io: RemoteIo, places: Places, thread: ServerThread
) -> Served:
    serving = serve_tcp(io.on_link(link.name), host, port, beyond_loopback=places.beyond_loopback)
    server: TcpServer = _started(serving, f"port {port} on {host}", link.name, thread)
    moved = "" if (link.host, link.port) == (host, server.port) else f" (in place of {link.host}:{link.port})"
    return Served(
        server, f"link {link.name}: {host}:{server.port}{moved}, unit ids {_unit_ids(io, link.name)}"
    )


def _serve_serial(link: SerialLink, io: RemoteIo, places: Places, thread: ServerThread) -> Served:
    check(SerialSettings(link.port), places.beyond_loopback)
    parity = link.parity.value[0].upper()
    serving = serve_serial(
        io.on_link(link.name), link.port, link.baud, parity=parity, stop_bits=link.stop_bits
    )
    server: SerialServer = _started(serving, f"serial port {link.port}", link.name, thread)
    unswitched = ", rs485 is not switched here" if link.rs485 else ""
    mode = f"{link.baud} baud, 8{parity}{link.stop_bits}{unswitched}"
    return Served(server, f"link {link.name}: {link.port} at {mode}, unit ids {_unit_ids(io, link.name)}")


def _started(serving: Coroutine[Any, Any, Any], where: str, link: str, thread: ServerThread) -> Any:
    try:
        return thread.start(serving)
    except OSError as error:
        raise InputError(f"link {link}: {where} {_why(error)}") from error


def _why(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return "is in use"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "is not for this user; ports below 1024 are for an administrator on most systems"
    return f"cannot be had: {error.strerror or error}"


def _unit_ids(io: RemoteIo, link: str) -> str:
    """In runs: "1 to 6, 100"."""
    runs: list[list[int]] = []
    for unit_id in sorted(io.on_link(link)):
        if runs and unit_id == runs[-1][-1] + 1:
            runs[-1].append(unit_id)
        else:
            runs.append([unit_id])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)
