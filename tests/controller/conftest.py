"""For tests that start the program."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.controller.program_process import PROGRAM, ROOT, Start


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts the program on a site; whatever still runs at the end of the test is ended."""
    running: list[subprocess.Popen[str]] = []

    def begin(
        *arguments: str | Path, program: tuple[str, ...] = PROGRAM, **environment: str
    ) -> subprocess.Popen[str]:
        path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
        process = subprocess.Popen(
            [sys.executable, *program, *map(str, arguments)],
            env={**os.environ, "PYTHONPATH": path, **environment},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        running.append(process)
        return process

    yield begin
    for process in running:
        process.kill()
        process.communicate()
