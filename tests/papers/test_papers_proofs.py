"""A cell is proven by what a record shows of it, and by nothing less."""

from __future__ import annotations

import pytest
from paper_samples import shown

from controller.unit.states import Event, UnitState
from sim_plant.papers.proofs import Mark, seen_in

ON, SHUT = (True, False, True, True), (False, False, False, False)
FEED = (True, False, False, False)
TRIPPED = "PRODUCE > STOPPING, then RETRY_WAIT: low suction, will retry"
CELL = (UnitState.PRODUCE, Event.LOW_SUCTION)


def marks(*arguments: object) -> list[tuple[object, Mark]]:
    return [(seen.key, seen.mark) for seen in seen_in(shown(*arguments))]  # type: ignore[arg-type]


def test_a_move_with_its_outputs_is_proven() -> None:
    assert marks(["PRODUCE", "STOPPING"], [ON, FEED], (100, "move", TRIPPED)) == [(CELL, Mark.PROVEN)]


@pytest.mark.parametrize(
    ("states", "driven", "line"),
    [
        pytest.param(["PRODUCE", "STOPPING"], [ON, ON], TRIPPED, id="the pump goes on"),
        pytest.param(["PRODUCE", "PRODUCE"], [ON, FEED], TRIPPED, id="another state is told"),
        pytest.param(
            ["PRODUCE", "STOPPING"],
            [ON, FEED],
            TRIPPED.replace("RETRY_WAIT", "STANDBY"),
            id="it leads elsewhere",
        ),
        pytest.param(
            ["PRODUCE", "STOPPING"], [ON, (True, True, False, False)], TRIPPED, id="T1 with a flush"
        ),
    ],
)
def test_what_contradicts_the_table_differs(states: list[str], driven: object, line: str) -> None:
    assert marks(states, driven, (100, "move", line)) == [(CELL, Mark.DIFFERS)]


def test_a_move_that_the_table_does_not_have_differs() -> None:
    line = "PRODUCE > STANDBY: skid leak and something"
    assert marks(["PRODUCE", "STANDBY"], [ON, SHUT], (100, "move", line)) == []
    line = "STANDBY > LOCKOUT: drain sump high"
    key = (UnitState.STANDBY, Event.SUMP_HIGH)
    assert marks(["STANDBY", "LOCKOUT"], [SHUT, SHUT], (100, "move", line)) == [(key, Mark.DIFFERS)]


def test_a_block_is_kept_and_no_more() -> None:
    key = (UnitState.STANDBY, Event.SUMP_HIGH)
    line = (100, "cause", "drain sump high")
    assert marks(["STANDBY", "STANDBY"], [SHUT, SHUT], line) == [(key, Mark.KEPT)]
    assert marks(["STANDBY", "STANDBY"], [SHUT, FEED], line) == []


def test_what_is_remembered_must_lead_where_it_should() -> None:
    line = (100, "cause", "selector not in AUTO")
    key = (UnitState.STOPPING, Event.SELECTOR_OFF)
    states = ["STOPPING", "STOPPING", "OFF"]
    assert marks(states, [FEED, FEED, SHUT], line) == [(key, Mark.PROVEN)]
    assert marks([*states[:2], "STANDBY"], [FEED, FEED, SHUT], line) == []


def test_a_restart_is_seen_by_the_gap() -> None:
    key = (UnitState.PRODUCE, Event.REBOOT)
    assert marks(["PRODUCE", "", "BOOT"], [ON, SHUT, SHUT]) == [(key, Mark.PROVEN)]
    assert marks(["PRODUCE", "", "BOOT"], [ON, SHUT, FEED]) == [(key, Mark.DIFFERS)]
