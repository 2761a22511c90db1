"""The file of a campaign: what goes in comes out, and another campaign stays out."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from campaign_results import BROKEN, F01, F09, F47, HELD, IDENTITY, PLAN, QUIET, UNSEEN, write

from controller.files import InputError
from controller.unit.states import UnitState
from sim_plant.bench.campaign.answers import Answer
from sim_plant.bench.campaign.cells import Plan
from sim_plant.bench.campaign.figures import POSSIBLE_MOVES, Figures, Spot, figures_of
from sim_plant.bench.campaign.results import FILE, ResultFile
from sim_plant.bench.campaign.summary import outcome
from sim_plant.bench.campaign.work import CellResult, failed
from sim_plant.bench.verdicts import Finding, Verdict


def figures(folder: Path, *results: CellResult) -> Figures:
    return figures_of(write(folder, *results))


def test_a_campaign_goes_on_where_it_was_stopped(tmp_path: Path) -> None:
    write(tmp_path / "out", HELD)
    with closing(ResultFile(tmp_path / "out", IDENTITY)) as file:
        assert file.begin(PLAN) == {F01.key}
        file.add(UNSEEN)
    assert figures_of(tmp_path / "out" / FILE).done == 2


def test_a_cell_that_comes_twice_stays_as_it_was(tmp_path: Path) -> None:
    written = figures(tmp_path, HELD, failed(F01, "late"))
    assert (written.done, written.errors) == (1, 0)


def test_how_long_states_last_is_kept(tmp_path: Path) -> None:
    lasts_s = {(1, UnitState.BOOT): 5.1, (2, UnitState.PURGE): 20.0}
    with closing(ResultFile(tmp_path, IDENTITY)) as file:
        assert file.lasts_s() is None
        file.note_lasts(lasts_s)
    with closing(ResultFile(tmp_path, IDENTITY)) as file:
        assert file.lasts_s() == lasts_s


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"seed": "6"}, "seed is 5 there, 6 here"),
        ({"setpoint purge_s": "15"}, "setpoint purge_s is 20 there, 15 here"),
        ({"setpoint new_s": "1"}, "setpoint new_s is nothing there, 1 here"),
    ],
)
def test_another_campaign_is_refused_and_the_file_stays_as_it_was(
    tmp_path: Path, changed: dict[str, str], told: str
) -> None:
    path = write(tmp_path, HELD)
    before = path.read_bytes()
    with pytest.raises(InputError, match=f"is another campaign: {told}; name another folder"):
        ResultFile(tmp_path, IDENTITY | changed)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == [FILE]


def test_another_plan_is_refused(tmp_path: Path) -> None:
    write(tmp_path, HELD)
    with (
        closing(ResultFile(tmp_path, IDENTITY)) as file,
        pytest.raises(InputError, match="its cells are others"),
    ):
        file.begin(Plan((F01,), {}))


def test_a_folder_that_holds_something_else_is_refused(tmp_path: Path) -> None:
    (tmp_path / "signed.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="holds no campaign"):
        ResultFile(tmp_path, IDENTITY)
    assert [entry.name for entry in tmp_path.iterdir()] == ["signed.txt"]


@pytest.mark.parametrize("content", [b"not a database at all, but long enough to be one" * 30, b""])
def test_a_file_that_is_no_campaign_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE).write_bytes(content)
    with pytest.raises(InputError, match=r"campaign\.sqlite: "):
        ResultFile(tmp_path, IDENTITY)


def test_a_file_can_be_read_while_it_grows(tmp_path: Path) -> None:
    with closing(ResultFile(tmp_path, IDENTITY)) as file:
        file.begin(PLAN)
        file.add(HELD)
        assert figures_of(tmp_path / FILE).done == 1
        file.add(UNSEEN)
        assert figures_of(tmp_path / FILE).done == 2


# --- figures ---


def test_figures_count_cells_by_verdict_and_by_requirement(tmp_path: Path) -> None:
    told = figures(tmp_path, HELD, UNSEEN, BROKEN)
    assert (told.planned, told.done, told.errors, told.held) == (3, 3, 0, False)
    assert (told.verdicts[Verdict.PASS], told.verdicts[Verdict.FAIL]) == (2, 1)
    assert told.skipped == {"a reason": 4}
    by_id = {r.id: r for r in told.requirements}
    assert (by_id["SR-04"].cells, by_id["SR-04"].more, by_id["SR-04"].broken) == (3, 2, 1)
    assert (by_id["SR-04"].margin, by_id["SR-04"].margin_unit, by_id["SR-04"].key) == (-0.2, "s", F47.key)
    assert (by_id["SR-55"].cells, by_id["SR-55"].margin, by_id["SR-55"].key) == (1, None, "")
    assert (by_id["SR-01"].cells, by_id["SR-01"].verdict) == (0, Verdict.NOT_EXERCISED)
    assert (by_id["SR-04"].verdict, by_id["SR-55"].verdict) == (Verdict.FAIL, Verdict.PASS)


def test_figures_tell_what_answered_each_line_and_which_were_not_seen(tmp_path: Path) -> None:
    told = figures(tmp_path, HELD, UNSEEN, BROKEN)
    first, second, third = told.lines
    assert (first.line, first.answers, first.slowest_ms, first.slowest_key) == (
        "F01", (("pump off", 1),), 1100, F01.key
    )  # fmt: skip
    assert (second.line, second.seen, second.residual, second.slowest_ms) == ("F09", 0, True, None)
    assert (third.line, third.broken, third.seen) == ("F47", 1, 1)
    assert [line.line for line in told.unseen] == ["F09"]


@pytest.mark.parametrize(
    ("result", "told"),
    [
        (CellResult(F01, Verdict.PASS, alarm=Answer("bank: A", 100)), (("an alarm alone", 1),)),
        (
            CellResult(F01, Verdict.PASS, (Finding("SR-53", Verdict.PASS, 2),), (1,)),
            (("a requirement's trigger alone", 1),),
        ),
        (CellResult(F01, Verdict.PASS), ()),
        (failed(F01, "the controller failed"), ()),
    ],
    ids=["alarm", "trigger", "nothing", "error"],
)
def test_where_no_output_answered_figures_tell_what_else_did(
    tmp_path: Path, result: CellResult, told: tuple[tuple[str, int], ...]
) -> None:
    (line,) = figures(tmp_path, result).lines
    assert (line.answers, line.slowest_ms) == (told, None)


def test_figures_tell_the_limit_that_a_fault_came_nearest_to(tmp_path: Path) -> None:
    """SR-04 of the unseen cell came as often without the fault, so it says nothing about the fault."""
    first, second, third = figures(tmp_path, HELD, UNSEEN, BROKEN).lines
    assert (first.nearest, first.spare_s) == ("SR-04", 0.5)
    assert (second.nearest, second.spare_s) == ("", None)
    assert (third.nearest, third.spare_s) == ("SR-04", -0.2)


def test_figures_tell_the_worst_of_each_line_in_each_state(tmp_path: Path) -> None:
    spots = figures(tmp_path, HELD, UNSEEN, BROKEN).spots
    assert spots["F47", "PRODUCE"] == Spot(1, 1, 0, 1, F47.key)
    assert spots["F09", "BOOT"] == Spot(1, 0, 0, 0, F09.key)
    assert ("F47", "BOOT") not in spots


def test_figures_tell_what_was_visited_and_what_was_not(tmp_path: Path) -> None:
    told = figures(tmp_path, HELD, UNSEEN)
    assert told.states == {"BOOT": 140, "STANDBY": 60}
    assert told.moves == {("BOOT", "STANDBY"): 2}
    assert set(told.states_missed) == {s.value for s in UnitState} - {"BOOT", "STANDBY"}
    assert set(told.moves_missed) == POSSIBLE_MOVES - {("BOOT", "STANDBY")}


def test_failures_say_what_was_injected_and_what_broke(tmp_path: Path) -> None:
    told = figures(tmp_path, BROKEN, failed(F09, "the controller failed"))
    by_key = {failure.key: failure for failure in told.failures}
    assert by_key[F47.key].faults == "feed_header dip 0.2"
    assert by_key[F47.key].broken == ("SR-04",)
    assert (by_key[F09.key].broken, by_key[F09.key].error) == ((), "the controller failed")


@pytest.mark.parametrize(
    ("results", "told"),
    [
        ((HELD, UNSEEN, CellResult(F47, Verdict.PASS)), "All 3 cells held."),
        ((HELD, UNSEEN, QUIET), "All 3 cells held; 1 put nothing to the test."),
        ((HELD, UNSEEN, BROKEN), "Of 3 cells 1 failed."),
        ((HELD, failed(F09, "x"), BROKEN), "Of 3 cells 1 failed, 1 could not be carried out."),
        ((HELD,), "1 of 3 cells were carried out. Of 1 cells none failed."),
        ((), "0 of 3 cells were carried out. Of 0 cells none failed."),
        ((HELD, UNSEEN, CellResult(F47, Verdict.INCONCLUSIVE)), "Of 3 cells 1 stayed open."),
    ],
)  # fmt: skip
def test_the_outcome_says_all_held_only_of_a_whole_campaign(
    tmp_path: Path, results: tuple[CellResult, ...], told: str
) -> None:
    assert outcome(figures(tmp_path, *results)) == told


def test_a_file_says_whose_campaign_it_is(tmp_path: Path) -> None:
    path = write(tmp_path, HELD)
    assert figures_of(path).identity == IDENTITY
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
