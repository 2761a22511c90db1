"""A stored record at the desk: what it shows is what it holds, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from desk_samples import deed, order, pair

from controller.files import InputError
from controller.parts.journal import Entry
from controller.signals import UNIT_SIGNALS, from_ma, signal_named
from sim_plant.bench.evidence.records import read_run, write_record
from sim_plant.bench.rig import Rig
from sim_plant.bench.targets import DeskTarget
from sim_plant.bench.trace import UNIT_AI, UNIT_DI, UNIT_DO, Mark, Trace
from sim_plant.desk import recording as recording_module
from sim_plant.desk.recording import read_recording
from sim_plant.desk.replay import Replay
from sim_plant.desk.wishes import Back, Pace, Pause, RefusedError, Save, Scans, Wish
from sim_plant.plant import Plant

SCANS, SHARED = 400, 150


@cache
def run() -> Trace:
    """Unit 2 has its selector at off from 10 s; the power is taken at 30 s and given back at 32 s."""
    site = pair()
    plant = Plant(site.units, site.file.plant, 7)
    rig = Rig(plant, DeskTarget(site.units, site.setpoints), site.file.site.scan_ms)
    for scan in range(SCANS):
        if scan == 100:
            rig.operate("selector_auto", 2, on=False)
        if scan in (300, 320):
            rig.power(on=scan == 320)
        rig.scan()
    return rig.recorder.trace()


@pytest.fixture
def stored(tmp_path: Path) -> Path:
    """As ``prove`` leaves it: a shared beginning, and the run that names it."""
    write_record(run().part(0, SHARED), tmp_path / "beginning.parquet", {"seed": "7"})
    path = tmp_path / "power-1.parquet"
    write_record(run().part(SHARED), path, {"run_id": "power-1", "shared": "beginning", "seed": "7"})
    return path


class Clock:
    """Real time that a test moves."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def shown(replay: Replay) -> dict[str, Any]:
    picture: dict[str, Any] = json.loads(replay.latest.get()[1])
    return picture


def at(replay: Replay, t_s: float) -> dict[str, Any]:
    replay.ask(Back(kind="back", to_s=t_s))
    return shown(replay)


@pytest.mark.parametrize("t_s", [0.0, 14.9, 15.0, 29.9, 31.0, 39.9])
def test_a_picture_is_what_the_record_says_at_that_moment(stored: Path, t_s: float) -> None:
    trace, replay = read_run(stored), Replay(read_recording(stored))
    row = round(t_s * 10)

    picture = at(replay, t_s)

    assert picture["t_ms"] == trace.t_ms[row] == round(t_s * 1000)
    for unit, told in enumerate(picture["units"], start=1):
        assert told["state"] == trace.state(row, unit)
        assert dict(zip(UNIT_DI, told["in"], strict=True)) == {n: trace.unit(n, unit)[row] for n in UNIT_DI}
        assert dict(zip(UNIT_DO, told["out"], strict=True)) == {n: trace.unit(n, unit)[row] for n in UNIT_DO}
        for place, name in enumerate(UNIT_AI):
            wire_ma = trace.unit_ai[row, unit - 1, place]
            value = from_ma(signal_named(UNIT_SIGNALS, name), wire_ma)
            assert told["values"][name][0] == pytest.approx(value, abs=0.001)
    assert picture["bank"]["in"] == trace.bank_di[row].astype(int).tolist()
    assert picture["bank"]["out"] == trace.bank_do[row].astype(int).tolist()


def test_going_forth_and_back_shows_the_same_again(stored: Path) -> None:
    replay = Replay(read_recording(stored))
    first = [at(replay, t_s) for t_s in (2.0, 20.0, 35.0)]

    again = [at(replay, t_s) for t_s in (35.0, 20.0, 2.0)]

    assert first == again[::-1]
    assert first[0] != first[1] != first[2]


def test_what_the_record_does_not_hold_is_not_known(stored: Path) -> None:
    picture = at(Replay(read_recording(stored)), 20.0)

    assert picture["alarms"] is None
    assert picture["faults"] is None
    assert picture["powered"] is None, "nobody has touched the power yet"
    assert picture["bank"]["stage"] is None
    assert {picture["units"][0][name] for name in ("latched", "starts", "run_h", "blocked")} == {None}


def test_what_the_bench_did_is_told_when_it_was_done(stored: Path) -> None:
    replay = Replay(read_recording(stored))

    before, off, after = at(replay, 29.9), at(replay, 30.0), at(replay, 32.0)

    assert (before["powered"], off["powered"], after["powered"]) == (None, False, True)
    first = ["operate selector_auto off, unit 2"]
    assert [receipt["text"] for receipt in before["receipts"]] == first
    assert [receipt["text"] for receipt in after["receipts"]] == [*first, "power off", "power on"]


def test_a_journal_line_is_not_told_before_its_moment(tmp_path: Path) -> None:
    trace = run().part(0, 100)
    trace.journal = [Entry(5000, 1, "note", "five seconds")]
    write_record(trace, tmp_path / "a.parquet", {})
    replay = Replay(read_recording(tmp_path / "a.parquet"))

    assert at(replay, 4.9)["journal"] == []
    assert at(replay, 5.0)["journal"] == [[5.0, 1, "note", "five seconds"]]


def test_a_state_has_lasted_since_its_change_and_is_not_known_before_one(stored: Path) -> None:
    trace, replay = read_run(stored), Replay(read_recording(stored))
    change = int(np.flatnonzero(np.diff(trace.unit_state[:300, 0]))[0]) + 1

    assert at(replay, (change - 1) / 10)["units"][0]["in_state_s"] is None
    assert at(replay, (change + 5) / 10)["units"][0]["in_state_s"] == 0.5


def test_time_goes_at_its_pace_and_stands_still_at_the_end(stored: Path) -> None:
    clock = Clock()
    replay = Replay(read_recording(stored), clock=clock)
    replay.ask(Pace(kind="pace", speed=5))
    replay.ask(Pause(kind="pause", on=False))

    clock.now_s = 2.0
    replay.go_on()
    assert shown(replay)["t_ms"] == 10_000

    clock.now_s = 100.0
    replay.go_on()
    assert (shown(replay)["t_ms"], shown(replay)["pace"]["paused"]) == (39_900, True)


def test_single_scans_go_on_from_where_one_stands(stored: Path) -> None:
    replay = Replay(read_recording(stored))
    at(replay, 14.9)

    replay.ask(Scans(kind="scans", count=2))

    assert shown(replay)["t_ms"] == 15_100


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (order("stop", 1), "record of a run that is over"),
        (deed(operate="bank_run off"), "record of a run that is over"),
        (Save(kind="save"), "record of a run that is over"),
        (Back(kind="back", to_s=40.0), "goes from 0 s to 39.9 s"),
    ],
)
def test_other_wishes_are_refused_and_change_nothing(stored: Path, wish: Wish, words: str) -> None:
    replay = Replay(read_recording(stored))
    before = replay.latest.get()

    with pytest.raises(RefusedError, match=words):
        replay.ask(wish)

    assert replay.latest.get() == before


def test_nothing_goes_on_after_the_last_scan(stored: Path) -> None:
    replay = Replay(read_recording(stored))
    at(replay, 39.9)

    for wish in (Scans(kind="scans"), Pause(kind="pause", on=False)):
        with pytest.raises(RefusedError, match="the record ends here"):
            replay.ask(wish)


def test_trends_are_the_rows_of_the_record(stored: Path) -> None:
    trace, replay = read_run(stored), Replay(read_recording(stored))

    rows = replay.history(2, 10_000, 20_000, 4000)
    few = replay.history(2, 0, 40_000, 10)

    assert rows["t_s"] == (trace.t_ms[100:201] / 1000).tolist()
    assert rows["unit"]["suction_ma"] == pytest.approx(trace.unit("suction_ma", 2)[100:201], abs=1e-4)
    assert len(few["t_s"]) <= 10
    assert few["t_s"][-1] == 39.9
    told = [(t_ms, code) for t_ms, unit, code in few["changes"] if unit == 2]
    codes = np.where(trace.unit_state[:, 1] < 0, len(trace.state_names), trace.unit_state[:, 1])
    seen = [(int(trace.t_ms[i]), int(codes[i])) for i in range(SCANS) if i == 0 or codes[i] != codes[i - 1]]
    assert told == seen


def test_states_in_a_window_begin_with_the_last_change_before_it(stored: Path) -> None:
    replay = Replay(read_recording(stored))
    whole = [change for change in replay.history(1, 0, 40_000, 10)["changes"] if change[1] == 2]
    before = [change for change in whole if change[0] < 25_000]
    inside = [change for change in whole if 25_000 <= change[0] <= 31_000]

    window = replay.history(1, 25_000, 31_000, 10)["changes"]

    assert inside, "the power is taken in it"
    assert [change for change in window if change[1] == 2] == [before[-1], *inside]


# --- files that cannot be shown ------------------------------------------------------------------------


def foreign(path: Path) -> None:
    pq.write_table(pa.table({"t_ms": [1, 2]}), path)


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-200])


def without_a_column(path: Path) -> None:
    pq.write_table(pq.read_table(path).drop_columns(["unit2.pump"]), path)


def with_notes(**notes: str) -> Callable[[Path], None]:
    def change(path: Path) -> None:
        table = pq.read_table(path)
        pq.write_table(
            table.replace_schema_metadata(
                {**table.schema.metadata, **{key.encode(): text for key, text in notes.items()}}
            ),
            path,
        )

    return change


def with_time_that_stands(path: Path) -> None:
    table = pq.read_table(path)
    place = table.schema.get_field_index("t_ms")
    pq.write_table(table.set_column(place, table.schema.field(place), pa.array([5] * len(table))), path)


def with_a_gap_in_a_contact(path: Path) -> None:
    table = pq.read_table(path)
    place = table.schema.get_field_index("unit1.pump")
    values = pa.array([None] * len(table), pa.bool_())
    pq.write_table(table.set_column(place, table.schema.field(place), values), path)


def without_its_beginning(path: Path) -> None:
    (path.parent / "beginning.parquet").unlink()


def with_a_beginning_of_another_program(path: Path) -> None:
    file = path.parent / "beginning.parquet"
    trace = run().part(0, SHARED)
    trace.state_names = tuple(f"STATE_{place}" for place in range(len(trace.state_names)))
    file.unlink()
    write_record(trace, file, {})


def as_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (Path.unlink, "there is no such file"),
        (as_a_folder, "is a folder"),
        (foreign, "is no record that can be shown"),
        (truncated, "is no record that can be shown"),
        (without_a_column, "lacks a column: .*unit2.pump"),
        (without_its_beginning, "beginning.parquet: there is no such file"),
        (with_a_beginning_of_another_program, "its beginning tells other states"),
        (with_notes(shared="../../etc/x"), "names no file as its beginning"),
        (with_notes(**{"skidproof.units": "many"}), "is no record that can be shown"),
        (with_notes(**{"skidproof.marks": "[[1]]"}), "is no record that can be shown"),
        (with_notes(**{"skidproof.marks": '[["x", "power", 0, "off"]]'}), "is no record that can be shown"),
        (with_notes(**{"skidproof.journal": "[" * 100_000}), "is no record that can be shown"),
        (with_notes(**{"skidproof.states": "[]"}), "is no record that can be shown"),
        (with_time_that_stands, "moments do not follow"),
        (with_a_gap_in_a_contact, "neither open nor closed"),
    ],
)
def test_a_file_that_cannot_be_shown_is_refused_in_one_line(
    stored: Path, damage: Callable[[Path], None], words: str
) -> None:
    damage(stored)

    with pytest.raises(InputError, match=words) as refused:
        read_recording(stored)

    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("limit", "words"), [("FILE_MAX_MB", "larger than"), ("CELLS_MAX", "too much to show")]
)
def test_what_is_too_large_is_refused_before_it_is_read(
    stored: Path, monkeypatch: pytest.MonkeyPatch, limit: str, words: str
) -> None:
    monkeypatch.setattr(recording_module, limit, 0)
    monkeypatch.setattr(recording_module, "read_run", lambda _path: pytest.fail("it was read"))

    with pytest.raises(InputError, match=words):
        read_recording(stored)


def test_a_record_is_left_as_it_was(stored: Path) -> None:
    before = {file.name: file.read_bytes() for file in stored.parent.iterdir()}

    at(Replay(read_recording(stored)), 20.0)

    assert {file.name: file.read_bytes() for file in stored.parent.iterdir()} == before


def test_a_mark_names_its_unit(tmp_path: Path) -> None:
    trace = run().part(0, 10)
    trace.marks = [Mark(0, "inject", 2, "suction stuck_at 0.5")]
    write_record(trace, tmp_path / "a.parquet", {})

    picture = at(Replay(read_recording(tmp_path / "a.parquet")), 0.0)

    assert picture["receipts"][0]["text"] == "inject suction stuck_at 0.5, unit 2"
