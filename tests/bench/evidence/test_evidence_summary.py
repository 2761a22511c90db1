"""What many runs say together does not depend on their order and never flatters."""

from __future__ import annotations

import pytest
from evidence_samples import make_about, make_result
from hypothesis import given
from hypothesis import strategies as st

from sim_plant.bench.evidence import OnLine, RequirementText, headline, summarise
from sim_plant.bench.evidence.summary import (
    coverage_line,
    in_order,
    margin_text,
    runs_to_draw,
    summary_of_all,
    time_text,
)
from sim_plant.bench.verdicts import Finding, RunResult, Verdict

MARGINS = st.none() | st.floats(-10, 10)
FINDINGS = st.builds(
    Finding,
    name=st.sampled_from(["SR-01", "SR-04", "SR-10"]),
    verdict=st.sampled_from(Verdict),
    triggers=st.integers(0, 5),
    margin=MARGINS,
    margin_unit=st.just("s"),
)


def run_with(run_id: str, *findings: Finding) -> RunResult:
    return make_result(run_id, requirements=list(findings))


def test_the_smallest_margin_of_the_passes_is_shown_with_its_run() -> None:
    results = [make_result("a", margin=0.8), make_result("b", margin=0.2), make_result("c", margin=1.5)]
    found = next(s for s in summarise(results) if s.id == "SR-04")
    assert (found.verdict, found.margin, found.run_id, found.at_ms, found.unit) == (
        Verdict.PASS,
        0.2,
        "b",
        404_900,
        2,
    )
    assert (found.runs, found.triggers) == (3, 3)


def test_a_failure_outranks_a_pass_with_less_margin() -> None:
    results = [
        run_with("a", Finding("SR-04", Verdict.PASS, 1, -9.0, "s")),
        run_with("b", Finding("SR-04", Verdict.FAIL, 1)),
        run_with("c", Finding("SR-04", Verdict.FAIL, 1, -0.5, "s")),
    ]
    (found,) = summarise(results)
    assert (found.verdict, found.margin, found.run_id) == (Verdict.FAIL, -0.5, "c")


def test_a_run_that_did_not_trigger_is_not_counted() -> None:
    results = [
        run_with("a", Finding("SR-04", Verdict.NOT_EXERCISED)),
        run_with("b", Finding("SR-04", Verdict.PASS, 3)),
    ]
    (found,) = summarise(results)
    assert (found.verdict, found.runs, found.triggers) == (Verdict.PASS, 1, 3)


def test_a_requirement_that_no_run_triggered_has_not_passed() -> None:
    (found,) = summarise([run_with("a", Finding("SR-04", Verdict.NOT_EXERCISED))])
    assert found.verdict is Verdict.NOT_EXERCISED


@given(st.lists(st.lists(FINDINGS, max_size=4), max_size=6), st.randoms())
def test_the_order_in_which_workers_finish_changes_nothing(runs: list[list[Finding]], random: object) -> None:
    results = [run_with(f"run-{i}", *findings) for i, findings in enumerate(runs)]
    mixed = list(results)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert summarise(mixed) == summarise(results)
    assert headline(mixed, make_about(len(runs))) == headline(results, make_about(len(runs)))
    assert runs_to_draw(mixed) == runs_to_draw(results)


@given(st.lists(FINDINGS, min_size=1, max_size=8))
def test_a_summary_is_as_grave_as_its_gravest_finding(findings: list[Finding]) -> None:
    for summary in summarise([run_with("a", *findings)]):
        own = [f for f in findings if f.name == summary.id]
        assert list(Verdict).index(summary.verdict) == max(list(Verdict).index(f.verdict) for f in own)


def test_every_listed_requirement_appears_even_when_no_run_judged_it() -> None:
    texts = [RequirementText("SR-04", "Low suction", "R", "HP"), RequirementText("SR-05", "Lower", "R", "HP")]
    listed = summary_of_all([make_result()], texts)
    assert [(text.id, s.verdict) for text, s in listed] == [
        ("SR-04", Verdict.PASS),
        ("SR-05", Verdict.NOT_EXERCISED),
        ("SR-01", Verdict.PASS),
    ]


def test_the_coverage_line_names_what_is_not_proven() -> None:
    texts = [RequirementText(f"SR-0{i}", "", "", "") for i in (1, 4, 5)]
    line = coverage_line(s for _, s in summary_of_all([make_result()], texts))
    assert line == "2 of 3 requirements were put to the test. Not exercised, so not proven: SR-05."


@pytest.mark.parametrize(
    ("verdicts", "complete", "words"),
    [
        ("PP", True, "All 2 runs passed."),
        ("P", True, "The one run passed."),
        ("", True, "No run was carried out."),
        ("", False, "Stopped after 0 of 9 runs. No run was carried out."),
        ("PP", False, "Stopped after 2 of 9 runs. 2 of 2 runs passed."),
        ("PN", True, "1 of 2 runs passed; 1 put nothing to the test."),
        ("PIP", True, "No run failed, but 1 of 3 are inconclusive, 2 passed."),
        ("PFIN", True, "1 of 4 runs failed, 1 passed, 1 inconclusive, 1 not exercised. First: "),
        ("FP", False, "Stopped after 2 of 9 runs. 1 of 2 runs failed, 1 passed. First: "),
    ],
)
def test_the_headline_says_it_in_words(verdicts: str, complete: bool, words: str) -> None:
    of = {"P": Verdict.PASS, "F": Verdict.FAIL, "I": Verdict.INCONCLUSIVE, "N": Verdict.NOT_EXERCISED}
    results = [run_with(f"r{i}", Finding("SR-04", of[v], 1)) for i, v in enumerate(verdicts)]
    about = make_about(len(results) if complete else 9, complete=complete)
    assert headline(results, about).startswith(words)


def test_a_run_that_could_not_be_carried_out_counts_as_failed() -> None:
    text = headline([make_result(error="target silent", requirements=[])], make_about(1))
    assert text.startswith("1 of 1 run failed. First: The feed header dips")


def test_run_10_comes_after_run_9() -> None:
    assert [r.run_id for r in in_order([make_result("r-10"), make_result("r-9")])] == ["r-9", "r-10"]


def test_failures_are_drawn_first_and_of_each_file_the_pass_with_least_time_to_spare() -> None:
    results = [
        make_result("a1", margin=0.9, source="a.toml"),
        make_result("a2", margin=0.1, source="a.toml"),
        make_result("b1", margin=None, source="b.toml"),
        make_result("b2", margin=3.0, source="b.toml"),
        make_result("c1", Verdict.INCONCLUSIVE, 0.0, source="c.toml"),
        make_result("c2", Verdict.FAIL, -1.0, source="c.toml"),
        make_result("d1", Verdict.NOT_EXERCISED, None, requirements=[], source="d.toml"),
    ]
    assert [r.run_id for r in runs_to_draw(results)] == ["c2", "c1", "a2", "b2"]


@given(st.integers(0, 10**8))
def test_a_time_reads_back_to_the_tenth_of_a_second(at_ms: int) -> None:
    *hours, minutes, seconds = time_text(at_ms).split(":")
    total = sum(int(h) * 3600 for h in hours) + int(minutes) * 60 + float(seconds)
    assert abs(total - at_ms / 1000) <= 0.0501
    assert float(seconds) < 60


@pytest.mark.parametrize(
    ("late_scans", "in_runs_ms", "told"),
    [
        (0, 104.0, "all 900 scans of the bench came in time"),
        (
            3,
            104.0,
            "3 of 900 scans of the bench came late, by 140 ms at most: time limits of that run are",
        ),
        (
            0,
            180.0,
            "; a round of the exchange took up to 180 ms in the runs, 105 ms when it was measured: likewise",
        ),
    ],
)
def test_how_time_was_kept_on_a_line_is_said_in_words(late_scans: int, in_runs_ms: float, told: str) -> None:
    assert told in OnLine(310, 105.0, in_runs_ms, 900, late_scans, 140.0 * bool(late_scans)).words()


def test_a_margin_carries_its_sign_and_unit() -> None:
    assert [margin_text(m, "s") for m in (None, 0.0, -3.14159, 12.0)] == ["-", "+0 s", "-3.14 s", "+12 s"]
