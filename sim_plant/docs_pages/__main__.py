"""``python -m sim_plant.docs_pages``: write the generated pages of ``docs/``, check them, draw the picture.

Exit codes: 0 done, 1 (with --check) a page differs from the code.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sim_plant.docs_pages import stale_pages, write_pages
from sim_plant.docs_pages.picture import CASE, write_picture


def main(arguments: list[str] | None = None) -> int:
    """Entry point."""
    parser = argparse.ArgumentParser(prog="python -m sim_plant.docs_pages", description=main.__doc__)
    parser.description = "Write the pages of docs/ that are generated from the code."
    parser.add_argument("--docs", type=Path, default=Path("docs"), help="folder to write to (default: docs)")
    parser.add_argument("--check", action="store_true", help="write nothing, name the pages that differ")
    parser.add_argument("--picture", action="store_true", help=f"also run the case {CASE} and draw it")
    chosen = parser.parse_args(arguments)
    if chosen.check:
        stale = stale_pages(chosen.docs)
        for name in stale:
            print(f"{chosen.docs / name} differs from the code: run python -m sim_plant.docs_pages")
        return 1 if stale else 0
    written = write_pages(chosen.docs)
    if chosen.picture:
        written.append(write_picture(chosen.docs / "images" / "run.svg"))
    for path in written:
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
