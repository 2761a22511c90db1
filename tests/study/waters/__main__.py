"""Every invented water from its analysis to a proof: ``python -m tests.study.waters --out FOLDER``.

A water that stands in the folder already, made by the same program, is not done again. Exit code 1 when one
is not as it must be: a run that did not pass, or a proposal where none may be.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from tests.study.waters.proof import NAMES, tried_once


def main() -> int:
    """Try, tell, table."""
    parser = argparse.ArgumentParser(description="Study and prove the invented waters.")
    parser.add_argument("--out", type=Path, required=True, help="what is made is kept here")
    parser.add_argument("--water", nargs="*", choices=NAMES, default=NAMES, metavar="NAME")
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    outcomes = []
    for number, name in enumerate(given.water, start=1):
        began = time.monotonic()
        outcome = tried_once(name, given.out.resolve() / name, given.jobs)
        outcomes.append(outcome)
        verdict = "as it must be" if not outcome.wrong else f"WRONG: {', '.join(outcome.wrong)}"
        took_s = time.monotonic() - began
        print(f"{number} of {len(given.water)}: {name}, {took_s:.0f} s, {verdict}", flush=True)
    print(*(outcome.line for outcome in outcomes), sep="\n")
    return int(any(outcome.wrong for outcome in outcomes))


if __name__ == "__main__":
    sys.exit(main())
