"""``python -m controller SITE``: the firmware of a site in real time, without a simulator."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import NoReturn

from controller.files import InputError
from controller.program import WAIT_S, Options, run_site, status_options

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

A site with a wiring.toml is driven through it (docs/wiring.md); one without drives a field in memory, no real
one. Behind other hosts and serial ports outputs may be real: --drive-real-outputs says that they are meant.
Status for a panel or SCADA, and the commands that may come from there: docs/status-map.md.
Prototype, not a safety system: no SIL or PL is claimed.
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
    parser.add_argument(
        "--drive-real-outputs", action="store_true", help="wiring.toml may name other hosts and serial ports"
    )
    parser.add_argument(
        "--wait",
        type=float,
        default=WAIT_S,
        metavar="SECONDS",
        help=f"wait so long for the devices before the first scan; {WAIT_S:g} when left out",
    )
    parser.add_argument("--status-port", type=int, metavar="PORT", help="show status on this Modbus TCP port")
    parser.add_argument("--status-host", default="", metavar="HOST", help="to this address; else 127.0.0.1")
    parser.add_argument("--accept-commands", action="store_true", help="take commands on the status port")
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run a site; the exit code."""
    given = _parser().parse_args(arguments)
    try:
        status = status_options(given.status_port, given.status_host, given.accept_commands)
        options = Options(
            given.for_s, given.data, given.by, given.why, given.drive_real_outputs, given.wait, status
        )
        return run_site(given.site, options)
    except InputError as error:
        return _refuse(str(error))


if __name__ == "__main__":
    sys.exit(main())
