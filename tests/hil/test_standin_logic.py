"""The bench against a program that is not ours: it passes when it is right, and fails where it is wrong.

The program (tests/hil/plc) was written from the control narrative, without the firmware's design: what it
passes is no matter of our own habits, and each mistake planted in it must be found at the requirement that
names it.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.settings import Setpoints
from controller.signals import Outputs
from controller.unit.states import UnitState
from sim_plant.bench.cases import load_cases
from sim_plant.bench.runner import Workshop
from sim_plant.bench.verdicts import Finding, RunResult, Verdict
from sim_plant.plant import Plant
from sim_plant.site import demo_folder, load_site
from tests.hil import standin
from tests.hil.standin import NoCompilerError, StandIn, compile_library

ROOT = Path(__file__).parents[2]
SITE = load_site(demo_folder())
RUNS = {run.run_id: run for run in load_cases(SITE)}

NOT_ATTEMPTED = {
    "setpoint-refused-produce": "no change_setpoint",
    "power-starts-are-counted-on-produce": "no change_setpoint",
    "alarm-when-time-is-over-produce": "no change_setpoint",
}
"""Runs that the stand-in leaves alone, and the words in which the bench says why: it has no data port."""

OWN_WAY = {
    "power-second-flush-outlasts-maintenance": "it retains less",
    "power-comes-and-goes-produce": "it does not count returns of the power",
}
"""Runs in which the stand-in answers otherwise than ours, and no requirement forbids it."""

ALARMS = "alarms"  # a family that a journal without alarms cannot hold

Carry = Callable[[int, str], RunResult]


MISTAKES = {
    1: "Resumes",  # a start flush that was cut goes on where it stopped
    2: "Floods",  # the high-high float is not looked at
    3: "StartsTogether",
    4: "RunsOn",  # the pump runs on while the feed valve shuts
    5: "SkipsStopFlush",
    6: "NeverPurges",
}
PROGRAMS: list[type[StandIn]] = [
    StandIn,
    *(type(name, (StandIn,), {"mistake": number}) for number, name in MISTAKES.items()),
]

PLANTED = [  # mistake, run, requirement that names it, others that break of necessity
    (1, "flush-cut-by-stop-2-start_flush", "SR-03", {"SR-02"}),
    (1, "flush-cut-by-stop-3-start_flush", "SR-03", {"SR-02"}),
    (2, "tank-level-stuck-float-acts-produce", "SR-28", set()),
    (2, "tank-level-stuck-float-acts-purge", "SR-28", set()),
    (3, "tds-start-peak-is-blanked-start_flush", "SR-14", {"SR-17"}),  # the slots would space the starts too
    (
        4,
        "tank-full-produce",
        "SR-01",
        {"SR-52"},
    ),  # feed valves that shut in the scan of the stop shut together
    (5, "purge-cut-by-stop-1-purge", "SR-19", set()),
    (5, "purge-cut-by-stop-2-quality_flush", "SR-19", set()),
    (6, "tds-torn-oring-1-produce", "SR-15", set()),
]


@pytest.fixture(scope="module")
def carry_out() -> Carry:
    """Carries out one bundled run against the stand-in with a mistake, or with none."""
    kept: dict[int, Workshop] = {}

    def carry(mistake: int, run_id: str) -> RunResult:
        if mistake not in kept:
            kept[mistake] = Workshop(SITE, PROGRAMS[mistake], SITE.file.site.seed)
        return kept[mistake].carry_out(RUNS[run_id])

    return carry


def failed(findings: list[Finding]) -> dict[str, str]:
    """Name and detail of what neither passed nor was left alone."""
    quiet = (Verdict.PASS, Verdict.NOT_EXERCISED)
    return {finding.name: finding.detail for finding in findings if finding.verdict not in quiet}


def held_by_it(run_id: str) -> bool:
    return run_id not in {*NOT_ATTEMPTED, *OWN_WAY} and RUNS[run_id].case.family != ALARMS


@pytest.mark.parametrize("run_id", [run_id for run_id in RUNS if held_by_it(run_id)])
def test_the_right_program_passes(carry_out: Carry, run_id: str):
    result = carry_out(0, run_id)
    assert result.error == ""
    assert failed(result.expectations) == {}
    assert failed(result.requirements) == {}


@pytest.mark.parametrize(("run_id", "why"), NOT_ATTEMPTED.items())
def test_what_it_does_not_attempt_is_said_and_not_passed(carry_out: Carry, run_id: str, why: str):
    assert why in carry_out(0, run_id).error


@pytest.mark.parametrize("run_id", OWN_WAY)
def test_where_it_goes_its_own_way_it_holds_every_requirement(carry_out: Carry, run_id: str):
    result = carry_out(0, run_id)
    assert failed(result.requirements) == {}
    assert failed(result.expectations) != {}


@pytest.mark.parametrize(("mistake", "run_id", "named", "others"), PLANTED)
def test_a_planted_mistake_fails_where_it_is_named(
    carry_out: Carry, mistake: int, run_id: str, named: str, others: set[str]
):
    assert set(failed(carry_out(mistake, run_id).requirements)) == {named} | others


def test_each_mistake_is_planted_in_some_run():
    assert {mistake for mistake, *_ in PLANTED} == set(MISTAKES)


# --- the program itself -------------------------------------------------------------------------------------


def play(controller: StandIn, seconds: float, from_ms: int = 0) -> list[Outputs]:
    """Runs a controller on a bank with an empty tank; its outputs, scan by scan."""
    plant = Plant(SITE.units, SITE.file.plant, seed=1)
    plant.set_tank_pct(30.0)
    seen = []
    for number in range(round(10 * seconds)):
        seen.append(controller.scan(plant.inputs(), from_ms + 100 * number))
        plant.step(seen[-1], 100)
    return seen


def without_watchdog(seen: list[Outputs]) -> list[Outputs]:
    return [outputs._replace(bank=outputs.bank._replace(watchdog=False)) for outputs in seen]


def test_a_clock_that_wraps_changes_nothing():
    # given a clock of 32 bits that wraps in the middle of the first start flush
    wrapping = play(StandIn(SITE.units, SITE.setpoints), 300, from_ms=2**32 - 150_000)
    # then nothing is sooner or later than with one that does not
    straight = play(StandIn(SITE.units, SITE.setpoints), 300)
    assert without_watchdog(wrapping) == without_watchdog(straight)
    assert any(outputs.units[0].pump for outputs in straight)


def test_it_continues_from_a_snapshot_bit_for_bit():
    first, second = StandIn(SITE.units, SITE.setpoints), StandIn(SITE.units, SITE.setpoints)
    play(first, 200)
    second.restore(first.snapshot())
    assert second.snapshot() == first.snapshot()
    assert second.states() == first.states()


def test_retained_data_that_was_damaged_locks_every_unit_out():
    kept = StandIn(SITE.units, SITE.setpoints).retained()
    damaged = kept[:20] + ("0" if kept[20] != "0" else "1") + kept[21:]
    for text, state in ((kept, UnitState.STANDBY), (damaged, UnitState.LOCKOUT), ("", UnitState.LOCKOUT)):
        controller = StandIn(SITE.units, SITE.setpoints, text)
        play(controller, 6)
        assert set(controller.states()) == {state}, text


def test_a_missing_compiler_is_named_with_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(NoCompilerError, match="install one that is called as cc, on Debian the package gcc"):
        compile_library(tmp_path)


def test_it_is_compiled_once_for_each_source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    made = compile_library(tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path))  # a second compilation would find no compiler
    assert compile_library(tmp_path) == made
    assert list(tmp_path.iterdir()) == [made]


def test_every_setpoint_of_the_program_is_one_of_the_site():
    listed = standin._names(standin.library(), 0)
    assert listed[-1] == "mistake"
    assert set(listed[:-1]) <= set(Setpoints.model_fields)


def test_the_command_judges_it_by_name(tmp_path: Path):
    program = [sys.executable, "-m", "sim_plant.cli", "prove", "--controller", "tests.hil.standin:StandIn"]
    options = ["--case", "shared-floor-leak", "--jobs", "1", "--out", str(tmp_path / "evidence")]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [*program, *options], cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "The one run passed." in done.stdout
