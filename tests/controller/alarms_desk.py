"""What a person at the alarm list of a whole controller sees and does."""

from __future__ import annotations

from bank_harness import BankRig, producing_bank

from controller.alarms.board import AlarmView
from controller.signals import Command, Verb


def alarm(rig: BankRig, name: str, unit: int = 1) -> AlarmView | None:
    """The alarm as shown; None while it is NORM."""
    return next((a for a in rig.controller.alarms() if (a.unit, a.id) == (unit, name)), None)


def state(rig: BankRig, name: str, unit: int = 1) -> str:
    shown = alarm(rig, name, unit)
    return shown.state.value if shown else "NORM"


def tell(rig: BankRig, verb: Verb, name: str = "", unit: int = 1, by: str = "Ada", **more: object) -> None:
    """Give a command about alarms in the next scan, and make that scan."""
    rig._commands = (Command(verb, unit, by, alarm=name, **more),)  # type: ignore[arg-type]  # fields of Command
    rig.step()


def refusals(rig: BankRig) -> list[str]:
    return [e.text for e in rig.controller.take_events() if e.kind == "refused"]


def with_warning() -> BankRig:
    """Two producing units; unit 1 has a warning of priority 3 that stops nothing."""
    rig = producing_bank(2)
    rig.units[0]["membrane_bar"] = 15.0
    rig.run(4)
    assert state(rig, "membrane pressure rising") == "UNACK"
    rig.controller.take_events()
    return rig
