"""``skidproof prove --shrink``: a smaller case beside the evidence, which fails again by itself."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from command_line import ROOT, call

MakeSite = Callable[..., Path]

MESSY = """\
title = "A dip amid much else"
family = "low feed pressure"
requirements = ["SR-04"]

[given]
states = ["PRODUCE"]
unit = 2
offset_s = 5
demand_m3h = 3

[[step]]
at_s = 1
operate = "selector_auto off"
unit = 1
for_s = 3

[[step]]
name = "noise"
at_s = 2
inject = { target = "membrane", kind = "noise", value_pct_span = 0.1 }

[[step]]
at_s = 10
inject = { target = "suction", kind = "stuck_at", value_bar = 0.6 }
for_s = 4

[[step]]
at_s = 20
clear = "noise"

[[step]]
at_s = 22
command = "stop"
unit = 1

[[expect]]
text = "the pump stays on"
signal = "pump"
is = true
until_s = 20

[[expect]]
text = "it is fed"
signal = "feed_valve"
is = true
after = "noise"
until_s = 2

[run]
for_s = 10
"""
LONG = "the-one-that-was-found-in-the-night"


def prove(site: Path, out: Path, *options: str) -> tuple[Any, dict[str, Any]]:
    """The answer and what run.json says of the only run."""
    answer = call("prove", str(site), "--jobs", "1", "--out", str(out), *options)
    runs = json.loads((out / "run.json").read_text(encoding="utf-8"))["runs"]
    assert len(runs) == 1
    return answer, runs[0]


def only(site: Path, shrunk: Path, folder: Path) -> Path:
    """A copy of the site that holds the shrunk case and no other."""
    shutil.copytree(site, folder, ignore=shutil.ignore_patterns("*.case.toml"))
    shutil.copy(shrunk, folder / "cases")
    return folder


def failures(run: dict[str, Any]) -> dict[str, int]:
    """Names and moments of what failed."""
    found = (*run["requirements"], *run["expectations"])
    return {one["name"]: one["at_ms"] for one in found if one["verdict"] == "fail"}


@pytest.mark.parametrize(
    ("options", "name"),
    [
        (("--set", "suction_trip_s=2"), "the pump stays on"),
        (("--controller", "tests.broken.controllers:TripsOnADip"), "SR-04"),
    ],
)
def test_a_shrunk_case_is_named_and_fails_again_by_itself(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], name: str
) -> None:
    monkeypatch.setattr(sys, "path", [str(ROOT), *sys.path])
    site = make_site(case=MESSY, name=f"{LONG}.case.toml")
    out = tmp_path / "evidence"

    answer, run = prove(site, out, "--shrink", *options)
    shrunk = out / run["shrunk"]

    assert answer.code == 1
    assert run["shrunk"] == f"shrunk/{LONG}-produce.case.toml"
    told = name if name == "SR-04" else f'"{name}"'
    assert f"shrunk: {shrunk}: fails at {told}, " in answer.out
    assert f'<a href="{run["shrunk"]}">' in (out / "report.html").read_text(encoding="utf-8")
    text = shrunk.read_text(encoding="utf-8")
    assert text.count("[[step]]") == 1
    assert 'target = "suction"' in text

    alone = only(site, shrunk, tmp_path / "alone")
    again, its_run = prove(alone, tmp_path / "again", *options)
    assert again.code == 1
    strike_ms = prepared_ms(tmp_path / "again", its_run)
    assert name in failures(its_run)
    after_s = (failures(its_run)[name] - strike_ms) / 1000.0
    assert f"fails at {told}, {after_s:g} s after the strike" in text.splitlines()[0]

    repaired, _run = prove(alone, tmp_path / "repaired")
    assert repaired.code == 0


def prepared_ms(out: Path, run: dict[str, Any]) -> int:
    """First moment of the run's record: the strike, where the case strikes at once."""
    times = pq.read_table(out / run["record"]).column(0)
    return int(times[0].as_py())


def test_nothing_is_shrunk_unasked_and_no_run_that_passed(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(case=MESSY)
    _answer, unasked = prove(site, tmp_path / "unasked", "--set", "suction_trip_s=2")
    passed, asked = prove(site, tmp_path / "passed", "--shrink")

    assert passed.code == 0
    assert (unasked["shrunk"], unasked["shrunk_words"]) == ("", "")
    assert (asked["shrunk"], asked["shrunk_words"]) == ("", "")
    assert not (tmp_path / "unasked" / "shrunk").exists()
    assert not (tmp_path / "passed" / "shrunk").exists()
