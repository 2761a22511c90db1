"""On a terminal the verdicts are readable; in a pipe they are plain and whole."""

from __future__ import annotations

import io

from evidence_samples import make_result
from rich.console import Console

from sim_plant.bench.evidence import RequirementText
from sim_plant.bench.evidence.console import case_table, plain_console, verdict_table
from sim_plant.bench.verdicts import Verdict

LONG = "Low suction, held for five seconds, stops the pump [within 5.5 s of the crossing] " * 3
REQUIREMENTS = [
    RequirementText("SR-04", LONG, "R", "HP"),
    RequirementText("SR-55", "One first-out", "I", "HA"),
]
RESULTS = [
    make_result("a-run-with-a-rather-long-name-in-it-PRODUCE-17", Verdict.FAIL, -3.5, case=LONG),
    make_result("close", Verdict.INCONCLUSIVE, 0.05),
    make_result("good"),
    make_result("broken", error="the target [bold]is[/bold] silent", requirements=[]),
]


def piped() -> list[str]:
    stream = io.StringIO()
    console = plain_console(stream)
    console.print(verdict_table(RESULTS, REQUIREMENTS))
    console.print(case_table(RESULTS))
    return stream.getvalue().splitlines()


def test_in_a_pipe_each_requirement_is_one_whole_line() -> None:
    (line,) = (line for line in piped() if line.startswith("SR-04"))
    assert line.split() == (
        f"SR-04 FAIL 3 -3.5 s a-run-with-a-rather-long-name-in-it-PRODUCE-17, 6:45.5, unit 2 {LONG}".split()
    )


def test_in_a_pipe_there_is_no_colour_frame_or_ellipsis() -> None:
    text = "\n".join(piped())
    assert "\x1b" not in text
    assert "…" not in text
    assert text.isascii()


def test_a_requirement_that_no_run_judged_is_listed() -> None:
    (line,) = (line for line in piped() if line.startswith("SR-55"))
    assert "not exercised" in line


def test_a_run_that_could_not_be_carried_out_says_why_word_for_word() -> None:
    (line,) = (line for line in piped() if line.startswith("broken"))
    assert "FAIL" in line
    assert "the target [bold]is[/bold] silent" in line


def test_on_a_narrow_terminal_ids_verdicts_and_margins_stay_whole() -> None:
    console = Console(file=io.StringIO(), width=80, force_terminal=True, color_system=None)
    console.print(verdict_table(RESULTS, REQUIREMENTS))
    text = console.file.getvalue()  # type: ignore[attr-defined]
    assert "…" not in text
    assert all(len(line.rstrip()) <= 80 for line in text.splitlines())
    assert [line.split()[:5] for line in text.splitlines() if line.startswith("SR-04")] == [
        ["SR-04", "FAIL", "3", "-3.5", "s"]
    ]


def test_only_open_leaves_the_passing_runs_out() -> None:
    stream = io.StringIO()
    plain_console(stream).print(case_table(RESULTS, only_open=True))
    names = [line.split()[0] for line in stream.getvalue().splitlines()]
    assert names == ["Run", "a-run-with-a-rather-long-name-in-it-PRODUCE-17", "broken", "close"]
