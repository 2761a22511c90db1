"""The board of all alarms: what it looks at, and when."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from board_harness import BoardRig

from controller.alarms.board import Board
from controller.parts.analogue import Quality
from controller.settings import Setpoints
from controller.unit.states import Event, UnitState

E = Event

# --- when it looks ------------------------------------------------------------------------------------


def flush_fails(rig: BoardRig) -> None:
    """A condition of unit 1 that has no delay."""
    rig.units[0].quality_alarm = True


def strokes_stray(rig: BoardRig) -> None:
    """A condition of the bank that has no delay."""
    rig.bank.strays_ms = [rig.now_ms, rig.now_ms]


def loop_of_unit_fails(rig: BoardRig) -> None:
    rig.units[0].loops[1].quality = Quality.BAD


def loop_of_bank_fails(rig: BoardRig) -> None:
    rig.bank.loops[5].quality = Quality.BAD


SAMPLED = [
    (flush_fails, (1, "permeate quality poor", "UNACK")),
    (loop_of_unit_fails, (1, "membrane pressure bad", "UNACK")),
    (strokes_stray, (0, "antiscalant siphons", "UNACK")),
    (loop_of_bank_fails, (0, "booster speed bad", "UNACK")),
]


@pytest.mark.parametrize(("change", "shown"), SAMPLED)
def test_conditions_and_loops_are_looked_at_twice_a_second(
    change: Callable[[BoardRig], None], shown: tuple[int, str, str]
) -> None:
    rig = BoardRig().scan().scan()
    change(rig)

    assert rig.scan(499).shown() == set()
    assert rig.scan(1).shown() == {shown}


@pytest.mark.parametrize(("change", "shown"), SAMPLED)
def test_the_first_scan_looks_at_once(
    change: Callable[[BoardRig], None], shown: tuple[int, str, str]
) -> None:
    rig = BoardRig()
    rig.now_ms = 0
    change(rig)

    assert rig.scan(100).shown() == {shown}


@pytest.mark.parametrize(("change", "shown"), SAMPLED)
@pytest.mark.parametrize(("age_ms", "judged"), [(1_000, True), (1_001, False)])
def test_conditions_and_loops_are_judged_only_on_an_image_that_is_not_stale(
    change: Callable[[BoardRig], None], shown: tuple[int, str, str], age_ms: int, judged: bool
) -> None:
    rig = BoardRig().scan()
    rig.age_ms[0] = rig.bank_age_ms = age_ms
    change(rig)

    assert rig.scan().shown() == ({shown} if judged else set())
    rig.age_ms[0] = rig.bank_age_ms = 0
    assert rig.scan(100).shown() == {shown}  # it does not wait for another half second


@pytest.mark.parametrize(("change", "shown"), SAMPLED)
def test_what_was_seen_stays_while_the_image_is_stale(
    change: Callable[[BoardRig], None], shown: tuple[int, str, str]
) -> None:
    rig = BoardRig().scan()
    change(rig)
    rig.scan()
    rig.age_ms[0] = rig.bank_age_ms = 1_001
    rig.units[0].quality_alarm = False
    rig.bank.strays_ms = []
    rig.units[0].loops[1].quality = rig.bank.loops[5].quality = Quality.GOOD

    assert rig.scan().shown() == {shown}


def test_one_stale_unit_does_not_keep_the_others_from_being_judged() -> None:
    rig = BoardRig(3).scan()
    rig.age_ms[0] = 1_001
    for m in rig.units:
        m.quality_alarm = True

    assert {unit for unit, _, _ in rig.scan().shown()} == {2, 3}


def test_causes_are_taken_in_every_scan() -> None:
    rig = BoardRig().scan()

    rig.come(E.SKID_LEAK)

    assert rig.state("skid leak") == "UNACK"
    assert rig.state("skid leak", 2) == "NORM"


def test_a_cause_goes_with_a_fresh_image_only_but_comes_with_a_stale_one_too() -> None:
    rig = BoardRig().scan().come(E.OTHER_SENSOR_BAD)
    rig.age_ms[0] = 1_001

    assert rig.go(E.OTHER_SENSOR_BAD).state("flow transmitter bad") == "UNACK"
    rig.come(E.ISOLATED)
    assert rig.state("isolator off") == "UNACK"
    rig.age_ms[0] = 1_000
    assert rig.scan(100).state("flow transmitter bad") == "RTNUN"
    assert rig.state("isolator off") == "UNACK"


def test_the_stale_limit_follows_its_setpoint() -> None:
    rig = BoardRig().scan()
    rig.board.adopt(Setpoints(io_stale_s=2))
    rig.age_ms[0] = rig.bank_age_ms = 2_000
    flush_fails(rig)
    strokes_stray(rig)

    assert len(rig.scan().shown()) == 2


@pytest.mark.parametrize("n_units", [1, 3])
def test_a_board_refuses_an_image_of_another_number_of_units(n_units: int) -> None:
    rig, other = BoardRig(2), BoardRig(n_units)
    rig.field, rig.age_ms = other.field, other.age_ms

    with pytest.raises(ValueError, match="argument"):
        rig.scan()


def test_a_snapshot_of_another_number_of_units_is_refused() -> None:
    with pytest.raises(ValueError, match="argument"):
        Board(2, Setpoints()).restore(Board(1, Setpoints()).snapshot())


# --- what it looks at ---------------------------------------------------------------------------------


def test_the_prefilter_is_judged_by_the_pressure_of_the_header() -> None:
    rig = BoardRig()
    rig.field[1]["suction_bar"] = 2.2
    for _ in range(2):
        rig.scan(60_000)
    assert rig.shown() == {(2, "prefilter loaded", "UNACK")}

    rig.header_bar = 2.5
    for _ in range(2):
        rig.scan(60_000)
    assert rig.shown() == {(2, "prefilter loaded", "RTNUN")}


def test_blended_product_is_judged_while_any_unit_pumps() -> None:
    rig = BoardRig()
    rig.shared["product_us"] = 600.0
    rig.pumping = [False, False]
    rig.scan().scan(400_000)
    assert rig.shown() == set()

    rig.pumping = [False, True]
    rig.scan().scan(299_900)
    assert rig.shown() == set()
    rig.scan(100)
    assert rig.shown() == {(0, "product too saline", "UNACK")}


def test_a_delay_follows_its_setpoint() -> None:
    rig = BoardRig()
    rig.board.adopt(Setpoints(product_tds_min=1))
    rig.shared["product_us"] = 600.0

    assert rig.scan().scan(59_900).shown() == set()
    assert rig.scan(100).shown() == {(0, "product too saline", "UNACK")}


def test_a_limit_follows_its_setpoint() -> None:
    rig = BoardRig(setpoints=Setpoints(temp_alarm_degc=30, discharge_alarm_bar=12.6))
    rig.shared["feed_degc"] = 31.0
    rig.field[0]["membrane_bar"] = 13.0
    rig.scan().scan(10_000)
    assert rig.shown() == {(0, "feed warm", "UNACK"), (1, "membrane pressure rising", "UNACK")}

    rig.board.adopt(Setpoints())
    rig.scan().scan(10_000)
    assert rig.shown() == {(0, "feed warm", "RTNUN"), (1, "membrane pressure rising", "RTNUN")}


def test_a_loop_that_stands_still_through_a_purge_is_told_and_one_that_moves_is_not() -> None:
    rig = BoardRig().scan()
    rig.units[0].state = rig.units[1].state = UnitState.PURGE
    rig.units[0].evidence = rig.units[1].evidence = True
    rig.field[1] = {"suction_bar": 2.6, "membrane_bar": 6.0, "permeate_m3h": 0.4, "concentrate_m3h": 3.0}
    rig.field[0] = dict(rig.field[1]) | {"permeate_m3h": 1.4}
    rig.scan()
    rig.units[0].state = rig.units[1].state = UnitState.PRODUCE
    rig.field = [{}, {}]

    assert rig.scan().shown() == {(1, "permeate flow does not move", "UNACK")}


def test_the_latch_of_a_unit_is_shown_until_it_is_released() -> None:
    rig = BoardRig().scan().come(E.PERMEATE_PRESSURE)
    rig.units[0].latched = E.PERMEATE_PRESSURE
    rig.scan(100).go(E.PERMEATE_PRESSURE)
    assert rig.shown() == {(1, "permeate side blocked", "LATUN")}

    rig.units[0].latched = None
    assert rig.scan(100).shown() == {(1, "permeate side blocked", "RTNUN")}


def test_the_open_e_stop_chain_is_an_alarm_of_the_bank() -> None:
    rig = BoardRig().scan()
    rig.shared["estop_healthy"] = False
    assert rig.scan(100).shown() == {(0, "emergency stop", "UNACK")}

    rig.units[1].state = UnitState.ESTOP
    rig.shared["estop_healthy"] = True
    assert rig.scan(100).shown() == {(0, "emergency stop", "LATUN")}


def test_contacts_of_a_bank_that_has_shown_nothing_since_power_up_are_no_alarm() -> None:
    rig = BoardRig()
    rig.bank.io_seen = False
    rig.shared["estop_healthy"] = False

    assert rig.scan(100).shown() == set()


def test_a_shared_cause_hides_its_consequence_in_every_unit_in_the_same_scan() -> None:
    rig = BoardRig().scan()
    rig.bank.header_low_ms = rig.now_ms - 10_000
    for m in rig.units:
        m.active = 1 << E.LOW_SUCTION
    rig.scan(100)

    assert rig.shown() == {(0, "feed header lost", "UNACK")} | {(n, "low suction", "DSUPR") for n in (1, 2)}
    hidden = rig.view("low suction")
    assert hidden is not None
    assert hidden.consequence_of == "feed header lost"


def test_only_the_unit_in_maintenance_is_out_of_service() -> None:
    rig = BoardRig().scan()
    rig.units[1].in_maintenance = True

    assert {(unit, state) for unit, _, state in rig.scan(100).shown()} == {(2, "OOSRV")}
