"""Storms of communication faults against banks on real sockets, many at once.

    python -m tests.hil.storms --minutes 500 --banks 40 --seed 1

Each bank (``tests.hil.storm_bank``) is brought into production, goes through a storm of random faults F67 to
F77 (``storm_troubles``), must come back to production by itself or after the resets that a person gives, and
goes into the next one. Every scan of the plant is judged by ``storm_rules``; at the end of a bank's life
its record goes before the requirement monitors of the bench. Minutes are those of all banks together.

The schedule of a bank follows from the seed and its number alone. What the machine does in between does not:
two runs are never alike to the scan. Exit code 1 when anything was violated.

What the storms do not cover: see DEVELOPERS.md, "Storms on the line".
"""

from __future__ import annotations

import argparse
import heapq
import itertools
import json
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from controller.modbus.server import ServerThread
from controller.unit.states import UnitState
from sim_plant.bench.monitors import Context, judge_all
from sim_plant.bench.verdicts import Verdict
from sim_plant.faults import Fault
from tests.hil.proxy import ProxyThread
from tests.hil.storm_bank import LOW_PCT, N_UNITS, SCAN_MS, SHORT, StormBank, now_ms, recovery_most_ms
from tests.hil.storm_rules import LAG_MS
from tests.hil.storm_troubles import Trouble, Weather, draw

ROOT = Path(__file__).parents[2]
JUDGED = ("SR-01", "SR-02", "SR-14", "SR-17", "SR-18", "SR-28", "SR-33", "SR-45", "SR-46", "SR-47")
UNCERTAINTY_MS = LAG_MS
STORM_MS = (30_000, 45_000, 60_000, 80_000)
READY_MS = recovery_most_ms(SHORT)  # from a start, the end of a storm, or what a person did last
RESTART_AFTER_MS = 3_500  # a second master must have been away for 3 s
RESET_AFTER_MS = 62_000  # causes must have been gone for up to 60 s (narrative 3.6)
RESETS_MOST = 3  # in one calm: E-stop, what is latched beneath it, and one more
DWELL_MS = 3_000
STARTS_MOST = 8  # one less than the motor may have in an hour; then the bank has done its work
LATE_BANK_MS = 400  # a scan so late says that the machine cannot carry so many banks
FLOAT = Fault("tank_not_overfull", "stuck_open")


@dataclass
class Report:
    """What one bank, or all of them, went through."""

    minutes: float = 0.0
    storms: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    struck: Counter[str] = field(default_factory=Counter)  # frames, by what the proxy did
    by_itself: int = 0
    after_reset: int = 0
    after_more_resets: int = 0
    after_restart: int = 0
    resets: int = 0
    slowest_s: float = 0.0
    estops: int = 0
    estops_uncarried: int = 0
    floats: int = 0
    floats_uncarried: int = 0
    images: int = 0
    cut_scans: int = 0
    late_rows: int = 0
    late_most_ms: int = 0
    rows: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)  # "SR-01 pass"
    other_failures: Counter[str] = field(default_factory=Counter)
    violations: list[str] = field(default_factory=list)

    def add(self, other: Report) -> None:
        """Both together."""
        for name, value in vars(other).items():
            mine = getattr(self, name)
            if name in ("slowest_s", "late_most_ms"):
                setattr(self, name, max(mine, value))
            elif isinstance(mine, Counter):
                mine.update(value)
            else:
                setattr(self, name, mine + value)

    @classmethod
    def read(cls, text: str) -> Report:
        """From the line that a process prints."""
        report = cls()
        for name, value in json.loads(text).items():
            kind = type(getattr(report, name))
            setattr(report, name, Counter(value) if kind is Counter else value)
        return report


class Story:
    """One bank from its start to its end; ``scan`` is called after every scan of its plant."""

    def __init__(self, bank: StormBank, number: int, seed: int, end_ms: int) -> None:
        self.bank, self.number, self.report = bank, number, Report()
        self.over = self.going = False
        self._rng = random.Random(seed)
        self._weather = Weather(bank)
        self._end_ms = end_ms
        self._since_ms = now_ms()
        self._step: Callable[[int], None] = self._become_ready
        self._to_begin: list[Trouble] = []
        self._to_end: list[Trouble] = []
        self._storm_end_ms = 0
        self._restarted = False
        self._resets = 0  # in this calm
        self._acted_ms = 0  # when a person did something, or the storm ended
        self._latched_ms: int | None = None  # something waits for a reset since
        self._names: list[str] = []

    def go(self) -> None:
        """Begin as soon as the line carries."""
        if self.bank.connected.is_set():
            self.bank.go()
            self.going, self._since_ms = True, now_ms()

    def scan(self) -> None:
        """Go on with whatever is due."""
        at_ms = now_ms()
        self._step(at_ms)
        self._weather.look()
        if at_ms >= self._end_ms:
            self.over = True

    def _become_ready(self, at_ms: int) -> None:
        if self.bank.producing:
            self._begin_storm(at_ms)
        elif at_ms - self._since_ms > READY_MS:
            self._stuck("never produced")

    def _begin_storm(self, at_ms: int) -> None:
        bank = self.bank
        if max(bank.starts) >= STARTS_MOST or self._end_ms - at_ms < 30_000:
            self.over = True
            return
        length_ms = self._rng.choice(STORM_MS)
        bank.plant.set_tank_pct(LOW_PCT)
        bank.rules.new_chapter()
        self._to_begin, self._to_end = draw(self._rng, length_ms), []
        self._names = [trouble.name for trouble in self._to_begin]
        self._since_ms, self._storm_end_ms = at_ms, at_ms + length_ms
        self._weather.second_master_was_here = False
        self.report.storms += 1
        self._plan_people(length_ms)
        self._step = self._storm

    def _plan_people(self, length_ms: int) -> None:
        bank = self.bank
        at_ms, lasts_ms = self._rng.randrange(length_ms), self._rng.choice((500, 3_000, 6_000))
        what = self._rng.random()
        if what < 0.25:
            bank.in_ms(at_ms, lambda: bank.operate("estop_healthy", False))
            bank.in_ms(at_ms + lasts_ms, lambda: bank.operate("estop_healthy", True))
        elif what < 0.5:
            bank.in_ms(at_ms, lambda: bank.plant.inject(FLOAT))
            bank.in_ms(at_ms + lasts_ms, lambda: bank.plant.clear(FLOAT))

    def _storm(self, at_ms: int) -> None:
        passed_ms = at_ms - self._since_ms
        while self._to_end and self._to_end[0].to_ms <= passed_ms:
            self._weather.end(self._to_end.pop(0))
        while self._to_begin and self._to_begin[0].from_ms <= passed_ms:
            trouble = self._to_begin.pop(0)
            self._weather.begin(trouble)
            self.report.faults[f"{trouble.fault_id} {trouble.how}"] += 1
            self._to_end = sorted((*self._to_end, trouble), key=lambda t: t.to_ms)
        if at_ms >= self._storm_end_ms + 6_500:  # an E-stop may last a little longer
            self._weather.clear()
            self._since_ms = self._acted_ms = at_ms
            self._resets, self._restarted, self._latched_ms = 0, False, None
            self._step = self._calm

    def _calm(self, at_ms: int) -> None:
        bank, passed_ms = self.bank, at_ms - self._since_ms
        if bank.producing and not bank.restarting:
            self._count_recovery(passed_ms)
            self._since_ms, self._step = at_ms, self._dwell
        elif self._weather.second_master_was_here and not self._restarted and passed_ms > RESTART_AFTER_MS:
            self._restarted, self._acted_ms = True, at_ms
            bank.restart_program()
        elif self._resets < RESETS_MOST and self._waits_for_reset_ms(at_ms) > RESET_AFTER_MS:
            self._resets, self._acted_ms, self._latched_ms = self._resets + 1, at_ms, None
            self.report.resets += 1
            bank.press_reset()
        elif at_ms - self._acted_ms > READY_MS:
            self._stuck("did not come back")

    def _waits_for_reset_ms(self, at_ms: int) -> int:
        """For how long something has been latched that a person would see."""
        controller = self.bank.controller
        picture = None if self.bank.restarting else controller.picture()
        latched = picture is not None and (
            bool(picture.bank.latched)
            or any(unit.state in (UnitState.LOCKOUT, UnitState.ESTOP) for unit in picture.units)
        )
        if not latched:
            self._latched_ms = None
        elif self._latched_ms is None:
            self._latched_ms = at_ms
        return 0 if self._latched_ms is None else at_ms - self._latched_ms

    def _count_recovery(self, passed_ms: int) -> None:
        self.report.by_itself += not self._resets and not self._restarted
        self.report.after_reset += self._resets == 1 and not self._restarted
        self.report.after_more_resets += self._resets > 1 and not self._restarted
        self.report.after_restart += self._restarted
        print(
            f"bank {self.number}: produces again after {passed_ms / 1000:.1f} s", file=sys.stderr, flush=True
        )
        self.report.slowest_s = max(self.report.slowest_s, passed_ms / 1000)

    def _dwell(self, at_ms: int) -> None:
        if at_ms - self._since_ms > DWELL_MS:
            self._begin_storm(at_ms)

    def _stuck(self, what: str) -> None:
        states, waits = self.bank.controller.states(), self.bank.controller.waits()
        words = ", ".join(f"{state.value}: {wait}" for state, wait in zip(states, waits, strict=True))
        text = f"{what} within {READY_MS / 1000:g} s ({words}; said last: {self.bank.said[-3:]})"
        self._violation(now_ms(), "recovery", 0, text)
        self.over = True

    def _violation(self, at_ms: int, rule: str, unit: int, text: str) -> None:
        seconds = (at_ms - self.bank.t0_ms) / 1000
        print(f"bank {self.number} at {seconds:.1f} s: {rule} {text}", file=sys.stderr, flush=True)
        recent = [
            f"{mark.t_ms / 1000:.1f} {mark.what} {mark.text}"
            for mark in self.bank.recorder.marks
            if seconds - 12 < mark.t_ms / 1000 < seconds + 1
        ]
        self.report.violations.append(
            f"bank {self.number} at {seconds:.1f} s, {rule}, unit {unit}: {text} "
            f"| before: {'; '.join(recent)}"
        )

    def finish(self) -> Report:
        """End the bank and judge its record."""
        self._weather.clear()
        self.bank.close()
        bank, report = self.bank, self.report
        for found in bank.rules.found:
            self._violation(found.t_ms, found.rule, found.unit, found.text)
        trace = bank.judged_trace()
        context = Context(bank.setpoints.flush_slots(N_UNITS), UNCERTAINTY_MS)
        for finding in judge_all(trace, bank.setpoints, context):
            if finding.name in JUDGED:
                report.verdicts[f"{finding.name} {finding.verdict.value}"] += 1
                if finding.verdict is Verdict.FAIL:
                    at_ms = (finding.at_ms or 0) + bank.t0_ms
                    self._violation(at_ms, f"{finding.name} (monitor)", finding.unit, finding.detail)
            elif finding.verdict is Verdict.FAIL:
                report.other_failures[f"{finding.name}: {finding.detail}"] += 1
        report.minutes = bank.played_s / 60
        report.struck = Counter({what.value: n for what, n in bank.proxy.struck.items()})
        report.images, report.cut_scans = bank.rules.images_checked, bank.rules.cut_checked
        estop, flood = bank.rules.estop, bank.rules.float
        report.estops, report.estops_uncarried = estop.opened, estop.uncarried
        report.floats, report.floats_uncarried = flood.opened, flood.uncarried
        report.rows = len(bank.rows_late_ms)
        report.late_rows = sum(late > LATE_BANK_MS for late in bank.rows_late_ms + bank.scans_late_ms)
        report.late_most_ms = max(bank.rows_late_ms + bank.scans_late_ms, default=0)
        return report


def carry_out(n_banks: int, first: int, minutes: float, seed: int) -> Report:
    """So many banks at once until they have gone through so many minutes together."""
    switch_s = sys.getswitchinterval()
    sys.setswitchinterval(0.000_5)
    total = Report()
    end_ms = now_ms() + round(60_000 * minutes / n_banks)
    numbers = itertools.count(first, 1_000)  # of the banks that follow the first ones
    finished: list[Story] = []
    with ServerThread() as servers, ProxyThread() as proxies:

        def begin(number: int) -> Story:
            bank_seed = seed * 1_000_003 + number
            return Story(StormBank(servers, proxies, bank_seed), number, bank_seed, end_ms)

        stories = [begin(first + i) for i in range(n_banks)]
        next(numbers)
        _run(stories, begin, numbers, finished, end_ms)
        for story in (*finished, *stories):
            total.add(story.finish())
    sys.setswitchinterval(switch_s)
    return total


def _run(
    stories: list[Story],
    begin: Callable[[int], Story],
    numbers: itertools.count[int],
    finished: list[Story],
    end_ms: int,
) -> None:
    """Scan all banks in turn at their own moments; a moment that has passed is not caught up with."""
    due: list[tuple[float, int, bool]] = []
    for i in range(len(stories)):
        offset_ms = i * SCAN_MS / len(stories)
        heapq.heappush(due, (now_ms() + offset_ms, i, True))
        heapq.heappush(due, (now_ms() + offset_ms + SCAN_MS / 2, i, False))
    while now_ms() < end_ms:
        at_ms, i, of_plant = heapq.heappop(due)
        time.sleep(max(at_ms - time.monotonic_ns() / 1e6, 0.0) / 1000.0)
        story = stories[i]
        if story.over:
            if of_plant and end_ms - now_ms() > 120_000:
                finished.append(story)
                stories[i] = begin(next(numbers) + i)
            elif of_plant:
                continue
        elif not story.going:
            story.go()
        elif of_plant:
            story.bank.plant_scan()
            story.scan()
        if not of_plant and story.going and not story.over:
            story.bank.firmware_scan()
        next_ms = at_ms + SCAN_MS
        while next_ms < now_ms():
            next_ms += SCAN_MS
        heapq.heappush(due, (next_ms, i, of_plant))


def in_processes(processes: int, n_banks: int, minutes: float, seed: int) -> Report:
    """The same, spread over processes of their own."""
    shares = [n_banks // processes + (i < n_banks % processes) for i in range(processes)]
    running = []
    for i, share in enumerate(shares):
        first = sum(shares[:i])
        given = (share, first, minutes * share / n_banks, seed)
        command = [sys.executable, "-m", "tests.hil.storms", "--worker", *map(str, given)]
        running.append(subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True))
    total = Report()
    for process in running:
        out, _ = process.communicate()
        if process.returncode:
            raise RuntimeError("a worker failed; its message stands above")
        total.add(Report.read(out.splitlines()[-1]))
    return total


def told(report: Report) -> str:
    """For people."""
    lines = [
        f"{report.minutes:.1f} minutes of banks, {report.storms} storms, "
        f"{sum(report.faults.values())} faults",
        "faults: " + ", ".join(f"{name} {n}" for name, n in sorted(report.faults.items())),
        "frames: " + ", ".join(f"{name} {n}" for name, n in sorted(report.struck.items())),
        f"recovered: {report.by_itself} by itself, {report.after_reset} after one reset, "
        f"{report.after_more_resets} after more resets, {report.after_restart} after a new start of the "
        f"program; slowest {report.slowest_s:.0f} s; resets pressed {report.resets}",
        f"E-stops that no image carried: {report.estops_uncarried} of {report.estops}; floats: "
        f"{report.floats_uncarried} of {report.floats}; the wired chain alone acts then",
        f"images checked {report.images}, scans of a device cut off {report.cut_scans}",
        f"scans later than {LATE_BANK_MS} ms: {report.late_rows} of {report.rows}, "
        f"most {report.late_most_ms} ms",
        "monitors: " + ", ".join(f"{name} {n}" for name, n in sorted(report.verdicts.items())),
        f"violations: {len(report.violations)}",
        *report.violations,
        *(f"not judged here, but failed: {text} ({n})" for text, n in sorted(report.other_failures.items())),
    ]
    return "\n".join(lines)


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description="Storms of communication faults on real sockets.")
    parser.add_argument("--minutes", type=float, default=500.0, help="of all banks together")
    parser.add_argument("--banks", type=int, default=40, help="at once")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--worker", nargs=4, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.worker:
        n_banks, first, minutes, seed = given.worker
        report = carry_out(int(n_banks), int(first), float(minutes), int(seed))
        print(json.dumps(vars(report)))
        return 0
    report = in_processes(min(given.processes, given.banks), given.banks, given.minutes, given.seed)
    print(told(report))
    return 1 if report.violations else 0


if __name__ == "__main__":
    sys.exit(main())
