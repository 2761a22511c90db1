"""The command in this process or as a person would start it, and a small site to type mistakes into."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from typer.testing import CliRunner

from sim_plant.cli import app

ROOT = Path(__file__).parents[2]
CAUTION_WORDS = "not a safety system: no SIL or PL is claimed"

SITE = """\
[site]
name = "pair"
title = "Two units to try things on"
units = 2

[setpoints]
start_flush_s = 120

[plant.source]
tds_mgl = 3200
"""

CASE = """\
title = "A short dip is ridden through"
family = "low feed pressure"
requirements = ["SR-17"]

[given]
states = ["START_FLUSH"]

[vary]
depth = [0.6, 0.75]

[[step]]
at_s = 1
name = "low"
inject = { target = "suction", kind = "stuck_at", value_bar = "$depth" }
for_s = 4

[[expect]]
text = "the flush goes on"
signal = "feed_valve"
is = true
after = "low"
until_s = 5

[run]
for_s = 8
"""


class Answer:
    """What a command said and how it ended."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    def __repr__(self) -> str:
        return f"exit {self.code}\n--- out\n{self.out}\n--- err\n{self.err}"


def call(*arguments: str) -> Answer:
    """The command in this process; quick."""
    result = CliRunner().invoke(app, arguments)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Answer(result.exit_code, result.stdout, result.stderr)


def started(*arguments: str, cwd: Path) -> subprocess.Popen[str]:
    """The command as a process of its own, its output in pipes."""
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    environment = {**os.environ, "PYTHONPATH": path.rstrip(os.pathsep)}
    return subprocess.Popen(
        [sys.executable, "-m", "sim_plant.cli", *arguments],
        cwd=cwd,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def run(*arguments: str, cwd: Path) -> Answer:
    """The command as a process of its own, to its end."""
    process = started(*arguments, cwd=cwd)
    out, err = process.communicate(timeout=240)
    return Answer(process.returncode, out, err)
