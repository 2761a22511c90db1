"""What the papers say: from the data, escaped, the same each time, and never more than was shown."""

from __future__ import annotations

from pathlib import Path

import pytest
from paper_samples import DIP, bare_book, evidence, nursery, passed, taken

from controller.files import InputError
from controller.settings import Setpoints
from controller.signals import BANK_SIGNALS, UNIT_SIGNALS, Kind
from controller.unit.states import Event, UnitState
from sim_plant.bench.campaign.answers import RESIDUAL
from sim_plant.bench.cases import load_cases
from sim_plant.bench.evidence import CAUTIONS
from sim_plant.papers.book import Book, numbers, read_left
from sim_plant.papers.catalogue import all_papers
from sim_plant.papers.form import Table
from sim_plant.papers.proofs import Mark, Proof, Proofs
from sim_plant.papers.reads import Reads
from sim_plant.papers.steps import ROUTINE, TOLERANCES
from sim_plant.papers.write import csv_text, page


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    """Every page of the bundled site without evidence."""
    book = bare_book(nursery())
    return {paper.name: page(book, paper) for paper in all_papers(book)}


def test_the_same_input_gives_the_same_bytes(pages: dict[str, str]) -> None:
    book = bare_book(nursery())
    assert {paper.name: page(book, paper) for paper in all_papers(book)} == pages


def test_without_evidence_nothing_is_proven(pages: dict[str, str]) -> None:
    assert 'class="proven"' not in pages["cause-and-effect"]
    assert 'class="bench"' not in pages["factory-test"]
    assert "there is no evidence that counts" in pages["hand-over"]


def test_a_lock_out_sheet_begins_with_the_cautions(pages: dict[str, str]) -> None:
    text = pages["lock-out"]
    first = text.index("Lock out, tag out, try out")
    assert first < text.index("<h2>Unit 1</h2>") < text.index("HS-102") < text.index("HS-602")
    assert text.count("<li>") == len(CAUTIONS)


def test_texts_of_a_site_are_escaped() -> None:
    site = nursery()
    table = site.file.site.model_copy(update={"title": '<script>"</script>'})
    odd = type(site)(site.folder, site.file.model_copy(update={"site": table}))
    book = Book(odd, None, (), date="<b>now")
    text = page(book, all_papers(book)[-1])
    assert "<script" not in text
    assert "<b>now" not in text


def test_a_formula_in_a_list_is_guarded() -> None:
    rows = [("=1+1", "+A1", "-x", "@x", " =1", "-1.5", "plain", "-")]
    line = csv_text(Table(tuple("abcdefgh"), rows)).splitlines()[1]
    assert line == "'=1+1,'+A1,'-x,'@x,' =1,-1.5,plain,'-"


def test_typed_tables_fit_what_they_speak_of() -> None:
    assert set(ROUTINE) == set(RESIDUAL)
    loops = [s for s in (*UNIT_SIGNALS, *BANK_SIGNALS) if s.kind in (Kind.AI, Kind.AO)]
    assert {signal.unit for signal in loops} == set(TOLERANCES)


def test_what_a_rule_reads_is_found() -> None:
    reads = Reads(Setpoints())
    assert reads.tags_of(Event.LOW_SUCTION) == ("PT-x01", "PSLL-x01")
    assert "suction_trip_bar" in reads.setpoints_of(Event.LOW_SUCTION)
    assert reads.tags_of(Event.BOOSTER_FAULT) == ("JS-002", "YA-021", "LSL-051", "YS-020")
    assert "temp_clear_degc" in reads.setpoints_of(Event.FEED_HOT)
    assert "start_flush_volume_l" in reads.of_step[UnitState.START_FLUSH]
    assert "tds_per_us" in reads.of_look


def test_a_changed_setpoint_repeats_what_reads_it_and_nothing_else(tmp_path: Path) -> None:
    # given a cell and a requirement that were shown, and a setpoint left otherwise
    site = nursery()
    runs = load_cases(site)
    run = next(run for run in runs if DIP in run.source)
    found = taken(evidence(tmp_path / "e", site, [passed(run)]), site)
    low, leak = (UnitState.PRODUCE, Event.LOW_SUCTION), (UnitState.PRODUCE, Event.SKID_LEAK)
    shown = Proof(Mark.PROVEN, run.run_id, 1, 100)
    file = tmp_path / "left.toml"
    file.write_text('[setpoints]\nsuction_trip_s = 6\n[reasons]\nsuction_trip_s = "dips"\n', "utf-8")
    left = read_left(file, site)
    # when
    book = Book(site, None, runs, found, Proofs({low: shown, leak: shown}), left)
    # then
    assert book.repeats.changed == ("suction_trip_s",)
    assert book.proof(low).mark is Mark.REPEAT
    assert book.proof(leak).mark is Mark.PROVEN
    assert book.must_repeat("SR-04")
    assert not book.must_repeat("SR-30")
    assert run.run_id in book.repeats.runs
    assert numbers(book.setpoints)["suction_trip_s"] == 6.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[setpoints]\npurge_ss = 20\n", "the key is purge_s"),
        ("[setpoints]\npurge_s = 2000\n", "purge_s"),
        ("[setpoint]\npurge_s = 20\n", "not a known table"),
        ('[reasons]\npurge_ss = "x"\n', "not a known setpoint"),
        ("[reasons]\npurge_s = 3\n", "must be a text"),
    ],
)
def test_settings_as_left_that_do_not_hold_are_refused(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "left.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_left(file, nursery())
