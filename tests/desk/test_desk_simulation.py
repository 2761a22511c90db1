"""The thread that owns the run: pace, pause, wishes, and what happens when something breaks."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from typing import Any

import pytest
from desk_samples import LOW_SUCTION, deed, order, run_to, session

from sim_plant.bench.targets import TargetError
from sim_plant.desk.session import Session
from sim_plant.desk.simulation import WISHES_MAX, Simulation
from sim_plant.desk.wishes import Back, Pace, Pause, RefusedError, Save, Scans, Wish

DEADLINE_S = 20.0
PAUSE, GO_ON = Pause(kind="pause", on=True), Pause(kind="pause", on=False)


class Desk:
    """A running simulation and its session; the session is looked at only while time stands still."""

    def __init__(self, speed: float | None) -> None:
        self.session: Session = session()
        self.simulation = Simulation(self.session, speed)

    def ask(self, wish: Wish) -> dict[str, Any]:
        return self.simulation.ask(wish).result(DEADLINE_S)


@pytest.fixture
def fast() -> Iterator[Desk]:
    desk = Desk(None)
    desk.simulation.start()
    yield desk
    desk.simulation.stop()


def shown(simulation: Simulation) -> dict[str, Any]:
    return json.loads(simulation.latest.get()[1])  # type: ignore[no-any-return]


def test_there_is_a_picture_before_time_goes() -> None:
    assert shown(Simulation(session()))["t_ms"] == 100


def test_while_it_stands_still_a_scan_is_one_scan(fast: Desk) -> None:
    fast.ask(PAUSE)
    before_ms = fast.session.now_ms

    fast.ask(Scans(kind="scans", count=3))

    assert fast.session.now_ms == before_ms + 300


def test_a_command_is_answered_after_the_scan_that_took_it(fast: Desk) -> None:
    assert fast.ask(order("stop", 1)) == {"ok": True, "text": "stop, unit 1: taken"}
    refused = fast.ask(order("start", 1, "ESTOP"))

    assert not refused["ok"]
    assert "state that has passed" in refused["text"]


def test_a_command_while_it_stands_still_waits_for_the_next_scan(fast: Desk) -> None:
    fast.ask(PAUSE)

    answer = fast.ask(order("stop", 1))

    assert "waits for the next scan" in answer["text"]
    assert fast.session.receipts[-1].outcome == ""
    fast.ask(Scans(kind="scans", count=1))
    assert fast.session.receipts[-1].outcome == "taken"


def test_a_wish_that_cannot_be_granted_says_why_and_the_run_goes_on(fast: Desk) -> None:
    with pytest.raises(RefusedError, match="no unit 9"):
        fast.ask(deed(unit=9, **LOW_SUCTION))

    assert fast.ask(PAUSE)["ok"]


def test_wound_back_it_stands_still_at_that_moment(fast: Desk) -> None:
    fast.ask(PAUSE)
    fast.ask(Scans(kind="scans", count=500))

    answer = fast.ask(Back(kind="back", to_s=12.3))

    assert "wound back to 12.3 s" in answer["text"]
    assert fast.session.now_ms == 12_300


def test_what_is_shown_after_winding_back_is_the_plant_of_then(fast: Desk) -> None:
    fast.ask(PAUSE)
    fast.ask(Scans(kind="scans", count=500))
    fast.ask(Back(kind="back", to_s=12.3))
    end_s = time.monotonic() + DEADLINE_S

    while (picture := shown(fast.simulation))["t_ms"] != 12_300:
        assert time.monotonic() < end_s, picture["t_ms"]

    assert (picture["busy"], picture["pace"]["paused"]) == ("", True)


def test_a_case_file_is_handed_out_as_text(fast: Desk) -> None:
    answer = fast.ask(Save(kind="save", unit=2))

    assert answer["name"].endswith(".case.toml")
    assert "[given]" in answer["text"]


def test_the_pace_is_kept_by_the_clock() -> None:
    now_s = 0.0
    desk = session()
    simulation = Simulation(desk, speed=10.0, clock=lambda: now_s)
    simulation._begin()
    begun_ms = desk.now_ms
    for _ in range(20):
        now_s += 0.04
        simulation._advance()

    assert desk.now_ms - begun_ms == pytest.approx(8_000, abs=200)


def test_what_lies_too_far_back_is_not_made_up_for() -> None:
    now_s = 0.0
    desk = session()
    simulation = Simulation(desk, speed=1.0, clock=lambda: now_s)
    simulation._begin()
    begun_ms = desk.now_ms

    now_s = 3600.0
    for _ in range(50):
        simulation._advance()

    assert desk.now_ms - begun_ms <= 1_000


def test_too_many_wishes_at_once_are_refused() -> None:
    simulation = Simulation(session())  # its thread does not run, so nothing is taken
    for _ in range(WISHES_MAX):
        simulation.ask(PAUSE)

    with pytest.raises(RefusedError, match="too much"):
        simulation.ask(PAUSE)


def test_whoever_has_gone_needs_no_answer(fast: Desk) -> None:
    fast.simulation.ask(GO_ON).cancel()

    assert fast.ask(Pace(kind="pace", speed=2.0))["ok"]


def test_a_controller_that_breaks_stops_the_run_with_a_sentence_and_can_be_wound_back() -> None:
    desk = Desk(None)
    scan = desk.session.scan

    def breaking() -> None:
        if desk.session.now_ms >= 30_000:
            raise TargetError("the controller failed: it was made to")
        scan()

    desk.session.scan = breaking  # type: ignore[method-assign]
    desk.simulation.start()
    try:
        while not shown(desk.simulation)["broken"]:
            desk.ask(Save(kind="save", unit=1))
        broken = shown(desk.simulation)
        answer = desk.ask(Back(kind="back", to_s=5.0))
    finally:
        desk.simulation.stop()

    assert "it was made to" in broken["broken"]
    assert broken["t_ms"] == 30_000
    assert answer["ok"]


def test_a_defect_in_a_wish_does_not_end_the_run(fast: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_arguments: object) -> None:
        raise KeyError("a defect")

    monkeypatch.setattr(fast.session, "do", broken)

    with pytest.raises(RefusedError, match="KeyError"):
        fast.ask(deed(power="off"))

    assert fast.ask(PAUSE)["ok"]


def test_a_changed_setpoint_moves_the_limits_that_are_drawn_and_going_back_moves_them_back() -> None:
    desk = session()
    run_to(desk, 20)
    simulation = Simulation(desk)
    change = {"name": "suction_trip_bar", "value": 1.0, "by": "Ada", "reason": "trial"}
    seen = [drawn_suction_trip(simulation)]

    desk.do(deed(setpoint=change))
    simulation._show()
    seen.append(drawn_suction_trip(simulation))
    desk.scan()
    desk.back(10_000)
    simulation._show()
    seen.append(drawn_suction_trip(simulation))

    assert seen == [0.8, 1.0, 0.8]
    assert shown(simulation)["settings"] == 2  # how a page learns that it must look again


def drawn_suction_trip(simulation: Simulation) -> float:
    return float(simulation.about()["limits"]["suction_ma"][0]["value"])
