"""``python -m controller SITE``: the firmware of a site in real time, without a simulator."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import NoReturn

from controller.files import InputError
from controller.program import Options, run_site

INPUT_AT_FAULT = 2

WRITTEN = """\
written, all of it to the data folder:
  retained.a, retained.b    what survives a loss of power: latched causes, stops, maintenance, counters
  commissioned              marks that retained memory must be there: a loss is no first start
  setpoints.a, setpoints.b  setpoints changed while running; they lie over site.toml, which is never written
  journal.sqlite            events, and every change of a setpoint with old and new value, who and why
  lock                      held while the program runs

exit codes:
  0  stopped by a signal (SIGTERM, SIGINT, SIGHUP) or by --for, with the safe image driven
  1  a crash, or the safe image could not be driven; the journal says which
  2  the input is at fault; one line says what, and nothing has run

example:
  python -m controller my_site --data /var/lib/my_site --by "A. Person" --why "harder water"

This version drives a field in memory, no real one. Prototype, not a safety system: no SIL or PL is claimed.
"""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """One line, as for every other input at fault."""
        raise SystemExit(_refuse(message))


def _refuse(message: str) -> int:
    print(f"controller: {message}", file=sys.stderr)
    return INPUT_AT_FAULT


def _parser() -> _Parser:
    parser = _Parser(
        prog="python -m controller",
        description="Run the firmware of a site in real time.",
        epilog=WRITTEN,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site folder, holds site.toml")
    parser.add_argument("--for", dest="for_s", type=float, metavar="SECONDS", help="stop after so long")
    parser.add_argument("--data", type=Path, metavar="DIR", help="data folder; SITE/data when left out")
    parser.add_argument("--by", default="", metavar="NAME", help="who edited setpoints since the last start")
    parser.add_argument("--why", default="", metavar="TEXT", help="why they were edited")
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run a site; the exit code."""
    given = _parser().parse_args(arguments)
    try:
        return run_site(given.site, Options(given.for_s, given.data, given.by, given.why))
    except InputError as error:
        return _refuse(str(error))


if __name__ == "__main__":
    sys.exit(main())
