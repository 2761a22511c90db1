"""What was done at the desk is a case that does the same."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from desk_samples import LOW_SUCTION, OVERLOAD, deed, order, pair, run_to, run_until, session

from sim_plant.bench.cases import load_case
from sim_plant.bench.runner import Workshop
from sim_plant.bench.targets import find_factory
from sim_plant.bench.verdicts import Verdict
from sim_plant.desk.casefile import case_file
from sim_plant.desk.session import Session
from sim_plant.desk.wishes import RefusedError


def done_again(desk: Session, unit: int, folder: Path):  # type: ignore[no-untyped-def]  # the bench's own result
    written = case_file(desk, unit, "What was tried")
    path = folder / written.name
    path.write_text(written.text, encoding="utf-8")
    (run,) = load_case(path, pair())
    return Workshop(pair(), find_factory("controller.firmware:Controller"), desk.seed).carry_out(run)


def a_run() -> Session:
    desk = session(bank_off=True)
    run_to(desk, 12)
    desk.do(deed(operate="bank_run on"))
    run_to(desk, 50)
    desk.do(deed(unit=1, for_s=3, **LOW_SUCTION))
    run_until(desk, 2, "PRODUCE")
    desk.do(deed(15, unit=2, **OVERLOAD))
    run_until(desk, 2, "LOCKOUT")
    desk.do(deed(clear="fault-2"))
    run_to(desk, desk.now_ms / 1000 + 65)
    desk.order(order("reset", 2, "LOCKOUT"))
    run_to(desk, desk.now_ms / 1000 + 20)
    return desk


def test_the_case_gives_the_same_plant_to_the_last_bit(tmp_path: Path) -> None:
    desk = a_run()
    row = int(desk.now_ms / desk.rig.scan_ms)

    result = done_again(desk, 2, tmp_path)

    assert result.error == ""
    last = result.trace.unit_truth[row - 1]
    desk.back(desk.now_ms - desk.rig.scan_ms)  # the trace shows the plant before its last step
    assert np.array_equal(last, desk.rig.plant.unit_truth)


def test_the_case_expects_the_last_state_and_finds_it(tmp_path: Path) -> None:
    result = done_again(a_run(), 2, tmp_path)

    assert [finding.verdict for finding in result.expectations] == [Verdict.PASS]


def test_the_expectation_fails_when_something_else_happens(tmp_path: Path) -> None:
    desk = a_run()
    written = case_file(desk, 2, "What was tried")
    path = tmp_path / written.name
    path.write_text(written.text.replace('command = "reset"', 'command = "stop"'), encoding="utf-8")
    (run,) = load_case(path, pair())

    result = Workshop(pair(), find_factory("controller.firmware:Controller"), desk.seed).carry_out(run)

    assert [finding.verdict for finding in result.expectations] == [Verdict.FAIL]


def test_a_run_in_which_nothing_was_done_is_a_case_too(tmp_path: Path) -> None:
    desk = session()
    run_to(desk, 30)

    assert done_again(desk, 1, tmp_path).error == ""


def test_what_a_case_cannot_say_is_left_out_and_named() -> None:
    desk = session()
    run_until(desk, 1, "PRODUCE")
    desk.order(order("stop", 1, "STANDBY"))
    desk.order(order("shelve", 1, alarm="low suction", hours=1, reason="trial"))
    desk.order(order("start", 1, "OFF"))
    desk.scan()

    written = case_file(desk, 1, "Left out")

    assert written.left_out == 2
    assert "shelve low suction, unit 1" in written.text
    assert written.text.count("[[step]]") == 1


def test_a_run_of_more_than_a_day_makes_no_case() -> None:
    desk = session()
    desk.rig.now_ms = 86_401_000

    with pytest.raises(RefusedError, match="at most 86400 s"):
        case_file(desk, 1, "Too long")


def test_the_command_line_that_repeats_it_stands_in_its_head() -> None:
    desk = Session(pair(), 7, options="--seed 7 --set purge_s=15")

    assert "prove SITE --case THIS_FILE --seed 7 --set purge_s=15" in case_file(desk, 1, "x").text


def test_title_and_words_stand_in_the_file_and_it_is_still_a_case(tmp_path: Path) -> None:
    desk = session()
    run_to(desk, 12)
    words = 'Unit 2 loses its feed.\n\n[run]\n"""quotes""" \\ and # signs'

    written = case_file(desk, 1, 'A "title" \\ [x]', words)

    path = tmp_path / written.name
    path.write_text(written.text, encoding="utf-8")
    (run,) = load_case(path, pair())
    assert run.case.title == 'A "title" \\ [x]'
    assert written.text.startswith("# Unit 2 loses its feed.\n")
    assert '# """quotes""" \\ and # signs\n' in written.text
