"""The program as a process: how tests start it, wait for it and read what it left."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from controller.journal import read_lines

ROOT = Path(__file__).parents[2]
PROGRAM = ("-m", "controller")
DEADLINE_S = 60.0

Start = Callable[..., subprocess.Popen[str]]


def lines(site: Path, kind: str) -> list[str]:
    """Journal texts of one kind."""
    return [line.text for line in read_lines(site / "data" / "journal.sqlite", 100_000) if line.kind == kind]


def wait_for(condition: Callable[[], bool]) -> None:
    """Look until it holds; fails at the deadline."""
    end = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < end, "the deadline has passed"
        time.sleep(0.01)


def refusal(process: subprocess.Popen[str]) -> str:
    """The one line of a program that refused its input."""
    out, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 2, err
    assert out == ""
    assert len(err.splitlines()) == 1, err
    return err
