"""Alarms that stop nothing, on the simulated plant: what they tell of, and when they keep quiet."""

from __future__ import annotations

from functools import cache

import pytest

from controller.firmware import Controller, Snapshot
from sim_plant.faults import Fault
from sim_plant.plant import Plant
from sim_plant.site import demo_folder, load_site

SITE = load_site(demo_folder())
UNIT = 2
SCAN_MS = SITE.file.site.scan_ms
TO_THE_NEXT_PURGE_S = 700.0


class Bank:
    """The bundled plant under our firmware, without a recorder."""

    def __init__(self) -> None:
        self.plant = Plant(SITE.units, SITE.file.plant, SITE.file.site.seed)
        self.controller = Controller(SITE.units, SITE.setpoints)
        self.now_ms = 0

    def run(self, seconds: float) -> None:
        """As many scans as fill that time."""
        for _ in range(round(seconds * 1000 / SCAN_MS)):
            outputs = self.controller.scan(self.plant.inputs(()), self.now_ms)
            self.plant.step(outputs, SCAN_MS)
            self.now_ms += SCAN_MS

    def told(self) -> set[tuple[int, str]]:
        """Unit and name of every alarm that has called for a person since the journal was last read."""
        lines = [e for e in self.controller.take_events() if e.kind == "alarm"]
        return {(e.unit, e.text.split(":")[0]) for e in lines if e.text.split("> ")[1][:5] == "UNACK"}


@cache
def _prepared(idle: bool) -> tuple[object, Snapshot, int, set[tuple[int, str]]]:
    bank = Bank()
    bank.plant.set_tank_pct(96.0 if idle else 20.0)
    if idle:
        bank.plant.set_demand_m3h(0.0)
    bank.run(1_700)
    told = bank.told()
    return bank.plant.snapshot(), bank.controller.snapshot(), bank.now_ms, told


def bank_after(idle: bool = False) -> Bank:
    """All units in steady production, or all at rest on a full tank."""
    bank = Bank()
    plant, controller, bank.now_ms, _told = _prepared(idle)
    bank.plant.restore(plant)
    bank.controller.restore(controller)
    return bank


def after(*faults: Fault, seconds: float, idle: bool = False) -> set[tuple[int, str]]:
    """What is told in so long after the faults."""
    bank = bank_after(idle)
    for fault in faults:
        bank.plant.inject(fault)
    bank.run(seconds)
    return bank.told()


@pytest.mark.parametrize("idle", [False, True])
def test_a_healthy_bank_tells_nothing_from_power_up_on(idle: bool) -> None:
    *_, told = _prepared(idle)

    assert told == set()
    assert after(seconds=TO_THE_NEXT_PURGE_S, idle=idle) == set()


TELLS: list[tuple[Fault, str]] = [
    (Fault("permeate_flow", "gain", UNIT, 0.5), "recovery implausible"),
    (Fault("concentrate_flow", "gain", UNIT, 0.5), "recovery implausible"),
    (Fault("flush_valve", "leak", UNIT, 0.5), "restrictor worn or flush valve leaks"),
    (Fault("restrictor", "eroded", UNIT, 1.5), "restrictor worn or flush valve leaks"),
    (Fault("restrictor", "plugged", UNIT, 0.3), "restrictor blocked"),
    (Fault("pump", "worn", UNIT, 0.6), "pump worn"),
    (Fault("prefilter", "collapsed", UNIT), "prefilter takes too little"),
]


@pytest.mark.parametrize(("fault", "alarm"), TELLS, ids=[f"{f.target} {f.kind}" for f, _ in TELLS])
def test_a_fault_is_told_of_its_own_unit_by_its_own_name(fault: Fault, alarm: str) -> None:
    assert after(fault, seconds=120) == {(UNIT, alarm)}


def test_each_stuck_loop_is_told_by_its_own_unit_after_the_next_purge() -> None:
    loops = ("suction", "membrane", "permeate_flow", "concentrate_flow")

    told = after(
        *(Fault(loop, "stuck", unit) for unit, loop in enumerate(loops, start=1)), seconds=TO_THE_NEXT_PURGE_S
    )

    assert told == {
        (1, "suction pressure does not move"),
        (2, "membrane pressure does not move"),
        (3, "permeate flow does not move"),
        (4, "concentrate flow does not move"),
    }


def test_a_dosing_line_that_siphons_at_rest_is_told() -> None:
    assert after(Fault("dosing", "siphoning", 0, 20.0), seconds=60, idle=True) == {(0, "antiscalant siphons")}


@pytest.mark.parametrize(
    "weather",
    [
        Fault("source", "temperature", 0, 16.0),
        Fault("source", "temperature", 0, 32.0),
        Fault("source", "tds", 0, 4000.0),
        Fault("booster", "hunting", 0, 4.0),
    ],
    ids=["cold", "warm", "saltier", "hunting"],
)
def test_other_water_is_not_taken_for_wear(weather: Fault) -> None:
    assert after(weather, seconds=TO_THE_NEXT_PURGE_S) == set()
