"""``skidproof prove`` from the command line to the evidence folder."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pyarrow.parquet as pq
import pytest
from command_line import CASE, Answer, call, run, started

MakeSite = Callable[..., Path]

SHORT = CASE.replace('after = "low"\nuntil_s = 5', "until_s = 1").replace("for_s = 8", "for_s = 2")


def facts(folder: Path) -> list[dict[str, Any]]:
    """What run.json says of every run, without how long the computer took."""
    runs = json.loads((folder / "run.json").read_text(encoding="utf-8"))["runs"]
    return [{key: value for key, value in one.items() if key != "took_s"} for one in runs]


def records(folder: Path) -> dict[str, bytes]:
    """The bytes of every record."""
    return {path.name: path.read_bytes() for path in sorted((folder / "records").glob("*.parquet"))}


@pytest.fixture(scope="module")
def bundled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Answer, Path]:
    """One case of the bundled site, proven by two workers; the answer and the evidence folder."""
    home = tmp_path_factory.mktemp("home")
    answer = run("prove", "--case", "tds-start-peak", "--jobs", "2", "--out", "first", cwd=home)
    return answer, home / "first"


def test_a_proof_that_passes_ends_with_code_0(bundled: tuple[Answer, Path]) -> None:
    answer, _folder = bundled
    assert answer.code == 0, answer
    assert "All 2 runs passed." in answer.out
    assert "evidence: first/report.html" in answer.out


def test_the_evidence_is_whole(bundled: tuple[Answer, Path]) -> None:
    _answer, folder = bundled
    runs = facts(folder)
    suites = ET.parse(folder / "verdicts.xml").getroot()
    page = (folder / "report.html").read_text(encoding="utf-8")

    assert [one["run_id"] for one in runs] == [
        "tds-start-peak-is-blanked-pump_start",
        "tds-start-peak-is-blanked-start_flush",
    ]
    for one in runs:
        assert pq.read_table(folder / "records" / f"{one['run_id']}.parquet").num_rows > 1000
        assert one["case"] in page
    assert [case.get("name") for case in suites.iter("testcase")] == [one["run_id"] for one in runs]
    assert suites.get("failures") == suites.get("errors") == "0"
    assert "no SIL" in page


def test_output_in_a_pipe_is_plain_and_whole(bundled: tuple[Answer, Path]) -> None:
    answer, _folder = bundled
    assert "\x1b" not in answer.out
    assert "…" not in answer.out
    lines = answer.out.splitlines()
    assert any(re.match(r"SR-21 +pass +\d+ ", line) for line in lines)


def test_the_caution_goes_to_the_person_and_not_into_the_pipe(bundled: tuple[Answer, Path]) -> None:
    answer, _folder = bundled
    assert "not a safety system" in " ".join(answer.err.split())
    assert "not a safety system" not in answer.out


@pytest.fixture(scope="module")
def seeds(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The same small site proven four times."""
    home = tmp_path_factory.mktemp("seeds")
    (home / "pair" / "cases").mkdir(parents=True)
    (home / "pair" / "site.toml").write_text('[site]\nname = "pair"\ntitle = "Pair"\nunits = 2\n', "utf-8")
    (home / "pair" / "cases" / "dip.case.toml").write_text(CASE, "utf-8")
    for name, seed, jobs in (("one", 7, 1), ("again", 7, 1), ("two", 7, 2), ("other", 8, 1)):
        options = ("--seed", str(seed), "--jobs", str(jobs), "--out", str(home / name))
        answer = run("prove", "pair", *options, cwd=home)
        assert answer.code == 0, answer
    return {name: home / name for name in ("one", "again", "two", "other")}


def test_the_same_seed_gives_the_same_verdicts_and_bytes(seeds: dict[str, Path]) -> None:
    assert len(records(seeds["one"])) >= 2
    assert facts(seeds["one"]) == facts(seeds["again"])
    assert records(seeds["one"]) == records(seeds["again"])


def test_two_workers_find_and_write_the_same_as_one(seeds: dict[str, Path]) -> None:
    assert facts(seeds["one"]) == facts(seeds["two"])
    for run_id in ("dip-1-start_flush", "dip-2-start_flush"):
        name = f"{run_id}.parquet"
        assert records(seeds["one"])[name] == records(seeds["two"])[name]


def test_another_seed_gives_other_readings(seeds: dict[str, Path]) -> None:
    name = "dip-1-start_flush.parquet"
    assert records(seeds["one"])[name] != records(seeds["other"])[name]


def test_a_setting_that_is_changed_is_told_in_the_evidence(make_site: MakeSite, tmp_path: Path) -> None:
    out = tmp_path / "evidence"
    answer = call(
        "prove", str(make_site(case=SHORT)), "--set", "purge_s=15", "--jobs", "1", "--out", str(out)
    )
    about = json.loads((out / "run.json").read_text(encoding="utf-8"))["about"]
    assert answer.code == 0, answer
    assert (about["settings"]["purge_s"], about["defaults"]["purge_s"]) == (15, 20)


def test_evidence_is_never_written_over(make_site: MakeSite, tmp_path: Path) -> None:
    out = tmp_path / "evidence"
    out.mkdir()
    (out / "signed.txt").write_text("mine", encoding="utf-8")
    answer = call("prove", str(make_site()), "--jobs", "1", "--out", str(out))
    assert answer.code == 2
    assert "exists and is not empty" in answer.err
    assert len(answer.err.splitlines()) == 1
    assert [path.name for path in out.iterdir()] == ["signed.txt"]
    assert (out / "signed.txt").read_text(encoding="utf-8") == "mine"


def test_a_failed_expectation_ends_with_code_1(make_site: MakeSite, tmp_path: Path) -> None:
    out = tmp_path / "evidence"
    site = make_site(case=SHORT.replace("is = true", "is = false"))
    answer = call("prove", str(site), "--jobs", "1", "--out", str(out))
    assert answer.code == 1
    assert "the flush goes on" in answer.out
    assert "2 of 2 runs failed" in answer.out
    assert len(list((out / "pictures").glob("*.svg"))) == 2


def test_a_case_file_from_anywhere_is_carried_out_by_its_path(make_site: MakeSite, tmp_path: Path) -> None:
    path = tmp_path / "elsewhere.case.toml"
    path.write_text(SHORT, encoding="utf-8")
    site = make_site(case=SHORT)
    alone = call("prove", str(site), "--case", str(path), "--jobs", "1", "--out", str(tmp_path / "alone"))
    both = call(
        "prove",
        str(site),
        "--case",
        str(path),
        "--case",
        "dip",
        "--jobs",
        "1",
        "--out",
        str(tmp_path / "both"),
    )
    assert (alone.code, both.code) == (0, 0)
    assert len(list((tmp_path / "alone" / "records").glob("elsewhere-*.parquet"))) == 2
    assert not list((tmp_path / "alone" / "records").glob("dip-*.parquet"))
    assert "All 4 runs passed." in both.out


@pytest.mark.parametrize("text", ["gone.case.toml", "cases/gone", "nothing-like-it"])
def test_a_case_that_is_not_there_is_told_with_those_that_are(
    make_site: MakeSite, refuse: Callable[..., str], text: str
) -> None:
    assert refuse(make_site(), "--case", text).endswith("no such case; there are: dip")


def test_two_files_of_one_name_are_refused(
    make_site: MakeSite, refuse: Callable[..., str], tmp_path: Path
) -> None:
    path = tmp_path / "dip.case.toml"
    path.write_text(SHORT, encoding="utf-8")
    assert "is there twice" in refuse(make_site(case=SHORT), "--case", str(path), "--case", "dip")


# --- a person stops it ----------------------------------------------------------------------------------

MANY = SHORT.replace("[0.6, 0.75]", str([round(0.6 + 0.0005 * i, 4) for i in range(400)]))
DEADLINE_S = 120.0


def stop_after_first_record(process: subprocess.Popen[str], out: Path) -> Answer:
    """Ctrl-C, as a terminal sends it: to every process of the group."""
    end = time.monotonic() + DEADLINE_S
    while not any((out / "records").glob("many-*.parquet")):
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end, "no record within the deadline"
        try:
            process.wait(timeout=0.05)
        except subprocess.TimeoutExpired:
            continue
    os.killpg(process.pid, signal.SIGINT)
    said, errors = process.communicate(timeout=DEADLINE_S)
    return Answer(process.returncode, said, errors)


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_ctrl_c_keeps_the_evidence_so_far_and_says_so(make_site: MakeSite, tmp_path: Path, jobs: str) -> None:
    site, out = make_site(case=MANY, name="many.case.toml"), tmp_path / "evidence"

    process = started("prove", str(site), "--jobs", jobs, "--out", str(out), cwd=tmp_path)
    answer = stop_after_first_record(process, out)

    assert answer.code == 4, answer
    assert "Traceback" not in answer.err
    content = json.loads((out / "run.json").read_text(encoding="utf-8"))
    done = len(content["runs"])
    assert content["about"]["complete"] is False
    assert done < 400
    assert f"Stopped after {done} of 400 runs" in (out / "report.html").read_text(encoding="utf-8")
    assert f"Stopped after {done} of 400 runs" in answer.out
    assert "stopped by the user" in (out / "verdicts.xml").read_text(encoding="utf-8")
    for one in content["runs"]:
        assert pq.read_table(out / one["record"]).num_rows > 0


# --- version and help -----------------------------------------------------------------------------------


def test_the_version_is_told() -> None:
    answer = call("--version")
    assert answer.code == 0
    assert re.fullmatch(r"skidproof \d+\.\d+\.\d+\n", answer.out)


@pytest.mark.parametrize("command", ["prove", "campaign", "begin", "control"])
def test_help_shows_an_example(command: str) -> None:
    answer = call(command, "--help")
    assert answer.code == 0
    assert f"Example: skidproof {command}" in " ".join(answer.out.split())


def test_help_of_the_whole_says_what_it_does_and_does_not() -> None:
    said = " ".join(call("--help").out.split())
    assert "Prove the control logic" in said
    assert "no SIL or PL is claimed" in said
