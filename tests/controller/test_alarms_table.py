"""The states of an alarm: every cell against a copy written by hand, and what each cell does."""

from __future__ import annotations

import pytest
from alarms_harness import PLACE, AlarmRig

from controller.alarms.memory import Shelf
from controller.alarms.states import STATE_TEXT, TABLE, AlarmState, Answer, Happening

# "-" no effect, "r" refused, "b" remembered beneath the cover, "u" uncovers
COPY = """
          comes  goes   latched acknowl reset  shelve unshelve suppress unsuppr out    back
NORM      UNACK  -      -       r       -      SHLVD  r        DSUPR    -       OOSRV  -
UNACK     -      RTNUN  LATUN   ACKED   -      SHLVD  r        DSUPR    -       OOSRV  -
ACKED     -      NORM   LATACK  r       -      SHLVD  r        DSUPR    -       OOSRV  -
RTNUN     UNACK  -      -       NORM    -      SHLVD  r        DSUPR    -       OOSRV  -
LATUN     UNACK  -      -       LATACK  RTNUN  r      r        DSUPR    -       OOSRV  -
LATACK    UNACK  -      -       r       NORM   r      r        DSUPR    -       OOSRV  -
SHLVD     b      b      b       r       b      r      u        b        b       OOSRV  -
DSUPR     b      b      b       r       b      SHLVD  r        -        u       OOSRV  -
OOSRV     b      b      b       r       b      r      b        b        b       -      u
"""
_WORDS = {"-": Answer.KEEP, "r": Answer.REFUSE, "b": Answer.BENEATH, "u": Answer.UNCOVER}
CELLS = {
    (AlarmState(line.split()[0]), happening): _WORDS.get(word) or AlarmState(word)
    for line in COPY.strip().splitlines()[1:]
    for happening, word in zip(Happening, line.split()[1:], strict=True)
}
ALARM = PLACE["motor protector open"]


def test_the_copy_and_the_table_name_the_same_cells() -> None:
    assert CELLS.keys() == TABLE.keys()
    assert len(CELLS) == 9 * 11


def test_the_nine_words_are_those_of_the_standards() -> None:
    words = "NORM, UNACK, ACKED, RTNUN, LATUN, LATACK, SHLVD, DSUPR, OOSRV"

    assert ", ".join(STATE_TEXT) == words


@pytest.mark.parametrize(("state", "happening"), CELLS, ids=str)
def test_every_cell_is_as_written_by_hand_and_does_what_it_says(
    state: AlarmState, happening: Happening
) -> None:
    rig = AlarmRig()
    rig.scope.memory.states[ALARM] = state
    expected = CELLS[state, happening]

    cell = rig.scope.tell(ALARM, happening, 5_000)

    after = rig.scope.memory.states[ALARM]
    assert cell is expected
    if isinstance(expected, AlarmState):
        assert after is expected
        assert rig.scope.memory.since_ms[ALARM] == 5_000
        assert rig.texts() == [f"motor protector open: {state.value} > {after.value}"]
    elif expected is Answer.UNCOVER:
        assert after is AlarmState.NORM  # no facts were given
    else:
        assert after is state
        assert rig.texts() == []


@pytest.mark.parametrize(
    ("stands", "latched", "shows"), [(0, 0, "NORM"), (1, 0, "UNACK"), (0, 1, "LATUN"), (1, 1, "UNACK")]
)
@pytest.mark.parametrize(
    ("cover", "happening"),
    [
        (AlarmState.SHLVD, Happening.UNSHELVE),
        (AlarmState.DSUPR, Happening.UNSUPPRESS),
        (AlarmState.OOSRV, Happening.BACK),
    ],
)
def test_when_the_cover_goes_the_facts_are_shown(
    cover: AlarmState, happening: Happening, stands: int, latched: int, shows: str
) -> None:
    rig = AlarmRig()
    m = rig.scope.memory
    m.states[ALARM], m.stands, m.latched = cover, stands << ALARM, latched << ALARM

    rig.scope.tell(ALARM, happening, 5_000)

    assert m.states[ALARM].value == shows


@pytest.mark.parametrize(
    ("under", "happening", "shows"),
    [
        ({"out_of_service", "shelf", "suppressed"}, Happening.UNSUPPRESS, "OOSRV"),
        ({"shelf", "suppressed"}, Happening.BACK, "SHLVD"),
        ({"suppressed"}, Happening.BACK, "DSUPR"),
        ({"suppressed"}, Happening.UNSHELVE, "DSUPR"),
    ],
)
def test_beneath_a_cover_may_lie_another(under: set[str], happening: Happening, shows: str) -> None:
    rig = AlarmRig()
    m = rig.scope.memory
    m.stands = 1 << ALARM
    m.out_of_service = "out_of_service" in under
    m.suppressed = ("suppressed" in under) << ALARM
    if "shelf" in under:
        m.shelves[ALARM] = Shelf("Ada", "loose wire", 10_000)
    covers = {Happening.BACK: "OOSRV", Happening.UNSHELVE: "SHLVD", Happening.UNSUPPRESS: "DSUPR"}
    m.states[ALARM] = AlarmState(covers[happening])

    rig.scope.tell(ALARM, happening, 5_000)

    assert m.states[ALARM].value == shows
