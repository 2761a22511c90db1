"""The pytest plugin that runs the mutants: each in a fork of the collected tests, until one test fails.

First every test is run once, unchanged, and coverage.py notes which test ran which line. A mutant then meets
only the tests that run its lines, the quickest first. A fork inherits all imports and the collection, so a
mutant that is caught costs a few hundredths of a second.

Functions of the table modules run while they are imported. A change put in later would not reach the tables,
so these are tried in a new process, on a copy of the tree with the changed text in it.
"""

from __future__ import annotations

import itertools
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from coverage import Coverage

from tests.mutation.mutants import PACKAGES, Mutant

KILLED, SURVIVED, TIMEOUT = "killed", "survived", "timeout"
PATIENCE, LEAST_S = 10.0, 5.0  # a test may take so many times its usual time, and at least so long
MEMORY_BYTES = 8 << 30
TABLES = ("controller.unit.machine", "controller.unit.table", "controller.alarms.rules", "_rules")
FIRST = ("test_alarms_rules.py", "test_alarms_table.py", "test_matrix.py")  # tables, the quickest first
BROKEN_OFF = 2  # no verdict: an error of ours
_EXIT = {0: SURVIVED, 1: KILLED}


@dataclass
class Covered:
    """Which tests run which line, and how long each takes."""

    tests: dict[tuple[str, int], set[str]] = field(default_factory=lambda: defaultdict(set))
    seconds: dict[str, float] = field(default_factory=dict)

    def of(self, mutant: Mutant, path: str, budget_s: float) -> list[str]:
        """Tests that run a line of the mutant, the quickest first, as many as fit the budget."""
        found: set[str] = set()
        for line in mutant.lines:
            found |= self.tests.get((path, line), set())
        ordered = sorted(found, key=lambda name: (self.seconds[name], name))
        spent_s = itertools.accumulate(self.seconds[name] for name in ordered)
        return [name for name, so_far_s in zip(ordered, spent_s, strict=True) if so_far_s <= budget_s]


class MutationRun:
    """Takes the place of pytest's own loop."""

    def __init__(
        self, mutants: list[Mutant], results: Path, jobs: int, budget_s: float, selection: list[str]
    ) -> None:
        self.mutants = mutants
        self.results = results
        self.jobs = jobs
        self.budget_s = budget_s
        self.selection = selection
        self.covered = Covered()
        self.verdicts: dict[str, dict[str, object]] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Unchanged tests, then every mutant."""
        if session.testsfailed:
            raise session.Interrupted("the tests cannot be collected")
        self._cover(session)
        if session.testsfailed:
            raise session.Interrupted("the tests fail without any mutant")
        if any(mutant.module.endswith(TABLES) for mutant in self.mutants) and _fails_anew("", "", []):
            raise session.Interrupted("the tests fail in a new process without any mutant")
        items = {item.nodeid: item for item in session.items}
        running: dict[int, tuple[Mutant, float]] = {}
        for done, mutant in enumerate(self.mutants):
            while len(running) >= self.jobs:
                self._collect(running)
            path = sys.modules[mutant.module].__file__ or ""
            names = [name for name in self.covered.of(mutant, path, self.budget_s) if name in items]
            pid = os.fork()
            if pid == 0:
                self._child(session, mutant, [items[name] for name in names])
            running[pid] = (mutant, time.monotonic())
            if done % 20 == 0:
                self._progress(done)
        while running:
            self._collect(running)
        self._save()
        return True

    # --- unchanged -----------------------------------------------------------------------------------

    def _cover(self, session: pytest.Session) -> None:
        include = [f"*/{package}/*.py" for package in PACKAGES]
        coverage = Coverage(data_file=None, include=include, config_file=False)
        coverage.start()
        for item in session.items:
            coverage.switch_context(item.nodeid)
            began = time.process_time()
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=None)
            self.covered.seconds[item.nodeid] = time.process_time() - began
        coverage.stop()
        data = coverage.get_data()
        for path in data.measured_files():
            for line, contexts in data.contexts_by_lineno(path).items():
                self.covered.tests[path, line].update(name for name in contexts if name)

    # --- one mutant ----------------------------------------------------------------------------------

    def _child(self, session: pytest.Session, mutant: Mutant, items: list[pytest.Item]) -> None:
        """In the fork: run until a test fails; the exit code is the verdict."""
        code = BROKEN_OFF
        try:
            session.config.pluginmanager.unregister(name="terminalreporter")
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
            text = mutant.changed_source()  # asked before the function is another
            mutant.put_in()
            code = 1  # what breaks pytest itself from here on is the mutant
            code = int(self._some_test_fails(session, items))
            if code == 0 and mutant.module.endswith(TABLES):
                code = BROKEN_OFF
                code = int(_fails_anew(mutant.module, text, self.selection))
        finally:
            os._exit(code)

    def _some_test_fails(self, session: pytest.Session, items: list[pytest.Item]) -> bool:
        for item in items:
            # a mutant that never ends is stopped by the system
            allowed_s = LEAST_S + PATIENCE * self.covered.seconds[item.nodeid]
            signal.setitimer(signal.ITIMER_PROF, allowed_s)
            signal.alarm(int(20 * allowed_s))
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=None)
            if session.testsfailed:
                return True
        return False

    def _collect(self, running: dict[int, tuple[Mutant, float]]) -> None:
        pid, status = os.wait()
        mutant, began = running.pop(pid)
        if os.WIFSIGNALED(status):
            verdict = TIMEOUT if os.WTERMSIG(status) in (signal.SIGPROF, signal.SIGALRM) else KILLED
        elif os.WEXITSTATUS(status) == BROKEN_OFF:
            raise RuntimeError(f"{mutant.key} could not be tried")
        else:
            verdict = _EXIT[os.WEXITSTATUS(status)]
        self._note(mutant, verdict, time.monotonic() - began)

    def _note(self, mutant: Mutant, verdict: str, seconds: float) -> None:
        self.verdicts[mutant.key] = {
            "where": mutant.where,
            "verdict": verdict,
            "old": mutant.old,
            "new": mutant.new,
            "line": min(mutant.lines, default=0),
            "seconds": round(seconds, 2),
        }

    def _progress(self, done: int) -> None:
        left = sum(v["verdict"] == SURVIVED for v in self.verdicts.values())
        print(f"{done} of {len(self.mutants)} mutants, {left} alive", file=sys.stderr, flush=True)
        self._save()

    def _save(self) -> None:
        self.results.write_text(json.dumps(self.verdicts, indent=1, ensure_ascii=False), encoding="utf-8")


def _fails_anew(module: str, text: str, selection: list[str]) -> bool:
    """Does a test fail when everything is imported with this text as the module? "" changes nothing."""
    root = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        shutil.copytree(
            root / "controller", copy / "controller", ignore=shutil.ignore_patterns("__pycache__")
        )
        for name in ("tests", "sim_plant", "docs", "pyproject.toml", "README.md"):
            (copy / name).symlink_to(root / name)
        if module:
            file = copy / Path(*module.split(".")).with_suffix(".py")
            file.write_text(text, encoding="utf-8")
        first = [str(path) for name in FIRST for path in Path("tests").rglob(name)]
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider"]
        environment = os.environ | {"PYTHONPATH": folder, "PYTHONDONTWRITEBYTECODE": "1"}
        for tests in (first, selection) if selection else (first,):
            done = subprocess.run(
                [*command, *tests], cwd=copy, env=environment, check=False, stdout=subprocess.DEVNULL
            )
            if done.returncode != 0:
                return True
    return False
