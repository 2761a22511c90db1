"""The file, the page, the table and the words of a sabotage."""

from __future__ import annotations

import csv
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rich.console import Console
from sabotage_samples import MOVE, RULE, TIMER, change, kept, order, scouted

from controller.files import InputError
from sim_plant.bench.prove import about_proof, requirement_texts
from sim_plant.bench.sabotage.book import Book, make_book
from sim_plant.bench.sabotage.figures import Figures
from sim_plant.bench.sabotage.outcome import Outcome, Reason, judge
from sim_plant.bench.sabotage.papers import write_papers
from sim_plant.bench.sabotage.results import SabotageFile, kept_in
from sim_plant.bench.sabotage.summary import print_figures
from sim_plant.bench.sabotage.work import Scouted, Trial, Tried

ALARM, UNTRIED = "alarm/bank/feed-warm/drop", "move/BOOT/DONE/drop"
TRIPS = "unit-trips-lock-out-produce"
CAUGHT = Trial(TRIPS, ("SR-08", "the pump stops"), 1.0, "too late")
REASON = Reason("timer/*", "no requirement bounds it <here>")


@pytest.fixture(scope="module")
def book() -> Book:
    wanted = order()
    return make_book(wanted.job.site, wanted.lines, wanted.states)


def figures(*reasons: Reason, whole: bool = True, left: int = 0) -> Figures:
    trials = {
        MOVE: (CAUGHT,),
        RULE: (Trial(TRIPS),),
        TIMER: (Trial(TRIPS, differs="unit 2 pump off 5.7 s after the strike"),),
        ALARM: (Trial(TRIPS, differs="bank horn off 2 s after the strike"),),
    }
    what = kept(scouted(TRIPS, "x"), trials=trials, sources={TRIPS: "unit-trips-lock-out.case.toml"})
    changes = [change(name) for name in (MOVE, RULE, TIMER, ALARM, UNTRIED)]
    return Figures(judge(changes, what, reasons), what, reasons, left, whole)


def test_the_figures_count_every_change_once() -> None:
    told = figures(REASON)
    assert told.counts == dict.fromkeys(Outcome, 1)
    assert told.carried_out == 4
    assert told.caught_by["SR-08"] == (1, 0)
    assert "SR-01" in told.never_caught
    assert "SR-08" not in told.never_caught


def test_it_holds_only_when_nothing_survived_nothing_is_left_and_no_reason_is_idle() -> None:
    alarm, idle = Reason("alarm/*", "it may"), Reason("guard/*", "it may not")
    assert figures(REASON, alarm).held
    assert not figures(REASON).held
    assert not figures(REASON, alarm, left=1).held
    assert not figures(REASON, alarm, idle).held
    assert figures(REASON, alarm, idle, whole=False).held


def test_the_papers_tell_every_change_with_what_caught_it_or_why_not(tmp_path: Path, book: Book) -> None:
    wanted = order()
    about = about_proof(wanted.job, datetime(2026, 1, 2, tzinfo=UTC), ["skidproof"], True, 5)
    write_papers(tmp_path, figures(REASON), about, requirement_texts(wanted.job.site.setpoints), book)

    with (tmp_path / "sabotage.csv").open(newline="", encoding="utf-8") as file:
        rows = {row["change"]: row for row in csv.DictReader(file)}
    assert (rows[MOVE]["outcome"], rows[MOVE]["caught_by"]) == ("caught", "SR-08; the pump stops")
    assert (rows[MOVE]["source"], rows[MOVE]["at_s"]) == ("unit-trips-lock-out.case.toml", "1.0")
    assert (rows[TIMER]["outcome"], rows[TIMER]["reason"]) == ("explained", REASON.reason)
    assert rows[ALARM]["differs"] == f"{TRIPS}: bank horn off 2 s after the strike"
    assert {row["outcome"] for row in rows.values()} == {outcome.value for outcome in Outcome}

    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "1 survived unexplained" in page
    assert "no requirement bounds it &lt;here&gt;" in page
    for name in rows:
        assert name in page
    assert page.count("<b>SR-01</b>") == 1  # among those that never caught any


def test_the_console_ends_with_the_sentence_that_sums_up() -> None:
    console = Console(width=200, record=True, quiet=False, file=open("/dev/null", "w"))  # noqa: SIM115  # closed with the test
    print_figures(console, figures(REASON, Reason("guard/*", "never")))
    said = console.export_text()
    assert said.rstrip().endswith(
        "Of 4 changes that were carried out 1 were caught, 1 showed nothing, 1 are explained, "
        "1 survived unexplained."
    )
    assert "Explained for nothing, take it off the list: guard/*." in said
    assert "Not tried, as no run touches the entry: 1." in said


def test_the_file_gives_back_what_went_in_and_goes_on(tmp_path: Path, book: Book) -> None:
    found = Scouted(TRIPS, ("x", "y"), 52.0, "o", "a", ("SR-01", "text, with comma"))
    with closing(SabotageFile(tmp_path, {"site": "nursery"})) as file:
        file.add_run(found, book)
        file.add_trials(Tried(MOVE, (Trial("other", differs="pump off"),), 1.5))
    with closing(SabotageFile(tmp_path, {"site": "nursery"})) as file:
        file.add_trials(Tried(MOVE, (CAUGHT,), 1.0))
    told = kept_in(tmp_path / "sabotage.sqlite")
    assert told.scouted == {TRIPS: found}
    assert told.sources == {TRIPS: "unit-trips-lock-out.case.toml"}
    assert told.trials == {MOVE: (Trial("other", differs="pump off"), CAUGHT)}
    assert told.worked_s == 2.5


def test_a_run_that_has_changed_is_forgotten_with_its_trials(tmp_path: Path, book: Book) -> None:
    with closing(SabotageFile(tmp_path, {})) as file:
        file.add_run(Scouted(TRIPS, ("x",)), book)
        file.add_trials(Tried(MOVE, (CAUGHT,)))
        file.forget_changed(book)
        assert set(kept_in(file.path).scouted) == {TRIPS}
    with closing(sqlite3.connect(tmp_path / "sabotage.sqlite")) as db, db:
        db.execute("UPDATE run SET checksum = 'of another case'")
    with closing(SabotageFile(tmp_path, {})) as file:
        file.forget_changed(book)
        told = kept_in(file.path)
    assert (told.scouted, told.trials) == ({}, {})


def test_another_sabotage_is_refused(tmp_path: Path) -> None:
    SabotageFile(tmp_path, {"seed": "1"}).close()
    with pytest.raises(InputError, match="is another sabotage: seed is 1 there, 2 here"):
        SabotageFile(tmp_path, {"seed": "2"})
