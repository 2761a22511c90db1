"""The whole program on a wiring: which field it drives, what it refuses, and what a loss leaves behind.

The field is a process that is killed and started again; no test knows a moment inside the program.
"""

from __future__ import annotations

import re
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from program_process import DEADLINE_S, Start, lines, refusal, wait_for

from sim_plant.site import demo_folder
from tests.controller.wired_field import FieldProcess, Seen, now_ms
from tests.ports import free_port

RECONNECT_MS = 1_000
IO_BACK_S = 5
SITE = f"""
[site]
name = "pair"
title = "Two units"
units = 2

[setpoints]
# as quick as the ranges allow, so that a valve opens within half a minute
boot_s = 2
resume_s = 0
resume_step_s = 0
health_s = 2
water_good_s = 10
header_ready_s = 2
header_ramp_bar_s = 0.5
demand_change_s = 5
io_back_s = {IO_BACK_S}
"""
PROOFS = ', "unit*.skid_dry",\n    "unit*.feed_valve_shut", "unit*.flush_valve_shut",\n'
MOVING = re.compile(r"unit\d\.(feed_valve|flush_valve|pump|enable)|bank\.(booster|dosing)_run")

FieldOf = Callable[[], FieldProcess]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The nursery's wiring for two units, on a port of its own."""
    folder = tmp_path / "site"
    folder.mkdir()
    (folder / "site.toml").write_text(SITE, "utf-8")
    wiring = (demo_folder() / "wiring.toml").read_text("utf-8")
    (folder / "wiring.toml").write_text(wiring.replace("port = 1502", f"port = {free_port()}"), "utf-8")
    return folder


@pytest.fixture
def field(site: Path, tmp_path: Path) -> Iterator[FieldOf]:
    """Starts the field, each time with a log of its own."""
    started: list[FieldProcess] = []

    def begin() -> FieldProcess:
        started.append(FieldProcess(site, tmp_path / f"{len(started)}.log"))
        return started[-1]

    yield begin
    for one in started:
        one.kill()


def changed(site: Path, old: str, new: str, file: str = "wiring.toml") -> None:
    text = (site / file).read_text("utf-8")
    assert old in text
    (site / file).write_text(text.replace(old, new), "utf-8")


def moving(seen: Seen) -> list[str]:
    """What is on that moves water or turns a motor."""
    return [name for name in seen.on if MOVING.fullmatch(name)]


def linked(site: Path) -> list[str]:
    """What the journal has of the links; nothing while its file is being made."""
    try:
        return lines(site, "link")
    except sqlite3.OperationalError:
        return []


def read_until(process: subprocess.Popen[str], beginning: str) -> list[str]:
    """What the program says up to the line that begins so."""
    assert process.stderr is not None
    said = [process.stderr.readline()]
    while not said[-1].startswith(beginning):
        assert said[-1], "it has ended"
        said.append(process.stderr.readline())
    return said


# --- which field --------------------------------------------------------------------------------------


def test_a_site_with_a_wiring_is_driven_through_it_and_left_with_the_safe_image(
    site: Path, start: Start, field: FieldOf
) -> None:
    there = field()
    process = start(site)
    said = read_until(process, "scans ")
    wait_for(lambda: any("bank.alarm_relay" in seen.on for seen in there.seen()))

    process.terminate()

    assert process.wait(DEADLINE_S) == 0
    assert said[0].startswith("link: 3 devices of wiring.toml on io (127.0.0.1:")
    assert re.search(r"BOOT BOOT; 3 devices, oldest image 0\.\d\d s, rounds skipped \d+$", said[-1])
    assert there.seen()[-1].on == []
    assert there.seen()[-1].written
    mark = re.search(r"our mark is (\d+)", linked(site)[0])
    assert mark is not None
    assert 1 <= int(mark[1]) <= 65_535
    assert not any("did not reach" in line for line in linked(site))


def test_a_killed_program_leaves_the_field_to_its_own_time_out(
    site: Path, start: Start, field: FieldOf
) -> None:
    there = field()
    process = start(site)
    wait_for(lambda: any("bank.alarm_relay" in seen.on for seen in there.seen()))
    process.kill()
    killed_ms = now_ms()

    wait_for(lambda: there.seen()[-1].on == [])

    assert there.seen()[-1].t_ms - killed_ms < 2_500


def test_devices_that_do_not_come_in_time_are_named_and_awaited(
    site: Path, start: Start, field: FieldOf
) -> None:
    process = start(site, "--wait", "0.5")
    said = read_until(process, "scans ")

    there = field()
    wait_for(lambda: any("bank.watchdog" in seen.on for seen in there.seen()))
    process.terminate()

    assert process.wait(DEADLINE_S) == 0
    assert said[1] == (
        "link: not seen within 0.5 s: bank, skid1, skid2; what they hold counts as lost and is awaited\n"
    )
    assert len(said) == 3
    assert [line for line in linked(site) if line.startswith("skid1")][-1] == "skid1: answers again"


def test_a_wait_for_devices_is_ended_by_a_signal(site: Path, start: Start) -> None:
    process = start(site, "--wait", "600")
    wait_for(lambda: any("no image" in line for line in linked(site)))
    process.send_signal(signal.SIGTERM)

    assert process.wait(DEADLINE_S) == 0
    assert not any("not seen" in line for line in linked(site))


def test_another_device_under_the_id_is_never_driven(site: Path, start: Start, field: FieldOf) -> None:
    there = field()
    changed(site, 'identity       = { table = "input", address = 3, value = "*" }', "")
    changed(
        site, 'name = "skid*"', 'name = "skid*"\nidentity = {table = "input", address = 3, value = "50+*"}'
    )
    process = start(site, "--wait", "1")
    wait_for(lambda: any("bank.watchdog" in seen.on for seen in there.seen()))
    process.terminate()

    assert process.wait(DEADLINE_S) == 0
    assert any(line.startswith("skid2: identity is 2.0, not 52") for line in linked(site))
    assert not any(name.startswith("unit") for seen in there.seen() for name in seen.on)
    assert "not seen within 1 s: skid1, skid2; " in "\n".join(linked(site))


# --- what is refused ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "link", ['host = "192.0.2.1"', 'serial = "/dev/not-there"', 'serial = "socket://127.0.0.1:9"']
)
def test_links_that_may_lead_to_real_outputs_are_refused_unless_they_are_meant(
    site: Path, start: Start, link: str
) -> None:
    changed(site, 'host = "127.0.0.1"', link)
    text = (site / "wiring.toml").read_text("utf-8")
    if "serial" in link:
        (site / "wiring.toml").write_text(re.sub(r"port = \d+ +#.*\n", "", text), "utf-8")

    line = refusal(start(site))

    assert "may lead to real outputs; --drive-real-outputs if they are meant" in line
    assert not (site / "data").exists()


def test_when_they_are_meant_the_cautions_come_first(site: Path, start: Start) -> None:
    changed(site, 'host = "127.0.0.1"', 'serial = "/dev/not-there"')
    text = (site / "wiring.toml").read_text("utf-8")
    (site / "wiring.toml").write_text(re.sub(r"port = \d+ +#.*\n", "", text), "utf-8")

    process = start(site, "--drive-real-outputs", "--wait", "0.2", "--for", "1")
    _, said = process.communicate(timeout=DEADLINE_S)

    assert process.returncode == 0
    assert said.startswith("REAL OUTPUTS may be driven through io (/dev/not-there).\n")
    assert said.index("lock out, tag out") < said.index("link: 3 devices")
    assert "started with real outputs allowed, cautions shown" in lines(site, "run")
    assert "skid1: the safe image did not reach it; its own time-out must act" in linked(site)


def test_proofs_that_are_to_be_judged_must_be_wired(site: Path, start: Start) -> None:
    changed(site, '\n    "unit*.feed_valve_shut", "unit*.flush_valve_shut",', "")
    changed(site, "io_back_s", "position_proofs = true\nio_back_s", "site.toml")

    assert "unit1.feed_valve_shut is not wired, and position_proofs is on" in refusal(start(site))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--wait", "-1"), "--wait -1: must be seconds, 0 or more"),
        (("--wait", "nan"), "--wait nan"),
        (("--accept-commands",), "need --status-port"),
        (("--status-host", "127.0.0.1"), "need --status-port"),
        (("--status-port", "65536"), "--status-port 65536: must be 0 to 65535"),
    ],
)
def test_options_that_are_at_fault_are_refused(
    site: Path, start: Start, options: tuple[str, ...], words: str
) -> None:
    assert words in refusal(start(site, *options))


def test_a_wiring_that_is_at_fault_is_refused(site: Path, start: Start) -> None:
    changed(site, '"bank.sump_ok"', '"bank.sump"')

    assert "wiring.toml: " in refusal(start(site))


# --- a loss -------------------------------------------------------------------------------------------


def wait_longer(condition: Callable[[], bool], process: subprocess.Popen[str]) -> None:
    """As ``wait_for``, for what the sequence needs its time for."""
    end_s = time.monotonic() + 90.0
    while not condition():
        assert time.monotonic() < end_s, "the deadline has passed"
        assert process.poll() is None
        time.sleep(0.02)


def test_after_a_loss_it_is_back_within_a_second_and_nothing_moves_before_the_link_has_been_steady(
    site: Path, start: Start, field: FieldOf
) -> None:
    """SR-45 to SR-47 at the terminals: a field that lost its supply in a flush, and came back."""
    before = field()
    process = start(site)
    wait_longer(lambda: "unit1.feed_valve" in before.seen()[-1].on if before.seen() else False, process)
    before.kill()
    time.sleep(3.0)  # longer than the 2 s after which the unit's I/O counts as lost

    after = field()
    wait_longer(lambda: any(seen.written for seen in after.seen()), process)
    back_ms = next(seen.t_ms for seen in after.seen() if seen.written)
    wait_longer(lambda: now_ms() > after.ready_ms + 1_000 * IO_BACK_S, process)
    moved = [seen for seen in after.seen() if moving(seen) and seen.t_ms < after.ready_ms + 1_000 * IO_BACK_S]
    process.terminate()

    assert process.wait(DEADLINE_S) == 0
    assert back_ms - after.ready_ms < RECONNECT_MS
    assert moved == []
    assert after.seen()[-1].on == []
    print(f"back after {back_ms - after.ready_ms} ms")
