"""Other programs get the same verdicts as people do, and never a kinder one."""

from __future__ import annotations

import json
import math
from xml.etree import ElementTree as ET

from evidence_samples import make_about, make_result
from hypothesis import given
from hypothesis import strategies as st

from sim_plant.bench.evidence import About, OnLine, RequirementText
from sim_plant.bench.evidence.exports import finding_text, run_json, verdicts_xml
from sim_plant.bench.verdicts import Finding, RunResult, Verdict


def cases(results: list[RunResult], complete: bool = True) -> dict[str, ET.Element]:
    root = ET.fromstring(verdicts_xml(results, make_about(9, complete=complete)))
    return {case.get("name", ""): case for case in root.iter("testcase")}


def kinds(case: ET.Element) -> list[tuple[str, str | None]]:
    return [(child.tag, child.get("type")) for child in case]


def test_each_verdict_has_its_own_mark_in_junit() -> None:
    found = cases(
        [
            make_result("good"),
            make_result("bad", Verdict.FAIL, -3.5),
            make_result("close", Verdict.INCONCLUSIVE, 0.05),
            make_result("idle", requirements=[Finding("SR-04", Verdict.NOT_EXERCISED)]),
            make_result("broken", error="the target is silent"),
        ]
    )
    assert kinds(found["good"]) == []
    assert kinds(found["bad"]) == [("failure", "fail")]
    assert kinds(found["close"]) == [("failure", "inconclusive")]
    assert kinds(found["idle"]) == [("skipped", None)]
    assert kinds(found["broken"]) == [("error", "not carried out")]
    assert found["broken"][0].get("message") == "the target is silent"


def test_a_failure_says_what_was_expected_seen_and_where() -> None:
    (child,) = cases([make_result("bad", Verdict.FAIL, -3.5)])["bad"]
    assert child.get("message") == (
        "SR-04: fail. Expected: pump off within 5.5 s of suction below 0.8 bar. "
        "Seen: pump off after 9.0 s, on unit 2 at 6:45.5. Margin -3.5 s."
    )


def test_a_finding_without_details_still_makes_a_sentence() -> None:
    assert finding_text(Finding("SR-17", Verdict.FAIL)) == "SR-17: fail. Seen, on the bank."


def test_there_is_one_suite_for_each_family_and_the_totals_agree() -> None:
    results = [
        make_result("a", family="power"),
        make_result("b", Verdict.FAIL, family="power"),
        make_result("c", family="header"),
        make_result("d", family="header", requirements=[]),
    ]
    root = ET.fromstring(verdicts_xml(results, make_about(4)))
    totals = [
        tuple(suite.get(key) for key in ("name", "tests", "failures", "errors", "skipped")) for suite in root
    ]
    assert totals == [("header", "2", "0", "0", "1"), ("power", "2", "1", "0", "0")]
    assert [root.get(key) for key in ("tests", "failures", "errors", "skipped")] == ["4", "1", "0", "1"]


def test_a_stopped_set_is_never_green() -> None:
    found = cases([make_result("good")], complete=False)
    (child,) = found["all planned runs were carried out"]
    assert (child.tag, child.get("message")) == ("error", "stopped by the user after 1 of 9 runs")


@given(st.text(max_size=40), st.text(max_size=40))
def test_any_text_gives_well_formed_xml(text: str, other: str) -> None:
    result = make_result("bad", Verdict.FAIL, case=text, family=other, error=text, variant=other)
    result.requirements.append(Finding(text, Verdict.FAIL, limit=other, detail=text))
    root = ET.fromstring(
        verdicts_xml([result], make_about(1, site=text, target=other)).encode(errors="replace")
    )
    assert len(list(root.iter("testcase"))) == 1


def test_the_json_holds_about_summary_and_every_finding() -> None:
    text = RequirementText("SR-04", "Low suction stops the pump", "R", "HP")
    told = json.loads(run_json([make_result("bad", Verdict.FAIL, -3.5)], [text], make_about(1), {"bad"}))
    assert told["about"]["seed"] == 7
    assert told["about"]["settings"]["purge_interval_s"] == 900.0
    assert told["runs_by_verdict"] == {"fail": 1, "inconclusive": 0, "pass": 0, "not exercised": 0}
    assert told["requirements"][0]["statement"] == "Low suction stops the pump"
    assert (told["requirements"][0]["verdict"], told["requirements"][0]["margin"]) == ("fail", -3.5)
    assert told["runs"][0]["record"] == "records/bad.parquet"
    assert [f["name"] for f in told["runs"][0]["requirements"]] == ["SR-04", "SR-01"]


def test_the_json_tells_how_time_was_kept_on_a_line_and_that_the_desk_has_none() -> None:
    def line_of(about: About) -> object:
        return json.loads(run_json([make_result("a")], [], about, ()))["about"]["line"]

    line = line_of(make_about(1, line=OnLine(310, 105.0, 104.0, 900, 3, 140.0)))
    assert isinstance(line, dict)
    assert (line["uncertainty_ms"], line["late_scans"], line["longest_late_ms"]) == (310, 3, 140.0)
    assert line_of(make_about(1)) is None


@given(st.sampled_from([math.inf, -math.inf, math.nan]))
def test_numbers_that_json_lacks_become_null(margin: float) -> None:
    content = run_json(
        [make_result("a", margin=margin)], [], make_about(1, plant={"odd": [margin, {"x": object}]}), ()
    )
    told = json.loads(content, parse_constant=lambda name: (_ for _ in ()).throw(AssertionError(name)))
    assert told["runs"][0]["requirements"][0]["margin"] is None
    assert told["about"]["plant"]["odd"][0] is None
