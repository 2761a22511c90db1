"""The mutation runner itself, on a sample: it must be able to kill, to let live, and to know its list."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.mutation.mutants import of_file, source_files

ROOT = Path(__file__).parents[2]
LISTS = sorted((Path(__file__).parent / "equivalent").glob("*.toml"))


def run(tmp_path: Path, *arguments: str) -> tuple[int, dict[str, dict[str, object]]]:
    out = tmp_path / "verdicts.json"
    command = [sys.executable, "-m", "tests.mutation", "--jobs", "2", "--out", str(out), *arguments]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert out.exists(), done.stderr
    return done.returncode, json.loads(out.read_text("utf-8"))


def test_the_tests_of_the_timers_notice_every_small_change_of_the_timers(tmp_path: Path) -> None:
    code, verdicts = run(tmp_path, "--only", "parts.timing", "tests/controller/test_parts.py")

    assert len(verdicts) > 20
    assert {entry["verdict"] for entry in verdicts.values()} == {"killed"}
    assert code == 0


def test_a_change_that_no_test_notices_is_reported_and_ends_with_1(tmp_path: Path) -> None:
    code, verdicts = run(tmp_path, "--only", "parts.timing", "tests/controller/test_settings.py")

    assert "survived" in {entry["verdict"] for entry in verdicts.values()}
    assert code == 1


@pytest.mark.parametrize("path", LISTS, ids=lambda path: path.name)
def test_every_mutant_that_is_explained_exists_and_has_a_reason(path: Path) -> None:
    entries = tomllib.loads(path.read_text("utf-8"))["mutant"]
    keys = {mutant.key for file in source_files(ROOT) for mutant in of_file(ROOT, file)}

    assert [entry["key"] for entry in entries if entry["key"] not in keys] == []
    assert [entry["key"] for entry in entries if len(entry["why"]) < 20] == []
