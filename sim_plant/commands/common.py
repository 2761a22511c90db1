"""What the commands share: exit codes, the caution, and options."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import BarColumn, MofNCompleteColumn, ProgressColumn, TextColumn, TimeElapsedColumn

from controller.files import InputError

PROVEN, FAILED, BAD_INPUT, NOT_REACHED, STOPPED = range(5)

CAUTION = (
    "Prototype and test bench, not a safety system: no SIL or PL is claimed, and a passing run is no proof "
    "of a safe plant. Local codes and licensed practice come first; lock out, tag out, try out before you "
    "open anything."
)

CORES = min(os.cpu_count() or 1, 64)

SiteArgument = Annotated[Path | None, typer.Argument(help="Site folder; the bundled nursery when left out.")]
ControllerOption = Annotated[
    str, typer.Option(help="Controller under test as module:callable; our firmware when left out.")
]
SeedOption = Annotated[
    int | None, typer.Option(min=0, help="Seed of the plant's noise; the site's when left out.")
]
JobsOption = Annotated[int, typer.Option(min=1, max=64, help="Worker processes.")]


def unused(folder: Path, words: str = "nothing was written") -> Path:
    """The folder, when it is new or empty; else InputError."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder} exists and is not empty; {words}")
    return folder


def progress_columns() -> tuple[ProgressColumn, ...]:
    """What a progress bar shows: words, bar, how many of how many, time since it began."""
    return TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn()
