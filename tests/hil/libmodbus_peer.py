"""Devices on libmodbus, compiled from ``peer_server.c``: a judge that shares no code with ours.

A missing compiler or library fails the test: a check that is skipped where it cannot run is no check.
"""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import subprocess
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

_SOURCE = Path(__file__).with_name("peer_server.c")
_NEEDS = "needs a C compiler and libmodbus: apt-get install gcc libc6-dev libmodbus-dev"
IDENTITY, KNOWN = 4711, 12_345
"""What input registers 0 and 1 of every such device hold."""


def compiled(folder: Path) -> Path:
    """The device's program, compiled into this folder."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.fail(f"no cc: {_NEEDS}", pytrace=False)
    program = folder / "peer_server"
    done = subprocess.run(
        [compiler, "-I/usr/include/modbus", "-o", str(program), str(_SOURCE), "-lmodbus"],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        pytest.fail(f"{_NEEDS}\n{done.stderr}", pytrace=False)
    return program


@contextlib.contextmanager
def running(program: Path, *arguments: str) -> Iterator[str]:
    """The device, until the end of the block; gives the line that it prints when it is ready."""
    device = subprocess.Popen([str(program), *arguments], stdout=subprocess.PIPE, text=True)
    try:
        assert device.stdout is not None
        yield device.stdout.readline().strip()
    finally:
        device.kill()
        device.communicate()


@contextlib.contextmanager
def tcp_device(program: Path, unit_id: int, port: int = 0) -> Iterator[int]:
    """Serves on loopback; gives the port."""
    with running(program, "tcp", str(port), str(unit_id)) as ready:
        yield int(ready.removeprefix("port "))


@contextlib.contextmanager
def rtu_devices(program: Path, *unit_ids: int) -> Iterator[str]:
    """Devices on one serial line; gives the name of the port at its other end.

    A pseudo-terminal has two ends, so a line with more is a hub: what one sends reaches all others.
    """
    with contextlib.ExitStack() as stack:
        ours, port = _terminal(stack)
        ends = [ours]
        for unit_id in unit_ids:
            end, name = _terminal(stack)
            ends.append(end)
            assert stack.enter_context(running(program, "rtu", name, "115200", str(unit_id))) == "ready"
        over = threading.Event()
        hub = threading.Thread(target=_forward, args=(ends, over), daemon=True)
        hub.start()
        stack.callback(hub.join, 5.0)
        stack.callback(over.set)
        yield port


def _terminal(stack: contextlib.ExitStack) -> tuple[int, str]:
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    stack.callback(os.close, master)
    stack.callback(os.close, slave)
    return master, os.ttyname(slave)


def _forward(ends: list[int], over: threading.Event) -> None:
    while not over.is_set():
        for end in select.select(ends, [], [], 0.05)[0]:
            data = os.read(end, 300)
            for other in ends:
                if other != end:
                    os.write(other, data)
