"""A case that is written and read again is the same case."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from bench_samples import make_run, pair
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sim_plant.bench.case_text import case_toml, table_of
from sim_plant.bench.cases import CaseFile, load_case
from sim_plant.bench.steps import unit_word
from sim_plant.faults import FAULTS
from sim_plant.site import demo_folder, load_site

NURSERY = load_site(demo_folder())
FILES = sorted((demo_folder() / "cases").glob("*.case.toml"))


def read_again(case: CaseFile, folder: Path) -> str:
    """Writes the case; returns its text."""
    text = case_toml(table_of(case), ["written by a test"])
    (folder / "again.case.toml").write_text(text, encoding="utf-8")
    return text


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_bundled_case_gives_the_same_runs_when_written_and_read_again(
    path: Path, tmp_path: Path
) -> None:
    for run in load_case(path, NURSERY):
        read_again(run.case, tmp_path)
        again = load_case(tmp_path / "again.case.toml", NURSERY)
        assert [one.state for one in again] == list(run.case.given.states)
        # in words, because a value that is no number is not equal to itself
        assert {repr(one.case) for one in again} == {repr(run.case)}


def test_every_fault_is_written_with_the_unit_that_it_is_read_with(tmp_path: Path) -> None:
    steps: list[dict[str, Any]] = []
    for (target, kind), spec in FAULTS.items():
        inject: dict[str, Any] = {"target": target, "kind": kind}
        if spec.value_unit:
            inject[f"value_{unit_word(spec.value_unit)}"] = spec.hi
        steps.append({"at_s": 1, "inject": inject})
    run = make_run(step=steps)
    read_again(run.case, tmp_path)
    assert load_case(tmp_path / "again.case.toml", pair())[0].case == run.case


@pytest.mark.parametrize("value", [math.inf, -math.inf, 1e300, 0.1, -3.0])
def test_a_setpoint_to_be_refused_is_written_whatever_its_value(value: float, tmp_path: Path) -> None:
    run = make_run(step=[{"at_s": 0, "setpoint": {"name": "purge_s", "value": value}}])
    read_again(run.case, tmp_path)
    assert load_case(tmp_path / "again.case.toml", pair())[0].case == run.case


def test_a_setpoint_that_is_no_number_is_written_as_such(tmp_path: Path) -> None:
    run = make_run(step=[{"at_s": 0, "setpoint": {"name": "purge_s", "value": math.nan}}])
    read_again(run.case, tmp_path)
    change = load_case(tmp_path / "again.case.toml", pair())[0].case.step[0].setpoint
    assert change is not None
    assert math.isnan(change.value)


WORDS = st.text(min_size=1, max_size=60).filter(lambda text: not text.startswith("$") and text.isprintable())


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(title=WORDS, seen=WORDS, name=WORDS, at_s=st.floats(0, 86400), offset_s=st.floats(0, 86400))
def test_words_and_times_come_back_as_they_were(
    tmp_path: Path, title: str, seen: str, name: str, at_s: float, offset_s: float
) -> None:
    run = make_run(
        title=title,
        given={"states": ["PRODUCE", "PURGE"], "unit": 1, "offset_s": offset_s},
        step=[{"at_s": at_s, "name": name, "command": "return to service"}],
        expect=[{"text": seen, "signal": "state", "is": ["OFF", "STANDBY"], "after": name, "within_s": 0}],
    )
    read_again(run.case, tmp_path)
    assert load_case(tmp_path / "again.case.toml", pair())[0].case == run.case


def test_a_case_is_written_as_the_guide_writes_it(tmp_path: Path) -> None:
    inject = {"target": "suction", "kind": "stuck_at", "value_bar": 0.6}
    steps = [{"at_s": 1, "inject": inject, "for_s": 4.0}, {"when_state": "LOCKOUT", "command": "reset"}]
    text = read_again(make_run(step=steps).case, tmp_path)
    assert text.startswith("# written by a test\n")
    assert text.count("[[step]]\n") == 2
    assert 'inject = {target = "suction", kind = "stuck_at", value_bar = 0.6}\n' in text
    assert 'when_state = "LOCKOUT"\ncommand = "reset"\n' in text
    assert "for_s = 4\n" in text
