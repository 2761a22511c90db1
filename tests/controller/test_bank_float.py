"""The high-high float and its image: what is latched when the image is old or the program has just begun."""

from __future__ import annotations

import pytest
from bank_harness import BankRig, producing_bank
from harness import QUICK

from controller.unit.states import UnitState as S


def latched_and_closed() -> BankRig:
    """The float has opened in a fresh image and closed again."""
    rig = producing_bank(1)
    rig.bank["tank_not_overfull"] = False
    rig.run(5)
    rig.bank["tank_not_overfull"] = True
    return rig


def test_a_float_that_opens_in_a_stale_image_waits_for_a_reset_all_the_same() -> None:
    """Given a line on which the bank answers and no longer hears us: images come, and count as old."""
    rig = producing_bank(1)
    rig.bank_age_ms = 1_001
    rig.bank["tank_not_overfull"] = False
    rig.run(0.5)
    assert not rig.out.units[0].pump
    rig.bank["tank_not_overfull"] = True
    rig.run(1)
    rig.press_reset()
    rig.bank_age_ms = 0
    rig.run(300)
    assert not any(units[0].pump for *_, units, _ in rig.trace[-3_000:])

    rig.press_reset()
    rig.until(lambda r: r.states == (S.PRODUCE,), 300)


@pytest.mark.parametrize(
    ("contact", "closes_s", "latches"),
    [
        ("tank_not_overfull", QUICK.boot_s - 1, False),  # contacts settle
        ("tank_not_overfull", QUICK.boot_s + 1, True),
        ("estop_healthy", QUICK.boot_s - 1, True),
    ],
)
def test_a_contact_that_is_open_after_power_up_latches(contact: str, closes_s: float, latches: bool) -> None:
    rig = BankRig(1)
    rig.bank[contact] = False
    rig.run(closes_s)
    rig.bank[contact] = True
    rig.run(200)
    assert (rig.states == (S.PRODUCE,)) is not latches


def test_a_stale_float_that_is_open_holds_back_the_reset_of_one_that_closed() -> None:
    rig = latched_and_closed()
    rig.run(9)
    rig.bank_age_ms = 1_001
    rig.bank["tank_not_overfull"] = False
    rig.run(3)
    rig.bank["tank_not_overfull"] = True
    rig.press_reset()
    rig.bank_age_ms = 0
    rig.run(30)
    assert not rig.out.bank.alarm_relay


def test_a_closed_float_in_a_stale_image_latches_and_frees_nothing() -> None:
    rig = producing_bank(1)
    rig.bank_age_ms = 1_001
    rig.run(2)
    rig.bank_age_ms = 0
    rig.until(lambda r: r.out.bank.alarm_relay, 5)
