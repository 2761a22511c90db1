"""``skidproof prove --live`` where there is nothing to prove: what it says, and its exit codes."""

from __future__ import annotations

import json
import shutil
import socket
from pathlib import Path

import pytest
from command_line import Answer, call

from tests.ports import free_port

HIL = Path(__file__).parents[1] / "hil"


def site(folder: Path, wiring: str = "polling.toml", port: int = 0) -> Path:
    """The site of the live tests with one of their wirings."""
    made = folder / "live"
    shutil.copytree(HIL / "live_site", made)
    text = (HIL / wiring).read_text(encoding="utf-8").replace("port = 1502", f"port = {port or free_port()}")
    (made / "wiring.toml").write_text(text, encoding="utf-8")
    return made


def prove(folder: Path, out: Path, *options: str) -> Answer:
    return call("prove", str(folder), "--out", str(out), *options)


@pytest.mark.parametrize(
    ("asks", "wiring", "told"),
    [
        ("controller", "polling.toml", "nobody writes to bank"),
        ("bench", "serving.toml", "no image"),
    ],
)
def test_a_controller_that_is_not_there_ends_with_code_3_and_what_to_look_at(
    tmp_path: Path, asks: str, wiring: str, told: str
) -> None:
    out = tmp_path / "out"
    answer = prove(site(tmp_path, wiring), out, "--live", asks)
    assert answer.code == 3, answer
    (line,) = [line for line in answer.err.splitlines() if line.startswith("skidproof: ")]
    assert told in line
    assert "Traceback" not in answer.err
    run = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert (run["about"]["complete"], run["runs"]) == (False, [])


def test_what_a_live_controller_cannot_be_asked_is_told(tmp_path: Path) -> None:
    folder = site(tmp_path)
    case = (folder / "cases" / "stopping.case.toml").read_text(encoding="utf-8")
    power = case.replace('command = "stop"', 'power = "off"')
    (folder / "cases" / "power.case.toml").write_text(power, encoding="utf-8")
    answer = prove(folder, tmp_path / "out", "--live", "controller")
    assert "left out: 1 runs: the bench does not command the controller's supply" in answer.err


@pytest.mark.parametrize(
    ("old", "new", "options", "told"),
    [
        ('"127.0.0.1"', '"192.0.2.7"', (), "leaves this machine: io (192.0.2.7"),
        ('signal = "unit*.state"', 'signal = "spare"', (), "wiring.toml"),
        ("", "", ("--controller", "a:b"), "--live goes neither with --controller nor with --shrink"),
        ("", "", ("--shrink",), "--live goes neither with --controller nor with --shrink"),
        ("address = 15\n", "address = 99999\n", (), "wiring.toml"),
    ],
    ids=["host", "no state", "controller", "shrink", "address"],
)
def test_bad_input_ends_with_code_2_and_one_line(
    tmp_path: Path, old: str, new: str, options: tuple[str, ...], told: str
) -> None:
    folder = site(tmp_path)
    path = folder / "wiring.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    answer = prove(folder, tmp_path / "out", "--live", "controller", *options)
    assert answer.code == 2, answer
    (line,) = [line for line in answer.err.splitlines() if line.startswith("skidproof: ")]
    assert told in line
    assert not (tmp_path / "out").exists()


def test_a_port_that_is_taken_ends_with_code_2_and_names_it(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = int(taken.getsockname()[1])
        answer = prove(site(tmp_path, port=port), tmp_path / "out", "--live", "controller")
    assert answer.code == 2, answer
    assert str(port) in answer.err
