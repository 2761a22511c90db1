"""What docs/desk-page.md names is what the command and the page have."""

from __future__ import annotations

import re
from pathlib import Path

import typer.main
from desk_samples import run_to, session

from sim_plant import cli
from sim_plant.desk.casefile import case_file
from sim_plant.desk.events import VIEWERS_MAX
from sim_plant.desk.server import read_files

GUIDE = (Path(__file__).parents[2] / "docs" / "desk-page.md").read_text(encoding="utf-8")


def test_its_options_are_those_of_the_command() -> None:
    command = typer.main.get_command(cli.app).commands["watch"]  # type: ignore[attr-defined] # a group has them
    known = {option for parameter in command.params for option in parameter.opts if option.startswith("--")}
    table = GUIDE.split("| option |")[1].split("\n\n")[0]

    assert set(re.findall(r"`(--[\w-]+)`", table)) == known


def test_its_keys_are_those_of_the_page() -> None:
    script = read_files()["main.js"][0].decode()
    shown = dict(re.findall(r'\["([^"]+)", "([^"]+)"\],', script.split("const KEYS")[1].split("];")[0]))
    keys = GUIDE.split("## Keys")[1].split("##")[0]

    for key in " ".join(shown).replace(" and ", " ").split():
        assert f"`{key}`" in keys, key


def test_its_numbers_and_file_names_are_right() -> None:
    desk = session()
    run_to(desk, 12)

    assert f"At most {VIEWERS_MAX} pages" in GUIDE
    pattern = re.sub(r"\d+", r"\\d+", re.search(r"desk-unit\S+", GUIDE)[0])  # type: ignore[index]
    assert re.fullmatch(pattern, case_file(desk, 2, "x").name)
