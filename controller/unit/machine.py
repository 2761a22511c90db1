"""The state machine of all units: one shared machine, run from the table.

The sequencer decides in plain code which event holds and where it leads; the machine then makes the move,
and refuses one that the table does not contain. Triggering only on a change keeps it off the path of the
ordinary scan.
"""

from __future__ import annotations

from transitions import Machine

from controller.unit.memory import UnitMemory
from controller.unit.states import STATES, Event, UnitState
from controller.unit.table import moves


def edge(event: Event, entered: UnitState) -> str:
    """Name of a move in the machine: the event and the state that it enters."""
    return f"{event.name}>{entered.value}"


def build() -> Machine:
    """The machine; memories are handed to it at each move and need no registration."""
    return Machine(
        model=None,
        states=STATES,
        initial=None,
        auto_transitions=False,
        transitions=[
            {"trigger": edge(event, entered), "source": source, "dest": entered}
            for event, source, entered in moves()
        ],
    )


_MACHINE = build()


def move(memory: UnitMemory, event: Event, entered: UnitState) -> None:
    """Take the edge from the memory's present state; raises MachineError when the table has none."""
    _MACHINE.events[edge(event, entered)].trigger(memory)
