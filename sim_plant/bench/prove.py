"""All runs of a site, in parallel, into one evidence folder.

Each worker process has a workshop of its own and writes the record of a run where the samples are; only
the findings travel back. Runs that start from the same state go to one worker together, so that the state
is prepared once.
"""

from __future__ import annotations

import itertools
import multiprocessing
import platform
import signal
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from operator import attrgetter
from pathlib import Path
from typing import TypeVar

from controller.settings import Setpoints
from sim_plant.bench.cases import Run
from sim_plant.bench.evidence import About, RequirementText, keep_run
from sim_plant.bench.failures import NotFailingError
from sim_plant.bench.monitors import REQUIREMENTS
from sim_plant.bench.runner import Workshop
from sim_plant.bench.shrink import shrink
from sim_plant.bench.targets import find_factory
from sim_plant.bench.verdicts import RunResult, Verdict
from sim_plant.site import Site

Thing = TypeVar("Thing")

BATCH = 4
SHRUNK = "shrunk"  # folder of shrunk cases in the evidence folder


@dataclass(frozen=True)
class Job:
    """What a worker must know once."""

    site: Site
    controller: str
    seed: int
    folder: Path
    shrink: bool = False  # look for a smaller case that fails like each run that failed


_workshop: Workshop | None = None
_job: Job | None = None


def _prepare_worker(job: Job) -> None:
    """In a worker: build the workshop; the parent alone answers the keyboard."""
    global _workshop, _job  # a pool has no other place to keep what a worker made
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _job, _workshop = job, Workshop(job.site, find_factory(job.controller), job.seed)


def _work(runs: tuple[Run, ...]) -> list[RunResult]:
    assert _workshop is not None
    assert _job is not None
    return [_one(_workshop, _job, run) for run in runs]


def _one(workshop: Workshop, job: Job, run: Run) -> RunResult:
    result = workshop.carry_out(run)
    if job.shrink and result.verdict is Verdict.FAIL:
        _shrink(workshop, job.folder, run, result)
    return keep_run(job.folder, result, job.site.setpoints.model_dump())


def _shrink(workshop: Workshop, folder: Path, run: Run, result: RunResult) -> None:
    """Write the smallest case that fails alike beside the evidence, and its name into the result."""
    try:
        shrunk = shrink(workshop, run, [*result.requirements, *result.expectations])
    except NotFailingError as error:  # a controller that does not do the same thing twice
        result.shrunk_words = str(error)
        return
    path = shrunk.write(folder / SHRUNK)
    result.shrunk, result.shrunk_words = f"{SHRUNK}/{path.name}", shrunk.words()


def batches(runs: Sequence[Run]) -> list[tuple[Run, ...]]:
    """Runs in handfuls that start from the same state of the same unit."""
    return handfuls(runs, attrgetter("start"))


def handfuls(
    things: Iterable[Thing], start: Callable[[Thing], tuple[int, str]], size: int = BATCH
) -> list[tuple[Thing, ...]]:
    """Things to do, in handfuls that have the same start: a unit and its state."""
    ordered = sorted(things, key=start)
    groups = (tuple(group) for _key, group in itertools.groupby(ordered, key=start))
    return [group[i : i + size] for group in groups for i in range(0, len(group), size)]


def carry_out(job: Job, runs: Sequence[Run], workers: int) -> Iterator[RunResult]:
    """Results as they come. Stop iterating (or Ctrl-C) and the workers are told to stop at once."""
    if workers == 1:
        workshop = Workshop(job.site, find_factory(job.controller), job.seed)
        for batch in batches(runs):
            for run in batch:
                yield _one(workshop, job, run)
        return
    # a forked child would inherit the thread of the progress display
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_prepare_worker, initargs=(job,))
    try:
        futures: list[Future[list[RunResult]]] = [pool.submit(_work, batch) for batch in batches(runs)]
        for future in as_completed(futures):
            yield from future.result()
    finally:
        processes = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()


def about_proof(
    job: Job, started: datetime, command: Sequence[str], complete: bool, planned_runs: int
) -> About:
    """Where this evidence comes from, written when the last run is done."""
    site = job.site
    return About(
        site=site.name,
        title=site.file.site.title,
        target=f"{job.controller}, in process with the simulated plant",
        seed=job.seed,
        settings=site.setpoints.model_dump(),
        defaults=Setpoints().model_dump(),
        plant=site.file.plant.model_dump(),
        started=started.isoformat(timespec="seconds"),
        took_s=time.time() - started.timestamp(),
        version=version("skidproof"),
        python=platform.python_version(),
        platform=f"{platform.system()} {platform.machine()}",
        command=" ".join(command),
        complete=complete,
        planned_runs=planned_runs,
    )


def requirement_texts(setpoints: Setpoints) -> list[RequirementText]:
    """Every requirement in words, with the values of these setpoints."""
    return [RequirementText(r.id, r.text(setpoints), r.kind, ", ".join(r.hazard)) for r in REQUIREMENTS]
