"""The npm package modbus-serial: installed for the tests, and a device that is built on it.

A missing node or npm fails the test: a check that is skipped where it cannot run is no check.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ports import free_port

PACKAGE = "modbus-serial@8"
_SERVER = Path(__file__).with_name("modbus_serial_server.js")
_NEEDS = f"needs node, npm and the npm package {PACKAGE}: apt-get install nodejs npm"


def install(folder: Path) -> Path:
    """Install the package there; what NODE_PATH must name."""
    if shutil.which("npm") is None or shutil.which("node") is None:
        pytest.fail(_NEEDS, pytrace=False)
    command = ["npm", "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(folder), PACKAGE]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.fail(f"{_NEEDS}\n{done.stdout}{done.stderr}", pytrace=False)
    return folder / "node_modules"


@contextlib.contextmanager
def npm_device(node_modules: Path, unit_id: int, port: int = 0) -> Iterator[int]:
    """Serves on loopback until the end of the block; gives the port."""
    port = port or free_port()
    device = subprocess.Popen(
        ["node", str(_SERVER), str(port), str(unit_id)],
        env={**os.environ, "NODE_PATH": str(node_modules)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert device.stdout is not None
        said = device.stdout.readline()
        assert said == "ready\n", said + device.stdout.read()
        yield port
    finally:
        device.kill()
        device.communicate()
