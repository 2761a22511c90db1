"""Sites to type mistakes into."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import CASE, SITE, call


@pytest.fixture
def make_site(tmp_path: Path) -> Callable[..., Path]:
    """Writes a site of two units and one case; ``None`` leaves a file out."""

    def write(site: str | None = SITE, case: str | None = CASE, name: str = "dip.case.toml") -> Path:
        folder = tmp_path / "pair"
        (folder / "cases").mkdir(parents=True)
        if site is not None:
            (folder / "site.toml").write_text(site, encoding="utf-8")
        if case is not None:
            (folder / "cases" / name).write_text(case, encoding="utf-8")
        return folder

    return write


@pytest.fixture
def refuse(tmp_path: Path) -> Callable[..., str]:
    """Proves a site that must be refused: exit 2, one line, nothing written; returns the line."""

    def prove(site: Path, *options: str) -> str:
        out = tmp_path / "evidence"
        answer = call("prove", str(site), "--out", str(out), "--jobs", "1", *options)
        lines = answer.err.splitlines()
        assert answer.code == 2, answer
        assert len(lines) == 1, answer
        assert not out.exists()
        assert answer.out == ""
        return lines[0]

    return prove
