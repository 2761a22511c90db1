"""The lists of a study as CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path


def write_list(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> Path:
    """The file with its head; returns where it is."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(rows)
    return path
