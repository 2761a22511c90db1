"""Would the type checker refuse the mutant? CI runs mypy, so such a mutant does not get in.

One run of mypy takes seconds, so every run tries one mutant of each function at a time: an error belongs to
the function in whose lines it is.
"""

from __future__ import annotations

import inspect
import re
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable
from itertools import zip_longest
from pathlib import Path

from tests.mutation.mutants import Mutant, real_function

_ERROR = re.compile(r"^(?P<file>[^:]+):(?P<line>\d+): error", re.MULTILINE)


def refused(mutants: Iterable[Mutant], root: Path) -> set[str]:
    """Keys of the mutants that mypy, with the project's settings, finds fault with."""
    by_function: dict[str, list[Mutant]] = defaultdict(list)
    for mutant in mutants:
        by_function[mutant.where].append(mutant)
    found: set[str] = set()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        shutil.copy(root / "pyproject.toml", copy)
        for chosen in zip_longest(*by_function.values()):
            shutil.rmtree(copy / "controller", ignore_errors=True)
            ignored = shutil.ignore_patterns("__pycache__")
            shutil.copytree(root / "controller", copy / "controller", ignore=ignored)
            found |= _refused_together([mutant for mutant in chosen if mutant is not None], copy)
    return found


def _refused_together(mutants: list[Mutant], copy: Path) -> set[str]:
    """At most one mutant for each function."""
    by_module: dict[str, list[Mutant]] = defaultdict(list)
    for mutant in mutants:
        by_module[mutant.module].append(mutant)
    owner: dict[tuple[str, int], str] = {}
    for module, chosen in by_module.items():
        file = Path(*module.split(".")).with_suffix(".py")
        owner |= {(str(file), line): key for line, key in _write(copy / file, chosen).items()}
    command = [sys.executable, "-m", "mypy", "-p", "controller"]
    done = subprocess.run(command, cwd=copy, check=False, capture_output=True, text=True)
    if done.returncode not in (0, 1) or done.stderr:
        raise RuntimeError(f"mypy cannot run: {done.stderr or done.stdout}")
    return {owner[error["file"], int(error["line"])] for error in _ERROR.finditer(done.stdout)}


def _write(file: Path, mutants: list[Mutant]) -> dict[int, str]:
    """Put the mutants into the file; whose each of their lines is."""
    source = file.read_text(encoding="utf-8").splitlines()
    lines: list[str] = []
    owner: dict[int, str] = {}
    done = 0
    places = ((inspect.getsourcelines(real_function(m.module, m.function)), m) for m in mutants)
    for (old, first), mutant in sorted(places, key=lambda place: place[0][1]):
        lines += source[done : first - 1]
        owner |= dict.fromkeys(range(len(lines) + 1, len(lines) + 1 + len(mutant.text)), mutant.key)
        lines += mutant.text
        done = first - 1 + len(old)
    file.write_text("\n".join([*lines, *source[done:]]) + "\n", encoding="utf-8")
    return owner
