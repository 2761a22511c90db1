"""The program as a process: signals, kills, a service manager, sites that are refused."""

from __future__ import annotations

import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path

import pytest
from program_process import DEADLINE_S, PROGRAM, Start, lines, refusal, wait_for

from controller import retained
from controller.changes import Overlay
from controller.journal import Journal, read_changes, read_lines
from controller.parts.journal import Entry
from controller.site import load_site
from controller.store import COPIES, LOST, Store

SITE = '[site]\nname = "pair"\ntitle = "Two units"\nunits = 2\nscan_ms = 50\n'


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return tmp_path


def variant(kind: str) -> tuple[str, ...]:
    """The program with another firmware in it."""
    return (str(Path(__file__).with_name("killed_program.py")), kind)


def scans(process: subprocess.Popen[str]) -> None:
    """Wait until the program scans: its first status line tells, after the one that names the field."""
    assert process.stderr is not None
    assert process.stderr.readline().startswith("link: a healthy field in memory")
    assert process.stderr.readline().startswith("scans ")


# --- signals and ends ---------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_the_program_cleanly_with_the_safe_image(
    site: Path, start: Start, number: signal.Signals
) -> None:
    process = start(site)
    scans(process)

    process.send_signal(number)

    assert process.wait(DEADLINE_S) == 0
    assert lines(site, "run")[-1] == f"stopped by {number.name}; safe image driven"


def test_a_time_limit_ends_the_program_cleanly_and_everything_is_on_disk(site: Path, start: Start) -> None:
    process = start(site, "--for", "1")

    assert process.wait(DEADLINE_S) == 0
    assert lines(site, "run") == [
        "started: site pair, 2 units, scan 50 ms",
        "stopped by --for; safe image driven",
    ]
    retained.decode(str(Store(site / "data").recalled.text), 2)
    assert {path.name for path in site.iterdir()} == {"site.toml", "data"}


def test_a_defect_of_the_firmware_ends_the_program_with_a_traceback_in_the_journal(
    site: Path, start: Start
) -> None:
    process = start(site, program=variant("broken"))

    assert process.wait(DEADLINE_S) == 1
    assert "ZeroDivisionError: a defect" in lines(site, "crash")[0]
    assert lines(site, "run")[-1] == "stopped by a crash; safe image driven"


def test_a_scan_that_hangs_is_an_event_and_a_signal_still_drives_the_safe_image(
    site: Path, start: Start
) -> None:
    process = start(site, program=variant("stuck"))
    wait_for(lambda: (site / "data" / "journal.sqlite").exists() and bool(hangs(site)))

    process.terminate()

    assert process.wait(DEADLINE_S) == 1
    assert hangs(site) == ["no new scan for 1 s: the driver or the firmware hangs"]
    assert lines(site, "crash") == ["the loop did not end within 2 s"]
    assert lines(site, "run")[-1] == "stopped by SIGTERM; safe image driven"


def hangs(site: Path) -> list[str]:
    """Overruns in the journal; none while the file is being made."""
    try:
        return lines(site, "overrun")
    except sqlite3.OperationalError:
        return []


# --- kills --------------------------------------------------------------------------------------------


def prefilled(site: Path) -> None:
    """A journal of 600 events from before."""
    (site / "data").mkdir()
    journal = Journal(site / "data" / "journal.sqlite")
    for number in range(600):
        journal.add(Entry(number, 0, "note", f"before {number}"), 0)
    assert journal.close(DEADLINE_S)


def check_disk(site: Path, folder: Path) -> int:
    """Journal and retained memory are sound; pump starts that were kept."""
    shutil.copytree(site / "data", folder)  # so that the look does not mend what the next start must mend
    with closing(sqlite3.connect(folder / "journal.sqlite")) as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    rows = read_lines(folder / "journal.sqlite", 1_000_000)
    assert [row.text for row in rows[:600]] == [f"before {number}" for number in range(600)]
    assert [row.id for row in rows] == list(range(1, len(rows) + 1))
    text = Store(folder).recalled.text
    if text is None:
        return 0
    assert text != LOST
    units = retained.decode(text, 2).units
    assert units[0]["starts"] == units[1]["starts"]
    return int(units[0]["starts"])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("kind", ["plain", "restless"])
def test_a_kill_at_any_moment_leaves_journal_and_retained_memory_sound(
    site: Path, start: Start, tmp_path_factory: pytest.TempPathFactory, kind: str, seed: int
) -> None:
    """Six kills one after another, 48 in all: while starting, between two scans, in the middle of writes."""
    prefilled(site)
    chance = random.Random(f"{kind} {seed}")
    look = tmp_path_factory.mktemp("look")
    kept = 0

    for kill in range(6):
        process = start(site, program=PROGRAM if kind == "plain" else variant(kind))
        if kill % 3:
            scans(process)
        time.sleep(chance.uniform(0.0, 0.3))
        process.kill()
        process.wait(DEADLINE_S)

        before, kept = kept, check_disk(site, look / str(kill))
        assert kept >= before

    assert kept > 0 or kind == "plain"
    process = start(site, "--for", "0.5")
    assert process.wait(DEADLINE_S) == 0
    assert lines(site, "run")[-1] == "stopped by --for; safe image driven"


@pytest.mark.parametrize("seed", range(3))
def test_a_change_that_was_confirmed_survives_a_kill_at_any_moment(
    site: Path, start: Start, seed: int
) -> None:
    """Four kills one after another, 12 in all; each start begins with what the last one confirmed."""
    chance = random.Random(seed)
    designed = load_site(site).setpoints
    confirmed: list[int] = []

    for _kill in range(4):
        process = start(site, program=variant("changing"))
        assert process.stdout is not None
        said = [process.stdout.readline()]
        time.sleep(chance.uniform(0.0, 0.5))
        process.kill()
        out, _err = process.communicate(timeout=DEADLINE_S)
        confirmed = [int(value) for value in "".join([*said, out]).split()]

        kept = Overlay(site / "data", designed, 2).setpoints.purge_s
        following = 10 + len(confirmed) % 50  # it may have been on its way
        assert kept in (confirmed[-1], following)

    assert start(site, "--for", "0.3").wait(DEADLINE_S) == 0
    last = read_changes(site / "data" / "journal.sqlite")[-1]
    assert (last.name, float(last.new), last.who) == ("purge_s", kept, "Grace")
    assert any(
        text.startswith(f"purge_s = {kept:g} in place of 20 in site.toml") for text in lines(site, "setting")
    )


# --- a service manager --------------------------------------------------------------------------------


def test_a_service_manager_is_told_of_readiness_life_and_the_end(site: Path, start: Start) -> None:
    address = site / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(DEADLINE_S)
        process = start(site, NOTIFY_SOCKET=str(address), WATCHDOG_USEC="200000")
        seen = [manager.recv(1_000).decode() for _message in range(8)]
        process.terminate()
        while seen[-1] != "STOPPING=1":
            seen.append(manager.recv(1_000).decode())

    assert process.wait(DEADLINE_S) == 0
    assert seen[0] == "READY=1"
    assert set(seen[1:-1]) == {"WATCHDOG=1"}


def test_a_scan_that_hangs_is_no_longer_called_alive(site: Path, start: Start) -> None:
    address = site / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.settimeout(DEADLINE_S)
        start(site, program=variant("stuck"), NOTIFY_SOCKET=str(address), WATCHDOG_USEC="20000")
        seen = [manager.recv(1_000).decode() for _message in range(5)]
        manager.settimeout(1.0)
        with pytest.raises(TimeoutError):
            manager.recv(1_000)

    assert seen == ["READY=1", *["WATCHDOG=1"] * 4]


# --- what is refused ----------------------------------------------------------------------------------


def test_a_site_that_is_wrong_is_refused_in_one_line_and_nothing_is_written(site: Path, start: Start) -> None:
    (site / "site.toml").write_text(SITE + "[setpoints]\npurge_s = 1\n", encoding="utf-8")

    line = refusal(start(site))

    assert "site.toml: setpoints.purge_s = 1" in line
    assert "5" in line
    assert [path.name for path in site.iterdir()] == ["site.toml"]


def test_changes_that_do_not_fit_the_site_are_refused_in_one_line_and_nothing_is_written(
    site: Path, start: Start
) -> None:
    (site / "data").mkdir()
    Overlay(site / "data", load_site(site).setpoints, 2).keep("tds_clear_mgl", 190, "Grace", "scale", "then")
    (site / "site.toml").write_text(SITE + "[setpoints]\ntds_alarm_mgl = 180\n", encoding="utf-8")

    line = refusal(start(site))

    assert "data/setpoints.a: changes made while running do not hold" in line
    assert "tds_clear_mgl = 190 < tds_alarm_mgl = 180" in line
    assert {path.name for path in (site / "data").iterdir()} == {"lock", "setpoints.a", "setpoints.b"}


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["nowhere"], "nowhere"),
        ([], "SITE"),
        ([".", "--for", "-1"], "--for"),
        ([".", "--for", "nan"], "--for"),
        ([".", "--data", "/dev/null/x"], "/dev/null"),
        ([".", "--driver", "x"], "--driver"),
    ],
)
def test_arguments_that_are_wrong_are_refused_in_one_line(
    site: Path, start: Start, arguments: list[str], word: str
) -> None:
    found = [str(site) if argument == "." else argument for argument in arguments]

    assert word in refusal(start(*found))


def test_the_help_shows_an_example_and_names_every_file_that_is_written(site: Path, start: Start) -> None:
    assert start(site, "--for", "0.3").wait(DEADLINE_S) == 0
    Overlay(site / "data", load_site(site).setpoints, 2).keep("purge_s", 25, "Grace", "scale", "then")

    said, _err = start("--help").communicate(timeout=DEADLINE_S)

    assert "example:\n  python -m controller my_site" in said
    for path in (site / "data").iterdir():
        assert path.name in said


def test_two_programs_never_run_on_one_folder(site: Path, start: Start) -> None:
    first = start(site)
    scans(first)

    assert "another process" in refusal(start(site))
    first.terminate()
    assert first.wait(DEADLINE_S) == 0


def test_data_go_where_they_are_told_to(
    site: Path, start: Start, tmp_path_factory: pytest.TempPathFactory
) -> None:
    data = tmp_path_factory.mktemp("elsewhere") / "data"

    assert start(site, "--for", "0.3", "--data", data).wait(DEADLINE_S) == 0

    assert {*COPIES, "journal.sqlite", "commissioned"} <= {path.name for path in data.iterdir()}
    assert [path.name for path in site.iterdir()] == ["site.toml"]


# --- what a start finds -------------------------------------------------------------------------------


def test_lost_retained_data_lock_the_units_out_and_the_journal_says_why(site: Path, start: Start) -> None:
    assert start(site, "--for", "0.3").wait(DEADLINE_S) == 0
    for copy in COPIES:
        (site / "data" / copy).unlink()

    process = start(site, "--for", "0.5")

    assert process.wait(DEADLINE_S) == 0
    assert lines(site, "store")[-1] == "retained data lost: retained.a: missing; retained.b: missing"
    units = retained.decode(str(Store(site / "data").recalled.text), 2).units
    assert [unit["lost_memory"] for unit in units] == [True, True]


def test_retained_data_of_another_number_of_units_are_lost_and_the_journal_says_so(
    site: Path, start: Start
) -> None:
    assert start(site, "--for", "0.3").wait(DEADLINE_S) == 0
    (site / "site.toml").write_text(SITE.replace("units = 2", "units = 3"), encoding="utf-8")

    assert start(site, "--for", "0.3").wait(DEADLINE_S) == 0

    assert lines(site, "store")[-1] == "retained data lost: 2 units kept, 3 configured"


def test_a_setpoint_changed_between_two_starts_is_recorded(site: Path, start: Start) -> None:
    assert start(site, "--for", "0.3").wait(DEADLINE_S) == 0
    (site / "site.toml").write_text(SITE + "[setpoints]\npurge_s = 25\n", encoding="utf-8")

    assert start(site, "--for", "0.3", "--by", "Grace", "--why", "scale").wait(DEADLINE_S) == 0

    assert read_changes(site / "data" / "journal.sqlite") == [("purge_s", "20", "25", "Grace", "scale")]
    assert lines(site, "setting") == ["purge_s: 20 -> 25, by Grace: scale"]
