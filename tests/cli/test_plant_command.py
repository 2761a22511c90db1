"""``skidproof plant`` serves the plant to strangers, lets go when they die, and ends as it says."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from command_line import CAUTION_WORDS, ROOT, SITE, Answer, call, run, started
from pymodbus.client import ModbusTcpClient

from sim_plant.site import demo_folder

MakeSite = Callable[..., Path]
DEADLINE_S = 60.0
LOSS_S, SCAN_S, TOLERANCE_S = 2.0, 0.1, 0.5  # narrative 2.3: the last is what a test allows
BANK = 100
DOSING_RUN, DOSING_RUNS = 1, 7  # bits of the bank's holding register 2 and input register 6
LIFE, BEAT_SEEN, OWNER_SEEN, IDENTITY, CONTACTS = 0, 1, 2, 3, 6

MASTER = f"""
import sys, time
from pymodbus.client import ModbusTcpClient
client = ModbusTcpClient("127.0.0.1", port=int(sys.argv[1]))
client.connect()
beat = 0
while True:
    beat = beat % 65535 + 1
    client.write_registers(0, [beat, 9, 1 << {DOSING_RUN}], device_id={BANK})
    time.sleep(0.02)
"""
"""A controller that does nothing but let the dosing pump run."""


class Served:
    """The command as a process, once it serves."""

    def __init__(self, *arguments: str, cwd: Path) -> None:
        self.process = started("plant", *arguments, cwd=cwd)
        self.said: list[str] = []
        self.port = int(self.wait_for(r"127\.0\.0\.1:(\d+)").group(1))

    def wait_for(self, pattern: str) -> re.Match[str]:
        """The next line of stderr in which that is found."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said.append(line)
            if found := re.search(pattern, line):
                return found
        raise AssertionError(f"never said {pattern}: {self.said}")

    def end(self, number: signal.Signals) -> Answer:
        """Send a signal and wait for the end."""
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=DEADLINE_S)
        return Answer(self.process.returncode, out, "".join(self.said) + err)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A pair of units without a wiring of its own."""
    folder = tmp_path_factory.mktemp("pair")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    one = Served(str(folder), "--port", "0", cwd=folder)
    yield one
    one.process.kill()
    one.process.communicate()


@pytest.fixture
def client(served: Served) -> Iterator[ModbusTcpClient]:
    client = ModbusTcpClient("127.0.0.1", port=served.port, timeout=5)
    assert client.connect()
    yield client
    client.close()


def inputs(client: ModbusTcpClient, device_id: int, address: int, count: int = 1) -> list[int]:
    answer = client.read_input_registers(address, count=count, device_id=device_id)
    assert not answer.isError(), answer
    return list(answer.registers)


def dosing_runs(client: ModbusTcpClient) -> bool:
    """What the contact of the dosing pump says: the plant's own word, not the output register's."""
    return bool(inputs(client, BANK, CONTACTS)[0] >> DOSING_RUNS & 1)


def until(holds: Callable[[], bool]) -> bool:
    end_s = time.monotonic() + DEADLINE_S
    while not holds() and time.monotonic() < end_s:
        time.sleep(0.005)
    return holds()


def nursery_wiring(old: str = "", new: str = "") -> str:
    """The nursery's wiring with one thing changed."""
    text = (demo_folder() / "wiring.toml").read_text("utf-8")
    assert old in text
    return text.replace(old, new, 1)


# --- strangers at the line ------------------------------------------------------------------------------


def test_mbpoll_reads_what_the_point_list_promises(served: Served) -> None:
    assert shutil.which("mbpoll"), "mbpoll is missing: apt-get install mbpoll"
    command = f"mbpoll -m tcp -p {served.port} -a 2 -t 3 -0 -r 0 -c 12 -1 127.0.0.1".split()

    def poll() -> dict[int, int]:
        found = re.findall(r"^\[(\d+)\]:\s+(\d+)", subprocess.check_output(command, text=True), re.MULTILINE)
        return {int(address): int(word) for address, word in found}

    words = poll()
    assert sorted(words) == list(range(12))
    assert words[IDENTITY] == 2
    assert (words[4], words[5]) == (0x449A, 0x5000)  # 1234.5 as float32, high word first
    assert words[CONTACTS] & 0b11 == 0b11, "the selector stands in AUTO and the isolator is on"
    assert 3_900 < words[7] < 20_500, "microampere"
    assert until(lambda: poll()[LIFE] > words[LIFE])


def test_pymodbus_drives_the_plant_and_sees_its_own_marks(client: ModbusTcpClient) -> None:
    assert not dosing_runs(client)
    end_s, beat = time.monotonic() + DEADLINE_S, 0
    while not dosing_runs(client) and time.monotonic() < end_s:
        beat += 1
        assert not client.write_registers(0, [beat, 9, 1 << DOSING_RUN], device_id=BANK).isError()
    assert dosing_runs(client)
    assert inputs(client, BANK, BEAT_SEEN, 2) == [beat, 9]


def test_what_is_not_in_the_wiring_is_not_there(client: ModbusTcpClient) -> None:
    assert client.read_input_registers(0, count=13, device_id=1).exception_code == 2
    assert client.read_coils(0, count=1, device_id=1).exception_code == 2
    assert client.read_input_registers(0, count=1, device_id=3).exception_code == 0x0B


def test_outputs_fall_within_two_seconds_and_a_scan_after_the_master_is_killed(
    served: Served, client: ModbusTcpClient
) -> None:
    with subprocess.Popen([sys.executable, "-c", MASTER, str(served.port)]) as master:
        assert until(lambda: dosing_runs(client) and inputs(client, BANK, OWNER_SEEN) == [9])
        time.sleep(1.0)
        assert dosing_runs(client)
        master.kill()
        master.wait()
        killed_s = time.monotonic()
    assert until(lambda: not dosing_runs(client))
    fell_s = time.monotonic() - killed_s
    assert LOSS_S - TOLERANCE_S < fell_s < LOSS_S + SCAN_S + TOLERANCE_S, f"{fell_s:.3f} s"
    print(f"fell {fell_s:.3f} s after the kill")


# --- how it starts, what it says, how it ends -----------------------------------------------------------


def test_a_time_limit_ends_with_code_0_after_caution_places_and_status(
    tmp_path: Path, make_site: MakeSite
) -> None:
    answer = run("plant", str(make_site()), "--port", "0", "--for", "1", cwd=tmp_path)
    assert answer.code == 0, answer
    assert answer.out == ""
    note, caution, place, legend, status, end = answer.err.splitlines()
    assert note.startswith("note: no wiring.toml in ")
    assert CAUTION_WORDS in caution
    assert re.fullmatch(
        r"link io: 127\.0\.0\.1:\d+ \(in place of 127\.0\.0\.1:1502\), unit ids 1 to 2, 100", place
    )
    assert legend.startswith("units: ")
    assert status.startswith("00:00:00 header ")
    assert re.match(r"ended: 00:00:0[01] header .*nobody writes \| .* overruns", end)


def test_simulated_time_keeps_up_with_the_clock(tmp_path: Path, make_site: MakeSite) -> None:
    answer = run("plant", str(make_site()), "--port", "0", "--for", "5", cwd=tmp_path)
    assert answer.code == 0, answer
    assert re.search(r"^ended: 00:00:0[45] ", answer.err, re.MULTILINE), answer


def test_on_a_terminal_the_status_stands_in_one_place_and_changes_every_second(make_site: MakeSite) -> None:
    near, far = os.openpty()
    command = [
        sys.executable,
        "-m",
        "sim_plant.cli",
        "plant",
        str(make_site()),
        "--port",
        "0",
        "--for",
        "3.5",
    ]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "200", "TERM": "xterm"}
    with subprocess.Popen(command, env=environment, stdout=far, stderr=far) as process:
        os.close(far)
        said = b""
        with contextlib.suppress(OSError), open(near, "rb", buffering=0) as terminal:  # EIO is its end
            while more := terminal.read(4096):
                said += more
    assert process.returncode == 0, said
    shown = said.decode().split("units: ")[1]
    times = re.findall(r"00:00:0(\d) header", shown)
    assert len(times) >= 4
    assert times == sorted(times)
    assert shown.count("\x1b[2K") >= len(times) - 1, "each wipes the one before"


@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 0), (signal.SIGINT, 4)])
def test_a_signal_ends_it_without_a_traceback(
    tmp_path: Path, make_site: MakeSite, number: signal.Signals, code: int
) -> None:
    one = Served(str(make_site()), "--port", "0", cwd=tmp_path)
    one.wait_for("nobody writes")
    answer = one.end(number)
    assert answer.code == code, answer
    assert "Traceback" not in answer.err
    assert answer.err.splitlines()[-1].startswith("ended: ")


def test_the_wiring_of_the_site_is_served(tmp_path: Path, make_site: MakeSite) -> None:
    site = make_site()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    (site / "wiring.toml").write_text(nursery_wiring("port = 1502", f"port = {port}"), "utf-8")
    answer = run("plant", str(site), "--for", "0.2", cwd=tmp_path)
    assert answer.code == 0, answer
    assert "note" not in answer.err
    assert f"link io: 127.0.0.1:{port}, unit ids 1 to 2, 100" in answer.err


def test_off_starts_with_every_selector_off(tmp_path: Path, make_site: MakeSite) -> None:
    one = Served(str(make_site()), "--port", "0", "--off", cwd=tmp_path)
    client = ModbusTcpClient("127.0.0.1", port=one.port)
    assert client.connect()
    skids = [inputs(client, unit, CONTACTS)[0] for unit in (1, 2)]
    bank = inputs(client, BANK, CONTACTS)[0]
    client.close()
    assert one.end(signal.SIGTERM).code == 0
    assert [skid & 0b11 for skid in skids] == [0b10, 0b10], "selector off, isolator on"
    assert bank & 0b1001 == 0b0001, "bank run selector at stop, E-stop healthy"


def test_an_address_for_others_is_warned_about(tmp_path: Path, make_site: MakeSite) -> None:
    answer = run("plant", str(make_site()), "--bind", "0.0.0.0", "--port", "0", "--for", "0.2", cwd=tmp_path)
    assert answer.code == 0, answer
    assert "CAUTION: 0.0.0.0 can be reached from other machines, and Modbus has no password" in answer.err
    assert "link io: 0.0.0.0:" in answer.err


def test_loopback_is_not_warned_about(tmp_path: Path, make_site: MakeSite) -> None:
    answer = run(
        "plant", str(make_site()), "--bind", "127.0.0.2", "--port", "0", "--for", "0.2", cwd=tmp_path
    )
    assert answer.code == 0, answer
    assert "CAUTION" not in answer.err


def test_a_port_in_use_ends_with_code_2_and_one_line_that_names_it(make_site: MakeSite) -> None:
    site = make_site()
    (site / "wiring.toml").write_text(nursery_wiring(), "utf-8")
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        answer = call("plant", str(site), "--port", str(port))
    assert answer.code == 2
    assert answer.err == f"skidproof: link io: port {port} on 127.0.0.1 is in use\n"


@pytest.mark.parametrize(
    ("old", "new", "options", "words"),
    [
        ("", "", ("--for", "nan"), "--for nan: must be seconds, more than 0"),
        ("", "", ("--for", "-1"), "--for -1: must be seconds, more than 0"),
        ('name = "io"', 'name = "ioo"', (), 'there is no link "io": did you mean ioo?'),
        ("port = 1502", "port = 0", (), "wiring.toml: link[1].port"),
        ("", "", ("--bind", "192.0.2.1", "--port", "0"), "port 0 on 192.0.2.1 cannot be had"),
    ],
)
def test_input_at_fault_ends_with_code_2_and_one_line(
    make_site: MakeSite, old: str, new: str, options: tuple[str, ...], words: str
) -> None:
    site = make_site()
    (site / "wiring.toml").write_text(nursery_wiring(old, new), "utf-8")
    answer = call("plant", str(site), *options)
    assert answer.code == 2
    assert len(answer.err.splitlines()) == 1
    assert words in answer.err


def test_a_folder_without_a_site_is_refused(tmp_path: Path) -> None:
    answer = call("plant", str(tmp_path / "nowhere"))
    assert answer.code == 2
    assert "no such site folder" in answer.err


def test_the_help_shows_an_example_that_polls() -> None:
    words = " ".join(call("plant", "--help").out.split())
    assert "mbpoll -m tcp -p 1502 -a 1 -t 3 -0 -r 0 -c 12 127.0.0.1" in words
