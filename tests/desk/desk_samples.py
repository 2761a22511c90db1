"""A small bank at the desk, and a source that stands in for one."""

from __future__ import annotations

from concurrent.futures import Future
from functools import cache
from pathlib import Path
from typing import Any

from controller.firmware import Snapshot
from sim_plant.desk.session import Session
from sim_plant.desk.source import Latest
from sim_plant.desk.wishes import Deed, Order, Wish
from sim_plant.process.parameters import PlantParameters
from sim_plant.site import Site, SiteFile

TABLE = {"name": "pair", "title": "Two units to try things on", "units": 2}


@cache
def pair() -> Site:
    """A site of two units that is nowhere on disk."""
    return Site(Path("pair"), SiteFile.model_validate({"site": TABLE, "plant": PlantParameters()}))


def session(*, bank_off: bool = False) -> Session:
    return Session(pair(), seed=7, bank_off=bank_off)


def run_to(desk: Session, t_s: float) -> None:
    while desk.now_ms < round(t_s * 1000):
        desk.scan()


def run_until(desk: Session, unit: int, state: str, limit_s: float = 1800.0) -> None:
    end_ms = desk.now_ms + round(limit_s * 1000)
    while desk.rig.state_of(unit) != state:
        assert desk.now_ms < end_ms, f"unit {unit} is in {desk.rig.state_of(unit)}"
        desk.scan()


def deed(in_s: float = 0.0, **step: Any) -> Deed:
    return Deed.model_validate({"kind": "deed", "in_s": in_s, "step": step})


def order(verb: str, unit: int, against: str = "", **more: Any) -> Order:
    return Order.model_validate(
        {"kind": "order", "verb": verb, "unit": unit, "by": "Ada", "against": against, **more}
    )


LOW_SUCTION = {"inject": {"target": "suction", "kind": "stuck_at", "value_bar": 0.2}}
OVERLOAD = {"inject": {"target": "motor_healthy", "kind": "stuck_open"}}


def all_of(desk: Session) -> tuple[bytes, bytes, Snapshot]:
    """Everything that the future of the run depends on."""
    plant = desk.rig.plant.snapshot()
    return plant.numbers.tobytes(), plant.contacts.tobytes(), desk.controller.snapshot()


class FakeSource:
    """Remembers what it was asked and grants it."""

    def __init__(self, takes_wishes: bool = True) -> None:
        self.takes_wishes = takes_wishes
        self.latest = Latest()
        self.asked: list[Wish] = []

    def about(self) -> dict[str, Any]:
        return {"units": 2, "title": "nothing"}

    def history(self, unit: int, from_ms: int, to_ms: int, points: int) -> dict[str, Any]:
        return {"unit": unit, "from_ms": from_ms, "to_ms": to_ms, "points": points}

    def ask(self, wish: Wish) -> Future[dict[str, Any]]:
        self.asked.append(wish)
        future: Future[dict[str, Any]] = Future()
        future.set_result({"ok": True, "text": "done"})
        return future
