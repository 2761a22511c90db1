"""The same cases at the desk and on a line: are the verdicts the same, and the order of events?

    python -m tests.hil.same                  all bundled cases that a live controller can be asked
    python -m tests.hil.same --case feed-low  those whose file name contains this; may be repeated
    python -m tests.hil.same --short          some, shortened, in less than four minutes
    python -m tests.hil.same --from-rest      one, all the way as a live proof does it, in five minutes

Our firmware goes through each case twice (``both_ways``). Many lines are met at once, each in a process of
its own: they mostly wait. Exit code 1 when two runs differ.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, replace
from pathlib import Path

from controller.runtime import SWITCH_S
from controller.signals import Verb
from controller.unit.states import UnitState
from sim_plant.bench.cases import CASE_ENDING, Expectation, Run, load_case, load_case_files, load_cases
from sim_plant.bench.live.field import Commands
from sim_plant.bench.live.workshop import why_left_out
from sim_plant.site import Site, demo_folder, load_site
from tests.hil.both_ways import Outcome, Task, met_at_rest, met_midway

SITE = Path(__file__).parent / "live_site"


# --- which runs --------------------------------------------------------------------------------------------

SHORT_SETPOINTS = (
    "purge_interval_s=120", "purge_s=6", "quality_flush_s=20", "tds_alarm_s=10", "tds_lockout_s=20",
    "tds_blank_start_s=80", "tds_blank_purge_s=10", "suction_retry_1_s=30", "io_back_s=5", "min_off_s=80",
    "stagger_s=5", "settle_s=3", "min_run_min=0", "min_rest_min=0", "resume_s=0", "resume_step_s=0",
)  # fmt: skip
SHORT = (
    ("tds-start-peak-is-blanked", UnitState.START_FLUSH, 140.0),
    ("feed-returns-and-unit-retries", UnitState.PRODUCE, 150.0),
    ("feed-header-lost", UnitState.PRODUCE, 150.0),
    ("tank-full", UnitState.PRODUCE, 120.0),
    ("tds-alarm-brings-a-flush", UnitState.PRODUCE, 110.0),
    ("flush-cut-by-selector", UnitState.START_FLUSH, 120.0),
    ("flush-cut-by-estop", UnitState.PURGE, 70.0),
    ("tank-level-stuck-float-acts", UnitState.PRODUCE, 60.0),
    ("purge-cut-by-stop", UnitState.QUALITY_FLUSH, 110.0),
    ("unit-silent", UnitState.PRODUCE, 150.0),
)
"""Case, state, and how long it goes on after its last step."""
PLANTED = ("tank-full", ("flush_tail_s", 6.0))
"""A case, and a setpoint of 2 s that the firmware on the line has otherwise: it must be found."""


def short_tasks() -> list[Task]:
    """Two units with short times; the last task has a mistake planted."""
    site = load_site(SITE, SHORT_SETPOINTS)
    tasks = [Task(site, shortened(_run_of(site, case, state), for_s)) for case, state, for_s in SHORT]
    case, planted = PLANTED
    (task,) = (task for task in tasks if task.run.source.startswith(case))
    run = replace(task.run, run_id=f"planted-{task.run.run_id}")
    return [*tasks, replace(task, run=run, planted=planted)]


def _run_of(site: Site, case: str, state: UnitState) -> Run:
    runs = load_case_files([demo_folder() / "cases" / f"{case}{CASE_ENDING}"], site)
    return next(run for run in runs if run.state is state)


def shortened(run: Run, for_s: float) -> Run:
    """Ending so long after the last step; what comes later is not expected.

    Nothing is compared with an undisturbed run, so neither does a step disturb nor must SR-48 be seen.
    """
    steps = tuple(step.model_copy(update={"disturbs": False}) for step in run.case.step)
    assert all(step.at_s is not None for step in steps), (
        "a step that waits for a state comes at no known time"
    )
    at_s = {"": 0.0} | {step.name: step.at_s or 0.0 for step in steps}
    end_s = max(at_s.values()) + for_s
    kept = tuple(e for e in run.case.expect if at_s[e.after] + _window_s(e) <= end_s)
    end = run.case.run.model_copy(update={"for_s": for_s})
    named = tuple(name for name in run.case.requirements if name != "SR-48")
    changed = {"step": steps, "expect": kept, "run": end, "requirements": named}
    return replace(run, case=run.case.model_copy(update=changed))


def _window_s(expectation: Expectation) -> float:
    """When its window closes, counted from the step that it refers to."""
    if expectation.within_s is not None:
        return expectation.from_s + expectation.within_s
    return expectation.from_s if expectation.until_s is None else expectation.until_s


def rest_tasks() -> list[Task]:
    """A plain start and an interrupted one, from rest."""
    site = load_site(SITE)
    return [Task(site, run) for run in load_case(SITE / "cases" / f"starting{CASE_ENDING}", site)]


class _AnyCommand(Commands):
    """People reach our firmware without a register (see ``own_line``)."""

    def __init__(self) -> None:
        pass

    def accepts(self, verb: Verb, unit: int) -> bool:  # noqa: ARG002 - any
        """Any."""
        return True


def all_tasks(wanted: Sequence[str]) -> list[Task]:
    """Every run of the bundled site that a live controller can be asked."""
    site, tasks, left_out = load_site(demo_folder()), list[Task](), Counter[str]()
    for run in load_cases(site):
        if wanted and not any(text in run.source for text in wanted):
            continue
        if why := why_left_out(run, _AnyCommand()):
            left_out[why] += 1
        else:
            tasks.append(Task(site, run, site.file.site.seed))
    for why, n in left_out.items():
        print(f"left out: {n} runs: {why}", file=sys.stderr)
    return tasks


# --- many at once ------------------------------------------------------------------------------------------


def carry_out(
    tasks: Sequence[Task], lines: int, met: Callable[[Task], Outcome] = met_midway
) -> Iterator[Outcome]:
    """Outcomes as they come; so many lines at once."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(lines, context, sys.setswitchinterval, (SWITCH_S,)) as pool:
        longest_first = sorted(tasks, key=lambda task: -_lasts_s(task.run))
        for future in as_completed([pool.submit(met, task) for task in longest_first]):
            yield future.result()


def _lasts_s(run: Run) -> float:
    return run.case.run.for_s + max((step.at_s or 0.0 for step in run.case.step), default=0.0)


def line_of(outcome: Outcome) -> str:
    """For people."""
    o = outcome
    given_up = f", {len(o.given_up_ms)} times too late" if o.given_up_ms else ""
    opened = f", open: {', '.join(o.left_open)}" if o.left_open else ""
    return (
        f"{o.run_id}: {o.verdict or 'no verdict'}, {o.lasted_s:.0f} s, {o.events} events, "
        f"{o.earliest_ms:+d} to {o.latest_ms:+d} ms, unseen {o.unseen}, margins off by {o.margin_off_ms} ms, "
        f"uncertain by {o.uncertainty_ms} ms{opened}{given_up}"
    )


def summary(outcomes: Sequence[Outcome], took_s: float) -> str:
    """All together."""

    def total(name: str) -> float:
        return sum(getattr(outcome, name) for outcome in outcomes)

    tested = {name for outcome in outcomes for name in outcome.put_to_the_test}
    uncertain_ms = [outcome.uncertainty_ms for outcome in outcomes]
    earliest_ms, latest_ms = min(o.earliest_ms for o in outcomes), max(o.latest_ms for o in outcomes)
    return "\n".join(
        (
            f"{len(outcomes)} runs both ways in {took_s:.0f} s, {total('lasted_s'):.0f} s on lines; "
            f"{sum(bool(outcome.apart) for outcome in outcomes)} differ",
            f"{total('events')} events compared, {earliest_ms:+d} to {latest_ms:+d} ms on the line; "
            f"{total('unseen')} too short to be missed",
            f"uncertain by {min(uncertain_ms)} to {max(uncertain_ms)} ms; margins off by "
            f"{max(o.margin_off_ms for o in outcomes)} ms at most",
            f"{len(tested)} requirements put to the test on lines; "
            f"{sum(len(o.left_open) for o in outcomes)} verdicts left open within the uncertainty",
        )
    )


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description="The same cases at the desk and on a line.")
    parser.add_argument(
        "--case", action="append", default=[], help="part of a case file's name; may be repeated"
    )
    parser.add_argument("--within", type=float, default=3600.0, help="only runs of no more seconds")
    parser.add_argument("--lines", type=int, default=16, help="at once")
    parser.add_argument("--short", action="store_true", help="some cases, shortened")
    parser.add_argument("--from-rest", action="store_true", help="one case, as a live proof does it")
    parser.add_argument("--json", action="store_true", help="print outcomes for a program, one a line")
    given = parser.parse_args()
    met = met_at_rest if given.from_rest else met_midway
    tasks = rest_tasks() if given.from_rest else short_tasks() if given.short else all_tasks(given.case)
    tasks = [task for task in tasks if _lasts_s(task.run) <= given.within]
    began_s, outcomes = time.monotonic(), []
    for outcome in carry_out(tasks, min(given.lines, len(tasks)), met):
        outcomes.append(outcome)
        if given.json:
            print(json.dumps(asdict(outcome)), flush=True)
        else:
            print(line_of(outcome), *(f"  {text}" for text in outcome.apart), sep="\n", flush=True)
    print(summary(outcomes, time.monotonic() - began_s), file=sys.stderr)
    return 1 if any(outcome.apart for outcome in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
