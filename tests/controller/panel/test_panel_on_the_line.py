"""The whole program with a panel in front of it: pymodbus and mbpoll, over loopback."""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from pymodbus.client import ModbusTcpClient

from controller.journal import read_lines
from controller.panel.codes import STATE_CODES, VERB_CODES
from controller.panel.map import BANK_MAP, BLOCK, UNIT_MAP, map_sum
from controller.parts.answers import Outcome
from controller.signals import Verb
from controller.unit.states import UnitState
from tests.controller.program_process import DEADLINE_S, Start

SITE = '[site]\nname = "pair"\ntitle = "Two units"\nunits = 2\nscan_ms = 50\n'
AT = {row.name: row.address for row in BANK_MAP}
UNIT_AT = {row.name: row.address for row in UNIT_MAP}


class Panel:
    """A panel built with pymodbus."""

    def __init__(self, client: ModbusTcpClient) -> None:
        self.client = client

    def registers(self, address: int, count: int) -> list[int]:
        answer = self.client.read_input_registers(address, count=count, device_id=1)
        assert not answer.isError(), answer
        return list(answer.registers)

    def value(self, name: str, unit: int = 0) -> int:
        return self.registers(unit * BLOCK + (UNIT_AT if unit else AT)[name], 1)[0]

    def order(self, verb: Verb, unit: int = 1, against: int = 0) -> list[int]:
        """A command block with session and number as they read now."""
        return [self.value("session"), self.value("next"), VERB_CODES[verb], unit, against]

    def write(self, block: list[int]) -> int:
        """The exception code, 0 for none."""
        answer = self.client.write_registers(0, block, device_id=1)
        return int(answer.exception_code) if answer.isError() else 0

    def until(self, holds: Callable[[], bool]) -> None:
        end_s = time.monotonic() + DEADLINE_S
        while not holds():
            assert time.monotonic() < end_s, "the deadline has passed"
            time.sleep(0.02)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    return tmp_path


@pytest.fixture
def run(site: Path, start: Start) -> Callable[..., tuple[subprocess.Popen[str], int]]:
    """Starts the program with a status port; the process and the port."""

    def begin(*options: str) -> tuple[subprocess.Popen[str], int]:
        process = start(site, "--status-port", "0", *options)
        assert process.stderr is not None
        said = [process.stderr.readline()]
        while not said[-1].startswith("scans "):
            assert said[-1], "it has ended"
            said.append(process.stderr.readline())
        found = re.search(
            r"panel: on 127\.0\.0\.1:(\d+), session \d+, (no )?commands are taken", "".join(said)
        )
        assert found is not None, said
        return process, int(found[1])

    return begin


@contextmanager
def panel_on(port: int) -> Iterator[Panel]:
    with ModbusTcpClient("127.0.0.1", port=port) as client:
        yield Panel(client)


def commands(site: Path) -> list[str]:
    return [line.text for line in read_lines(site / "data" / "journal.sqlite") if line.kind == "command"]


def test_pymodbus_reads_the_map(site, run) -> None:
    process, port = run()
    with panel_on(port) as panel:
        first = panel.value("heartbeat")
        panel.until(lambda: panel.value("heartbeat") != first)
        bank = panel.registers(0, 100)
        unit = panel.registers(2 * BLOCK, UNIT_AT["suction"])
        lost = panel.client.read_input_registers(3 * BLOCK, count=1, device_id=255)
        process.terminate()
        assert process.wait(DEADLINE_S) == 0

    assert (bank[AT["map"]], bank[AT["units"]]) == (map_sum(), 2)
    assert struct.unpack(">f", struct.pack(">HH", *bank[AT["known"] : AT["known"] + 2])) == (1234.5,)
    assert (unit[UNIT_AT["unit"]], unit[UNIT_AT["state"]]) == (2, STATE_CODES[UnitState.BOOT])
    assert lost.exception_code == 2
    journal = read_lines(site / "data" / "journal.sqlite", 10_000)
    assert 0 < bank[AT["journal"] + 1] <= journal[-1].id


def mbpoll(port: int, *options: str, values: tuple[int, ...] = ()) -> str:
    """What mbpoll says; addresses from zero."""
    if shutil.which("mbpoll") is None:
        pytest.fail("mbpoll is missing; apt-get install mbpoll")
    command = ["mbpoll", "-m", "tcp", "-0", "-1", "-a", "1", "-p", str(port), *options, "127.0.0.1"]
    command += map(str, values)
    done = subprocess.run(command, capture_output=True, text=True, timeout=DEADLINE_S, check=False)
    return done.stdout + done.stderr


def test_mbpoll_reads_and_commands(site, run) -> None:
    process, port = run("--accept-commands")
    said = mbpoll(port, "-t", "3", "-r", str(AT["session"]), "-c", "1")
    found = re.search(r"\[1\]:\s+(\d+)", said)
    assert found is not None, said
    block = (int(found[1]), 1, VERB_CODES[Verb.STOP], 2, 0)

    assert "Written 5 references" in mbpoll(port, "-t", "4", "-r", "0", values=block)
    with panel_on(port) as panel:
        panel.until(lambda: panel.value("sequence") == 1)
        assert panel.value("outcome") == Outcome.TAKEN
        assert panel.value("flags", 2) & 4
    assert "Illegal data value" in mbpoll(port, "-t", "4", "-r", "0", values=(1, 2, 2, 2, 0))
    process.terminate()
    assert process.wait(DEADLINE_S) == 0

    assert commands(site)[0] == "stop unit 2, by panel at 127.0.0.1, number 1: taken"


def test_a_write_that_sticks_counts_once_and_is_refused_by_the_next_start(site, run) -> None:
    process, port = run("--accept-commands")
    with panel_on(port) as panel:
        block = panel.order(Verb.STOP)
        assert {panel.write(block) for _ in range(20)} == {0}
        panel.until(lambda: panel.value("sequence") == 1)
        assert {panel.write(block) for _ in range(20)} == {0}
    process.kill()
    process.wait()
    _, port = run("--accept-commands")
    with panel_on(port) as panel:
        assert panel.value("session") != block[0]  # one time in 65535 it is the same
        assert {panel.write(block) for _ in range(20)} == {3}
        assert (panel.value("sequence"), panel.value("next")) == (0, 1)

    assert sum("stop unit 1" in line for line in commands(site)) == 1


def test_a_command_is_judged_like_any_other(run) -> None:
    process, port = run("--accept-commands")
    with panel_on(port) as panel:
        assert panel.write(panel.order(Verb.START, 1, STATE_CODES[UnitState.LOCKOUT])) == 0
        panel.until(lambda: panel.value("sequence") == 1)
        assert panel.value("outcome") == Outcome.STATE_PASSED
    process.terminate()
    assert process.wait(DEADLINE_S) == 0


def test_nothing_is_taken_without_leave(run) -> None:
    _, port = run()
    with panel_on(port) as panel:
        assert panel.write(panel.order(Verb.STOP)) == 2
        assert panel.value("accepts") == 0


def test_a_port_that_is_taken_is_refused_in_one_line(site, run, start) -> None:
    _, port = run()
    process = start(site, "--data", site / "other", "--status-port", str(port))
    _, said = process.communicate(timeout=DEADLINE_S)

    assert process.returncode == 2
    assert said.startswith(f"controller: --status-port {port} on 127.0.0.1: ")
    assert len(said.splitlines()) == 1
    assert not (site / "other" / "journal.sqlite").exists()


def test_a_panel_that_asks_without_pause_holds_up_no_scans(run) -> None:
    process, port = run()
    with panel_on(port) as panel:
        end_s = time.monotonic() + 3.0
        asked = 0
        while time.monotonic() < end_s:
            panel.registers(BLOCK, UNIT_AT["suction"])
            asked += 1
        skipped = panel.registers(AT["skipped"], 2)
        scans = panel.value("heartbeat")
    process.terminate()
    assert process.wait(DEADLINE_S) == 0
    print(f"{asked} answers in 3 s, {skipped[1]} of {scans} scans skipped")

    assert asked > 100
    assert skipped[0] == 0
    assert skipped[1] < scans / 10  # the machine may be busy with other things
