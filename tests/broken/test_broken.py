"""Controllers that are wrong on purpose must fail the bundled cases, for the right reason.

A bench that passes everything proves nothing. Each row names the run that must find the fault, the
requirements that must be broken, and words of an expectation that must not be met ("" where only
requirements can see it).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import controllers
import more_controllers
import pytest
from test_the_ten import TEN

from controller.firmware import Controller
from sim_plant.bench.cases import load_cases
from sim_plant.bench.runner import Workshop
from sim_plant.bench.verdicts import Finding, RunResult, Verdict
from sim_plant.site import demo_folder, load_site

ROOT = Path(__file__).parents[2]
SITE = load_site(demo_folder())
RUNS = {run.run_id: run for run in load_cases(SITE)}
Carry = Callable[[type[Controller], str], RunResult]

CAUGHT: list[tuple[type[Controller], str, set[str], str]] = [
    (controllers.ShortStartFlush, "tds-start-peak-is-blanked-start_flush", {"SR-02", "SR-42"}, ""),
    (controllers.ShortStopFlush, "tank-full-produce", {"SR-19"}, ""),
    (controllers.NoBlanking, "tds-start-peak-is-blanked-start_flush", {"SR-23"}, "no quality alarm"),
    (controllers.NoBlanking, "tds-reading-high-while-blanked-2-pump_start", {"SR-21"}, "the pump stays on"),
    (
        controllers.NoBlankingAfterPurge,
        "tds-reading-high-while-blanked-1-purge",
        set(),
        "no quality alarm is shown",
    ),
    (controllers.NeverPurges, "tds-torn-oring-1-produce", {"SR-15"}, ""),
    (
        controllers.RetriesForEver,
        "feed-low-again-and-again-locks-out-produce",
        {"SR-06"},
        "the unit is locked out",
    ),
    (controllers.RetriesAtOnce, "feed-low-again-and-again-locks-out-produce", {"SR-06"}, ""),
    (controllers.TripsOnADip, "feed-dip-ridden-through-1-produce", {"SR-04"}, "the pump stays on"),
    (controllers.OneFlushTooMany, "tank-level-wire-broken-before-start-standby", {"SR-17"}, ""),
    (controllers.TwoPumpsTogether, "tds-start-peak-is-blanked-start_flush", {"SR-14"}, ""),
    (
        controllers.ResumesWithoutFlush,
        "flush-cut-by-power-loss-1-start_flush",
        {"SR-02", "SR-42", "SR-54"},
        "no pump for as long as a whole flush takes",
    ),
    (
        controllers.IgnoresHighHigh,
        "tank-level-stuck-float-acts-pump_start",
        {"SR-28"},
        "the other pumps are off until the reset",
    ),
    (controllers.IgnoresFullTank, "tank-full-pump_start", {"SR-27"}, "the pump is off"),
    (
        controllers.IgnoresFullTank,
        "tank-level-wire-broken-before-start-wait_permit",
        {"SR-29"},
        "no other pump starts",
    ),
    (controllers.IgnoresLowSuction, "feed-low-trips-1-pump_start", {"SR-04"}, "the pump stops"),
    (controllers.IgnoresLowSuction, "feed-low-in-a-flush-start_flush", set(), "the feed valve is let go"),
    (
        controllers.IgnoresSuctionSwitch,
        "feed-switch-backs-up-the-transmitter-produce",
        {"SR-05"},
        "the pump stops",
    ),
    (controllers.IgnoresSalt, "tds-far-too-high-locks-out-pump_start", {"SR-20"}, "the unit is locked out"),
    (controllers.IgnoresLeak, "flush-cut-by-leak-start_flush", {"SR-30"}, "the flush valve too"),
    (controllers.IgnoresOverload, "flush-cut-by-overload-purge", {"SR-10"}, "the pump stops"),
    (controllers.IgnoresSelector, "flush-cut-by-selector-1-start_flush", {"SR-50"}, "within 5 s"),
    (controllers.RestartsAfterEstop, "flush-cut-by-estop-start_flush", {"SR-33"}, "the feed valve is let go"),
    (controllers.ResetsItself, "flush-cut-by-estop-start_flush", {"SR-33"}, "the feed valve is let go"),
    (controllers.PumpRunsOn, "feed-collapse-trips-fast-pump_start", {"SR-01", "SR-05"}, "the pump stops"),
    (controllers.FlushValveStaysOpen, "tank-level-wire-broken-before-start-standby", {"SR-17"}, ""),
    (
        controllers.Blind,
        "unit-trips-lock-out-produce",
        {"SR-08", "SR-09", "SR-11", "SR-41"},
        "permeate switch: the pump stops",
    ),
    (controllers.BlindToContacts, "unit-contactor-welded-produce", {"SR-12"}, "the alarm relay drops"),
    (controllers.Blind, "unit-loops-broken-produce", {"SR-24", "SR-26"}, "suction broken: the pump stops"),
    (controllers.Blind, "shared-floor-leak-produce", {"SR-31"}, "the booster is off"),
    (controllers.Blind, "shared-sump-high-purge", {"SR-32"}, "the flush valve shuts"),
    (controllers.Blind, "shared-chlorine-produce", {"SR-34"}, "the pump is off"),
    (controllers.Blind, "shared-hot-feed-produce", {"SR-35"}, "the pump is off"),
    (controllers.BlindToContacts, "shared-antiscalant-produce", {"SR-36", "SR-37"}, "the alarm shows"),
    (controllers.Blind, "shared-booster-trips-produce", {"SR-40"}, "the booster is told to stop"),
    (controllers.IgnoresAge, "unit-silent-produce", {"SR-45", "SR-46"}, "the feed valve is let go"),
    (controllers.OneStopsAll, "unit-silent-produce", {"SR-48"}, ""),
    (controllers.IgnoresOverload, "unit-locked-out-produce", {"SR-10"}, "the pump is off"),
    (controllers.IgnoresHeartbeat, "link-bank-image-frozen-produce", {"SR-46", "SR-47"}, "the pump is off"),
    (controllers.TimesByTheWallClock, "clock-stepped-1-start_flush", {"SR-44"}, ""),
    (controllers.TimesByTheWallClock, "clock-stepped-1-purge", {"SR-44"}, ""),
    (controllers.TimesByTheWallClock, "clock-stepped-1-retry_wait", {"SR-44"}, ""),
    (controllers.TimesByTheWallClock, "clock-stepped-2-start_flush", {"SR-44"}, ""),
    (controllers.TakesAnySetpoint, "setpoint-refused-produce", {"SR-56"}, ""),
    (controllers.ForgetsCauses, "unit-trips-lock-out-produce", {"SR-55"}, ""),
    (controllers.AcknowledgeSilences, "alarm-acknowledged-lockout", {"SR-57"}, "the horn goes on"),
    (controllers.FollowsTheSelector, "unit-selector-chatters-produce", {"SR-58"}, ""),
    (
        controllers.WakesFromMaintenance,
        "unit-out-for-maintenance-produce",
        {"SR-49"},
        "no output of it comes on any more",
    ),
    (controllers.PartFlushCounts, "flush-cut-by-stop-3-start_flush", {"SR-02", "SR-03"}, "before a whole"),
]


@pytest.fixture(scope="module")
def carry_out() -> Carry:
    """Carries out one bundled run; the rows of one controller share its workshop."""
    kept: dict[type[Controller], Workshop] = {}

    def carry(controller: type[Controller], run_id: str) -> RunResult:
        if controller not in kept:
            kept.clear()
            kept[controller] = Workshop(SITE, controller, SITE.file.site.seed)
        return kept[controller].carry_out(RUNS[run_id])

    return carry


def failed(findings: list[Finding]) -> set[str]:
    """Names of the findings that failed."""
    return {finding.name for finding in findings if finding.verdict is Verdict.FAIL}


@pytest.mark.parametrize(
    ("controller", "run_id", "requirements", "words"),
    CAUGHT,
    ids=[f"{row[0].__name__}-{row[1]}" for row in CAUGHT],
)
def test_a_broken_controller_is_caught(
    carry_out: Carry, controller: type[Controller], run_id: str, requirements: set[str], words: str
) -> None:
    result = carry_out(controller, run_id)

    assert result.error == "", "the fault must be seen in a run, not by a run that could not begin"
    assert result.verdict is Verdict.FAIL
    assert requirements <= failed(result.requirements)
    if words:
        assert any(words in name for name in failed(result.expectations)), failed(result.expectations)


def test_every_broken_controller_has_a_row() -> None:
    broken = {
        value
        for value in (vars(controllers) | vars(more_controllers)).values()
        if isinstance(value, type) and issubclass(value, Controller)
    }
    bases = {Controller, controllers.OtherSettings, controllers.Spoilt}
    assert broken - bases == {row[0] for row in CAUGHT} | {mistake.controller for mistake in TEN}


def test_an_unspoilt_controller_passes_the_same_way(carry_out: Carry) -> None:
    """The wrapping itself breaks nothing: what fails above fails for the fault alone."""
    for run_id in ("tds-start-peak-is-blanked-start_flush", "flush-cut-by-selector-1-start_flush"):
        assert carry_out(controllers.Spoilt, run_id).verdict is Verdict.PASS


# --- the same through the command ------------------------------------------------------------------------


def prove(tmp_path: Path, *options: str) -> tuple[int, str, Path]:
    """The command as a process of its own: exit code, output, evidence folder."""
    out = tmp_path / "evidence"
    command = [sys.executable, "-m", "sim_plant.cli", "prove", "--jobs", "1", "--out", str(out), *options]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=240, check=False
    )
    return done.returncode, done.stdout, out


def test_the_command_fails_a_broken_controller_and_shows_it(tmp_path: Path) -> None:
    broken = "tests.broken.controllers:ShortStartFlush"
    code, said, out = prove(tmp_path, "--controller", broken, "--case", "tds-start-peak")
    page = (out / "report.html").read_text(encoding="utf-8")
    picture = (out / "pictures" / "tds-start-peak-is-blanked-start_flush.svg").read_text(encoding="utf-8")
    verdicts = {one["id"]: one for one in json.loads((out / "run.json").read_text("utf-8"))["requirements"]}

    assert code == 1, said
    assert any(line.startswith("SR-02") and "FAIL" in line for line in said.splitlines())
    assert verdicts["SR-02"]["verdict"] == "fail"
    assert verdicts["SR-02"]["run_id"].startswith("tds-start-peak-is-blanked-")
    assert "SR-02" in page
    assert broken in page
    assert picture.lstrip().startswith("<svg")
    assert picture.strip() in page


def test_the_command_fails_a_setting_that_is_wrong_for_the_water(tmp_path: Path) -> None:
    """30 s of blanking are not enough for this plant's start peak."""
    code, said, out = prove(tmp_path, "--set", "tds_blank_start_s=30", "--case", "tds-start-peak")
    page = (out / "report.html").read_text(encoding="utf-8")

    assert code == 1, said
    assert "no quality alarm is shown" in said
    assert "tds_blank_start_s" in page
