"""A case is done at the desk as the bench does it, and what was done can be saved again."""

from __future__ import annotations

from pathlib import Path

import pytest
from desk_samples import LOW_SUCTION, OVERLOAD, all_of, deed, order, pair, run_to, run_until, session

from controller.files import InputError
from sim_plant.desk.casefile import case_file
from sim_plant.desk.play import play, read_case
from sim_plant.desk.session import Session

HEAD = 'title = "Tried"\nfamily = "trial"\n[given]\nunit = 2\noffset_s = 0\nstates = {states}\n'
WAITS = """
[[step]]
when_state = "START_FLUSH"
after_s = 5
name = "mine"
inject = { target = "suction", kind = "stuck_at", value_bar = 0.2 }

[[step]]
when_state = "RETRY_WAIT"
clear = "mine"

[[step]]
at_s = 900
command = "stop"

[run]
for_s = 3
"""


def written(folder: Path, steps: str, states: str = '["BOOT"]') -> Path:
    path = folder / "tried.case.toml"
    path.write_text(HEAD.format(states=states) + steps, encoding="utf-8")
    return path


def played(path: Path) -> Session:
    desk = session()
    play(desk, read_case(path, pair()))
    return desk


def test_a_case_that_was_saved_gives_the_same_plant_again(tmp_path: Path) -> None:
    desk = session()
    run_to(desk, 50)
    desk.do(deed(unit=1, for_s=3, **LOW_SUCTION))
    desk.do(deed(unit=2, **OVERLOAD))
    run_until(desk, 2, "LOCKOUT")
    desk.do(deed(clear="fault-2"))
    desk.do(deed(demand_m3h=6))
    run_to(desk, desk.now_ms / 1000 + 65)
    desk.order(order("reset", 2, "LOCKOUT"))
    run_to(desk, desk.now_ms / 1000 + 20)
    path = tmp_path / "again.case.toml"
    path.write_text(case_file(desk, 2).text, encoding="utf-8")

    again = played(path)

    assert all_of(again) == all_of(desk)
    assert [done.words for done in again.performed] == [done.words for done in desk.performed]


def test_a_step_waits_for_its_state_and_mends_the_fault_that_it_names(tmp_path: Path) -> None:
    desk = played(written(tmp_path, WAITS))

    assert desk.active() == []
    assert [done.t_ms for done in desk.performed][-1] == 900_000
    assert desk.receipts[-1].text == "stop, unit 2"
    assert desk.now_ms == 903_000


def test_a_state_that_does_not_come_is_told(tmp_path: Path) -> None:
    step = '[[step]]\nwhen_state = "ESTOP"\nlimit_s = 2\npower = "off"\n[run]\nfor_s = 1\n'

    with pytest.raises(InputError, match="step 1: unit 2 is not in ESTOP within 2 s"):
        played(written(tmp_path, step))


@pytest.mark.parametrize("states", ['["PRODUCE"]', '["BOOT", "PRODUCE"]'])
def test_a_case_that_does_not_begin_cold_is_refused(tmp_path: Path, states: str) -> None:
    with pytest.raises(InputError, match="the desk begins cold"):
        read_case(written(tmp_path, "[run]\nfor_s = 1\n", states), pair())
