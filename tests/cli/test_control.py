"""``skidproof control`` runs the firmware in real time, as ``python -m controller`` does."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import CAUTION_WORDS, Answer, call, run, started

from controller.journal import read_changes, read_lines
from sim_plant.site import demo_folder

MakeSite = Callable[..., Path]
DEADLINE_S = 60.0


def texts(data: Path, kind: str) -> list[str]:
    """Journal texts of one kind."""
    return [line.text for line in read_lines(data / "journal.sqlite") if line.kind == kind]


def test_a_time_limit_ends_with_code_0_and_the_safe_image(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()

    answer = run("control", str(site), "--for", "0.5", cwd=tmp_path)

    assert answer.code == 0, answer
    assert answer.out == ""
    assert texts(site / "data", "run") == [
        "started: site pair, 2 units, scan 100 ms",
        "stopped by --for; safe image driven",
    ]


def test_the_caution_is_shown_before_anything_runs(make_site: MakeSite, tmp_path: Path) -> None:
    answer = run("control", str(make_site()), "--for", "0.5", cwd=tmp_path)

    assert CAUTION_WORDS in " ".join(answer.err.split("scans ", 1)[0].split())


def test_ctrl_c_ends_with_code_0_and_the_safe_image(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    process = started("control", str(site), cwd=tmp_path)
    assert process.stderr is not None
    while not process.stderr.readline().startswith("scans "):
        assert process.poll() is None

    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=DEADLINE_S)

    assert process.returncode == 0, Answer(process.returncode, out, err)
    assert "Traceback" not in err
    assert texts(site / "data", "run")[-1] == "stopped by SIGINT; safe image driven"


def test_data_go_where_they_are_told_to_and_an_edit_is_signed(make_site: MakeSite, tmp_path: Path) -> None:
    site, data = make_site(), tmp_path / "elsewhere"
    assert run("control", str(site), "--for", "0.3", "--data", str(data), cwd=tmp_path).code == 0
    file = site / "site.toml"
    file.write_text(file.read_text("utf-8").replace("start_flush_s = 120", "start_flush_s = 150"), "utf-8")

    options = ("--for", "0.3", "--data", str(data), "--by", "Grace", "--why", "scale")
    answer = run("control", str(site), *options, cwd=tmp_path)

    assert answer.code == 0, answer
    assert read_changes(data / "journal.sqlite") == [("start_flush_s", "120", "150", "Grace", "scale")]
    assert not (site / "data").exists()


@pytest.mark.parametrize(
    ("old", "new", "options", "words"),
    [
        ("= 120", "= 20", (), "site.toml: setpoints.start_flush_s = 20: must be at least 30"),
        ("start_flush_s", "start_flus_s", (), "did you mean start_flush_s?"),
        ("", "", ("--for", "nan"), "--for nan: must be seconds, more than 0"),
        ("", "", ("--for", "-1"), "--for -1: must be seconds, more than 0"),
        ("", "", ("--data", "/dev/null/x"), "/dev/null"),
    ],
)
def test_input_at_fault_ends_with_code_2_and_the_line_of_the_firmware(
    make_site: MakeSite, old: str, new: str, options: tuple[str, ...], words: str
) -> None:
    site = make_site()
    file = site / "site.toml"
    file.write_text(file.read_text("utf-8").replace(old, new) if old else file.read_text("utf-8"), "utf-8")

    answer = call("control", str(site), *options)
    ours = subprocess.run(
        [sys.executable, "-m", "controller", str(site), *options],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=False,
    )

    assert (answer.code, ours.returncode) == (2, 2)
    assert words in answer.err
    assert len(answer.err.splitlines()) == 1
    assert answer.err.removeprefix("skidproof: ") == ours.stderr.removeprefix("controller: ")
    assert not (site / "data").exists()


def test_a_folder_without_a_site_is_refused(tmp_path: Path) -> None:
    answer = call("control", str(tmp_path / "nowhere"))

    assert answer.code == 2
    assert "no such site folder" in answer.err


def test_links_to_other_machines_need_the_same_leave_as_in_the_firmware(
    make_site: MakeSite, tmp_path: Path
) -> None:
    site = make_site()
    wiring = (demo_folder() / "wiring.toml").read_text("utf-8").replace("127.0.0.1", "192.0.2.1")
    (site / "wiring.toml").write_text(wiring, "utf-8")

    answer = run("control", str(site), cwd=tmp_path)

    assert answer.code == 2, answer
    assert answer.err == (
        "skidproof: wiring.toml: io (192.0.2.1:1502) may lead to real outputs; --drive-real-outputs if they "
        "are meant\n"
    )
    assert not (site / "data").exists()


def test_status_is_shown_where_it_is_told_to(make_site: MakeSite, tmp_path: Path) -> None:
    options = ("--for", "0.5", "--status-port", "0", "--accept-commands")
    answer = run("control", str(make_site()), *options, cwd=tmp_path)

    assert answer.code == 0, answer
    assert "panel: on 127.0.0.1:" in answer.err
    assert ", commands are taken\n" in answer.err
