"""Ten mistakes that every bench must find: the right requirement, at the right moment.

Each row is one mistake, a run that shows it, and the requirements that it breaks, each with a function that
reads from the trace, and not from the finding, when the mistake first shows there. Most requirements name
the moment at which their clock starts (the float opens, the pump stops); it is said beside each function.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import controllers
import more_controllers
import numpy as np
import pytest

from controller.firmware import Controller
from sim_plant.bench.cases import load_case, load_cases
from sim_plant.bench.runner import Workshop
from sim_plant.bench.trace import Bools, Ints, Trace
from sim_plant.bench.verdicts import RunResult, Verdict
from sim_plant.site import demo_folder, load_site

SITE = load_site(demo_folder())
SP = SITE.setpoints
OWN_CASES = sorted((Path(__file__).parent / "cases").glob("*.case.toml"))
OWN_RUNS = [run.run_id for path in OWN_CASES for run in load_case(path, SITE)]
RUNS = {
    run.run_id: run
    for run in [*load_cases(SITE), *(run for path in OWN_CASES for run in load_case(path, SITE))]
}

Moment = Callable[[Trace], tuple[int, int]]  # row and unit of the first failure


class Mistake(NamedTuple):
    """One way to be wrong."""

    name: str
    controller: type[Controller]
    run_id: str
    broken: dict[str, Moment]


# --- reading a trace: the test's own words, none of the monitors' -----------------------------------------


def rises(on: Bools) -> list[int]:
    return [row for row in range(1, len(on)) if on[row] and not on[row - 1]]


def falls(on: Bools) -> list[int]:
    return [row for row in range(1, len(on)) if on[row - 1] and not on[row]]


def units(trace: Trace) -> range:
    return range(1, trace.n_units + 1)


def seconds(t_ms: Ints, first: int, last: int) -> float:
    return float(t_ms[last] - t_ms[first]) / 1000.0


def flushes(trace: Trace, unit: int) -> list[tuple[int, int]]:
    """First and last row + 1 of every flush with the pump off that has ended."""
    on = trace.unit("feed_valve", unit) & trace.unit("flush_valve", unit) & ~trace.unit("pump", unit)
    return list(zip(rises(on), falls(on), strict=False))


def a_pump_starts_unflushed(trace: Trace) -> tuple[int, int]:
    """The scan in which a pump comes on though its valves were not open together for the whole flush."""
    found = []
    for unit in units(trace):
        for start in rises(trace.unit("pump", unit)):
            last = [span for span in flushes(trace, unit) if span[1] <= start][-1:]
            if not last or seconds(trace.t_ms, *last[0]) < SP.start_flush_s - 1:
                found.append((start, unit))
    return min(found)


def quality_stops_a_blanked_pump(trace: Trace) -> tuple[int, int]:
    """The scan in which a pump goes off that has not yet run for the blanked time."""
    found = []
    for unit in units(trace):
        pump = trace.unit("pump", unit)
        for start, stop in zip(rises(pump), falls(pump), strict=False):
            if seconds(trace.t_ms, start, stop) < SP.tds_blank_start_s:
                found.append((stop, unit))
    return min(found)


def a_stop_is_not_repaid(trace: Trace) -> tuple[int, int]:
    """The scan in which a pump stops whose unit takes no whole flush from then on."""
    found = []
    for unit in units(trace):
        for stop in falls(trace.unit("pump", unit))[-1:]:
            spans = [span for span in flushes(trace, unit) if span[0] >= stop]
            if not any(seconds(trace.t_ms, *span) > SP.stop_flush_s - 2 for span in spans):
                found.append((stop, unit))
    return min(found)


def a_reset_starts_a_tripped_pump(trace: Trace) -> tuple[int, int]:
    """The scan in which a pump comes on while the contact that has tripped it is still open."""
    return min(
        (row, unit)
        for unit in units(trace)
        for row in rises(trace.unit("pump", unit))
        if not trace.unit("discharge_ok", unit)[row]
    )


def a_reset_starts_a_pump(trace: Trace) -> tuple[int, int]:
    """The scan in which the first pump comes on after the reset button was pressed."""
    pressed = rises(trace.bank("reset_button") > 0.5)[0]
    return min(
        (row, unit) for unit in units(trace) for row in rises(trace.unit("pump", unit)) if row >= pressed
    )


def salt_is_not_answered(trace: Trace) -> tuple[int, int]:
    """The first scan beyond the blanked time in which a pump runs on water above the lockout level."""
    found = []
    for unit in units(trace):
        pump, flush = trace.unit("pump", unit), trace.unit("flush_valve", unit)
        salty = trace.unit("permeate_cond_ma", unit) * SP.tds_per_us > SP.tds_lockout_mgl
        for start in rises(pump)[-1:]:
            late = trace.t_ms - trace.t_ms[start] >= 1000 * SP.tds_blank_start_s
            rows = np.flatnonzero(salty & late & pump & ~flush)
            found += [(int(row), unit) for row in rows[:1]]
    return min(found)


def a_lockout_ends_unasked(trace: Trace) -> tuple[int, int]:
    """The scan in which the feed of a unit opens whose motor protector has tripped; nobody pressed reset."""
    assert not trace.bank("reset_button").any()
    found = []
    for unit in units(trace):
        tripped = falls(trace.unit("motor_healthy", unit) | (trace.bank("powered") < 0.5))
        found += [
            (row, unit) for row in rises(trace.unit("feed_valve", unit)) if tripped and row > tripped[0]
        ]
    return min(found)


def two_pumps_start_together(trace: Trace) -> tuple[int, int]:
    """The scan of a pump start that comes too soon after that of another unit."""
    starts = sorted((row, unit) for unit in units(trace) for row in rises(trace.unit("pump", unit)))
    return min(
        later
        for before, later in itertools.pairwise(starts)
        if before[1] != later[1] and seconds(trace.t_ms, before[0], later[0]) < SP.stagger_s - 0.2
    )


def the_float_is_open(trace: Trace) -> tuple[int, int]:
    """The first scan with the high-high float open; a pump was on and is still on a second later."""
    opened = falls(trace.bank("tank_not_overfull") > 0.5)[0]
    running = [unit for unit in units(trace) if trace.unit("pump", unit)[opened : opened + 10].all()]
    return opened, running[0]


TEN = (
    Mistake(
        "timer too short",
        controllers.ShortStartFlush,
        "tds-start-peak-is-blanked-start_flush",
        {"SR-02": a_pump_starts_unflushed},
    ),
    Mistake(
        "guard negated",
        more_controllers.JudgesOnlyBlankedSalt,
        "tds-reading-high-while-blanked-2-pump_start",
        {"SR-21": quality_stops_a_blanked_pump},
    ),
    Mistake(
        "debt cleared early",
        more_controllers.ClearsDebtEarly,
        "all-stop-and-rest-produce",
        {"SR-19": a_stop_is_not_repaid},
    ),
    Mistake(
        "reset that starts a pump",
        more_controllers.ResetStartsPumps,
        "unit-trips-lock-out-produce",
        {"SR-51": a_reset_starts_a_tripped_pump, "SR-02": a_reset_starts_a_pump},
    ),
    Mistake(
        "slot never given back",
        more_controllers.KeepsItsSlot,
        "stopped-one-after-another-produce",
        {"SR-19": a_stop_is_not_repaid},
    ),
    Mistake(
        "blanking forever",
        more_controllers.BlanksForEver,
        "tds-far-too-high-locks-out-pump_start",
        {"SR-20": salt_is_not_answered},
    ),
    Mistake(
        "latch lost on reboot",
        more_controllers.ForgetsLatches,
        "locked-out-and-dark-lockout",
        {"SR-10": a_lockout_ends_unasked},
    ),
    Mistake(
        "two starts at once",
        controllers.TwoPumpsTogether,
        "tds-start-peak-is-blanked-start_flush",
        {"SR-14": two_pumps_start_together},
    ),
    Mistake(
        "stop that skips the flush",
        more_controllers.SkipsStopFlush,
        "tank-full-produce",
        {"SR-19": a_stop_is_not_repaid},
    ),
    Mistake(
        "float ignored",
        controllers.IgnoresHighHigh,
        "tank-level-stuck-float-acts-pump_start",
        {"SR-28": the_float_is_open},
    ),
)


def carry_out(controller: type[Controller], run_id: str) -> RunResult:
    return Workshop(SITE, controller, SITE.file.site.seed).carry_out(RUNS[run_id])


@pytest.mark.parametrize("mistake", TEN, ids=lambda mistake: mistake.name)
def test_the_ten_are_caught_by_the_right_requirement_at_the_right_moment(mistake: Mistake) -> None:
    result = carry_out(mistake.controller, mistake.run_id)
    findings = {finding.name: finding for finding in result.requirements}

    assert result.error == ""
    assert result.trace is not None
    for requirement, moment in mistake.broken.items():
        finding = findings[requirement]
        row, unit = moment(result.trace)
        assert finding.verdict is Verdict.FAIL, requirement
        assert finding.at_ms == pytest.approx(int(result.trace.t_ms[row]), abs=result.trace.scan_ms)
        assert finding.unit == unit


@pytest.mark.parametrize("run_id", OWN_RUNS)
def test_an_unspoilt_controller_passes_the_runs_made_for_the_ten(run_id: str) -> None:
    assert carry_out(controllers.Spoilt, run_id).verdict is Verdict.PASS
