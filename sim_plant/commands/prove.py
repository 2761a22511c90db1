"""``skidproof prove``: a site's cases against a controller, at the desk or on a line."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from controller.files import InputError
from sim_plant.bench.cases import CASE_ENDING, Run, load_case_files, load_cases, unique
from sim_plant.bench.evidence import About, EvidenceFolder, RequirementText, headline
from sim_plant.bench.evidence.console import case_table, plain_console, shrunk_lines, verdict_table
from sim_plant.bench.live.field import LostError
from sim_plant.bench.prove import Job, about_proof, carry_out, requirement_texts
from sim_plant.bench.targets import OUR_FIRMWARE, try_factory
from sim_plant.bench.verdicts import RunResult, Verdict
from sim_plant.commands.common import (
    BAD_INPUT,
    CAUTION,
    CORES,
    FAILED,
    NOT_REACHED,
    PROVEN,
    STOPPED,
    ControllerOption,
    JobsOption,
    SeedOption,
    SiteArgument,
    progress_columns,
)
from sim_plant.commands.live import (
    LiveOption,
    Meeting,
    RealOption,
    checked,
    open_meeting,
    tell_lateness,
)
from sim_plant.site import Site, demo_folder, load_site


def prove(
    site: SiteArgument = None,
    out: Annotated[
        Path | None, typer.Option(help="Evidence folder, new or empty; by default evidence/SITE-TIME here.")
    ] = None,
    case: Annotated[
        list[str] | None,
        typer.Option(
            help="Only case files whose name contains this, or a case file from anywhere by its path, as "
            "evidence/x/shrunk/y.case.toml; may be repeated."
        ),
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="setpoint=number, in place of the site's; may be repeated."),
    ] = None,
    controller: ControllerOption = OUR_FIRMWARE,
    seed: SeedOption = None,
    jobs: JobsOption = CORES,
    shrink: Annotated[
        bool,
        typer.Option(
            "--shrink",
            help="Look for the smallest case that fails like each failed run; up to 60 further runs each.",
        ),
    ] = False,
    live: LiveOption = None,
    drive_real: RealOption = False,
) -> None:
    """Run the site's cases against a controller, print verdicts, write the evidence folder.

    A live controller is proven in real time, one run after another: choose with --case.
    """
    started = datetime.now(UTC)
    errors = Console(stderr=True, highlight=False, emoji=False)
    try:
        loaded = load_site(site or demo_folder(), set_ or ())
        runs = _chosen(loaded, case or [])
        if live is not None and (shrink or controller != OUR_FIRMWARE):
            raise InputError("--live goes neither with --controller nor with --shrink")
        try_factory(controller, loaded.units, loaded.setpoints)
        meeting = open_meeting(loaded, live, runs, drive_real, errors) if live is not None else None
        folder = EvidenceFolder(out or Path("evidence") / f"{loaded.name}-{started:%Y%m%dT%H%M%SZ}")
    except (InputError, FileExistsError, OSError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    errors.print(CAUTION, style="dim")
    chosen_seed = loaded.file.site.seed if seed is None else seed
    job = Job(loaded, controller, chosen_seed, folder.path.resolve(), shrink)
    told = _Told(job, started, runs)
    if meeting is None:
        code = _run_all(carry_out(job, runs, min(jobs, len(runs))), told, folder, errors)
    else:
        with closing(meeting.line):
            code = _prove_live(told, meeting, folder, errors)
    about = about_proof(job, started, ["skidproof", *sys.argv[1:]], code == PROVEN, len(told.runs))
    about = replace(about, target=told.target or about.target)
    requirements = requirement_texts(loaded.setpoints)
    folder.close(about, requirements)
    _print(told.results, requirements, about, folder.path)
    if code == PROVEN and any(r.verdict is not Verdict.PASS for r in told.results):
        code = FAILED
    raise typer.Exit(code)


@dataclass
class _Told:
    """What is known of a proof that goes on; ``target`` is "" for a controller at the desk."""

    job: Job
    started: datetime
    runs: Sequence[Run]
    target: str = ""
    results: list[RunResult] = field(default_factory=list)


def _prove_live(told: _Told, meeting: Meeting, folder: EvidenceFolder, errors: Console) -> int:
    """The loop check, then every run that can be asked of a live controller."""
    told.runs = meeting.chosen.runs
    try:
        live = checked(told.job, meeting, errors)
    except LostError as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        return NOT_REACHED
    except KeyboardInterrupt:
        return STOPPED
    told.target = live.target
    code = _run_all(live.proof.carry_out(live.runs), told, folder, errors)
    tell_lateness(live.proof, errors)
    return code


def _chosen(site: Site, wanted: list[str]) -> list[Run]:
    """The site's cases, or those wanted; a file from anywhere is meant when it is named with its ending."""
    paths = [Path(text) for text in wanted if text.endswith(CASE_ENDING) and Path(text).is_file()]
    names = [text for text in wanted if Path(text) not in paths]
    runs = load_case_files(paths, site) if paths else []
    if not names:
        return runs or load_cases(site)
    known = load_cases(site)
    chosen = [run for run in known if any(text in run.source for text in names)]
    if not chosen:
        files = ", ".join(sorted({run.source.removesuffix(CASE_ENDING) for run in known}))
        raise InputError(f"--case {' '.join(names)}: no such case; there are: {files}")
    return unique(chosen + runs)


def _run_all(results: Iterator[RunResult], told: _Told, folder: EvidenceFolder, errors: Console) -> int:
    """Take all results with a progress bar; PROVEN when they came to their end, whatever they say."""
    with Progress(*progress_columns(), console=errors) as progress:
        task = progress.add_task("preparing the bank", total=len(told.runs))
        try:
            for result in results:
                told.results.append(result)
                folder.add(result)
                failed = sum(r.verdict is not Verdict.PASS for r in told.results)
                progress.update(
                    task, advance=1, description=f"{failed} not passed" if failed else "all passed so far"
                )
        except KeyboardInterrupt:
            errors.print("stopped by the user; writing the evidence so far")
            return STOPPED
        except LostError as error:
            errors.print(f"skidproof: {error}; writing the evidence so far", soft_wrap=True, markup=False)
            return NOT_REACHED
    return PROVEN


def _print(results: list[RunResult], requirements: list[RequirementText], about: About, folder: Path) -> None:
    console = plain_console()
    console.print(verdict_table(results, requirements))
    if any(result.verdict is not Verdict.PASS for result in results):
        console.print()
        console.print(case_table(results, only_open=True))
    console.print()
    console.print(headline(results, about), markup=False, style="bold")
    for line in shrunk_lines(results, folder):
        console.print(line, markup=False, soft_wrap=True)
    console.print(f"evidence: {folder}/report.html", markup=False, soft_wrap=True)
