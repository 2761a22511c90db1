"""What lies beside a campaign's file: tables, XML, case files, and the report."""

from __future__ import annotations

import csv
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import pyarrow.parquet as pq
import pytest
from campaign_results import BROKEN, F01, F09, F47, HELD, PLAN, UNSEEN, write

from controller.settings import Setpoints
from controller.unit.states import UnitState
from sim_plant.bench.campaign.answers import Answer
from sim_plant.bench.campaign.cells import Cell
from sim_plant.bench.campaign.closer import Look
from sim_plant.bench.campaign.figures import figures_of, runs_of
from sim_plant.bench.campaign.idle import REASONS
from sim_plant.bench.campaign.papers import write_papers
from sim_plant.bench.campaign.results import FILE
from sim_plant.bench.campaign.work import CellResult, failed
from sim_plant.bench.cases import CaseFile, Run
from sim_plant.bench.evidence import CAUTIONS, About
from sim_plant.bench.evidence.page import PICTURE_BUDGET_CHARS
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.prove import requirement_texts
from sim_plant.bench.verdicts import Finding, RunResult, Verdict


def _case(requirement: str) -> CaseFile:
    return CaseFile.model_validate(F01.case(30.0, [requirement]))


ABOUT = About("pair", "Pair", "desk", 5, {}, {}, {}, "2026-01-01", 1.0, "1", "3", "x", "skidproof", True, 3)
CASES = [F01.run(30.0), Run("tank", "tank.case.toml", _case("SR-01"), UnitState.BOOT, "")]
AGAIN = RunResult(
    "x", "title", "family", "F47", "PRODUCE", "severe", 1, 5, requirements=list(BROKEN.findings)
)


def papers(folder: Path, *results: CellResult, looks: tuple[Look, ...] = ()) -> Path:
    path = write(folder, *results)
    cells: dict[str, Cell] = {c.key: c for c in PLAN.cells}
    texts = requirement_texts(Setpoints())
    write_papers(folder, path, figures_of(path), cells, ABOUT, texts, looks, CASES)
    return folder


def page(folder: Path, *results: CellResult, looks: tuple[Look, ...] = ()) -> str:
    return (papers(folder, *results, looks=looks) / "report.html").read_text(encoding="utf-8")


class Words(HTMLParser):
    """The words of each table row, by the table's heading."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.rows: dict[str, list[str]] = {}
        self._heading, self._in_heading, self._in_row = "", False, False
        self.feed(text)

    def handle_starttag(self, tag: str, _attributes: object) -> None:
        if tag == "h2":
            self._heading, self._in_heading = "", True
        if tag == "tr":
            self._in_row = True
            self.rows.setdefault(self._heading, []).append("")

    def handle_endtag(self, tag: str) -> None:
        if tag == "h2":
            self._in_heading = False
        if tag == "tr":
            self._in_row = False

    def handle_data(self, data: str) -> None:
        if self._in_heading:
            self._heading += data
        elif self._in_row:
            self.rows[self._heading][-1] = f"{self.rows[self._heading][-1]} {data.strip()}".strip()


def row(text: str, heading: str, begin: str) -> str:
    """The one row under a heading that begins like that."""
    (found,) = [line for line in Words(text).rows[heading] if line.startswith(begin)]
    return " ".join(found.split())


def test_the_table_has_a_line_for_each_cell_with_what_it_broke(tmp_path: Path) -> None:
    with (papers(tmp_path, HELD, UNSEEN, BROKEN) / "campaign.csv").open(newline="") as file:
        rows = {row["key"]: row for row in csv.DictReader(file)}
    assert len(rows) == 3
    assert (rows[F47.key]["broken"], rows[F47.key]["verdict"]) == ("SR-04", "fail")
    assert (rows[F01.key]["answer"], rows[F01.key]["answer_ms"], rows[F01.key]["broken"]) == (
        "pump off", "1100", ""
    )  # fmt: skip


def test_parquet_holds_the_cells_and_what_each_put_to_the_test(tmp_path: Path) -> None:
    folder = papers(tmp_path, HELD, UNSEEN, BROKEN)
    cells = {row["key"]: row for row in pq.read_table(folder / "cells.parquet").to_pylist()}
    assert (cells[F47.key]["broken"], cells[F01.key]["answer_ms"], cells[F09.key]["answer"]) == (
        "SR-04", 1100, None
    )  # fmt: skip
    findings = pq.read_table(folder / "findings.parquet").to_pylist()
    assert [(f["key"], f["requirement"], f["margin"]) for f in findings] == [
        (F01.key, "SR-04", 0.5),
        (F01.key, "SR-55", None),
        (F09.key, "SR-04", 0.7),
        (F47.key, "SR-04", -0.2),
    ]


def test_a_campaign_without_a_cell_still_has_its_papers(tmp_path: Path) -> None:
    folder = papers(tmp_path)
    assert pq.read_table(folder / "cells.parquet").num_rows == 0
    assert "0 of 3 cells were carried out." in (folder / "report.html").read_text(encoding="utf-8")


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


def test_a_reduced_case_lies_beside_the_whole_one(tmp_path: Path) -> None:
    look = Look(F47, AGAIN, "<svg/>", 'title = "less"\n', "fails at SR-04; 9 runs tried")
    text = page(tmp_path, HELD, UNSEEN, BROKEN, looks=(look,))
    name = f"{F47.run_id}.case.toml"
    assert (tmp_path / "shrunk" / name).read_text(encoding="utf-8") == 'title = "less"\n'
    assert (tmp_path / "cases" / name).exists()
    assert f'href="shrunk/{name}"' in text
    assert "fails at SR-04; 9 runs tried." in text


# --- the page ---


def test_the_page_needs_nothing_from_elsewhere_and_shows_every_caution(tmp_path: Path) -> None:
    text = page(tmp_path, HELD, UNSEEN, BROKEN)
    assert all(caution in unescape(text) for caution in CAUTIONS)
    assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in text
    assert "<script" not in text


def test_the_page_tells_each_requirement_with_its_worst_margin_and_cell(tmp_path: Path) -> None:
    text = page(tmp_path, HELD, UNSEEN, BROKEN)
    assert row(text, "Requirements", "SR-04").endswith(
        "F fail 3 2 1 -0.2 s F47/ way1/ severe/ PRODUCE/ 1s/ unit1"
    )
    assert "- not exercised 0 0 0 - -" in row(text, "Requirements", "SR-01")
    assert "Not put to the test: none of these cells" in row(text, "Requirements", "SR-01")
    assert "; put to the test by tank.case.toml" in row(text, "Requirements", "SR-01")
    assert "the program would have to be stopped" in row(text, "Requirements", "SR-43")
    assert "no case of the site names it either" in row(text, "Requirements", "SR-43")


def test_reasons_are_given_for_requirements_that_there_are() -> None:
    assert set(REASONS) <= {requirement.id for requirement in REQUIREMENTS}


def test_the_map_tells_by_a_letter_what_happened_to_each_line_in_each_state(tmp_path: Path) -> None:
    text = page(tmp_path, HELD, UNSEEN, BROKEN)
    heading = "Faults by state of the unit"
    assert row(text, heading, "F01").endswith(" P")
    assert row(text, heading, "F09").endswith(" n")
    assert row(text, heading, "F47").endswith(" F")


def test_an_open_cell_has_its_own_letter(tmp_path: Path) -> None:
    text = page(tmp_path, HELD, UNSEEN, CellResult(F47, Verdict.INCONCLUSIVE))
    assert row(text, "Faults by state of the unit", "F47").endswith(" I")
    assert "Of 3 cells 1 stayed open." in text


def test_the_page_tells_what_answered_and_which_limit_was_nearest(tmp_path: Path) -> None:
    text = page(tmp_path, HELD, UNSEEN, BROKEN)
    told = row(text, "What answered each fault, and how fast", "F01")
    assert "1 1 0 pump off (1) 1.1 1.1 F01/ way1/ fixed/ BOOT/ 1s/ unit1 SR-04: +0.50 s" in told


def test_the_page_names_residual_faults_and_what_was_seen_of_them(tmp_path: Path) -> None:
    text = page(tmp_path, HELD, UNSEEN)
    assert row(text, "Residual faults", "F09").endswith("1 nothing, in no cell")
    assert row(text, "Residual faults", "F91").endswith("0 not injected: people: a step of a case")
    assert row(text, "Residual faults", "F63").endswith("0 not injected: not among these cells")


def test_a_residual_fault_that_was_told_after_all_is_not_to_be_relied_on(tmp_path: Path) -> None:
    told = CellResult(F09, Verdict.PASS, answer=Answer("bank alarm_relay off", 900))
    line = row(page(tmp_path, told), "Residual faults", "F09")
    assert line.endswith("told from no fault in 1 cells, first by bank alarm_relay off; do not rely on it")


def test_the_page_shows_why_a_cell_failed_with_its_picture(tmp_path: Path) -> None:
    text = page(tmp_path, HELD, UNSEEN, BROKEN, looks=(Look(F47, AGAIN, '<svg id="mine"/>'),))
    assert "SR-04: fail. Expected: within 1 s. Seen: pump on, on unit 1 at 0:05.0. Margin -0.2 s." in text
    assert '<svg id="mine"/>' in text
    assert f'<a href="#cell-{F47.run_id}">' in text


def test_what_a_target_says_is_shown_as_text(tmp_path: Path) -> None:
    evil = "<script>alert(1)</script>"
    nasty = RunResult("x", "t", "f", "F47", "PRODUCE", "", 1, 5, error=evil)
    text = page(tmp_path, failed(F47, evil), looks=(Look(F47, nasty, "", "", evil),))
    assert "<script" not in text
    assert "&lt;script&gt;" in text


def test_pictures_beyond_the_budget_are_left_out_and_the_page_says_so(tmp_path: Path) -> None:
    huge = f"<svg>{'x' * (PICTURE_BUDGET_CHARS - 100)}</svg>"
    looks = (Look(F47, AGAIN, huge), Look(F01, AGAIN, huge))
    text = page(tmp_path, HELD, UNSEEN, BROKEN, looks=looks)
    assert len(text) < PICTURE_BUDGET_CHARS + 1_000_000
    assert text.count("The page is full") == 1


@pytest.mark.parametrize("detail", ["", "pump on"])
def test_a_cell_that_could_not_be_seen_again_says_why(tmp_path: Path, detail: str) -> None:
    broken = CellResult(F47, Verdict.FAIL, (Finding("SR-04", Verdict.FAIL, 1, detail=detail),), (1,))
    text = page(tmp_path, broken, looks=(Look(F47, None, note="its worker was lost three times"),))
    assert "its worker was lost three times." in text
