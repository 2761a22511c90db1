"""Setpoints changed while running: on disk before they are confirmed, on top of site.toml at a start."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from runtime_harness import Bench

from controller import changes as module
from controller.changes import NotChangedError, Overlay, SetpointChanges
from controller.files import InputError
from controller.journal import Journal, read_changes
from controller.settings import Setpoints
from controller.store import Store

SITE = Setpoints(purge_s=20)
COPIES = ("setpoints.a", "setpoints.b")
DEADLINE_S = 30.0


class Desk:
    """A loop of one unit that scans in a thread, on a clock that runs as fast as it can, and its changes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.bench = Bench(SITE)
        self.journal = Journal(folder / "journal.sqlite")
        self.overlay = Overlay(folder, SITE, 1)
        self.journal.setpoints_in_force(SITE.model_dump(), "Ada", "start", 0, 0)
        self.changes = SetpointChanges(self.overlay, self.bench.controller, self.bench.loop, self.journal)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.bench.loop.run, args=(self._go_on,))

    def _go_on(self) -> bool:
        time.sleep(0.001)  # lets other threads in; no moment of the test depends on it
        return not self._stop.is_set()

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(DEADLINE_S)
        assert self.journal.close(DEADLINE_S)

    @property
    def in_force(self) -> float:
        return self.bench.controller.setpoints.purge_s

    def on_disk(self, site: Setpoints = SITE) -> Overlay:
        """What a start with this site would find."""
        return Overlay(self.folder, site, 1)


@pytest.fixture
def still(tmp_path: Path) -> Iterator[Desk]:
    """Its loop does not scan."""
    desk = Desk(tmp_path)
    yield desk
    desk.close()


@pytest.fixture
def desk(still: Desk) -> Desk:
    still.start()
    return still


def change(desk: Desk, value: float = 25, by: str = "Grace", reason: str = "scale") -> None:
    desk.changes.change_setpoint("purge_s", value, by, reason)


# --- while running ----------------------------------------------------------------------------------------


def test_a_change_that_is_confirmed_is_in_force_on_disk_and_in_the_journal(desk: Desk) -> None:
    change(desk)

    assert desk.in_force == 25
    assert desk.on_disk().setpoints == Setpoints(purge_s=25)
    assert read_changes(desk.folder / "journal.sqlite") == [("purge_s", "20", "25", "Grace", "scale")]


def test_the_change_is_on_disk_before_the_loop_takes_it(still: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[float] = []
    taken = still.bench.controller.change_setpoint

    def look_first(name: str, value: float, by: str, reason: str, now_ms: int) -> None:
        seen.append(still.on_disk().setpoints.purge_s)
        taken(name, value, by, reason, now_ms)

    monkeypatch.setattr(still.bench.controller, "change_setpoint", look_first)
    still.start()

    change(still)

    assert seen == [25]


def test_the_scanning_thread_makes_the_change(still: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    names: list[str] = []
    taken = still.bench.controller.change_setpoint

    def who(*arguments: object) -> None:
        names.append(threading.current_thread().name)
        taken(*arguments)  # type: ignore[arg-type]  # handed on as they came

    monkeypatch.setattr(still.bench.controller, "change_setpoint", who)
    still.start()

    change(still)

    assert names == [still._thread.name]


def test_changes_from_many_threads_are_all_kept(desk: Desk) -> None:
    wanted = {"purge_s": 25, "stop_flush_s": 80, "coast_s": 3, "leak_s": 3, "boot_s": 6, "settle_s": 7}
    threads = [
        threading.Thread(target=desk.changes.change_setpoint, args=(name, value, "Grace", "trial"))
        for name, value in wanted.items()
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(DEADLINE_S)

    expected = SITE.model_copy(update=wanted)
    assert desk.bench.controller.setpoints == expected
    assert desk.on_disk().setpoints == expected


@pytest.mark.parametrize(
    ("name", "value", "by", "reason", "words"),
    [
        ("purge_s", 500, "Grace", "why", "change of purge_s: purge_s = 500: must be at most 120"),
        ("purge_s", float("nan"), "Grace", "why", "must be a finite number"),
        ("tds_alarm_mgl", 400, "Grace", "why", "tds_alarm_mgl = 400 < tds_lockout_mgl = 300"),
        ("drain_capacity_m3h", 1, "Grace", "why", "leave no room for one flush"),
        ("purge_min", 1, "Grace", "why", "purge_min is not a known setpoint: the key is purge_s"),
        ("purge_s", 25, " ", "why", "needs the name of a person"),
        ("purge_s", 25, "Grace", "", "and a reason"),
        ("purge_s", 25, "Grace", "one\ntwo", "one line"),
        ("purge_s", 25, "Grace", "x" * 301, "300 characters"),
        ("purge_s", 25, "x" * 61, "why", "60"),
    ],
)
def test_a_change_that_is_wrong_is_refused_in_one_line_and_nothing_is_written(
    desk: Desk, name: str, value: float, by: str, reason: str, words: str
) -> None:
    with pytest.raises(InputError) as refused:
        desk.changes.change_setpoint(name, value, by, reason)

    assert words in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1
    assert desk.bench.controller.setpoints == SITE
    assert not any((desk.folder / copy).exists() for copy in COPIES)


def test_every_setpoint_changed_for_the_longest_reason_can_be_read_again(tmp_path: Path) -> None:
    overlay = Overlay(tmp_path, SITE, 1)
    for name, value in SITE.model_dump().items():
        overlay.keep(name, value, "\N{OLD PERSIAN SIGN A}" * 60, "\N{OLD PERSIAN SIGN A}" * 300, "today")

    assert len(Overlay(tmp_path, SITE, 1).rows) == len(Setpoints.model_fields)


def test_a_full_disk_changes_nothing(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    change(desk, 25)

    def full(_self: Store, _name: str, _data: bytes) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(Store, "_replace", full)
        with pytest.raises(NotChangedError, match="purge_s was not changed: No space left"):
            change(desk, 30)

    assert desk.in_force == 25
    assert desk.on_disk().setpoints.purge_s == 25
    change(desk, 35)
    assert desk.on_disk().setpoints.purge_s == 35


def test_a_disk_that_fails_between_the_two_copies_keeps_the_old_value(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    change(desk, 25)
    replace, calls = Store._replace, []

    def fails_once(self: Store, name: str, data: bytes) -> None:
        calls.append(name)
        if len(calls) == 2:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        replace(self, name, data)

    with monkeypatch.context() as patch:
        patch.setattr(Store, "_replace", fails_once)
        with pytest.raises(NotChangedError):
            change(desk, 30)

    assert desk.on_disk().setpoints.purge_s == desk.in_force == 25


def test_a_loop_that_hangs_changes_nothing_now_or_later(still: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "TAKE_S", 0.05)
    with pytest.raises(NotChangedError, match="no scan within"):
        change(still)

    assert still.on_disk().setpoints == SITE
    still.bench.run(5)
    assert still.in_force == 20


def test_a_scan_does_one_change_at_most(still: Desk) -> None:
    done: list[int] = []
    for number in range(3):
        still.bench.loop.between_scans(lambda _now_ms, number=number: done.append(number))  # type: ignore[misc]  # mypy cannot infer a lambda with a default

    seen = []
    still.bench.run(4, lambda _scan: seen.append(list(done)))

    assert seen == [[], [0], [0, 1], [0, 1, 2]]


# --- at a start -------------------------------------------------------------------------------------------


def kept(folder: Path, **values: float) -> None:
    """Changes of these setpoints, made while running with SITE."""
    overlay = Overlay(folder, SITE, 1)
    for name, value in values.items():
        overlay.keep(name, value, "Grace", "scale", "2026-01-02T03:04:05.000Z")


def test_a_start_without_changes_uses_the_site_as_it_is_and_writes_nothing(tmp_path: Path) -> None:
    overlay = Overlay(tmp_path, SITE, 1)

    assert overlay.setpoints == SITE
    assert overlay.notes == ()
    assert list(tmp_path.iterdir()) == []


def test_a_start_puts_the_changes_on_top_and_says_who_made_them(tmp_path: Path) -> None:
    kept(tmp_path, purge_s=25, auto_resume=False)

    overlay = Overlay(tmp_path, SITE, 1)

    assert overlay.setpoints == Setpoints(purge_s=25, auto_resume=False)
    assert overlay.notes == (
        "purge_s = 25 in place of 20 in site.toml, changed 2026-01-02T03:04:05.000Z by Grace: scale",
        "auto_resume = False in place of True in site.toml, changed 2026-01-02T03:04:05.000Z by Grace: scale",
    )


def test_an_edit_of_another_setpoint_leaves_the_change_in_force(tmp_path: Path) -> None:
    kept(tmp_path, purge_s=25)

    assert Overlay(tmp_path, Setpoints(stop_flush_s=90), 1).setpoints.purge_s == 25


def test_an_edit_of_the_same_setpoint_in_the_site_file_wins_for_good(tmp_path: Path) -> None:
    kept(tmp_path, purge_s=25, coast_s=3)

    overlay = Overlay(tmp_path, Setpoints(purge_s=22), 1)

    assert overlay.setpoints == Setpoints(purge_s=22, coast_s=3)
    assert overlay.notes[0].startswith(
        "purge_s: site.toml now says 22; no longer purge_s = 25 in place of 20"
    )
    assert Overlay(tmp_path, SITE, 1).setpoints.purge_s == 20


def test_a_second_change_still_stands_on_what_the_site_file_says(tmp_path: Path) -> None:
    kept(tmp_path, purge_s=25)
    kept(tmp_path, purge_s=30)

    assert Overlay(tmp_path, SITE, 1).setpoints.purge_s == 30
    assert Overlay(tmp_path, Setpoints(purge_s=25), 1).setpoints.purge_s == 25


def test_a_change_is_checked_against_the_edited_site(tmp_path: Path) -> None:
    kept(tmp_path, tds_clear_mgl=190)

    assert Overlay(tmp_path, Setpoints(tds_alarm_mgl=195), 1).setpoints.tds_clear_mgl == 190


def test_a_change_that_contradicts_the_edited_site_is_refused_in_one_line_and_nothing_is_written(
    tmp_path: Path,
) -> None:
    kept(tmp_path, tds_clear_mgl=190, purge_s=25)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    with pytest.raises(InputError) as refused:
        Overlay(tmp_path, Setpoints(tds_alarm_mgl=180, purge_s=22), 1)

    assert "tds_clear_mgl = 190 < tds_alarm_mgl = 180" in str(refused.value)
    assert "setpoints.a: changes made while running do not hold" in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_changes_that_leave_no_room_for_a_flush_of_a_larger_bank_are_refused(tmp_path: Path) -> None:
    kept(tmp_path, drain_capacity_m3h=4)

    with pytest.raises(InputError, match="6 units leave no room for one flush"):
        Overlay(tmp_path, SITE, 6)


def test_a_change_of_a_setpoint_that_this_version_does_not_know_is_refused(tmp_path: Path) -> None:
    row = '{"designed": 1, "value": 2, "who": "Grace", "why": "scale", "when": "then"}'
    Store(tmp_path, "setpoints", marker=None).write(f'{{"purge_old_s": {row}}}')

    with pytest.raises(InputError, match="purge_old_s is not a known key"):
        Overlay(tmp_path, SITE, 1)


@pytest.mark.parametrize("text", ["no json", "[]", '{"purge_s": 25}'])
def test_rows_that_are_none_are_refused_in_one_line(tmp_path: Path, text: str) -> None:
    Store(tmp_path, "setpoints", marker=None).write(text)

    with pytest.raises(InputError, match="not rows of setpoints") as refused:
        Overlay(tmp_path, SITE, 1)

    assert len(str(refused.value).splitlines()) == 1


@pytest.mark.parametrize("copy", COPIES)
def test_one_damaged_copy_costs_nothing_and_is_told(tmp_path: Path, copy: str) -> None:
    kept(tmp_path, purge_s=25)
    (tmp_path / copy).write_bytes(b"rubbish")

    overlay = Overlay(tmp_path, SITE, 1)

    assert overlay.setpoints.purge_s == 25
    assert overlay.notes[0].startswith(f"{copy}: ")


def test_two_damaged_copies_are_refused_and_not_taken_for_none(tmp_path: Path) -> None:
    kept(tmp_path, purge_s=25)
    for copy in COPIES:
        (tmp_path / copy).write_bytes(b"rubbish")

    with pytest.raises(InputError, match="setpoints data lost") as refused:
        Overlay(tmp_path, SITE, 1)

    assert len(str(refused.value).splitlines()) == 1


def test_a_damaged_journal_costs_no_change(desk: Desk) -> None:
    change(desk)
    desk.close()
    (desk.folder / "journal.sqlite").write_bytes(b"rubbish" * 1000)
    desk.journal = Journal(desk.folder / "journal.sqlite")

    assert desk.journal.moved_aside is not None
    assert desk.on_disk().setpoints.purge_s == 25
