"""``skidproof watch`` refuses what it cannot use, serves what it says, and ends when it is told to."""

from __future__ import annotations

import re
import signal
import socket
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import CAUTION_WORDS, call, started

from controller.modbus.troubles import not_connected
from sim_plant.commands import watch as watch_module
from sim_plant.desk.live import Line
from tests.ports import free_port

MakeSite = Callable[..., Path]
DEADLINE_S = 60.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--speed", "fast"], "must be a number or max"),
        (["--speed", "0"], "must lie in 0.1 to 1000"),
        (["--speed", "nan"], "must lie in 0.1 to 1000"),
        (["--bind", "256.0.0.1"], "256.0.0.1"),
        (["--set", "purge_s=1e9"], "purge_s"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(
    make_site: MakeSite, arguments: list[str], words: str
) -> None:
    answer = call("watch", str(make_site()), *arguments, "--port", "0")

    assert answer.code == 2
    assert words in answer.err
    assert len(answer.err.splitlines()) == 1


def test_a_record_is_shown_and_nothing_else_can_be_given_with_it(tmp_path: Path) -> None:
    answer = call("watch", "--record", str(tmp_path / "a.parquet"), "--off", "--seed", "1", "--port", "0")

    assert answer.code == 2
    assert "--off, --seed cannot be given with it" in answer.err
    assert len(answer.err.splitlines()) == 1


@pytest.mark.parametrize(("content", "words"), [(None, "no such file"), (b"PAR1 of a kind", "is no record")])
def test_a_file_that_is_no_record_is_refused_in_one_line(
    tmp_path: Path, content: bytes | None, words: str
) -> None:
    file = tmp_path / "a.parquet"
    if content is not None:
        file.write_bytes(content)

    answer = call("watch", "--record", str(file), "--port", "0")

    assert answer.code == 2
    assert words in answer.err
    assert len(answer.err.splitlines()) == 1


@pytest.mark.parametrize(
    "place", ["127.0.0.1", ":5020", "127.0.0.1:", "127.0.0.1:0", "127.0.0.1:70000", "::1:5020", "host:x"]
)
def test_a_place_that_is_none_is_refused_with_an_example(place: str) -> None:
    answer = call("watch", "--status", place, "--port", "0")

    assert answer.code == 2
    assert "must be HOST:PORT, for example 127.0.0.1:5020" in answer.err
    assert len(answer.err.splitlines()) == 1


def test_a_controller_is_shown_as_it_is_now_and_nothing_else_can_be_given_with_it() -> None:
    answer = call(
        "watch", "--status", "127.0.0.1:1", "--record", "a.parquet", "--still-at", "5", "--speed", "2"
    )

    assert answer.code == 2
    assert "--record, --still-at, --speed cannot be given with it" in answer.err
    assert len(answer.err.splitlines()) == 1


def test_a_controller_that_is_not_there_ends_with_code_3() -> None:
    place = f"127.0.0.1:{free_port()}"

    answer = call("watch", "--status", place, "--port", "0")

    assert answer.code == 3
    assert f"{place} cannot be reached" in answer.err
    assert len(answer.err.splitlines()) == 1


def test_another_machine_is_told_to_be_only_read(monkeypatch: pytest.MonkeyPatch) -> None:
    class Gone(Line):
        def read(self, _address: int, _count: int) -> list[int]:  # no test leaves this machine
            raise not_connected("gone")

    monkeypatch.setattr(watch_module, "Line", Gone)

    answer = call("watch", "--status", "192.0.2.1:502", "--port", "0")

    assert answer.code == 3
    assert "192.0.2.1 is another machine. This page only reads there" in answer.err


def test_a_port_that_is_taken_is_refused(make_site: MakeSite) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        answer = call("watch", str(make_site()), "--port", str(other.getsockname()[1]))

    assert answer.code == 2
    assert "in use" in answer.err


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_prints_an_address_serves_the_page_and_ends_by_a_signal(
    make_site: MakeSite, tmp_path: Path, number: signal.Signals
) -> None:
    process = started("watch", str(make_site()), "--port", "0", cwd=tmp_path)
    assert process.stderr is not None
    said = []
    for line in process.stderr:
        said.append(line)
        if found := re.search(r"http://127\.0\.0\.1:\d+/enter\?key=\S+", line):
            break
    with urllib.request.urlopen(found[0], timeout=DEADLINE_S) as response:
        assert response.status == 200

    process.send_signal(number)

    assert process.wait(DEADLINE_S) == 0
    assert CAUTION_WORDS in "".join(said)
    assert "Traceback" not in process.stderr.read()
