"""Retained memory on disk: no cut of the supply and no damage gives anything but a whole text or "lost"."""

from __future__ import annotations

import errno
import os
import random
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK

from controller import retained
from controller.signals import Verb
from controller.store import COPIES, LOST, MARKER, Keeper, Store
from controller.unit.states import UnitState

CUTS = 12_000
DEADLINE_S = 10.0


@pytest.fixture(autouse=True)
def _no_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """These tests take no supply away, so nothing has to be forced to disk; it only costs time."""
    monkeypatch.setattr(os, "fsync", lambda _file: None)


def kept(folder: Path) -> dict[str, bytes]:
    """All files of the folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def lay_out(folder: Path, files: dict[str, bytes]) -> None:
    """Make the folder hold these files and no others."""
    for path in folder.iterdir():
        path.unlink()
    for name, data in files.items():
        (folder / name).write_bytes(data)


# --- what is found at a start ---------------------------------------------------------------------------


def test_an_empty_folder_is_a_first_start(tmp_path: Path) -> None:
    recalled = Store(tmp_path).recalled

    assert recalled.text is None
    assert recalled.notes == ("first start: neither retained data nor the marker",)


def test_the_last_text_comes_back(tmp_path: Path) -> None:
    store = Store(tmp_path)
    for text in ("one", "two", "three"):
        store.write(text)

    assert Store(tmp_path).recalled == type(store.recalled)("three", ())


def test_at_rest_both_copies_hold_the_same_text(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.write("one")
    store.write("two")

    first, second = (tmp_path / COPIES[0]).read_bytes(), (tmp_path / COPIES[1]).read_bytes()

    assert first == second


@pytest.mark.parametrize("copy", COPIES)
@pytest.mark.parametrize("damage", [b"", b"\0" * 80, b"rubbish", b"9 0 two", b"\xff\xfe", b"9" * 2_000_000])
def test_one_damaged_copy_is_made_up_for_by_the_other_and_noted(
    tmp_path: Path, copy: str, damage: bytes
) -> None:
    Store(tmp_path).write("one")
    Store(tmp_path).write("two")
    (tmp_path / copy).write_bytes(damage)

    recalled = Store(tmp_path).recalled

    assert recalled.text == "two"
    assert len(recalled.notes) == 1
    assert recalled.notes[0].startswith(copy)


def test_a_damaged_copy_is_mended_by_the_next_write(tmp_path: Path) -> None:
    Store(tmp_path).write("one")
    (tmp_path / COPIES[0]).write_bytes(b"rubbish")

    Store(tmp_path).write("two")

    assert Store(tmp_path).recalled.notes == ()
    assert Store(tmp_path).recalled.text == "two"


def test_two_damaged_copies_are_lost_data_and_the_reasons_are_told(tmp_path: Path) -> None:
    Store(tmp_path).write("one")
    (tmp_path / COPIES[0]).write_bytes(b"rubbish")
    (tmp_path / COPIES[1]).unlink()

    recalled = Store(tmp_path).recalled

    assert recalled.text == LOST
    assert recalled.notes == ("retained data lost: retained.a: damaged; retained.b: missing",)


def test_both_copies_missing_beside_the_marker_are_lost_data(tmp_path: Path) -> None:
    Store(tmp_path).write("one")
    for copy in COPIES:
        (tmp_path / copy).unlink()

    assert [path.name for path in tmp_path.iterdir()] == [MARKER]
    assert Store(tmp_path).recalled.text == LOST


def test_a_damaged_copy_without_the_marker_is_lost_data_and_no_first_start(tmp_path: Path) -> None:
    (tmp_path / COPIES[0]).write_bytes(b"rubbish")

    assert Store(tmp_path).recalled.text == LOST


def test_a_copy_that_cannot_be_read_is_not_taken_for_missing(tmp_path: Path) -> None:
    Store(tmp_path).write("one")
    for copy in COPIES:
        (tmp_path / copy).unlink()
        (tmp_path / copy).mkdir()

    recalled = Store(tmp_path).recalled

    assert recalled.text == LOST
    assert "cannot be read" in recalled.notes[0]


def test_copies_of_one_number_that_differ_are_lost_data(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    Store(here).write("one")
    Store(there).write("another")
    (here / COPIES[0]).write_bytes((there / COPIES[0]).read_bytes())

    assert Store(here).recalled.text == LOST


def test_a_bank_whose_data_are_lost_stays_locked_out_over_the_next_start(tmp_path: Path) -> None:
    Store(tmp_path).write(producing_bank(2).controller.retained())
    for copy in COPIES:
        (tmp_path / copy).write_bytes(b"rubbish")

    for _start in range(2):
        store = Store(tmp_path)
        rig = BankRig(2, QUICK, store.recalled.text)
        rig.run(20)
        store.write(rig.controller.retained())

        assert rig.states == (UnitState.LOCKOUT,) * 2
        assert not any(out.feed_valve or out.pump for *_, units, _ in rig.trace for out in units)


def test_each_copy_is_forced_to_disk_before_it_is_renamed_and_the_folder_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(tmp_path)
    done: list[str] = []
    replace = os.replace

    def spy_replace(source: Path, target: Path) -> None:
        done.append(f"rename {target.name}")
        replace(source, target)

    monkeypatch.setattr(
        os, "fsync", lambda file: done.append("force " + Path(os.readlink(f"/proc/self/fd/{file}")).name)
    )
    monkeypatch.setattr(os, "replace", spy_replace)

    store.write("text")

    assert done == [
        step
        for name in (COPIES[1], COPIES[0], MARKER)
        for step in (f"force {name}.new", f"rename {name}", f"force {tmp_path.name}")
    ]


# --- cuts of the supply -----------------------------------------------------------------------------------


class PowerCutError(Exception):
    """The supply is gone at this operation."""


class Supply:
    """Lets the file operations of a write go on for so many bytes and steps, then cuts the supply."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.left = 10**9
        self._write, self._replace, self._open = os.write, os.replace, os.open
        monkeypatch.setattr(os, "write", self.write)
        monkeypatch.setattr(os, "replace", self.replace)
        monkeypatch.setattr(os, "open", self.open)

    def _spend(self, amount: int) -> int:
        taken = min(amount, self.left)
        self.left -= taken
        return taken

    def open(self, path: str | Path, flags: int, mode: int = 0o777) -> int:
        if not self._spend(1):
            raise PowerCutError
        return self._open(path, flags, mode)

    def write(self, file: int, data: bytes) -> int:
        taken = self._spend(len(data))
        self._write(file, data[:taken])
        if taken < len(data):
            raise PowerCutError
        return taken

    def replace(self, source: str | Path, target: str | Path) -> None:
        if not self._spend(1):
            raise PowerCutError
        self._replace(source, target)


def steps_of(supply: Supply, action: Callable[[], None]) -> int:
    """Bytes and steps that an action takes when nothing cuts it."""
    supply.left = 10**9
    action()
    return 10**9 - supply.left


def stopped(rig: BankRig) -> str:
    """The retained text after a person has stopped unit 2."""
    rig.command(Verb.STOP, 2)
    rig.step()
    return rig.controller.retained()


OLDER = producing_bank(2).controller.retained()
NEWER = stopped(producing_bank(2))


def base(folder: Path) -> dict[str, bytes]:
    """A folder at rest that holds the older text."""
    Store(folder).write("the one before")
    Store(folder).write(OLDER)
    return kept(folder)


def after_every_cut(
    folder: Path, files: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> list[dict[str, bytes]]:
    """What stands in the folder when a write of the newer text is cut at each byte and each step."""
    left = []
    with monkeypatch.context() as patch:
        supply = Supply(patch)
        lay_out(folder, files)
        for cut in range(steps_of(supply, lambda: Store(folder).write(NEWER))):
            lay_out(folder, files)
            store = Store(folder)
            supply.left = cut
            with pytest.raises(PowerCutError):
                store.write(NEWER)
            left.append(kept(folder))
    return left


def recalled_from(folder: Path, files: dict[str, bytes]) -> str | None:
    """The text that a start finds in a folder that holds these files."""
    lay_out(folder, files)
    return Store(folder).recalled.text


def test_a_write_that_is_cut_at_any_byte_leaves_the_older_or_the_newer_text(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = after_every_cut(tmp_path, base(tmp_path), monkeypatch)

    assert len(left) > 2 * len(NEWER)
    assert {recalled_from(tmp_path, files) for files in left} == {OLDER, NEWER}


def test_the_first_write_ever_that_is_cut_is_still_a_first_start_or_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = after_every_cut(tmp_path, {}, monkeypatch)

    assert {recalled_from(tmp_path, files) for files in left} == {None, NEWER}


def damaged(data: bytes, chance: random.Random) -> bytes:
    """What a disk may have made of a file: cut, zeroed from somewhere, bits turned, or a piece of another."""
    place = chance.randrange(len(data) + 1)
    kind = chance.choice(("cut", "zeros", "bits", "mixed", "gone"))
    if kind == "cut":
        return data[:place]
    if kind == "zeros":
        return data[:place] + b"\0" * (len(data) - place)
    if kind == "mixed":
        return data[:place] + chance.randbytes(len(data) - place)
    if kind == "gone":
        return b""
    turned = bytearray(data)
    turned[place % len(data)] ^= 1 << chance.randrange(8)
    return bytes(turned)


def test_a_disk_that_lied_about_its_writes_never_gives_a_mixture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """12 000 cuts in the write, each followed by damage to one copy or to both."""
    left = after_every_cut(tmp_path, base(tmp_path), monkeypatch)
    chance = random.Random(54)
    seen: Counter[str | None] = Counter()

    for _cut in range(CUTS):
        files = dict(chance.choice(left))
        victims = chance.choice((COPIES[:1], COPIES[1:], COPIES))
        for name in victims:
            files[name] = damaged(files[name], chance)
        text = recalled_from(tmp_path, files)
        seen[text] += 1
        if len(victims) == 1:
            assert text != LOST

    assert seen.keys() == {OLDER, NEWER, LOST}
    assert min(seen.values()) > 500


def test_damage_to_one_copy_at_rest_never_brings_an_older_text_back(tmp_path: Path) -> None:
    """A latch that was on disk must not be forgotten because one copy went bad."""
    Store(tmp_path).write(OLDER)
    Store(tmp_path).write(NEWER)
    files = kept(tmp_path)
    chance = random.Random(55)

    for name in COPIES * 500:
        assert recalled_from(tmp_path, files | {name: damaged(files[name], chance)}) == NEWER


def test_what_a_cut_left_lying_is_noted_and_does_not_disturb_the_next_write(tmp_path: Path) -> None:
    Store(tmp_path).write(OLDER)
    (tmp_path / (COPIES[0] + ".new")).write_bytes(b"7 half")

    store = Store(tmp_path)
    assert store.recalled.notes == ("retained.a.new: a write was cut short",)
    store.write(NEWER)

    assert Store(tmp_path).recalled == type(store.recalled)(NEWER, ())


def test_a_text_on_disk_is_one_that_the_firmware_accepts(tmp_path: Path) -> None:
    Store(tmp_path).write(NEWER)

    retained.decode(str(Store(tmp_path).recalled.text), 2)


# --- writing beside the scan --------------------------------------------------------------------------------


class SlowStore(Store):
    """A store whose disk answers only when the test lets it, and fails as often as the test says."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.written: list[str] = []
        self.let = threading.Event()
        self.entered = threading.Semaphore(0)
        self.failures = 0

    def write(self, text: str) -> None:
        self.entered.release()
        assert self.let.wait(DEADLINE_S)
        if self.failures:
            self.failures -= 1
            raise OSError(errno.ENOSPC, "No space left on device")
        self.written.append(text)


@pytest.fixture
def slow(tmp_path: Path) -> Iterator[SlowStore]:
    store = SlowStore(tmp_path)
    yield store
    store.let.set()


def test_an_offer_does_not_wait_for_the_disk_and_only_the_newest_text_is_written(slow: SlowStore) -> None:
    keeper = Keeper(slow, lambda _text: None)
    keeper.offer("first")
    assert slow.entered.acquire(timeout=DEADLINE_S)

    for number in range(100):
        keeper.offer(f"text {number}")
    assert slow.written == []
    slow.let.set()

    assert keeper.close(DEADLINE_S)
    assert slow.written == ["first", "text 99"]


def test_a_text_that_did_not_change_is_not_written_again(slow: SlowStore) -> None:
    slow.let.set()
    keeper = Keeper(slow, lambda _text: None)

    for _scan in range(100):
        keeper.offer("same")

    assert keeper.close(DEADLINE_S)
    assert slow.written == ["same"]


def test_the_text_that_was_recalled_is_not_written_again(tmp_path: Path) -> None:
    Store(tmp_path).write("one")
    store = SlowStore(tmp_path)
    store.let.set()
    keeper = Keeper(store, lambda _text: None)

    keeper.offer("one")

    assert keeper.close(DEADLINE_S)
    assert store.written == []


def test_a_write_that_fails_is_told_once_and_tried_until_it_succeeds(
    slow: SlowStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.store.RETRY_S", 0.001)
    slow.failures = 3
    slow.let.set()
    told: list[str] = []
    keeper = Keeper(slow, told.append)

    keeper.offer("text")
    for _try in range(4):
        assert slow.entered.acquire(timeout=DEADLINE_S)

    assert keeper.close(DEADLINE_S)
    assert slow.written == ["text"]
    assert told == [
        "retained memory cannot be written: No space left on device",
        "retained memory is written again",
    ]


def test_a_disk_that_does_not_come_back_does_not_hold_up_the_end(slow: SlowStore) -> None:
    keeper = Keeper(slow, lambda _text: None)
    keeper.offer("text")
    assert slow.entered.acquire(timeout=DEADLINE_S)

    assert not keeper.close(0.01)


def test_a_store_counts_a_number_for_a_write_that_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or two texts would share a number, and the next start could not tell which is newer."""
    Store(tmp_path).write("one")
    store = Store(tmp_path)
    replace, calls = os.replace, []

    def fail_the_second(source: str | Path, target: str | Path) -> None:
        calls.append(target)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        replace(source, target)

    monkeypatch.setattr(os, "replace", fail_the_second)
    with pytest.raises(OSError, match="No space"):
        store.write("two")
    assert Store(tmp_path).recalled.text == "two"
    store.write("three")

    assert Store(tmp_path).recalled.text == "three"
