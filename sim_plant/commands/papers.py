"""``skidproof papers``: the papers of a site for commissioning and hand-over."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from controller.files import InputError
from controller.wiring import Asker, Wiring, load_wiring
from sim_plant.bench.cases import Run, load_cases, load_every_case
from sim_plant.bench.evidence import EvidenceFolder
from sim_plant.bench.prove import Job, about_proof, carry_out, requirement_texts
from sim_plant.bench.targets import OUR_FIRMWARE
from sim_plant.bench.verdicts import Verdict
from sim_plant.commands.common import (
    BAD_INPUT,
    CAUTION,
    CORES,
    FAILED,
    PROVEN,
    STOPPED,
    JobsOption,
    SiteArgument,
    progress_columns,
    unused,
)
from sim_plant.papers.book import Book, Left, numbers, read_left
from sim_plant.papers.catalogue import all_papers
from sim_plant.papers.evidence import take
from sim_plant.papers.proofs import Mark, read_proofs
from sim_plant.papers.write import write_papers
from sim_plant.site import Site, demo_folder, load_site


def papers(
    site: SiteArgument = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the papers, new or empty; papers/SITE when left out.")
    ] = None,
    evidence: Annotated[
        Path | None,
        typer.Option(help="Evidence folder of skidproof prove; when left out, all cases are run first."),
    ] = None,
    as_left: Annotated[
        Path | None,
        typer.Option(
            help="TOML file with [setpoints] as left on site, and [reasons]; what a change asks to be "
            "repeated "
            "is marked."
        ),
    ] = None,
    date: Annotated[str, typer.Option(help="Date to print; a line to write on when left out.")] = "",
    every: Annotated[
        bool,
        typer.Option(
            "--every",
            help="Without --evidence: run the cases in folders of cases, too. They prove more cells.",
        ),
    ] = False,
    jobs: JobsOption = CORES,
) -> None:
    """Write narrative, lists, cause and effect, setpoint record, test protocols, lock-out sheets, hand-over.

    Pages print on A4. Exit code 0: written, and the evidence counts and holds; 1: written, but evidence was
    not taken as proof, does not hold, or must be repeated in part.
    """
    errors = Console(stderr=True, highlight=False, emoji=False)
    try:
        loaded = load_site(site or demo_folder())
        runs = load_every_case(loaded) if every else load_cases(loaded)
        wiring = _wiring(loaded)
        left = read_left(as_left, loaded) if as_left else None
        folder = _new_folder(out or Path("papers") / loaded.name)
        errors.print(CAUTION, style="dim")
        made = evidence or _evidence(loaded, runs, folder / "evidence", jobs, errors)
        book = _book(loaded, wiring, runs, made, left, date)
    except (InputError, OSError) as error:
        errors.print(f"skidproof: {error}", soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from error
    except KeyboardInterrupt:
        errors.print("stopped by the user; no paper was written")
        raise typer.Exit(STOPPED) from None
    for path in write_papers(folder, book, all_papers(book)):
        print(path)
    raise typer.Exit(_tell(book, errors))


def _tell(book: Book, errors: Console) -> int:
    """What keeps the papers from being proven, one line each; the exit code."""
    told = [f"evidence not taken as proof: {why}" for why in book.taken.refused]
    told += [f"run not taken: {why}" for why in book.taken.passed_over]
    told += [f"{r.run_id}: {r.verdict.value}" for r in book.taken.results if r.verdict is not Verdict.PASS]
    told += [
        f"{k[1].name} in {k[0].value}: differs"
        for k, p in book.proofs.cells.items()
        if p.mark is Mark.DIFFERS
    ]
    if book.repeats.changed:
        told.append(f"changed since the evidence: {', '.join(book.repeats.changed)}; repeat what is marked")
    for line in told:
        errors.print(f"note: {line}", soft_wrap=True, markup=False)
    return FAILED if told else PROVEN


def _book(
    site: Site, wiring: Wiring | None, runs: Sequence[Run], folder: Path, left: Left | None, date: str
) -> Book:
    """Everything that is known. Evidence counts when it was made as left, or as the site's file has it."""
    in_force = [numbers(left.setpoints)] if left else []
    known = load_every_case(site)
    taken = take(folder, site, known, [*in_force, numbers(site.setpoints)])
    listed = {run.run_id for run in runs} | {result.run_id for result in taken.results}
    told = [run for run in known if run.run_id in listed]
    book = Book(site, wiring, told, taken, left=left, date=date)
    return book if taken.refused else replace(book, proofs=read_proofs(folder, taken.results))


def _wiring(site: Site) -> Wiring | None:
    """The site's wiring, None when it has none."""
    return load_wiring(site.folder, site.units, Asker.CONTROLLER) if _has_wiring(site) else None


def _has_wiring(site: Site) -> bool:
    return (site.folder / "wiring.toml").is_file()


def _new_folder(folder: Path) -> Path:
    unused(folder, "papers are never written over").mkdir(parents=True, exist_ok=True)
    return folder


def _evidence(site: Site, runs: Sequence[Run], folder: Path, jobs: int, errors: Console) -> Path:
    """Run all cases, as prove does, into a folder beside the papers."""
    started = datetime.now(UTC)
    kept = EvidenceFolder(folder)
    job = Job(site, OUR_FIRMWARE, site.file.site.seed, folder.resolve())
    try:
        with Progress(*progress_columns(), console=errors) as progress:
            task = progress.add_task("running the cases", total=len(runs))
            for result in carry_out(job, runs, min(jobs, len(runs))):
                kept.add(result)
                progress.update(task, advance=1)
    except KeyboardInterrupt:
        shutil.rmtree(folder)
        raise
    kept.close(
        about_proof(job, started, ["skidproof", *sys.argv[1:]], True, len(runs)),
        requirement_texts(site.setpoints),
    )
    return folder
