"""``skidproof campaign`` from the command line to its file, its papers and its exit codes."""

from __future__ import annotations

import csv
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from command_line import Answer, call, started
from distributed import Client

from sim_plant.bench.cases import load_case
from sim_plant.bench.runner import Workshop
from sim_plant.bench.verdicts import Verdict
from sim_plant.site import load_site
from tests.broken.controllers import IgnoresLowSuction

MakeSite = Callable[..., Path]
SMALL = ("--states", "BOOT,STANDBY", "--line", "F01,F82", "--line", "F87", "--moment", "1", "--for", "3")
DEADLINE_S = 120.0
PAPERS = [
    "campaign.csv", "campaign.sqlite", "cells.parquet", "findings.parquet", "report.html", "verdicts.xml"
]  # fmt: skip


def rows(folder: Path, table: str = "cell") -> list[tuple[object, ...]]:
    """A table of the campaign's file, without how long the computer took."""
    with closing(sqlite3.connect(folder / "campaign.sqlite")) as db:
        db.row_factory = sqlite3.Row
        found = [dict(row) for row in db.execute(f"SELECT * FROM {table}")]
    for row in found:
        row.pop("took_s", None)
    return sorted(tuple(row.values()) for row in found)


def campaign(site: Path, out: Path, *options: str) -> Answer:
    return call("campaign", str(site), "--out", str(out), *options)


def test_a_campaign_that_holds_ends_with_code_0_and_leaves_its_papers(
    make_site: MakeSite, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    answer = campaign(make_site(), out, "--jobs", "1", *SMALL)
    assert answer.code == 0, answer
    assert "All 4 cells held" in answer.out
    assert "\x1b" not in answer.out
    assert len(rows(out)) == 4
    assert ("not the plant's: people: a step of a case", 6) in rows(out, "skipped")
    with (out / "campaign.csv").open(newline="") as file:
        assert len(list(csv.DictReader(file))) == 4
    assert ET.parse(out / "verdicts.xml").getroot().get("tests") == "4"
    assert sorted(path.name for path in out.iterdir()) == PAPERS


def test_the_plan_is_told_without_being_carried_out(make_site: MakeSite, tmp_path: Path) -> None:
    out = tmp_path / "out"
    answer = campaign(make_site(), out, "--list", *SMALL, "--moment", "30")
    assert answer.code == 0, answer
    told = {line.split(maxsplit=1)[1].strip(): line.split()[0] for line in answer.out.splitlines()[1:]}
    assert told["to be carried out"] == "6"
    assert told["left out: not the plant's: people: a step of a case"] == "12"
    assert told["left out: BOOT of unit 1 is over before 30 s, it lasts 5.1 s"] == "2"
    assert not out.exists()


def test_two_processes_write_what_one_writes(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    for jobs in ("1", "2"):
        assert campaign(site, tmp_path / jobs, "--jobs", jobs, *SMALL).code == 0
    for table in ("cell", "finding", "visit", "move", "skipped"):
        assert rows(tmp_path / "1", table) == rows(tmp_path / "2", table), table


def test_a_campaign_that_is_whole_is_not_carried_out_again(make_site: MakeSite, tmp_path: Path) -> None:
    site, out = make_site(), tmp_path / "out"
    first = campaign(site, out, "--jobs", "1", *SMALL)
    again = campaign(site, out, "--jobs", "1", *SMALL)
    assert again.out == first.out
    assert again.code == 0


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_ctrl_c_keeps_what_there_is_and_the_same_folder_goes_on(
    make_site: MakeSite, tmp_path: Path, jobs: str
) -> None:
    site, out = make_site(), tmp_path / "out"
    many = ("--states", "BOOT", "--moment", "1", "--for", "5", "--line", "F22,F23", "--jobs", jobs)
    process = started("campaign", str(site), "--out", str(out), *many, cwd=tmp_path)
    end = time.monotonic() + DEADLINE_S
    while not ((out / "campaign.sqlite").exists() and _count(out)):
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end, "no cell within the deadline"
        time.sleep(0.02)  # a process of its own is waited for, no logic
    os.killpg(process.pid, signal.SIGINT)
    said, errors = process.communicate(timeout=DEADLINE_S)

    assert process.returncode == 4, errors
    assert "Traceback" not in errors
    assert "stopped by the user" in errors
    before = rows(out)
    assert 0 < len(before) < 52
    assert f"{len(before)} of 52 cells were carried out" in said

    answer = campaign(site, out, *many)
    assert answer.code == 0, answer
    assert "All 52 cells held" in answer.out
    assert set(before) <= set(rows(out))


@contextmanager
def scheduler_and_worker(folder: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """A scheduler in a process of its own, and a worker; the address, and the process to be killed."""
    told = folder / "scheduler.json"
    here = ("--host", "127.0.0.1", "--no-dashboard")
    module = (sys.executable, "-m", "distributed.cli")
    with (folder / "dask.log").open("w") as log:
        line = [
            *module[:2],
            f"{module[2]}.dask_scheduler",
            *here,
            "--port",
            "0",
            "--scheduler-file",
            str(told),
        ]
        scheduler = subprocess.Popen(line, stdout=log, stderr=log, cwd=folder)
        wait_until(lambda: told.exists() and told.read_text().endswith("}"), "no scheduler")
        address = json.loads(told.read_text())["address"]
        line = [*module[:2], f"{module[2]}.dask_worker", address, *here, "--nthreads", "1", "--no-nanny"]
        worker = subprocess.Popen(line, stdout=log, stderr=log, cwd=folder)
        try:
            wait_until(lambda: has_worker(address), "no worker")
            yield address, scheduler
        finally:
            for process in (worker, scheduler):
                process.kill()
                process.wait(DEADLINE_S)


def has_worker(address: str) -> bool:
    with Client(address, timeout=DEADLINE_S) as client:
        return bool(client.nthreads())


def wait_until(condition: Callable[[], bool], otherwise: str) -> None:
    """Wait for a process of its own; no logic."""
    end = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < end, f"{otherwise} within the deadline"
        time.sleep(0.05)


def test_a_scheduler_that_dies_ends_with_code_3_and_the_same_folder_goes_on(
    make_site: MakeSite, tmp_path: Path
) -> None:
    site, out = make_site(), tmp_path / "out"
    many = ("--states", "BOOT", "--moment", "1", "--for", "5", "--line", "F22,F23")
    with scheduler_and_worker(tmp_path) as (address, scheduler):
        to_them = ("--cluster", address)
        process = started("campaign", str(site), "--out", str(out), *many, *to_them, cwd=tmp_path)
        wait_until(lambda: (out / "campaign.sqlite").exists() and _count(out) > 0, "no cell")
        scheduler.kill()
        said, errors = process.communicate(timeout=DEADLINE_S)

    assert process.returncode == 3, errors
    assert "Traceback" not in errors
    assert "the scheduler is gone; give the same --out to go on" in errors
    before = rows(out)
    assert 0 < len(before) < 52
    assert f"{len(before)} of 52 cells were carried out" in said

    answer = campaign(site, out, *many, "--jobs", "1")
    assert answer.code == 0, answer
    assert "All 52 cells held" in answer.out
    assert set(before) <= set(rows(out))


def _count(out: Path) -> int:
    with closing(sqlite3.connect(f"file:{out / 'campaign.sqlite'}?mode=ro", uri=True)) as db:
        try:
            return int(db.execute("SELECT COUNT(*) FROM cell").fetchone()[0])
        except sqlite3.OperationalError:  # not begun yet
            return 0


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--seed", "77"), "seed is 1 there, 77 here"),
        (("--set", "purge_s=15"), "setpoint purge_s is 20 there, 15 here"),
        (("--sample", "2"), "sample is 1 there, 2 here"),
    ],
)
def test_another_campaign_does_not_go_on_in_a_folder(
    make_site: MakeSite, tmp_path: Path, options: tuple[str, ...], told: str
) -> None:
    site, out = make_site(), tmp_path / "out"
    assert campaign(site, out, "--jobs", "1", *SMALL).code == 0
    before = (out / "campaign.sqlite").read_bytes()
    answer = campaign(site, out, "--jobs", "1", *SMALL, *options)
    assert answer.code == 2
    (line,) = answer.err.splitlines()
    assert told in line
    assert answer.out == ""
    assert (out / "campaign.sqlite").read_bytes() == before


def test_a_failing_cell_ends_with_code_1_and_becomes_a_case_that_fails(
    make_site: MakeSite, tmp_path: Path
) -> None:
    site, out = make_site(), tmp_path / "out"
    options = ("--line", "F47", "--severity", "severe", "--states", "PRODUCE", "--moment", "2", "--for", "12")
    broken = "tests.broken.controllers:IgnoresLowSuction"

    answer = campaign(site, out, "--jobs", "1", "--controller", broken, *options)

    assert answer.code == 1, answer
    assert "Of 1 cells 1 failed." in answer.out
    (path,) = (out / "cases").iterdir()
    assert path.name == "F47-way1-severe-PRODUCE-2s-unit1.case.toml"
    loaded = load_site(site)
    (run,) = load_case(path, loaded)
    assert "SR-05" in run.case.requirements
    assert Workshop(loaded, IgnoresLowSuction, 0).carry_out(run).verdict is Verdict.FAIL


def test_a_finished_campaign_can_still_be_reduced_and_prove_reproduces_what_it_wrote(
    make_site: MakeSite, tmp_path: Path
) -> None:
    site, out = make_site(), tmp_path / "out"
    broken = ("--controller", "tests.broken.controllers:IgnoresLowSuction", "--jobs", "1")
    options = ("--line", "F47", "--severity", "severe", "--states", "PRODUCE", "--moment", "2", "--for", "12")
    assert campaign(site, out, *broken, *options).code == 1
    assert not (out / "shrunk").exists()

    answer = campaign(site, out, *broken, *options, "--shrink")

    assert answer.code == 1, answer
    assert "shrunk: " in answer.out
    (path,) = (out / "shrunk").iterdir()
    again = call("prove", str(site), "--case", str(path), "--out", str(tmp_path / "again"), *broken)
    assert again.code == 1
    assert "SR-05" in again.out
    page = (out / "report.html").read_text(encoding="utf-8")
    assert f'href="shrunk/{path.name}"' in page


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--line", "F95"), "--line F95: not in the fault catalogue, F01 to F94"),
        (("--states", "RUN"), "--states RUN: must be one of BOOT, OFF"),
        (("--severity", "bad"), "--severity bad: must be one of mild, middle, severe"),
        (("--units", "3"), "--units 3: must lie in 1 to 2, the units of the site"),
        (("--moment", "nan"), "--moment nan: must lie in 0 to 3600 s"),
    ],
)
def test_bad_input_is_one_line_and_nothing_is_written(
    make_site: MakeSite, tmp_path: Path, options: tuple[str, str], told: str
) -> None:
    answer = campaign(make_site(), tmp_path / "out", *options)
    assert answer.code == 2
    (line,) = answer.err.splitlines()
    assert line.startswith(f"skidproof: {told}")
    assert not (tmp_path / "out").exists()


def test_a_cluster_without_dask_is_told_what_to_install(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    answer = campaign(make_site(), tmp_path / "out", "--cluster", "tcp://127.0.0.1:9", *SMALL)
    assert answer.code == 2
    assert 'install the extra "cluster"' in answer.err
    assert not (tmp_path / "out").exists()
