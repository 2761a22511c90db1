"""``skidproof papers`` from end to end: cases run, papers written, evidence taken again or refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from command_line import CASE, CAUTION_WORDS, SITE, call


def test_papers_are_written_from_runs_and_again_from_their_evidence(
    make_site: Callable[..., Path], tmp_path: Path
) -> None:
    # given a site whose cases pass
    site = make_site(SITE, CASE)
    # when its papers are written, twice from the same evidence
    first = call("papers", str(site), "--out", str(tmp_path / "a"), "--jobs", "1")
    evidence = str(tmp_path / "a" / "evidence")
    again = call("papers", str(site), "--out", str(tmp_path / "b"), "--evidence", evidence)
    # then all of them are there, the same, and a cell names the run that shows it
    assert (first.code, again.code) == (0, 0), first
    assert CAUTION_WORDS in " ".join(first.err.split())
    names = sorted(path.name for path in (tmp_path / "b").iterdir())
    assert len([name for name in names if name.endswith(".html")]) == 10
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    cells = (tmp_path / "b" / "03-cause-and-effect.csv").read_text(encoding="utf-8")
    assert "E46,step complete,,START_FLUSH,NONE,DELAY,not proven,," in cells
    assert "E46,step complete,,WAIT_PERMIT,NONE,START_FLUSH,proven,dip-1-start_flush,1," in cells
    # and with another setting nothing of it is taken as proof
    (site / "site.toml").write_text(SITE.replace("start_flush_s = 120", "start_flush_s = 130"), "utf-8")
    other = call("papers", str(site), "--out", str(tmp_path / "c"), "--evidence", evidence)
    assert other.code == 1
    assert "not taken as proof" in other.err
    assert "start_flush_s = 120, not 130" in " ".join(other.err.split())
    cells = (tmp_path / "c" / "03-cause-and-effect.csv").read_text(encoding="utf-8")
    assert ",proven," not in cells
    text = (tmp_path / "c" / "06-factory-test.html").read_text(encoding="utf-8")
    assert "Not taken as proof" in text


def test_papers_are_never_written_over(make_site: Callable[..., Path], tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "a").touch()
    answer = call("papers", str(make_site()), "--out", str(tmp_path / "full"))
    assert answer.code == 2
    assert "never written over" in answer.err
