"""docs/plant-on-modbus.md: options, status line and limits are those of the command."""

from __future__ import annotations

import re
from pathlib import Path

import typer.main

from sim_plant import cli
from sim_plant.serve.device import LOSS_MS
from sim_plant.serve.loop import CATCH_UP_MS, Seen, UnitSeen
from sim_plant.serve.status import plant_words

PAGE = (Path(__file__).parents[2] / "docs" / "plant-on-modbus.md").read_text(encoding="utf-8")


def test_the_options_are_those_of_the_command() -> None:
    command = typer.main.get_command(cli.app).commands["plant"]  # type: ignore[attr-defined] # a group has them
    options = {name for parameter in command.params for name in parameter.opts if name.startswith("--")}
    assert set(re.findall(r"^\| `(--\w+)`", PAGE, re.MULTILINE)) == options
    assert set(re.findall(r"skidproof plant my_site (--\w+)", PAGE)) <= options


def test_the_status_line_is_written_as_the_command_writes_it() -> None:
    seen = Seen(250_000, 2.41, 58.3, (UnitSeen(True, False, True), UnitSeen(True, True, False)))
    assert f"\n{plant_words(seen)} | written by " in PAGE


def test_the_limits_are_those_of_the_code() -> None:
    assert (LOSS_MS, CATCH_UP_MS) == (2_000, 1_000)
    assert "nobody has written for 2 s" in PAGE
    assert "up to one second of them" in PAGE
