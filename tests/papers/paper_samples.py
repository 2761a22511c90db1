"""A small site, runs of it, and an evidence folder made by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from controller.parts.journal import Entry
from sim_plant.bench.cases import Run, load_cases
from sim_plant.bench.evidence import EvidenceFolder
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.prove import Job, about_proof, requirement_texts
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.bench.verdicts import Finding, RunResult, Verdict
from sim_plant.papers.book import Book, numbers
from sim_plant.papers.evidence import Taken, take
from sim_plant.papers.shown import Shown
from sim_plant.site import Site, demo_folder, load_site

DIP = "feed-dip"


def nursery() -> Site:
    """The bundled site."""
    return load_site(demo_folder())


def shown(states: list[str], driven: list[tuple[bool, ...]], *lines: tuple[int, str, str]) -> Shown:
    """A record of one unit, a row each 100 ms; lines are time, kind, text."""
    journal = [Entry(t_ms, 1, kind, text) for t_ms, kind, text in lines]
    times = np.arange(len(states), dtype=np.int64) * 100
    return Shown(times, [states], np.array(driven, dtype=bool)[:, None, :], journal)


def passed(run: Run, requirement: str = "SR-04") -> RunResult:
    """A result of the run in which all held and one requirement was put to the test."""
    expectations = [Finding(e.text, Verdict.PASS, 1) for e in run.case.expect]
    found = [
        Finding(
            r.id, Verdict.PASS if r.id == requirement else Verdict.NOT_EXERCISED, int(r.id == requirement)
        )
        for r in REQUIREMENTS
    ]
    return RunResult(
        run.run_id,
        run.case.title,
        run.case.family,
        run.source,
        run.state.value,
        run.variant,
        run.case.given.unit,
        1,
        found,
        expectations,
    )


def evidence(folder: Path, site: Site, results: list[RunResult], /, **changed: object) -> Path:
    """An evidence folder without records; ``changed`` are fields of what it tells of itself."""
    kept = EvidenceFolder(folder)
    for result in results:
        kept.add(result)
    about = about_proof(Job(site, OUR_FIRMWARE, 1, folder), datetime(2026, 1, 2, tzinfo=UTC), [], True, 1)
    about = replace(about, took_s=1.0, **changed)  # type: ignore[arg-type]
    kept.close(about, requirement_texts(site.setpoints))
    return folder


def taken(folder: Path, site: Site) -> Taken:
    """The folder held against the site."""
    return take(folder, site, load_cases(site), [numbers(site.setpoints)])


def bare_book(site: Site) -> Book:
    """A book of a site without evidence."""
    return Book(site, None, ())
