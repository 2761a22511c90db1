"""Case files and Python cases under pytest, seen from the session that a person starts."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from typer.testing import CliRunner

from sim_plant.bench import runner
from sim_plant.bench.in_pytest import bench, evidence  # noqa: F401  # numba does not bear a second import
from sim_plant.cli import app

ROOT = Path(__file__).parents[2]
SITE = '[site]\nname = "pair"\ntitle = "Two units to try things on"\nunits = 2\n'
LEAK = """\
title = "A leak stops the unit"
family = "Skid leak"
requirements = ["SR-30"]

[given]
states = ["START_FLUSH"]
unit = 1

[vary]
second = [1, 2]

[[step]]
at_s = "$second"
inject = { target = "skid", kind = "leak" }
name = "leak"

[[expect]]
text = "the feed valve is let go"
after = "leak"
from_s = 2.5
signal = "feed_valve"
is = false

[run]
for_s = 8
"""
CALM = """\
title = "Nothing happens"
family = "calm"

[given]
states = ["START_FLUSH", "BOOT"]
unit = 2

[[expect]]
text = "the pump rests"
signal = "pump"
is = false

[run]
for_s = 1
"""
ALL = (
    "cases/calm.case.toml::BOOT",
    "cases/calm.case.toml::START_FLUSH",
    "cases/leak.case.toml::START_FLUSH[second=1]",
    "cases/leak.case.toml::START_FLUSH[second=2]",
)
IGNORES_LEAK = "--skidproof-controller=tests.broken.controllers:IgnoresLeak"

Start = Callable[..., pytest.RunResult]


@pytest.fixture
def here(pytester: pytest.Pytester) -> Path:
    """A site of two units and two case files, in which pytest is started."""
    pytester.makefile(".toml", site=SITE)
    pytester.mkdir("cases")
    (pytester.path / "cases" / "leak.case.toml").write_text(LEAK, encoding="utf-8")
    (pytester.path / "cases" / "calm.case.toml").write_text(CALM, encoding="utf-8")
    return pytester.path


@pytest.fixture
def start(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> Start:
    """pytest with the plugin of this tree and no other, whether or not one is installed."""
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setenv("COLUMNS", "200")

    def run(*arguments: str, process: bool = False) -> pytest.RunResult:
        quiet = ("-W", "ignore::pytest.PytestAssertRewriteWarning")  # this file has imported it already
        ours = ("-p", "sim_plant.bench.pytest_plugin", "--strict-markers", *quiet)
        call = pytester.runpytest_subprocess if process else pytester.runpytest_inprocess
        return call(*ours, *arguments)

    return run


def listed(result: pytest.RunResult) -> list[str]:
    """The tests that --collect-only -q lists."""
    return [line for line in result.outlines if "::" in line]


def facts(folder: Path) -> list[dict[str, Any]]:
    """What run.json says of every run, without how long the computer took."""
    runs = json.loads((folder / "run.json").read_text(encoding="utf-8"))["runs"]
    return [{key: value for key, value in one.items() if key != "took_s"} for one in runs]


def records(folder: Path) -> dict[str, bytes]:
    """The bytes of every record."""
    return {path.name: path.read_bytes() for path in (folder / "records").iterdir()}


# --- what is collected -----------------------------------------------------------------------------------


@pytest.mark.usefixtures("here")
def test_each_run_is_a_test_and_those_that_start_alike_follow_each_other(start: Start) -> None:
    assert listed(start("--collect-only", "-q")) == list(ALL)


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize(
    ("choice", "chosen"),
    [
        (("-m", "SR-30"), ALL[2:]),
        (("-m", "START_FLUSH and not SR-30"), ALL[1:2]),
        (("-m", "family_skid_leak"), ALL[2:]),
        (("-m", "not skidproof"), ()),
        (("-k", "leak and START_FLUSH and 2"), ALL[3:]),
        (("cases/leak.case.toml::START_FLUSH",), ALL[2:]),
        (("cases/leak.case.toml::START_FLUSH[second=2]",), ALL[3:]),
    ],
)
def test_runs_are_chosen_by_requirement_state_family_and_name(
    start: Start, choice: tuple[str, ...], chosen: tuple[str, ...]
) -> None:
    assert listed(start("--collect-only", "-q", *choice)) == list(chosen)


def test_without_a_case_file_nothing_of_the_bench_is_imported(
    pytester: pytest.Pytester, start: Start
) -> None:
    pytester.makepyfile(
        """
        import sys

        def test_light():
            ours = {name for name in sys.modules if name.startswith(("sim_plant.", "controller"))}
            assert ours == {"sim_plant.bench", "sim_plant.bench.pytest_plugin"}
            assert not {"numpy", "pydantic", "numba", "pyarrow"} & set(sys.modules)
        """
    )
    start(process=True).assert_outcomes(passed=1)


# --- what is wrong with the input ------------------------------------------------------------------------


def the_error(result: pytest.RunResult) -> str:
    """The one line of the one collection error."""
    assert result.ret == pytest.ExitCode.INTERRUPTED
    result.assert_outcomes(errors=1)
    at = next(i for i, line in enumerate(result.outlines) if "ERROR collecting" in line)
    line, after = result.outlines[at + 1 : at + 3]
    assert after.startswith("==="), "the error is one line"
    return line


@pytest.mark.parametrize(
    ("change", "options", "ours"),
    [
        (("for_s = 8", "for_s = -8"), (), ()),
        (("unit = 1", "unit = 3"), (), ()),
        ((), ("--set", "leak=5"), ("--skidproof-set", "leak=5")),
        ((), ("--controller", "nowhere:Logic"), ("--skidproof-controller", "nowhere:Logic")),
    ],
)
def test_what_prove_refuses_is_a_collection_error_with_the_same_line(
    here: Path, start: Start, change: tuple[str, ...], options: tuple[str, ...], ours: tuple[str, ...]
) -> None:
    case = here / "cases" / "leak.case.toml"
    if change:
        case.write_text(LEAK.replace(*change), encoding="utf-8")
    (here / "cases" / "calm.case.toml").unlink()
    proven = CliRunner().invoke(app, ["prove", str(here), "--jobs", "1", *options])

    line = the_error(start(*ours))

    assert proven.exit_code == 2
    assert line.replace("--skidproof-", "--") == proven.stderr.strip()


def test_a_case_file_without_a_site_is_a_collection_error(pytester: pytest.Pytester, start: Start) -> None:
    (pytester.path / "calm.case.toml").write_text(CALM, encoding="utf-8")
    line = the_error(start())
    assert line.startswith("skidproof: calm.case.toml: no site.toml beside it or above")


def test_a_file_name_that_is_no_run_name_is_a_collection_error(here: Path, start: Start) -> None:
    (here / "cases" / "calm.case.toml").rename(here / "cases" / "quite calm.case.toml")
    assert "cases/quite calm.case.toml: the name of a case file is" in the_error(start())


def test_a_site_elsewhere_is_named_by_an_option(pytester: pytest.Pytester, start: Start) -> None:
    pytester.mkdir("elsewhere")
    (pytester.path / "elsewhere" / "site.toml").write_text(SITE, encoding="utf-8")
    (pytester.path / "calm.case.toml").write_text(CALM, encoding="utf-8")
    assert len(listed(start("--collect-only", "-q", "--skidproof-site", "elsewhere"))) == 2


# --- verdicts --------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("here")
def test_what_is_proven_passes(start: Start) -> None:
    start().assert_outcomes(passed=4)


@pytest.mark.usefixtures("here")
def test_a_setpoint_that_is_too_slow_fails_in_a_sentence_without_a_traceback(start: Start) -> None:
    result = start("--skidproof-set", "leak_s=5", "-k", "leak and 1]")

    result.assert_outcomes(failed=1, deselected=3)
    said = re.compile(
        r"the feed valve is let go: fail\. Expected: throughout\. "
        r"Seen: broken 0\.0 s after the window opened, on unit 1 at \d+:\d\d\.\d\."
    )
    assert any(said.fullmatch(line) for line in result.outlines), result.outlines
    assert "Traceback" not in result.stdout.str()
    assert ".py:" not in result.stdout.str()


@pytest.mark.usefixtures("here")
def test_a_broken_controller_fails_by_requirement_and_the_failed_are_tried_again(start: Start) -> None:
    first = start(IGNORES_LEAK, "--skidproof-seed", "7")
    again = start("--collect-only", "-q", "--lf")

    first.assert_outcomes(passed=2, failed=2)
    text = first.stdout.str()
    assert "SR-30: fail. Expected:" in text
    assert "A leak stops the unit; second 1; seed 7" in text
    assert listed(again) == list(ALL[2:])


@pytest.mark.usefixtures("here")
def test_verdicts_and_margins_are_properties_in_junit_xml(start: Start, pytester: pytest.Pytester) -> None:
    start("--junitxml=junit.xml", "-k", "leak and 1]")

    (case,) = ET.parse(pytester.path / "junit.xml").getroot().iter("testcase")
    told = {one.get("name"): one.get("value") for one in case.iter("property")}
    assert (told["run_id"], told["verdict"]) == ("leak-1-start_flush", "pass")
    assert told["expectation 1"] == "pass; the feed valve is let go"
    assert re.fullmatch(r"pass, margin \+\d\.?\d* s", told["SR-30"] or "")
    assert "SR-04" not in told, "what was not exercised has no verdict"


def test_a_run_that_puts_nothing_to_the_test_does_not_pass(here: Path, start: Start) -> None:
    calm = CALM[: CALM.index("[[expect]]")] + "[run]\nfor_s = 1\n"
    (here / "cases" / "calm.case.toml").write_text(calm, encoding="utf-8")
    result = start("-k", "calm and BOOT")
    result.assert_outcomes(failed=1, deselected=3)
    assert "not exercised: this run put nothing to the test" in result.outlines


# --- evidence --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("workers", [(), ("-p", "xdist", "-n", "2")], ids=["alone", "two workers"])
def test_the_evidence_is_what_prove_writes(here: Path, start: Start, workers: tuple[str, ...]) -> None:
    options = ("--set", "leak_s=5", "--jobs", "1", "--out", str(here / "proven"))
    proven = CliRunner().invoke(app, ["prove", str(here), *options])

    tested = start("--skidproof-set=leak_s=5", "--skidproof-evidence=ours", *workers, process=bool(workers))

    assert proven.exit_code == tested.ret == 1
    tested.assert_outcomes(passed=2, failed=2)
    assert facts(here / "ours") == facts(here / "proven")
    assert records(here / "ours") == records(here / "proven")
    assert {path.name for path in (here / "ours").iterdir()} == {
        path.name for path in (here / "proven").iterdir()
    }
    assert any("2 of 4 runs failed, 2 passed." in line for line in tested.outlines)


def test_evidence_of_a_session_that_stopped_early_says_so(here: Path, start: Start) -> None:
    start("-x", IGNORES_LEAK, "--skidproof-evidence=ours", "cases/leak.case.toml")
    told = json.loads((here / "ours" / "run.json").read_text(encoding="utf-8"))
    assert told["headline"].startswith("Stopped after 1 of 2 runs.")
    assert told["about"]["command"].startswith("pytest ")


def test_evidence_is_never_written_over(here: Path, start: Start) -> None:
    (here / "ours").mkdir()
    (here / "ours" / "letter.txt").touch()
    result = start("--skidproof-evidence=ours")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert any("Evidence is never written over" in line for line in result.errlines)


@pytest.mark.parametrize("options", [("--collect-only",), ("-k", "nothing")])
def test_a_session_without_a_run_leaves_no_folder(here: Path, start: Start, options: tuple[str, ...]) -> None:
    start("--skidproof-evidence=ours", *options)
    assert not (here / "ours").exists()


def test_one_folder_holds_each_run_once_and_one_site(here: Path, start: Start) -> None:
    other = here / "other"
    other.mkdir()
    (other / "calm.case.toml").write_text(CALM, encoding="utf-8")
    options = ("--collect-only", "--skidproof-evidence=ours")
    assert "run calm-start_flush is there twice, see" in the_error(start(*options))

    (other / "site.toml").write_text(SITE, encoding="utf-8")
    assert "one evidence folder holds one site" in the_error(start(*options))


# --- cases in Python -------------------------------------------------------------------------------------


def example() -> str:
    """The example of the guide for QA."""
    guide = (ROOT / "docs" / "qa-guide.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"```python\n(.*?)```", guide.split("## With pytest")[1], re.DOTALL)
    return str(block)


@pytest.mark.usefixtures("here")
def test_the_example_of_the_guide_is_a_test_that_passes_and_can_fail(
    pytester: pytest.Pytester, start: Start
) -> None:
    pytester.makepyfile(test_example=example())
    start("test_example.py").assert_outcomes(passed=1)
    start("test_example.py", "--skidproof-set=suction_trip_s=2").assert_outcomes(failed=1)


@pytest.mark.usefixtures("here")
def test_a_rig_that_nobody_judged_is_judged_at_the_end(pytester: pytest.Pytester, start: Start) -> None:
    pytester.makepyfile(
        """
        from sim_plant.faults import Fault

        def test_leak(bench):
            rig = bench("START_FLUSH", unit=1)
            rig.inject(Fault("skid", "leak", 1))
            rig.run_for(4)
        """
    )
    start("-k", "test_leak").assert_outcomes(passed=1, deselected=4)
    result = start(IGNORES_LEAK, "-k", "test_leak")
    result.assert_outcomes(failed=1, deselected=4)
    assert any(line.startswith("SR-30: fail.") for line in result.outlines)


@pytest.mark.usefixtures("here")
def test_a_requirement_that_is_named_must_be_put_to_the_test(pytester: pytest.Pytester, start: Start) -> None:
    pytester.makepyfile(
        """
        def test_named(bench):
            bench("BOOT", unit=2).run_for(1)
            bench.judge("SR-30")
        """
    )
    result = start("-k", "test_named")
    result.assert_outcomes(failed=1, deselected=4)
    assert any(line.startswith("puts SR-30 to the test: fail.") for line in result.outlines)


@pytest.mark.usefixtures("here")
def test_a_state_is_prepared_once_for_all_files(
    pytester: pytest.Pytester, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    brought: Counter[tuple[int, str]] = Counter()
    bring = runner.bring

    def counted(rig: Any, unit: int, state: Any, *rest: Any) -> None:
        brought[unit, state.value] += 1
        bring(rig, unit, state, *rest)

    monkeypatch.setattr(runner, "bring", counted)
    for name in ("test_one", "test_two"):
        pytester.makepyfile(**{name: "def test_it(bench):\n    bench('START_FLUSH', unit=1).run_for(1)\n"})
    start().assert_outcomes(passed=6)
    assert brought[1, "START_FLUSH"] == 1
    assert set(brought.values()) == {1}


def test_a_python_case_without_a_site_fails_in_one_line(pytester: pytest.Pytester, start: Start) -> None:
    pytester.makepyfile("def test_it(bench):\n    pass\n")
    result = start()
    result.assert_outcomes(errors=1)
    assert any("no site.toml beside it or above" in line for line in result.outlines)
    assert "Traceback" not in result.stdout.str()
