"""The journal on disk: kept whole, bounded, and never in the way of a scan."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.journal import Change, Journal, Line, iso, read_changes, read_lines
from controller.parts.journal import Entry

DEADLINE_S = 30.0
WALL_NS = 1_700_000_000_123_000_000


def entry(number: int, text: str = "") -> Entry:
    """A numbered line."""
    return Entry(number * 100, number % 7, "note", text or f"line {number}")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    journal = Journal(path)
    yield journal
    journal.close(DEADLINE_S)


def test_a_line_comes_back_with_monotonic_and_wall_time(journal: Journal, path: Path) -> None:
    journal.add(Entry(4_200, 3, "cause", "low suction, will retry"), WALL_NS)
    assert journal.flush(DEADLINE_S)

    assert read_lines(path) == [
        Line(1, 4_200, "2023-11-14T22:13:20.123Z", 3, "cause", "low suction, will retry")
    ]


def test_lines_keep_their_order_and_survive_a_restart(path: Path) -> None:
    for first in (0, 300):
        journal = Journal(path)
        for number in range(first, first + 300):
            journal.add(entry(number), WALL_NS)
        assert journal.close(DEADLINE_S)

    assert [line.text for line in read_lines(path, last=600)] == [f"line {n}" for n in range(600)]


def test_an_odd_character_does_not_stop_the_journal(journal: Journal, path: Path) -> None:
    journal.add(entry(1, "half a pair: \ud800"), WALL_NS)
    journal.add(entry(2), WALL_NS)
    assert journal.flush(DEADLINE_S)

    assert [line.text for line in read_lines(path)] == ["half a pair: ?", "line 2"]


def test_the_oldest_lines_go_when_the_limit_is_reached_and_the_newest_stay(path: Path) -> None:
    journal = Journal(path, rows_max=2_000)
    for number in range(9_000):
        journal.add(entry(number), WALL_NS)
    assert journal.close(DEADLINE_S)

    lines = read_lines(path, last=100_000)
    assert 2_000 <= len(lines) <= 2_000 + 2 * 1_000  # it is cut back once in 1000 rows, a batch at a time
    assert [line.text for line in lines] == [f"line {n}" for n in range(9_000 - len(lines), 9_000)]


# --- never in the way of a scan ------------------------------------------------------------------------


@pytest.fixture
def held(path: Path) -> Iterator[sqlite3.Connection]:
    """Another program that holds the file for writing."""
    Journal(path).close(DEADLINE_S)
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute("BEGIN IMMEDIATE")
        yield file


def test_lines_beyond_the_queue_are_dropped_counted_and_told(path: Path, held: sqlite3.Connection) -> None:
    journal = Journal(path, queue_max=50)

    def write() -> None:
        for number in range(2_000):  # at most 1000 in the batch in hand, 50 in the queue
            journal.add(entry(number), WALL_NS)

    writer = threading.Thread(target=write, daemon=True)
    writer.start()
    writer.join(DEADLINE_S)
    assert not writer.is_alive(), "a line waited for the disk"
    dropped = journal.dropped
    held.execute("ROLLBACK")
    assert journal.close(DEADLINE_S)

    lines = read_lines(path, last=5_000)
    told = [line.text for line in lines if line.kind == "run"]
    assert dropped >= 2_000 - 1_050
    assert len(lines) - len(told) == 2_000 - dropped
    assert all(text.endswith("lines were dropped: the queue was full") for text in told)
    assert sum(int(text.split()[0]) for text in told) == dropped


def test_lines_wait_for_a_disk_that_fails_for_a_while(
    path: Path, held: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.journal._BUSY_MS", 1)
    monkeypatch.setattr("controller.journal._RETRY_S", 0.001)
    journal = Journal(path)
    journal.add(entry(1), WALL_NS)
    assert not journal.flush(0.2)
    assert journal.fault == "database is locked"

    held.execute("ROLLBACK")

    assert journal.flush(DEADLINE_S)
    assert journal.fault == ""
    assert [line.text for line in read_lines(path)] == ["line 1"]
    assert journal.close(DEADLINE_S)


@pytest.mark.usefixtures("held")
def test_a_disk_that_does_not_come_back_does_not_hold_up_the_end(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.journal._BUSY_MS", 1)
    journal = Journal(path)
    journal.add(entry(1), WALL_NS)

    assert not journal.close(0.1)


def test_lines_of_several_threads_are_all_kept(journal: Journal, path: Path) -> None:
    def write(first: int) -> None:
        for number in range(first, first + 500):
            journal.add(entry(number), WALL_NS)

    threads = [threading.Thread(target=write, args=(first,)) for first in (0, 500, 1_000)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert journal.flush(DEADLINE_S)

    assert {line.text for line in read_lines(path, 2_000)} == {f"line {n}" for n in range(1_500)}


# --- a damaged file ----------------------------------------------------------------------------------------


def test_a_file_that_is_no_journal_is_moved_aside_and_a_new_one_begun(path: Path) -> None:
    for number in (1, 2):
        path.write_bytes(b"rubbish" * 1_000)
        journal = Journal(path)
        journal.add(entry(number), WALL_NS)
        assert journal.close(DEADLINE_S)

        assert journal.moved_aside == path.with_name(f"journal-damaged-{number}.sqlite")
        assert journal.moved_aside.read_bytes() == b"rubbish" * 1_000
        assert [line.text for line in read_lines(path)] == [f"line {number}"]


def test_a_journal_with_a_damaged_page_is_moved_aside(path: Path) -> None:
    journal = Journal(path)
    for number in range(5_000):
        journal.add(entry(number), WALL_NS)
    assert journal.close(DEADLINE_S)
    data = bytearray(path.read_bytes())
    data[8192:12288] = b"\xa5" * 4096
    path.write_bytes(data)

    journal = Journal(path)

    assert journal.moved_aside is not None
    assert journal.close(DEADLINE_S)


def test_a_folder_that_cannot_hold_a_journal_is_refused(tmp_path: Path) -> None:
    with pytest.raises(sqlite3.OperationalError):
        Journal(tmp_path / "missing" / "journal.sqlite")


# --- setpoints ---------------------------------------------------------------------------------------------


def test_a_changed_setpoint_is_recorded_with_old_new_who_and_why(journal: Journal, path: Path) -> None:
    journal.setpoints_in_force({"purge_s": 20.0, "coast_s": 2.0}, "Ada", "first start", 0, WALL_NS)

    changes = journal.setpoints_in_force(
        {"purge_s": 25.0, "coast_s": 2.0}, "Grace", "scale found", 100, WALL_NS
    )

    assert changes == [Change("purge_s", "20", "25", "Grace", "scale found")]
    assert read_changes(path) == changes


def test_a_setpoint_that_came_or_went_is_a_change(journal: Journal) -> None:
    journal.setpoints_in_force({"old": 1}, "Ada", "", 0, WALL_NS)

    changes = journal.setpoints_in_force({"new": 2}, "Ada", "", 0, WALL_NS)

    assert changes == [Change("new", "", "2", "Ada", ""), Change("old", "1", "", "Ada", "")]


def test_a_value_that_is_only_written_otherwise_is_no_change(journal: Journal) -> None:
    journal.setpoints_in_force({"purge_s": 20, "auto_resume": True}, "Ada", "", 0, WALL_NS)

    assert journal.setpoints_in_force({"purge_s": 20.0, "auto_resume": True}, "Ada", "", 0, WALL_NS) == []


def test_the_first_setpoints_and_unchanged_ones_are_no_change(journal: Journal, path: Path) -> None:
    for _start in range(2):
        assert journal.setpoints_in_force({"purge_s": 20.0}, "Ada", "", 0, WALL_NS) == []

    assert read_changes(path) == []


@pytest.mark.parametrize("who", ["", "  "])
def test_a_change_by_nobody_is_refused_and_the_last_values_stay(journal: Journal, who: str) -> None:
    journal.setpoints_in_force({"purge_s": 20.0}, "Ada", "", 0, WALL_NS)

    with pytest.raises(ValueError, match="name of a person"):
        journal.setpoints_in_force({"purge_s": 25.0}, who, "", 0, WALL_NS)

    assert journal.setpoints_in_force({"purge_s": 20.0}, "Ada", "", 0, WALL_NS) == []


@pytest.mark.parametrize(
    ("wall_ns", "text"),
    [
        (0, "1970-01-01T00:00:00.000Z"),
        (951_782_400_999_999_999, "2000-02-29T00:00:00.999Z"),
        (-1, "1969-12-31T23:59:59.999Z"),
    ],
)
def test_wall_time_is_written_as_utc(wall_ns: int, text: str) -> None:
    assert iso(wall_ns) == text


# --- a killed program -------------------------------------------------------------------------------------

_WRITER = """
import sys
from pathlib import Path
from controller.journal import Journal
from controller.parts.journal import Entry

journal = Journal(Path(sys.argv[1]))
number = 0
while True:
    for _ in range(50):
        journal.add(Entry(number, 0, "note", f"line {number}"), number)
        number += 1
    journal.flush(30)
    print(number, flush=True)
"""


def test_what_was_on_disk_is_there_after_a_kill(path: Path) -> None:
    """At least the 500 events that are asked for, and every one that the writer knew to be written."""
    process = subprocess.Popen([sys.executable, "-c", _WRITER, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for line in process.stdout:
        if int(line) >= 700:
            break
    process.kill()
    known = max([700, *map(int, process.stdout.read().split())])
    process.wait(DEADLINE_S)
    process.stdout.close()

    lines = read_lines(path, last=1_000_000)
    assert len(lines) >= known >= 500
    assert [line.text for line in lines] == [f"line {n}" for n in range(len(lines))]
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
