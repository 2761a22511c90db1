"""The file of a campaign: what goes in comes out, and another campaign stays out."""

from __future__ import annotations

import csv
import sqlite3
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from campaign_samples import cell

from controller.files import InputError
from controller.unit.states import UnitState
from sim_plant.bench.campaign.answers import Answer
from sim_plant.bench.campaign.cells import Cell, Plan
from sim_plant.bench.campaign.figures import POSSIBLE_MOVES, Figures, figures_of, runs_of
from sim_plant.bench.campaign.papers import write_papers
from sim_plant.bench.campaign.results import FILE, ResultFile
from sim_plant.bench.campaign.summary import outcome
from sim_plant.bench.campaign.work import CellResult, failed
from sim_plant.bench.evidence import About
from sim_plant.bench.verdicts import Finding, Verdict

IDENTITY = {"site": "pair", "seed": "5", "setpoint purge_s": "20", "seconds after the strike": "30"}
F01, F09, F47 = cell("F01"), cell("F09"), cell("F47", UnitState.PRODUCE, "severe")
PLAN = Plan((F01, F09, F47), {"a reason": 4})

HELD = CellResult(
    F01,
    Verdict.PASS,
    (Finding("SR-04", Verdict.PASS, 2, 0.5, "s", 4000, 1), Finding("SR-55", Verdict.PASS, 1)),
    (1, 0),
    Answer("pump off", 1100),
    Answer("unit 1: LOOP: NORM > UNACK", 2000),
    (("BOOT", 40), ("STANDBY", 60)),
    (("BOOT", "STANDBY", 2),),
    30.0,
    0.5,
)
UNSEEN = CellResult(
    F09, Verdict.PASS, (Finding("SR-04", Verdict.PASS, 1, 0.7, "s"),), (0,), visits=(("BOOT", 100),)
)
BROKEN = CellResult(
    F47,
    Verdict.FAIL,
    (Finding("SR-04", Verdict.FAIL, 1, -0.2, "s", 5000, 1, "within 1 s", "pump on"),),
    (1,),
    Answer("pump off", 3100),
)

QUIET = CellResult(F47, Verdict.NOT_EXERCISED)


def write(folder: Path, *results: CellResult) -> Path:
    with closing(ResultFile(folder, IDENTITY)) as file:
        file.begin(PLAN)
        for result in results:
            file.add(result)
    return folder / FILE


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
    assert by_id["SR-01"].cells == 0


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


# --- papers ---


def papers(folder: Path, *results: CellResult) -> Path:
    path = write(folder, *results)
    about = About(
        "pair", "Pair", "desk", 5, {}, {}, {}, "2026-01-01", 1.0, "1", "3", "x", "skidproof", True, 3
    )
    cells: dict[str, Cell] = {c.key: c for c in PLAN.cells}
    write_papers(folder, path, figures_of(path), cells, about)
    return folder


def test_the_table_has_a_line_for_each_cell_with_what_it_broke(tmp_path: Path) -> None:
    with (papers(tmp_path, HELD, UNSEEN, BROKEN) / "campaign.csv").open(newline="") as file:
        rows = {row["key"]: row for row in csv.DictReader(file)}
    assert len(rows) == 3
    assert (rows[F47.key]["broken"], rows[F47.key]["verdict"]) == ("SR-04", "fail")
    assert (rows[F01.key]["answer"], rows[F01.key]["answer_ms"], rows[F01.key]["broken"]) == (
        "pump off", "1100", ""
    )  # fmt: skip


def test_the_xml_has_a_case_for_each_cell(tmp_path: Path) -> None:
    folder = papers(tmp_path, HELD, failed(F09, "the controller failed"), BROKEN)
    root = ET.parse(folder / "verdicts.xml").getroot()
    assert (root.get("tests"), root.get("failures"), root.get("errors")) == ("3", "1", "1")
    (broken,) = root.iter("failure")
    assert "SR-04: fail. Expected: within 1 s. Seen: pump on, on unit 1 at 0:05.0." in str(broken.text)
    assert [run.verdict for run in runs_of(folder / FILE)] == [Verdict.PASS, Verdict.FAIL, Verdict.FAIL]


def test_papers_are_written_anew_when_a_campaign_went_on(tmp_path: Path) -> None:
    papers(tmp_path, HELD)
    papers(tmp_path, UNSEEN)
    assert len((tmp_path / "campaign.csv").read_text(encoding="utf-8").splitlines()) == 3


def test_a_file_says_whose_campaign_it_is(tmp_path: Path) -> None:
    path = write(tmp_path, HELD)
    assert figures_of(path).identity == IDENTITY
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
