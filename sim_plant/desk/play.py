"""A case done at the desk: its steps one after another, as if a person at the page did them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from controller.files import InputError
from controller.unit.states import UnitState
from sim_plant.bench.case_text import table_of
from sim_plant.bench.cases import CaseFile, load_case
from sim_plant.bench.steps import BANK_SWITCHES, Step
from sim_plant.desk.session import Session
from sim_plant.desk.wishes import Deed, Order, RefusedError
from sim_plant.faults import FAULTS
from sim_plant.site import Site

_OF_THE_CASE = ("at_s", "when_state", "after_s", "limit_s", "name", "disturbs", "by", "command")


def read_case(path: Path, site: Site) -> CaseFile:
    """A case that can be done at the desk: one run, from a cold start; InputError for any other."""
    runs = load_case(path, site)
    if len(runs) != 1 or runs[0].state is not UnitState.BOOT:
        raise InputError(
            f'{path.name}: the desk begins cold: it takes a case with given.states = ["BOOT"] alone'
        )
    return runs[0].case


def play(session: Session, case: CaseFile) -> None:
    """Do the case to its end; InputError when a step cannot be done.

    A session has scanned once already when it begins, so a step at 0 s is done at its second scan.
    """
    strike_ms = round(case.given.offset_s * 1000.0)
    _run_to(session, strike_ms)
    for key in ("tank_pct", "demand_m3h"):
        if (value := getattr(case.given, key)) is not None:
            session.do(Deed(kind="deed", step={key: value}))
    names: dict[str, str] = {}  # of faults: the case's own, and what the session calls them
    for number, (step, row) in enumerate(
        zip(case.step, table_of(case).get("step", []), strict=True), start=1
    ):
        _wait(session, step, number, case.given.unit, strike_ms)
        try:
            _do(session, step, row, case.given.unit, names)
        except RefusedError as error:
            raise InputError(f"step {number}: {error}") from error
    _run_to(session, session.now_ms + round(case.run.for_s * 1000.0))


def _run_to(session: Session, t_ms: int) -> None:
    while session.now_ms < t_ms:
        session.scan()


def _wait(session: Session, step: Step, number: int, unit: int, strike_ms: int) -> None:
    if step.at_s is not None:
        _run_to(session, strike_ms + round(step.at_s * 1000.0))
        return
    end_ms = session.now_ms + round(step.limit_s * 1000.0)
    while session.rig.state_of(unit) != step.when_state:
        if session.now_ms >= end_ms:
            raise InputError(
                f"step {number}: unit {unit} is not in {step.when_state} within {step.limit_s:g} s"
            )
        session.scan()
    _run_to(session, session.now_ms + round(step.after_s * 1000.0))


def _do(session: Session, step: Step, row: dict[str, Any], under_test: int, names: dict[str, str]) -> None:
    """``row`` is the step as the case file has it."""
    unit = under_test if step.unit is None else step.unit
    if step.command is not None:
        seen = session.rig.state_of(unit) if unit else ""
        session.order(Order(kind="order", verb=step.command, unit=unit, by=step.by, against=seen))
        return
    deed = {key: value for key, value in row.items() if key not in _OF_THE_CASE}
    if _of_a_unit(step):
        deed["unit"] = unit
    if step.clear is not None:
        deed["clear"] = names[step.clear]
    session.do(Deed(kind="deed", step=deed))
    if step.inject is not None:
        done = session.performed[-1].step
        assert done is not None
        names[step.name] = done.name


def _of_a_unit(step: Step) -> bool:
    if step.inject is not None:
        return FAULTS[step.inject.target, step.inject.kind].per_unit
    return step.operate is not None and step.operate.split()[0] not in BANK_SWITCHES
