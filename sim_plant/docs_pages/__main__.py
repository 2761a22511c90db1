"""``python -m sim_plant.docs_pages``: write the generated pages of ``docs/``, check them, draw the picture.

Exit codes: 0 done, 1 (with --check) a page differs from the code.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sim_plant.docs_pages import desk_pictures, stale_pages, write_pages
from sim_plant.docs_pages.picture import CASE, write_picture


def main(arguments: list[str] | None = None) -> int:
    """Entry point."""
    parser = argparse.ArgumentParser(prog="python -m sim_plant.docs_pages", description=main.__doc__)
    parser.description = "Write the pages of docs/ that are generated from the code."
    parser.add_argument("--docs", type=Path, default=Path("docs"), help="folder to write to (default: docs)")
    parser.add_argument("--check", action="store_true", help="write nothing, name the pages that differ")
    parser.add_argument("--picture", action="store_true", help=f"also run the case {CASE} and draw it")
    parser.add_argument(
        "--desk", action="store_true", help="also take the pictures of the desk; needs chromium"
    )
    parser.add_argument(
        "--desk-sizes",
        type=Path,
        metavar="FOLDER",
        help="only take a picture of 1, 6 and 24 units at each of three sizes, to be looked at",
    )
    chosen = parser.parse_args(arguments)
    if chosen.desk_sizes is not None:
        for path in desk_pictures.write_every_size(
            chosen.docs / "images" / desk_pictures.CASE, chosen.desk_sizes
        ):
            print(path)
        return 0
    if chosen.check:
        stale = stale_pages(chosen.docs)
        for name in stale:
            print(f"{chosen.docs / name} differs from the code: run python -m sim_plant.docs_pages")
        return 1 if stale else 0
    written = write_pages(chosen.docs)
    if chosen.picture:
        written.append(write_picture(chosen.docs / "images" / "run.svg"))
    if chosen.desk:
        written += desk_pictures.write_desk_pictures(chosen.docs / "images")
    for path in written:
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
