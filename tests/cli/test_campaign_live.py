"""``skidproof campaign --live`` where there is no controller: what it says, and its exit codes."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from command_line import Answer, call

from tests.ports import free_port

HIL = Path(__file__).parents[1] / "hil"
ONE = ("--line", "F64", "--states", "STANDBY", "--moment", "2", "--for", "5")


def site(folder: Path, wiring: str = "polling.toml") -> Path:
    """The site of the live tests with one of their wirings."""
    made = folder / "live"
    shutil.copytree(HIL / "live_site", made)
    text = (HIL / wiring).read_text(encoding="utf-8").replace("port = 1502", f"port = {free_port()}")
    (made / "wiring.toml").write_text(text, encoding="utf-8")
    return made


def campaign(folder: Path, out: Path, *options: str, asks: str = "controller") -> Answer:
    return call("campaign", str(folder), "--out", str(out), "--live", asks, *options)


def refusal(answer: Answer) -> str:
    """The one line of a command whose input was at fault."""
    assert answer.code == 2, answer
    (line,) = [line for line in answer.err.splitlines() if line.startswith("skidproof: ")]
    assert answer.out == ""
    return line


def test_the_plan_and_its_real_time_are_told_without_meeting_the_controller(tmp_path: Path) -> None:
    choice = ("--line", "F01,F67,F87", "--states", "BOOT,STANDBY,DELAY", "--list")
    answer = campaign(site(tmp_path, "serving.toml"), tmp_path / "out", *choice, asks="bench")
    assert answer.code == 0, answer
    told = {line.split(maxsplit=1)[1].strip(): line.split()[0] for line in answer.out.splitlines()[1:-1]}
    assert told["to be carried out"] == "4"
    assert (
        told["left out: BOOT lasts from the controller's own power-up, which the bench does not command"]
        == "4"
    )
    assert told["left out: the bench writes the image of all units and cannot hold back that of one"] == "4"
    last = answer.out.splitlines()[-1]
    assert last.startswith("4 cells, one after another: about ")
    assert " min of real time, until " in last
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "options",
    [
        ("--controller", "a:b"),
        ("--shrink",),
        ("--jobs", "2"),
        ("--cluster", "tcp://127.0.0.1:9"),
    ],
    ids=lambda options: options[0],
)
def test_what_needs_more_than_one_controller_is_refused_in_one_line(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    line = refusal(campaign(site(tmp_path), tmp_path / "out", *ONE, *options))
    assert "it goes with none of --controller, --jobs, --cluster, --shrink" in line
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("old", "new", "options", "told"),
    [
        ('"127.0.0.1"', '"192.0.2.7"', ONE, "leaves this machine: io (192.0.2.7"),
        ('signal = "unit*.state"', 'signal = "spare"', ONE, "wiring.toml"),
        ("", "", ("--states", "BOOT"), "--live: no cell is left: "),
    ],
    ids=["host", "no state", "boot alone"],
)
def test_bad_input_ends_with_code_2_and_one_line(
    tmp_path: Path, old: str, new: str, options: tuple[str, ...], told: str
) -> None:
    folder = site(tmp_path)
    path = folder / "wiring.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    assert told in refusal(campaign(folder, tmp_path / "out", *options))
    assert not (tmp_path / "out").exists()


def test_a_controller_that_is_not_there_ends_with_code_3_and_an_open_campaign(tmp_path: Path) -> None:
    folder, out = site(tmp_path), tmp_path / "out"
    answer = campaign(folder, out, *ONE)
    assert answer.code == 3, answer
    (line,) = [line for line in answer.err.splitlines() if line.startswith("skidproof: ")]
    assert "nobody writes to bank" in line
    assert line.endswith("give the same --out to go on")
    assert "0 of 1 cells were carried out" in answer.out
    assert "never met" in (out / "report.html").read_text(encoding="utf-8")
    with closing(sqlite3.connect(out / "campaign.sqlite")) as db:
        assert db.execute("SELECT COUNT(*) FROM cell").fetchone() == (0,)

    path = folder / "wiring.toml"
    path.write_text(path.read_text(encoding="utf-8") + "# another\n", encoding="utf-8")
    assert "is another campaign: checksum of wiring.toml is" in refusal(campaign(folder, out, *ONE))
