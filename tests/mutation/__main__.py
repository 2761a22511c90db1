"""Mutation testing of the logic: is there a test that notices when one small thing is wrong?

    python -m tests.mutation                                   all of it (an hour or more)
    python -m tests.mutation --only unit.progress              one module
    python -m tests.mutation --alive FILE tests/controller/test_new.py
                                                               once more what an earlier run left alive

mutmut makes the mutants of controller/parts, unit, bank and alarms (all its operators; functions with a
decorator other than staticmethod are left out, as are tables outside functions, which the matrix and alarm
tests compare cell by cell). A mutant that no test notices must stand in a file of equivalent/ with the reason
why it changes nothing. Ends with 1 when one is alive and unexplained, or explained and not alive.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tomllib
from collections import Counter
from pathlib import Path

import pytest

from tests.mutation.mutants import Mutant, of_file, source_files
from tests.mutation.running import SURVIVED, MutationRun
from tests.mutation.typing_stage import refused

# processes, threads and disk judge the runtime, which is not mutated; the power cuts take minutes
NOT_LOGIC = (
    "test_journal.py",
    "test_runtime_loop.py",
    "test_runtime_process.py",
    "test_runtime_site.py",
    "test_store.py",
    "test_store_power_cuts.py",
)
EXPLAINED = Path(__file__).with_name("equivalent")  # a file for each area of the logic


def explained() -> dict[str, str]:
    """Key of every mutant that changes nothing, and why."""
    files = [tomllib.loads(path.read_text("utf-8")) for path in sorted(EXPLAINED.glob("*.toml"))]
    return {entry["key"]: entry["why"] for file in files for entry in file["mutant"]}


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutation", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--only", default="", metavar="MODULE", help="as in unit.progress, or a prefix: unit")
    parser.add_argument(
        "--alive", type=Path, metavar="FILE", help="only what FILE, of an earlier run, left alive"
    )
    parser.add_argument("--every", type=int, default=1, metavar="N", help="only every Nth mutant: a sample")
    parser.add_argument(
        "--budget",
        type=float,
        default=math.inf,
        metavar="S",
        help="seconds of tests for one mutant (no limit)",
    )
    parser.add_argument("--jobs", type=int, default=2, help="mutants at a time (2)")
    parser.add_argument("--out", type=Path, default=Path("mutants.json"), help="where the verdicts go")
    parser.add_argument("tests", nargs="*", default=["tests/controller"], help="pytest's selection")
    return parser.parse_args()


def _may_hold(root: Path, path: Path, only: str) -> bool:
    """Whether the file can hold what ``only`` asks for; making mutants of a file takes a second."""
    module = ".".join(path.relative_to(root / "controller").with_suffix("").parts)
    return module.startswith(only) or only.startswith(f"{module}.") or only == module


def _chosen(options: argparse.Namespace) -> list[Mutant]:
    root = Path.cwd()
    paths = [path for path in source_files(root) if _may_hold(root, path, options.only)]
    mutants = [mutant for path in paths for mutant in of_file(root, path)]
    mutants = [mutant for mutant in mutants if mutant.where.startswith(options.only)]
    if options.alive:
        before = json.loads(options.alive.read_text("utf-8"))
        alive = {key for key, entry in before.items() if entry["verdict"] == SURVIVED}
        mutants = [mutant for mutant in mutants if mutant.key in alive]
    return mutants[:: options.every]


def _report(verdicts: dict[str, dict[str, object]], known: dict[str, str]) -> int:
    alive = {key: entry for key, entry in verdicts.items() if entry["verdict"] == SURVIVED}
    stale = [key for key in known if key in verdicts and key not in alive]
    for key, entry in alive.items():
        if key not in known:
            old, new = (str(entry[side]).replace("\n", "\n  ") for side in ("old", "new"))
            print(f"{key} line {entry['line']}\n- {old}\n+ {new}\n")
    for key in stale:
        print(f"{key}: explained as equivalent, but a test notices it")
    counted = Counter(str(entry["verdict"]) for entry in verdicts.values())
    unexplained = len(alive) - sum(key in known for key in alive)
    parts = ", ".join(f"{number} {verdict}" for verdict, number in sorted(counted.items()))
    print(f"{len(verdicts)} mutants: {parts}; {unexplained} of the survivors not explained")
    return 1 if unexplained or stale else 0


def _ask_mypy(verdicts: dict[str, dict[str, object]], mutants: list[Mutant], known: dict[str, str]) -> None:
    alive = [m for m in mutants if verdicts[m.key]["verdict"] == SURVIVED and m.key not in known]
    for key in refused(alive, Path.cwd()):
        verdicts[key]["verdict"] = "type checker"


def main() -> int:
    """Run; the exit code."""
    options = _options()
    mutants = _chosen(options)
    ignored = [f"--ignore-glob=*/{name}" for name in NOT_LOGIC]
    selection = [*options.tests, *ignored]
    run = MutationRun(mutants, options.out, options.jobs, options.budget, selection)
    arguments = [*selection, "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--no-header"]
    code = pytest.main(arguments, plugins=[run])
    if code != 0:
        return int(code)
    _ask_mypy(run.verdicts, mutants, explained())
    options.out.write_text(json.dumps(run.verdicts, indent=1, ensure_ascii=False), encoding="utf-8")
    return _report(run.verdicts, explained())


if __name__ == "__main__":
    sys.exit(main())
