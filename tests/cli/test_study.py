"""``skidproof study`` proposes setpoints in a site folder, or says in one line why not."""

from __future__ import annotations

import csv
from pathlib import Path

from command_line import call

from sim_plant.site import demo_folder, load_site

SMALL = "\n[sweep]\npurge_interval_s = [600, 1200]\npurge_s = [20]\nrestrictor_share = [1.0]\n"
STEADY = ("temperature_degc = [22, 25]", "temperature_degc = [24, 24]")


def site_with(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    """The nursery with a sweep of two points."""
    folder = tmp_path / "site"
    folder.mkdir()
    (folder / "site.toml").write_bytes((demo_folder() / "site.toml").read_bytes())
    text = (demo_folder() / "study.toml").read_text(encoding="utf-8")
    for old, new in (STEADY, *changes):
        assert old in text
        text = text.replace(old, new)
    (folder / "study.toml").write_text(text + SMALL, encoding="utf-8")
    return folder


def test_a_proposal_is_a_site_that_loads_and_every_point_is_in_the_table(tmp_path: Path) -> None:
    out = tmp_path / "out"
    answer = call("study", str(site_with(tmp_path)), "--jobs", "1", "--out", str(out))
    assert answer.code == 0, answer
    assert "Proposed: a purge of 20 s every 1200 s." in answer.out
    rows = list(csv.DictReader((out / "sweep.csv").open(encoding="utf-8")))
    assert [row["purge_interval_s"] for row in rows] == ["600", "1200"]
    proposed = load_site(out / "site")
    assert proposed.setpoints.purge_interval_s == 1200
    assert proposed.file.plant.source.tds_mgl == 3189.1
    assert "by simulation; margin: times 1.25" in (out / "site" / "site.toml").read_text(encoding="utf-8")
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 9
    assert "start_flush_s" in page
    assert "the headers carry 2 with 6 units" in answer.out
    pipes = list(csv.DictReader((out / "headers.csv").open(encoding="utf-8")))
    assert [(row["header"], row["to_unit"]) for row in pipes][5:7] == [("feed", "6"), ("product", "1")]
    hours = list(csv.DictReader((out / "buffer.csv").open(encoding="utf-8")))
    assert len(hours) == 4 * 24  # all units and one less, flat out and as called
    assert all(10.0 <= float(row["level_pct"]) <= 95.0 for row in hours)


def test_where_no_choice_holds_every_limit_nothing_is_proposed_and_the_limit_is_named(tmp_path: Path) -> None:
    out = tmp_path / "out"
    site = site_with(tmp_path, ("calcite_index = 1.5", "calcite_index = 0.9"))
    answer = call("study", str(site), "--jobs", "1", "--out", str(out))
    assert answer.code == 1, answer
    assert "No choice holds every limit; in the way: calcite (2 of 2 points)." in answer.out
    assert not (out / "site").exists()
    left_out = "Left out: no choice holds every limit, so there are no flows to reckon with."
    assert (out / "report.html").read_text(encoding="utf-8").count(left_out) == 3
    assert not (out / "headers.csv").exists()
    assert not (out / "buffer.csv").exists()


def test_a_bad_analysis_ends_with_one_line_and_nothing_written(tmp_path: Path) -> None:
    out = tmp_path / "out"
    answer = call("study", str(site_with(tmp_path, ("ph = 7.3\n", ""))), "--out", str(out))
    assert answer.code == 2
    assert answer.err == "skidproof: study.toml: water.ph is missing\n"
    assert not out.exists()


def test_levels_that_do_not_fit_the_site_end_with_one_line_and_nothing_written(tmp_path: Path) -> None:
    out = tmp_path / "out"
    site = site_with(tmp_path, ("[demand]\n", "[demand]\nlowest_pct = 80\n"))
    sets = ("--set", "tank_stop_pct=70", "--set", "tank_first_pct=60")
    answer = call("study", str(site), "--out", str(out), *sets)
    assert answer.code == 2
    assert answer.err == "skidproof: study.toml: demand.lowest_pct = 80: must be below tank_stop_pct = 70\n"
    assert not out.exists()


def test_a_site_without_an_analysis_is_told_so(tmp_path: Path) -> None:
    folder = site_with(tmp_path)
    (folder / "study.toml").unlink()
    answer = call("study", str(folder))
    assert answer.code == 2
    assert "study.toml: No such file" in answer.err


def test_a_folder_that_is_in_use_is_left_alone(tmp_path: Path) -> None:
    site = site_with(tmp_path)
    answer = call("study", str(site), "--out", str(site))
    assert answer.code == 2
    assert "exists and is not empty; nothing was written" in answer.err
