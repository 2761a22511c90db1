"""``skidproof explore``: exit codes, what it says and what it writes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from sim_plant.bench.explore import pair_worlds
from sim_plant.cli import app

RUN = CliRunner()


def test_a_bound_leaves_it_open_and_says_what_is_left(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    result = RUN.invoke(app, ["explore", "--depth", "3", "--jobs", "1", "--out", str(folder)])
    assert result.exit_code == 1
    assert "Not closed: stopped by depth 3" in result.stdout
    written = json.loads((folder / "explore.json").read_text())
    assert (written["closed"], written["stopped_by"]) == (False, "depth 3")
    assert written["waiting"] > 0
    page = (folder / "report.html").read_text()
    assert "Not closed" in page
    assert "What this does not prove" in page
    assert "Before you rely on this" in page


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    result = RUN.invoke(app, ["explore", "--out", str(tmp_path)])
    assert result.exit_code == 2
    assert "is not empty; nothing was written" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_a_wrong_setpoint_is_one_line(tmp_path: Path) -> None:
    result = RUN.invoke(app, ["explore", "--set", "purge_s=1", "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert "purge_s" in result.stderr
    assert not (tmp_path / "out").exists()


def test_help_has_an_example_and_names_the_guide() -> None:
    result = RUN.invoke(app, ["explore", "--help"])
    assert result.exit_code == 0
    assert "Example: skidproof explore" in result.stdout
    assert "docs/exploring.md" in result.stdout


def test_two_units_are_told_world_by_world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pair_worlds, "KINDS", {"demand": (), "E-stop": ("E-stop", "reset")})
    folder = tmp_path / "out"
    result = RUN.invoke(app, ["explore", "--pair", "--depth", "3", "--jobs", "1", "--out", str(folder)])
    assert result.exit_code == 1
    assert "E-stop, 1 flush slot: " in result.stdout
    assert "stopped by depth 3, " in result.stdout
    written = json.loads((folder / "explore.json").read_text())
    assert [world["world"] for world in written["worlds"]] == [
        "demand, 1 flush slot",
        "demand, 2 flush slots",
        "E-stop, 1 flush slot",
        "E-stop, 2 flush slots",
    ]
    assert written["states"] == sum(world["states"] for world in written["worlds"])
    assert {"SR-14", "SR-17", "SR-52"} <= {one["id"] for one in written["requirements"]}
    page = (folder / "report.html").read_text()
    assert "two units with their coordinator" in page
    assert "E-stop, 2 flush slots" in page
