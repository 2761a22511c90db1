"""Would the type checker refuse the mutant? CI runs mypy, so such a mutant does not get in."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

from tests.mutation.mutants import Mutant


def refused(mutants: Iterable[Mutant], root: Path) -> set[str]:
    """Keys of the mutants that mypy, with the project's settings, finds fault with."""
    found: set[str] = set()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        shutil.copytree(root / "controller", copy / "controller", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(root / "pyproject.toml", copy)
        if _faulty(copy):
            raise RuntimeError("mypy finds fault with the unchanged code")
        for mutant in mutants:
            file = copy / Path(*mutant.module.split(".")).with_suffix(".py")
            source = file.read_text(encoding="utf-8")
            file.write_text(mutant.changed_source(source), encoding="utf-8")
            faulty = _faulty(copy)
            file.write_text(source, encoding="utf-8")
            if faulty:
                found.add(mutant.key)
                if _faulty(copy):  # the daemon must see the file whole again before the next one
                    raise RuntimeError("mypy finds fault with the unchanged code")
        subprocess.run([sys.executable, "-m", "mypy.dmypy", "stop"], cwd=copy, check=False, capture_output=True)
    return found


def _faulty(copy: Path) -> bool:
    command = [sys.executable, "-m", "mypy.dmypy", "run", "--", "-p", "controller"]
    return subprocess.run(command, cwd=copy, check=False, capture_output=True).returncode != 0
