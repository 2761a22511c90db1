"""The dose and its proof, to the scan."""

from __future__ import annotations

import pytest
from bank_desk import Desk, ready_desk
from harness import QUICK

from controller.bank.memory import Stage
from controller.settings import Setpoints
from controller.unit.states import Event

# 0.46875 m3/h is an eighth of a milliampere: a limit that a loop current gives without rounding
EXACT = Setpoints(**(QUICK.model_dump() | {"dosing_flow_min_m3h": 0.46875}))
OFF_MA = 4.0


def proving() -> Desk:
    """A bank that waits for its first stroke; none comes by itself."""
    desk = Desk(1, EXACT)
    desk.bank |= {"dosing_pulse": False, "feed_m3h": 0.0}
    desk.ask(1, wants_water=True)
    desk.until(lambda d: d.stage is Stage.PROVE_DOSING, 100)
    return desk


def stroke(desk: Desk) -> None:
    """One stroke: the contact closes for a scan and opens again."""
    desk.bank["dosing_pulse"] = True
    desk.scan()
    desk.bank["dosing_pulse"] = False
    desk.scan()


# --- rate -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("feed_m3h", "rate_pct"),
    [(0.46875, 0.9375), (2.5, 5.0), (10.0, 20.0), (50.0, 100.0), (60.0, 100.0)],
)
def test_the_rate_is_in_proportion_to_the_feed_up_to_full(feed_m3h: float, rate_pct: float) -> None:
    desk = ready_desk(1, EXACT)
    desk.coordinator.adopt(EXACT.model_copy(update={"dosing_full_ml_h": 200.0, "dosing_ml_m3": 4.0}))
    desk.bank["feed_m3h"] = feed_m3h

    desk.scan(5)

    assert desk.out.dosing_run
    assert desk.rate_pct == pytest.approx(rate_pct, abs=1e-9)


def test_the_proving_strokes_are_asked_for_at_full_rate_with_or_without_flow() -> None:
    desk = proving()
    for feed_m3h in (0.0, 2.33):
        desk.bank["feed_m3h"] = feed_m3h
        desk.scan()
        assert (desk.out.dosing_run, desk.rate_pct) == (True, 100.0)


def test_the_dose_ends_two_seconds_after_the_water_stands_still_and_comes_back_with_the_flow() -> None:
    desk = ready_desk(1, EXACT)
    desk.bank["feed_m3h"] = 0.46875
    desk.scan(10)
    desk.bank["feed_m3h"] = 0.46

    assert desk.until(lambda d: not d.out.dosing_run, 10) == 2.0
    assert desk.out.dosing_rate_cmd_ma == OFF_MA
    desk.scan(10)
    assert not desk.out.dosing_run

    desk.bank["feed_m3h"] = 0.46875
    desk.scan()
    assert desk.out.dosing_run


def test_two_short_moments_of_still_water_do_not_end_the_dose() -> None:
    desk = ready_desk(1, EXACT)
    for feed_m3h in (0.0, 2.33, 0.0):
        desk.bank["feed_m3h"] = feed_m3h
        desk.scan(2.0)
        assert desk.out.dosing_run


def test_after_the_proof_no_dose_goes_into_still_water() -> None:
    desk = proving()
    desk.scan(3)
    stroke(desk)
    assert desk.stage is Stage.READY

    assert not desk.out.dosing_run
    assert desk.out.dosing_rate_cmd_ma == OFF_MA


@pytest.mark.parametrize("stage", [Stage.STOPPED, Stage.RAISE_HEADER])
def test_no_dose_before_the_proof_whatever_the_meter_shows(stage: Stage) -> None:
    desk = Desk(1, EXACT)
    desk.ask(1, wants_water=stage is not Stage.STOPPED)
    desk.bank |= {"feed_m3h": 2.33, "header_bar": 1.0}
    desk.scan(30)

    assert desk.stage is stage
    assert not desk.out.dosing_run


def test_with_a_bad_meter_each_drawing_unit_counts_with_its_nominal_feed() -> None:
    desk = ready_desk(3, EXACT)
    desk.bank["feed_flow_ma"] = 3.5
    seen = []
    for drawing in (1, 2, 3):
        desk.ask(drawing, draws_water=True)
        desk.scan(3)
        seen.append(desk.rate_pct)

    one = 100 * 2.33 * 4.0 / 200.0
    assert seen == pytest.approx([one, 2 * one, 3 * one])


# --- proof ----------------------------------------------------------------------------------------------


def test_a_stroke_proves_the_dosing_in_the_next_scan() -> None:
    desk = proving()
    desk.bank["dosing_pulse"] = True

    desk.scan()
    assert desk.stage is Stage.PROVE_DOSING
    desk.scan()
    assert desk.stage is Stage.READY


def test_a_contact_that_stands_closed_proves_nothing() -> None:
    desk = Desk(1, EXACT)
    desk.bank["dosing_pulse"] = True
    desk.ask(1, wants_water=True)
    desk.until(lambda d: d.stage is Stage.PROVE_DOSING, 100)

    desk.scan(5)

    assert desk.stage is Stage.PROVE_DOSING


def test_a_stroke_from_before_the_dose_was_asked_for_proves_nothing() -> None:
    desk = Desk(1, EXACT)
    desk.bank["dosing_pulse"] = False
    desk.ask(1, wants_water=True)
    desk.until(lambda d: d.stage is Stage.RAISE_HEADER, 100)
    stroke(desk)
    desk.until(lambda d: d.stage is Stage.PROVE_DOSING, 100)

    desk.scan(5)

    assert desk.stage is Stage.PROVE_DOSING


def unproven_after_s(desk: Desk) -> float:
    """Seconds from the next scan to the latch."""
    took_s = desk.until(lambda d: bool(d.memory.latched), 200)
    assert desk.memory.latched == [Event.DOSING_LOST]
    return took_s


def drawing() -> Desk:
    """A ready bank with feed; no stroke comes by itself, the last one is just over."""
    desk = ready_desk(1, EXACT)
    stroke(desk)
    stroke(desk)
    return desk


def test_a_stroke_begins_the_time_without_one_anew() -> None:
    desk = drawing()
    desk.scan(59)
    stroke(desk)

    # it counts from the scan in which the contact was open again
    assert 0.1 + unproven_after_s(desk) == EXACT.dosing_lost_s


@pytest.mark.parametrize("held", [{"dosing_pulse": True}, {"dosing_healthy": False}], ids=str)
def test_neither_a_closed_contact_nor_strokes_of_a_faulty_pump_prove_a_running_dose(
    held: dict[str, bool],
) -> None:
    desk = drawing()
    desk.bank.pop("dosing_pulse")
    desk.bank |= held

    assert 58.0 <= unproven_after_s(desk) <= 61.0


def test_the_time_without_a_stroke_counts_only_while_feed_flows() -> None:
    desk = drawing()
    desk.scan(50)
    desk.bank["feed_m3h"] = 0.0
    desk.scan(2.1)
    assert not desk.out.dosing_run
    desk.bank["feed_m3h"] = 2.33

    assert unproven_after_s(desk) == EXACT.dosing_lost_s


# --- strokes that nobody asked for ----------------------------------------------------------------------


def idle() -> Desk:
    """A bank at rest in which no stroke comes by itself."""
    desk = Desk(1, EXACT)
    desk.bank["dosing_pulse"] = False
    desk.scan(20)
    return desk


def test_the_last_two_strays_are_remembered() -> None:
    desk = idle()
    moments_ms = []
    for _ in range(3):
        moments_ms.append(desk.now_ms + 100)
        stroke(desk)
        desk.scan(3)

    assert desk.memory.strays_ms == moments_ms[1:]


def test_a_stroke_up_to_five_seconds_after_the_dose_is_its_last_one_and_no_stray() -> None:
    for waited_s, strays in ((4.9, 0), (5.0, 1)):
        desk = drawing()
        desk.bank["feed_m3h"] = 0.0
        desk.until(lambda d: not d.out.dosing_run, 10)
        desk.scan(waited_s - 0.1)  # the time counts from the scan that let the dosing pump go
        stroke(desk)

        assert len(desk.memory.strays_ms) == strays


def test_strokes_of_a_running_dose_are_no_strays() -> None:
    desk = drawing()
    for _ in range(5):
        desk.scan(5)
        stroke(desk)

    assert desk.memory.strays_ms == []
