"""The evidence folder of a pytest session, as ``skidproof prove`` writes it.

The process that carries out a run writes its record and hands the findings on with the test's report. The
process that the user started gathers them and writes the papers at the end.
"""

from __future__ import annotations

import contextlib
import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from sim_plant.bench.evidence import EvidenceFolder, headline, keep_run
from sim_plant.bench.in_pytest.cases import CaseRun, desk_of
from sim_plant.bench.prove import Job, about_proof, requirement_texts
from sim_plant.bench.pytest_plugin import CASE_ENDING, REPORTED
from sim_plant.bench.verdicts import Finding, RunResult, Verdict
from sim_plant.site import Site, load_site


def keep(folder: Path, site: Site, result: RunResult) -> str:
    """Write the run's record; the rest as a text that a report can carry."""
    kept = keep_run(folder, result, site.setpoints.model_dump())
    return json.dumps({"site": str(site.folder), "result": asdict(kept)})


def _read(text: str) -> tuple[Path, RunResult]:
    """The inverse of ``keep``: site folder and result."""
    told = json.loads(text)
    result = told["result"]
    for part in ("requirements", "expectations"):
        result[part] = [_finding(finding) for finding in result[part]]
    return Path(told["site"]), RunResult(**result)


def _finding(told: dict[str, Any]) -> Finding:
    return Finding(**{**told, "verdict": Verdict(told["verdict"])})


class Keeper:
    """Opens the folder, gathers the runs, closes it. Registered in the user's process only."""

    def __init__(self, config: pytest.Config) -> None:
        self._config = config
        self._path = Path(config.option.skidproof_evidence)
        self._folder: EvidenceFolder | None = None
        self._started = datetime.now(UTC)
        self._planned = 0
        self._site: Path | None = None
        self._results: list[RunResult] = []
        self._said: list[str] = []

    @pytest.hookimpl(tryfirst=True)  # before any worker is started
    def pytest_sessionstart(self) -> None:
        """Make the folder, or say in one line why not."""
        try:
            self._folder = EvidenceFolder(self._path)
        except OSError as error:
            raise pytest.UsageError(f"skidproof: {error}") from error

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        """Without workers: so many runs are to come."""
        self._planned = sum(isinstance(item, CaseRun) for item in session.items)

    @pytest.hookimpl(optionalhook=True)
    def pytest_xdist_node_collection_finished(self, ids: list[str]) -> None:
        """With workers: every one of them has collected the same."""
        self._planned = sum(f"{CASE_ENDING}::" in node_id for node_id in ids)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """One run is done."""
        text = vars(report).get(REPORTED)
        if text is not None and self._folder is not None:
            self._site, result = _read(text)
            self._folder.add(result)
            self._results.append(result)

    def pytest_sessionfinish(self) -> None:
        """Write the papers; a session that carried out no run leaves no folder behind."""
        if self._folder is None:
            return
        if self._site is None:
            self._discard()
            return
        desk = desk_of(self._config)
        site = load_site(self._site, desk.overrides)
        job = Job(site, desk.controller, desk.seed(site), self._path)
        command = ["pytest", *map(str, self._config.invocation_params.args)]
        complete = len(self._results) == self._planned
        about = about_proof(job, self._started, command, complete, self._planned)
        self._folder.close(about, requirement_texts(site.setpoints))
        self._said = [headline(self._results, about), f"evidence: {self._path}/report.html"]

    def _discard(self) -> None:
        for folder in (self._path / "records", self._path / "pictures", self._path):
            with contextlib.suppress(OSError):  # a run that was cut short may have left its record
                folder.rmdir()

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """The outcome, and where to read more."""
        if self._said:
            terminalreporter.section("skidproof")
            for line in self._said:
                terminalreporter.write_line(line)
