"""The folder holds all of the evidence, writes over nothing, and its page stands alone."""

from __future__ import annotations

import json
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from evidence_samples import make_about, make_result, make_trace

from sim_plant.bench.evidence import (
    CAUTIONS,
    EvidenceFolder,
    OnLine,
    RequirementText,
    keep_run,
    page,
    read_record,
)
from sim_plant.bench.verdicts import RunResult, Verdict

REQUIREMENTS = [
    RequirementText("SR-01", "Pump never on with the feed shut", "I", "HP"),
    RequirementText("SR-04", "Low suction stops the pump", "R", "HP"),
    RequirementText("SR-08", "High pressure stops the pump", "R", "HM HZ"),
]


class Reading(HTMLParser):
    """What a browser would find: ids, links, sources, tags and the text that a person sees."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.loads: list[str] = []
        self.tags: list[str] = []
        self.headers_without_scope = 0
        self.pieces: list[str] = []
        self.feed(html)
        self.text = " ".join(" ".join(self.pieces).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        given = dict(attrs)
        self.ids += [given["id"] or ""] if "id" in given else []
        self.links += [given["href"] or ""] if tag == "a" else []
        self.loads += [
            v or "" for k, v in attrs if k in ("src", "srcset", "data") or (k == "href" and tag != "a")
        ]
        self.headers_without_scope += tag == "th" and "scope" not in given

    def handle_data(self, data: str) -> None:
        self.pieces.append(data)


@pytest.fixture
def runs() -> list[RunResult]:
    trace = make_trace(rows=1500, dip_s=100.0)
    return [
        make_result("good-1", margin=0.9, trace=trace),
        make_result("good-2", margin=0.2, trace=trace, state="PURGE"),
        make_result("bad-1", Verdict.FAIL, -3.5, trace=trace, variant="dip <b>to</b> 0.12"),
        make_result("close-1", Verdict.INCONCLUSIVE, 0.05, trace=trace, family="operators", state=""),
        make_result("dead-1", error="target lost & gone", requirements=[], family="operators"),
    ]


def closed(folder: Path, runs: list[RunResult], **changes: object) -> str:
    evidence = EvidenceFolder(folder)
    for run in runs:
        evidence.add(run)
    about = replace(make_about(len(runs)), **changes)  # type: ignore[arg-type]
    evidence.close(about, REQUIREMENTS)
    return (folder / "report.html").read_text(encoding="utf-8")


def test_a_folder_with_something_in_it_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "old.txt").write_text("earlier evidence")
    with pytest.raises(FileExistsError, match=r"not empty.*never written over"):
        EvidenceFolder(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["old.txt"]


def test_an_empty_folder_and_a_new_one_are_taken(tmp_path: Path) -> None:
    EvidenceFolder(tmp_path)
    EvidenceFolder(tmp_path / "pictures" / "deep" / "new")
    assert (tmp_path / "records").is_dir()


def test_a_record_is_on_disk_as_soon_as_its_run_is_added(tmp_path: Path, runs: list[RunResult]) -> None:
    EvidenceFolder(tmp_path).add(runs[0])
    assert read_record(tmp_path / "records" / "good-1.parquet").n_units == 6


def test_a_name_that_is_no_file_name_is_refused(tmp_path: Path) -> None:
    evidence = EvidenceFolder(tmp_path / "e")
    for name in ("../escape", "a/b", "", ".hidden", "a b"):
        with pytest.raises(ValueError, match="no safe file name"):
            evidence.add(make_result(name, trace=make_trace(rows=2)))
        with pytest.raises(ValueError, match="no safe file name"):
            keep_run(tmp_path / "e", make_result(name, trace=make_trace(rows=2)), {})
    assert not list((tmp_path / "e" / "records").iterdir())


def test_a_run_is_added_once_and_never_after_the_close(tmp_path: Path) -> None:
    evidence = EvidenceFolder(tmp_path)
    evidence.add(make_result("a"))
    with pytest.raises(ValueError, match="added twice"):
        evidence.add(make_result("a"))
    evidence.close(make_about(1), REQUIREMENTS)
    with pytest.raises(ValueError, match="comes too late"):
        evidence.add(make_result("b"))
    with pytest.raises(ValueError, match="closed already"):
        evidence.close(make_about(1), REQUIREMENTS)


def test_a_worker_and_the_parent_leave_the_same_evidence(tmp_path: Path, runs: list[RunResult]) -> None:
    by_parent = closed(tmp_path / "parent", runs)
    evidence = EvidenceFolder(tmp_path / "worker")
    for run in runs:
        small = keep_run(tmp_path / "worker", run, make_about(1).settings)
        assert small.trace is None
        evidence.add(small)
    evidence.close(make_about(len(runs)), REQUIREMENTS)
    files = sorted(p.relative_to(tmp_path / "parent") for p in (tmp_path / "parent").rglob("*.*"))
    assert files == sorted(p.relative_to(tmp_path / "worker") for p in (tmp_path / "worker").rglob("*.*"))
    for name in files:
        assert (tmp_path / "parent" / name).read_bytes() == (tmp_path / "worker" / name).read_bytes(), name
    assert "bad-1" in by_parent


def test_the_order_of_arrival_changes_no_byte_of_the_page(tmp_path: Path, runs: list[RunResult]) -> None:
    assert closed(tmp_path / "a", runs) == closed(tmp_path / "b", runs[::-1])


def test_the_page_loads_nothing_and_every_link_leads_somewhere(tmp_path: Path, runs: list[RunResult]) -> None:
    page_read = Reading(closed(tmp_path, runs))
    assert page_read.loads == []
    assert not {"script", "link", "iframe", "img", "object"} & set(page_read.tags)
    assert len(page_read.ids) == len(set(page_read.ids))
    for link in page_read.links:
        assert link[1:] in page_read.ids if link.startswith("#") else (tmp_path / link).is_file(), link


def test_the_page_says_first_what_came_of_it(tmp_path: Path, runs: list[RunResult]) -> None:
    text = Reading(closed(tmp_path, runs)).text
    assert "2 of 5 runs failed, 2 passed, 1 inconclusive. First: The feed header dips" in text
    assert "2 of 3 requirements were put to the test. Not exercised, so not proven: SR-08." in text


def test_the_cautions_stand_before_any_result_table(tmp_path: Path, runs: list[RunResult]) -> None:
    text = Reading(closed(tmp_path, runs)).text
    assert "no SIL or PL claim. A passing run is no proof of a safe plant" in text
    for caution in CAUTIONS:
        assert text.index(caution) < text.index("What was tested", text.index("Before you rely"))


def test_each_failure_is_told_with_limit_seen_and_place(tmp_path: Path, runs: list[RunResult]) -> None:
    text = Reading(closed(tmp_path, runs)).text
    assert (
        "SR-04: fail. Expected: pump off within 5.5 s of suction below 0.8 bar. "
        "Seen: pump off after 9.0 s, on unit 2 at 6:45.5. Margin -3.5 s." in text
    )
    assert "This run could not be carried out: target lost & gone" in text


def test_the_detailed_runs_are_the_bad_ones_and_one_pass_a_case_file(
    tmp_path: Path, runs: list[RunResult]
) -> None:
    read = Reading(closed(tmp_path, runs))
    assert [i for i in read.ids if i.startswith("run-")] == [
        "run-bad-1",
        "run-dead-1",
        "run-close-1",
        "run-good-2",
    ]
    assert read.tags.count("svg") == 3


def test_texts_from_the_site_are_shown_not_obeyed(tmp_path: Path, runs: list[RunResult]) -> None:
    html = closed(tmp_path, runs, title="</title><script>x</script>", site='"; } body { display: none')
    read = Reading(html)
    assert "script" not in read.tags
    assert "dip <b>to</b> 0.12" in read.text
    assert "} body {" not in html.split("</style>")[0]


def test_a_changed_setting_is_marked_in_words(tmp_path: Path, runs: list[RunResult]) -> None:
    text = Reading(closed(tmp_path, runs)).text
    assert "purge_interval_s 900 600 changed" in text
    assert "Settings changed purge_interval_s = 900" in text
    assert "purge_s 20 20 purge, pump on" in text


def test_the_page_of_a_live_proof_says_how_time_was_kept(tmp_path: Path, runs: list[RunResult]) -> None:
    late = OnLine(310, 105.0, 180.0, 900, 3, 140.0)
    told = "3 of 900 scans of the bench came late, by 140 ms at most: time limits of that run are so"
    assert f"Time kept {told}" in Reading(closed(tmp_path / "live", runs, line=late)).text
    assert "Time kept" not in Reading(closed(tmp_path / "desk", runs)).text


def test_every_table_header_says_what_it_heads(tmp_path: Path, runs: list[RunResult]) -> None:
    assert Reading(closed(tmp_path, runs)).headers_without_scope == 0


def test_a_set_that_a_person_stopped_says_so_and_is_not_passed(tmp_path: Path, runs: list[RunResult]) -> None:
    html = closed(tmp_path, runs[:1], complete=False, planned_runs=212)
    text = Reading(html).text
    assert "Stopped after 1 of 212 runs. 1 of 1 run passed." in text
    assert '<div class="headline inconclusive">' in html
    assert "1 of 212 planned; stopped by the user" in text


def test_a_set_stopped_before_its_first_run_still_leaves_papers(tmp_path: Path) -> None:
    text = Reading(closed(tmp_path, [], complete=False, planned_runs=9)).text
    assert "Stopped after 0 of 9 runs. No run was carried out." in text
    assert json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))["runs"] == []
    ET.parse(tmp_path / "verdicts.xml")


def test_pictures_beyond_the_budget_are_linked(
    tmp_path: Path, runs: list[RunResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page, "PICTURE_BUDGET_CHARS", 1)
    read = Reading(closed(tmp_path, runs))
    assert read.tags.count("svg") == 0
    assert "pictures/bad-1.svg" in read.links
    assert (tmp_path / "pictures" / "bad-1.svg").is_file()


def test_the_map_shows_the_worst_verdict_of_each_corner_as_a_letter(
    tmp_path: Path, runs: list[RunResult]
) -> None:
    text = Reading(closed(tmp_path, runs)).text
    start = text.index("Verdicts by family and unit state")
    area = text[start : text.index("Each cell:", start)]
    assert area.endswith("Family PRODUCE PURGE no state named feed header F 1 of 2 P 1 operators F 1 I 1 ")


def test_a_run_whose_record_is_gone_is_reported_without_a_picture(
    tmp_path: Path, runs: list[RunResult]
) -> None:
    text = Reading(closed(tmp_path, [replace(runs[2], trace=None)])).text
    assert "There is no record to draw." in text
