"""The picture says in words what each unit does, why it waits, and what is wrong."""

from __future__ import annotations

import json
import math

import pytest
from desk_samples import OVERLOAD, deed, order, run_to, run_until, session

from controller.unit import progress
from sim_plant.desk.about import about_site
from sim_plant.desk.picture import draw, split_wait


@pytest.mark.parametrize("needed_s", [3.0, 87.4, 600.0])
def test_the_seconds_to_go_are_those_of_the_firmwares_sentence(needed_s: float) -> None:
    sentence = progress._count_down("flushing", 0.0, needed_s)
    assert sentence is not None

    assert split_wait(sentence) == ("flushing", round(needed_s))


def test_a_unit_tells_its_state_and_what_it_waits_for() -> None:
    desk = session()
    run_until(desk, 1, "START_FLUSH")
    run_to(desk, desk.now_ms / 1000 + 10)

    unit = draw(desk)["units"][0]

    assert (unit["state"], unit["code"], unit["why"]) == ("START_FLUSH", "SF", "flushing")
    assert 105 <= unit["to_go_s"] <= 112


def test_a_locked_out_unit_tells_the_first_cause_and_the_others_do_not() -> None:
    desk = session()
    run_until(desk, 2, "PRODUCE")
    desk.do(deed(unit=2, **OVERLOAD))
    run_until(desk, 2, "LOCKOUT")
    run_to(desk, desk.now_ms / 1000 + 2)

    first, second = draw(desk)["units"]

    assert "needs a reset" in second["why"]
    assert second["first_out"]
    assert second["worst"] in (1, 2)
    assert (first["first_out"], first["latched"]) == ("", "")


def test_an_acknowledged_alarm_stays_in_the_list_and_is_no_longer_unseen() -> None:
    desk = session()
    run_until(desk, 2, "PRODUCE")
    desk.do(deed(unit=2, **OVERLOAD))
    run_until(desk, 2, "LOCKOUT")
    run_to(desk, desk.now_ms / 1000 + 2)
    desk.order(order("acknowledge", 2))
    desk.scan()

    alarms = [alarm for alarm in draw(desk)["alarms"] if alarm["unit"] == 2 and alarm["shown"]]

    assert alarms
    assert not any(alarm["unseen"] for alarm in alarms)


def test_faults_in_force_and_put_off_are_listed() -> None:
    desk = session()
    desk.do(deed(unit=2, **OVERLOAD))
    desk.do(deed(30, power="off"))

    picture = draw(desk)

    assert [(f["name"], f["unit"]) for f in picture["faults"]] == [("fault-1", 2)]
    assert [c["words"] for c in picture["coming"]] == ["power off"]


def test_picture_and_facts_are_json_without_numbers_that_are_none() -> None:
    desk = session()
    run_to(desk, 3)
    text = json.dumps([draw(desk), about_site(desk.site, 7)], allow_nan=False)

    assert not any(isinstance(v, float) and math.isnan(v) for v in json.loads(text))


def test_every_fault_names_the_key_under_which_its_value_is_taken() -> None:
    desk = session()
    for row in about_site(desk.site, 7)["faults"]:
        inject = {"target": row["target"], "kind": row["kind"]}
        if "key" in row:
            inject[row["key"]] = (row["lo"] + row["hi"]) / 2
        step = deed(unit=1, inject=inject).action(0, "")
        assert step.inject is not None
        assert step.inject.fault(1, 2).target == row["target"]


def test_contacts_of_an_image_that_is_too_old_are_not_known() -> None:
    desk = session()
    run_until(desk, 2, "PRODUCE")
    desk.do(deed(unit=2, inject={"target": "unit_io", "kind": "lost"}))
    run_to(desk, desk.now_ms / 1000 + 10)

    first, second = draw(desk)["units"]

    assert (second["stale"], second["in"]) == (True, None)
    assert first["in"] is not None
