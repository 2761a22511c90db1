"""Pages of ``docs/`` that are written from the code, so that they cannot say anything else than it does.

``PAGES`` maps a file name to the function that writes its text. ``python -m sim_plant.docs_pages`` writes
them; a test compares them, so a page that lags behind the code fails the build.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sim_plant.docs_pages.alarms import alarms_page
from sim_plant.docs_pages.lists import cases_page, faults_page, io_page, requirements_page, settings_page
from sim_plant.docs_pages.sequence import sequence_page
from sim_plant.docs_pages.status_map import status_map_page

__all__ = ["PAGES", "stale_pages", "write_pages"]

PAGES: dict[str, Callable[[], str]] = {
    "sequence.md": sequence_page,
    "alarms.md": alarms_page,
    "settings.md": settings_page,
    "io-list.md": io_page,
    "status-map.md": status_map_page,
    "requirements.md": requirements_page,
    "faults.md": faults_page,
    "cases.md": cases_page,
}


def write_pages(folder: Path) -> list[Path]:
    """Write every page into the folder; returns the paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, page in PAGES.items():
        path = folder / name
        path.write_text(page(), encoding="utf-8", newline="\n")
        paths.append(path)
    return paths


def stale_pages(folder: Path) -> list[str]:
    """Names of the pages that are missing in the folder or differ from what the code says."""
    return [
        name
        for name, page in PAGES.items()
        if not (folder / name).is_file() or (folder / name).read_text(encoding="utf-8") != page()
    ]
