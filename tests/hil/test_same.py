"""The same cases at the desk and over Modbus: the same verdicts, and the same order of events.

Eleven lines at once in real time, less than four minutes; each mostly waits.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from controller.unit.states import UnitState
from sim_plant.bench.cases import Run, build_case
from sim_plant.site import load_site
from tests.hil.same import PLANTED, SHORT, SITE, shortened

WITHIN_S = 900.0
TESTED = {"SR-02", "SR-04", "SR-14", "SR-19", "SR-20", "SR-27", "SR-28", "SR-33", "SR-45"}
"""What the cases must have put to the test on the lines, among others."""


@pytest.fixture(scope="module")
def outcomes() -> dict[str, dict[str, object]]:
    """Of ``python -m tests.hil.same --short``, by the names of the runs."""
    command = [sys.executable, "-m", "tests.hil.same", "--short", "--json", "--lines", str(len(SHORT) + 1)]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=WITHIN_S, cwd=Path(__file__).parents[2], check=False
    )
    print(done.stdout, done.stderr)
    return {told["run_id"]: told for told in map(json.loads, done.stdout.splitlines())}


def test_our_firmware_does_the_same_on_a_line_as_at_the_desk(outcomes: dict[str, dict[str, object]]) -> None:
    same = {name: told for name, told in outcomes.items() if not name.startswith("planted")}
    assert len(same) == len(SHORT)
    assert {name: told["apart"] for name, told in same.items() if told["apart"]} == {}
    assert all(told["events"] > 10 for told in same.values())
    assert {told["verdict"] for told in same.values()} <= {"pass", "inconclusive"}
    assert {name for told in same.values() for name in told["put_to_the_test"]} >= TESTED


def test_firmware_that_has_one_setpoint_otherwise_is_found_by_its_edges(
    outcomes: dict[str, dict[str, object]],
) -> None:
    """It lets its flush valves go four seconds later."""
    (told,) = (told for name, told in outcomes.items() if name.startswith("planted"))
    assert PLANTED[1] == ("flush_tail_s", 6.0)
    assert any("flush_valve off" in text and "late by" in text for text in told["apart"])


def test_a_case_is_shortened_to_what_can_still_be_seen() -> None:
    table = {
        "title": "a case", "family": "live", "given": {"states": ["PRODUCE"], "unit": 1},
        "step": [{"at_s": 5, "name": "stop", "command": "stop", "disturbs": True}], "run": {"for_s": 300},
        "expect": [
            {"text": "soon", "signal": "pump", "is": False, "after": "stop", "within_s": 10},
            {"text": "late", "signal": "pump", "is": False, "after": "stop", "within_s": 11},
            {"text": "throughout", "signal": "pump", "is": False, "after": "stop", "from_s": 9},
        ],
    }  # fmt: skip
    case = build_case("a.case.toml", table, load_site(SITE))

    short = shortened(Run("a", "a.case.toml", case, UnitState.PRODUCE, ""), 10.0).case

    assert [expectation.text for expectation in short.expect] == ["soon", "throughout"]
    assert (short.run.for_s, short.step[0].disturbs, short.step[0].command) == (10.0, False, "stop")
