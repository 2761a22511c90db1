"""``skidproof begin`` makes a site folder to fill in."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import call

from sim_plant.bench.cases import load_cases
from sim_plant.site import demo_folder, load_site


def test_the_new_folder_holds_the_bundled_site(tmp_path: Path) -> None:
    answer = call("begin", str(tmp_path / "mine"))
    assert answer.code == 0
    ours, bundled = (load_cases(load_site(folder)) for folder in (tmp_path / "mine", demo_folder()))
    assert repr(ours) == repr(bundled)  # one case writes NaN, which is not equal to itself
    assert f"skidproof prove {tmp_path / 'mine'}" in answer.out


def test_the_new_folder_proves(tmp_path: Path) -> None:
    call("begin", str(tmp_path / "mine"))
    options = ("--case", "tank-level-wire-broken-before", "--jobs", "1", "--out", str(tmp_path / "evidence"))
    answer = call("prove", str(tmp_path / "mine"), *options)
    assert answer.code == 0, answer
    assert "All 2 runs passed." in answer.out


def test_the_new_folder_is_the_users_to_change(tmp_path: Path) -> None:
    call("begin", str(tmp_path / "mine"))
    file = tmp_path / "mine" / "site.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("units = 6", "units = 4"), encoding="utf-8")
    assert load_site(tmp_path / "mine").units == 4
    assert load_site(demo_folder()).units == 6


@pytest.mark.parametrize("what", ["folder", "file"])
def test_what_exists_is_not_touched(tmp_path: Path, what: str) -> None:
    there = tmp_path / "mine"
    if what == "folder":
        there.mkdir()
    else:
        there.write_text("mine", encoding="utf-8")
    answer = call("begin", str(there))
    assert answer.code == 2
    assert "exists already; nothing was written" in answer.err
    assert list(there.iterdir()) == [] if what == "folder" else there.read_text(encoding="utf-8") == "mine"


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    answer = call("begin", str(tmp_path / "file" / "mine"))
    assert answer.code == 2
    assert "file/mine" in answer.err
    assert len(answer.err.splitlines()) == 1
