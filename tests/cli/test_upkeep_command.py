"""``skidproof upkeep``: exit codes, what it prints, what it writes."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from pathlib import Path

from command_line import CAUTION_WORDS, call

from sim_plant.bench.evidence import CAUTIONS
from sim_plant.upkeep.days import Day
from tests.upkeep.logs import TABLE, lines, steady, write


def healthy(folder: Path) -> str:
    return str(write(folder, lines(40)))


def test_the_bundled_nursery_reaches_triggers_in_the_units_that_were_made_to_wear(tmp_path: Path) -> None:
    answer = call("upkeep", "--out", str(tmp_path / "out"))
    assert answer.code == 1, answer
    assert CAUTION_WORDS in " ".join(answer.err.split())
    reached = {
        (line.split()[1], *re.findall(r"permeate flow|pressure loss", line)[:1])
        for line in answer.out.splitlines()
        if re.match(r"unit \d +(warning )?reached", line)
    }
    assert reached == {("2", "permeate flow"), ("3", "permeate flow"), ("3", "pressure loss")}
    assert answer.out.splitlines()[-1] == f"report: {tmp_path / 'out' / 'report.html'}"


def test_the_report_needs_nothing_else_and_has_every_caution(tmp_path: Path) -> None:
    call("upkeep", "--out", str(tmp_path / "out"))
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert not re.search(r'(src|href)="(?!#)', page)
    assert all(caution[:60].replace("'", "&#39;") in page for caution in CAUTIONS)
    assert page.count("<svg ") == 3
    assert "A. Person" in page
    assert page.count("May mean:") == 2


def test_a_healthy_log_ends_with_0(tmp_path: Path) -> None:
    answer = call("upkeep", healthy(tmp_path), "--out", str(tmp_path / "out"))
    assert answer.code == 0, answer
    assert "none of 3 triggers reached." in answer.out


def test_too_little_to_judge_is_no_all_clear(tmp_path: Path) -> None:
    answer = call("upkeep", str(write(tmp_path, lines(9))), "--out", str(tmp_path / "out"))
    assert answer.code == 1, answer
    assert "no trigger reached; 3 of 3 cannot be told or not judged." in answer.out


def test_csv_is_one_line_for_each_day_and_nothing_else(tmp_path: Path) -> None:
    answer = call("upkeep", healthy(tmp_path), "--csv")
    rows = list(csv.DictReader(io.StringIO(answer.out)))
    assert answer.code == 0, answer
    assert tuple(rows[0]) == Day._fields
    assert len(rows) == 40
    assert {row["normalised_permeate_m3h"] for row in rows} == {"1.4"}
    assert rows[0]["prefilter_bar"] == ""
    assert not (tmp_path / "evidence").exists()


def test_csv_tells_its_doubts_beside_it(tmp_path: Path) -> None:
    answer = call("upkeep", healthy(tmp_path), "--csv", "--out", str(tmp_path / "out"))
    assert "note: unit 1: a row every 360 min" in answer.err
    assert (tmp_path / "out" / "days.csv").read_text(encoding="utf-8") == answer.out


def test_a_mistake_is_one_line_and_nothing_is_written(tmp_path: Path) -> None:
    log = write(tmp_path, lines(40), table=TABLE.replace('"bar"', '"Bar"', 1))
    answer = call("upkeep", str(log), "--out", str(tmp_path / "out"))
    assert answer.code == 2
    assert answer.err.count("\n") == 1
    assert "upkeep.toml: columns.feed_pressure: unit 'Bar' is not one of" in answer.err
    assert not (tmp_path / "out").exists()


def test_a_log_without_a_table_is_told_where_one_comes_from(tmp_path: Path) -> None:
    log = Path(healthy(tmp_path))
    (tmp_path / "upkeep.toml").unlink()
    answer = call("upkeep", str(log))
    assert answer.code == 2
    assert "there is no such table to say what is in log.csv; skidproof upkeep --example FOLDER" in answer.err


def test_a_word_that_mend_does_not_know(tmp_path: Path) -> None:
    answer = call("upkeep", healthy(tmp_path), "--mend", "sort,all")
    assert (answer.code, answer.err) == (2, "skidproof: --mend all: must be one of sort, doubles\n")


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    answer = call("upkeep", healthy(tmp_path), "--out", str(tmp_path))
    assert answer.code == 2
    assert "is not empty; nothing was written" in answer.err


def test_the_example_is_written_once_and_is_the_bundled_one(tmp_path: Path) -> None:
    answer = call("upkeep", "--example", str(tmp_path / "try"))
    assert answer.code == 0, answer
    assert f"skidproof upkeep {tmp_path / 'try' / 'log.csv'}" in answer.out
    assert tomllib.loads((tmp_path / "try" / "upkeep.toml").read_text(encoding="utf-8"))["units"] == [1, 2, 3]
    assert call("upkeep", str(tmp_path / "try" / "log.csv"), "--csv").out == call("upkeep", "--csv").out
    assert call("upkeep", "--example", str(tmp_path / "try")).code == 2


def test_help_has_an_example_and_names_the_guide() -> None:
    answer = call("upkeep", "--help")
    assert "Example: skidproof upkeep --example try" in answer.out
    assert "docs/upkeep.md" in answer.out


def test_words_of_a_log_cannot_become_markup(tmp_path: Path) -> None:
    title = TABLE.replace("A unit to try things on", "<script>alert(1)</script>")
    log = write(tmp_path, lines(40, reading=lambda _day: steady()), table=title)
    call("upkeep", str(log), "--out", str(tmp_path / "out"))
    assert "<script>" not in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
