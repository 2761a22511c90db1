"""The evidence folder: everything that a claim about a target rests on, in one place.

    records/<run_id>.parquet    every signal at every scan of that run, after the shared beginning it names
    pictures/<run_id>.svg       picture of each run that failed or stayed open, and of one that passed
    shrunk/<run_id>.case.toml   the smallest case that fails like that run, when it was asked for
    report.html                 for people; self-contained, prints on A4
    verdicts.xml, run.json      for programs

A worker process calls ``keep_run``: record and picture are written where the samples are, and only a small
object travels back to the parent, which ``add``s it. Nothing is ever written over.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from sim_plant.bench.evidence.exports import run_json, verdicts_xml
from sim_plant.bench.evidence.page import report_html
from sim_plant.bench.evidence.picture import draw_run
from sim_plant.bench.evidence.records import as_recorded, read_run, write_record
from sim_plant.bench.evidence.summary import GRAVE, About, RequirementText, runs_to_draw
from sim_plant.bench.trace import Trace
from sim_plant.bench.verdicts import RunResult

_RUN_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,150}")


class EvidenceFolder:
    """Collects runs and writes the papers at the end, or at the point where a person stopped.

    FileExistsError when ``path`` exists and is not an empty folder.
    """

    def __init__(self, path: Path) -> None:
        if path.exists() and (not path.is_dir() or any(path.iterdir())):
            raise FileExistsError(
                f"{path} exists and is not empty. Evidence is never written over: name another folder, "
                "or move this one away."
            )
        self.path = path
        self._results: dict[str, RunResult] = {}
        self._closed = False
        for folder in ("records", "pictures"):
            (path / folder).mkdir(parents=True)

    def add(self, result: RunResult) -> None:
        """Take one run, in any order. A trace that comes along is written at once and then let go.

        ValueError when a run of that name was added before or the name is no file name.
        """
        if self._closed:
            raise ValueError(f"the evidence in {self.path} is closed; run {result.run_id!r} comes too late")
        if result.run_id in self._results:
            raise ValueError(f"run {result.run_id!r} was added twice")
        _check_name(result.run_id)
        if result.trace is not None:
            _write(self.path, result, result.trace)
        self._results[result.run_id] = replace(result, trace=None)

    def close(self, about: About, requirements: Sequence[RequirementText]) -> None:
        """Write report.html, verdicts.xml and run.json from what there is; pictures still owed are drawn."""
        if self._closed:
            raise ValueError(f"the evidence in {self.path} is closed already")
        self._closed = True
        results = list(self._results.values())
        recorded = {run.run_id for run in results if record_path(self.path, run).exists()}
        self._write("run.json", run_json(results, requirements, about, recorded))
        self._write("verdicts.xml", verdicts_xml(results, about))
        drawn = [(result, self._picture(result, about.settings)) for result in runs_to_draw(results)]
        self._write("report.html", report_html(results, requirements, about, drawn, recorded))

    def _picture(self, result: RunResult, setpoints: Mapping[str, float]) -> str:
        """The run's picture, drawn from its record unless the worker has done so; "" without a record."""
        path, record = picture_path(self.path, result), record_path(self.path, result)
        if path.exists():
            return path.read_text(encoding="utf-8")
        if not record.exists():
            return ""
        picture = draw_run(read_run(record), result, setpoints)
        path.write_text(picture, encoding="utf-8")
        return picture

    def _write(self, name: str, content: str) -> None:
        with (self.path / name).open("x", encoding="utf-8", newline="\n") as file:
            file.write(content)


def keep_run(folder: Path, result: RunResult, setpoints: Mapping[str, float]) -> RunResult:
    """For a worker: write the run's record, draw it if it failed or stayed open, return it without its trace.

    ``folder`` is that of an ``EvidenceFolder`` which the parent made. Without a trace, nothing is written.
    """
    _check_name(result.run_id)
    if result.trace is None:
        return result
    _write(folder, result, result.trace)
    if result.verdict in GRAVE:
        picture = draw_run(as_recorded(result.trace), result, setpoints)
        picture_path(folder, result).write_text(picture, encoding="utf-8")
    return replace(result, trace=None)


def _write(folder: Path, result: RunResult, trace: Trace) -> None:
    """The run's record; before it, once for all runs that begin alike, the record of the beginning."""
    if result.shared:
        shared = folder / "records" / f"{result.shared}.parquet"
        # another worker may write it at this moment: the same bytes, so whoever is last does no harm
        with contextlib.suppress(FileExistsError):
            write_record(trace.part(0, result.shared_rows), shared, {"seed": str(result.seed)})
        trace = trace.part(result.shared_rows)
    write_record(trace, record_path(folder, result), _notes(result))


def record_path(folder: Path, result: RunResult) -> Path:
    """Where the run's record is kept."""
    return folder / "records" / f"{result.run_id}.parquet"


def picture_path(folder: Path, result: RunResult) -> Path:
    """Where the run's picture is kept."""
    return folder / "pictures" / f"{result.run_id}.svg"


def _check_name(run_id: str) -> None:
    if not _RUN_ID.fullmatch(run_id):
        raise ValueError(f"run id {run_id!r} is no safe file name: letters, digits, dot, dash, underscore")


def _notes(result: RunResult) -> dict[str, str]:
    """What the record says of itself; no wall time, so that the same seed gives the same bytes."""
    names = ("run_id", "case", "family", "source", "state", "variant", "unit", "seed", "shared")
    return {**{name: str(getattr(result, name)) for name in names}, "verdict": result.verdict.value}
