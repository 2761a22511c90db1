"""``skidproof campaign --sabotage`` from the command line to its file, its papers and its exit codes."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from command_line import Answer, call

from sim_plant.bench.sabotage.plan import KINDS, all_changes
from sim_plant.bench.sabotage.results import FILE, kept_in
from sim_plant.commands.sabotage import TRIES, Wanted, is_whole

MakeSite = Callable[..., Path]
FEW = ("--line", "F24", "--states", "START_FLUSH", "--sample", "50", "--tries", "2", "--jobs", "1")


def sabotage(site: Path, out: Path, *options: str) -> Answer:
    return call("campaign", str(site), "--sabotage", "--out", str(out), *options)


def table(out: Path) -> dict[str, dict[str, str]]:
    with (out / "sabotage.csv").open(newline="", encoding="utf-8") as file:
        return {row["change"]: row for row in csv.DictReader(file)}


def test_a_sample_is_carried_out_explained_and_gone_on_with(make_site: MakeSite, tmp_path: Path) -> None:
    site, out = make_site(), tmp_path / "out"
    first = sabotage(site, out, *FEW)
    rows = table(out)
    assert {row["kind"] for row in rows.values()} == set(KINDS)
    caught = [name for name, row in rows.items() if row["outcome"] == "caught"]
    assert caught, first
    assert sorted(path.name for path in out.iterdir()) == ["report.html", "sabotage.csv", FILE]
    assert "Requirements that caught nothing: " in first.out
    survivors = [name for name, row in rows.items() if row["outcome"] == "survived"]
    assert first.code == (1 if survivors else 0), first

    # a reason that is written later counts at once, and nothing is carried out again
    entries = (f'[[explained]]\nchange = "{name}"\nreason = "it may"\n' for name in survivors)
    (site / "explained.toml").write_text("\n".join(entries), encoding="utf-8")
    before = kept_in(out / FILE)
    again = sabotage(site, out, *FEW)
    assert again.code == 0, again
    assert again.out.rstrip().splitlines()[-2].endswith("none survived unexplained.")
    assert kept_in(out / FILE) == before
    assert all(table(out)[name]["outcome"] == "explained" for name in survivors)


@pytest.mark.parametrize(
    ("asked", "code", "whole"),
    [({}, 0, True), ({}, 4, False), ({"sample": 2}, 0, False), ({"lines": ("F24",)}, 0, False),
     ({"states": ("PRODUCE",)}, 0, False), ({"set_": ["coast_s=3"]}, 0, False), ({"tries": 1}, 0, False)],
)  # fmt: skip
def test_only_a_whole_run_says_that_a_reason_is_needed_by_nothing(
    asked: dict[str, Any], code: int, whole: bool
) -> None:
    everything = Wanted(None, None, (), (), sample=1, set_=[], seed=None, tries=TRIES)
    assert is_whole(replace(everything, **asked), code) is whole


def test_the_changes_are_counted_without_being_carried_out(make_site: MakeSite, tmp_path: Path) -> None:
    out = tmp_path / "out"
    answer = sabotage(make_site(), out, "--list")
    assert answer.code == 0, answer
    counts = {line.split()[1]: int(line.split()[0]) for line in answer.out.splitlines()[1:] if line.strip()}
    assert counts.pop("all") == len(all_changes()) == sum(counts.values())
    assert not out.exists()


@pytest.mark.parametrize(
    "options",
    [("--controller", "my:Controller"), ("--severity", "mild"), ("--moment", "2"), ("--units", "2"),
     ("--for", "60"), ("--shrink",)],
)  # fmt: skip
def test_what_does_not_go_with_it_is_refused(
    make_site: MakeSite, tmp_path: Path, options: tuple[str, ...]
) -> None:
    answer = sabotage(make_site(), tmp_path / "out", *options)
    assert answer.code == 2
    assert answer.err.startswith("skidproof: --sabotage goes with none of --controller, --severity, ")
    assert len(answer.err.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_list_with_an_entry_without_a_reason_is_refused(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    (site / "explained.toml").write_text('[[explained]]\nchange = "move/*"\n', encoding="utf-8")
    answer = sabotage(site, tmp_path / "out", *FEW)
    assert (answer.code, answer.err) == (
        2, "skidproof: explained.toml: explained[1]: needs change and reason\n"
    )  # fmt: skip


def test_a_site_without_cases_is_refused(make_site: MakeSite, tmp_path: Path) -> None:
    answer = sabotage(make_site(case=None), tmp_path / "out", *FEW)
    assert answer.code == 2
    assert "no *.case.toml files" in answer.err
