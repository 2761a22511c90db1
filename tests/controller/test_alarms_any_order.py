"""Whatever comes in whatever order: alarms keep to their nine states and to their facts."""

from __future__ import annotations

from alarms_harness import PLACE, AlarmRig
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.alarms.memory import Shelf
from controller.alarms.rules import AlarmRule
from controller.alarms.states import COVERS, TABLE, AlarmState, Answer, Happening
from controller.alarms.unit_rules import UNIT_RULES
from controller.unit.states import Event

WATCHED = ("motor protector open", "skid leak", "pump start not proven", "low suction", "suction falling")
RULES: dict[str, AlarmRule] = {name: UNIT_RULES[PLACE[name]] for name in WATCHED}
EVENTS = st.sampled_from([rule.source for rule in RULES.values() if isinstance(rule.source, Event)])
CONDITIONS = st.sampled_from(["suction below the alarm limit", "feed valve shut or just opened"])
STEPS = st.one_of(
    st.tuples(st.just("event"), EVENTS),
    st.tuples(st.just("condition"), CONDITIONS),
    st.tuples(st.sampled_from(["acknowledge", "shelve", "unshelve"]), st.sampled_from(WATCHED)),
    st.tuples(st.sampled_from(["reset", "maintenance", "header", "wait"]), st.none()),
)


def play(rig: AlarmRig, what: str, which: object) -> None:
    """One thing happens, then a scan."""
    if what == "event":
        assert isinstance(which, Event)
        rig.events ^= {which}
        latching = any(rule.source is which and rule.latching for rule in RULES.values())
        if which in rig.events and latching and not rig.latched:
            rig.latched = {which}  # as the sequence does: the first cause, until a reset
    elif what == "condition":
        rig.conditions ^= {str(which)}
    elif what == "reset":
        rig.latched &= rig.events  # accepted only when the cause is gone
    elif what == "maintenance":
        rig.in_maintenance = not rig.in_maintenance
    elif what == "header":
        rig.bank ^= {"feed header lost"}
    elif what != "wait":
        person(rig, what, PLACE[str(which)])
    rig.step(3.0)


def person(rig: AlarmRig, what: str, place: int) -> None:
    """A person does what the table lets them do."""
    happening = Happening(what) if what != "unshelve" else Happening.UNSHELVE
    m = rig.scope.memory
    if TABLE[m.states[place], happening] is Answer.REFUSE:
        return
    if happening is Happening.SHELVE:
        rig.scope.shelve(place, Shelf("Ada", "noise", rig.now_ms + 10_000), rig.now_ms)
    elif happening is Happening.ACKNOWLEDGE:
        rig.scope.tell(place, happening, rig.now_ms)
    elif place in m.shelves:
        rig.scope.unshelve(place, rig.now_ms, "")
    rig.scope.settle()


def agrees(rig: AlarmRig, place: int) -> bool:
    """State, cover and facts of an alarm say the same."""
    m = rig.scope.memory
    stands, latched = bool(m.stands >> place & 1), bool(m.latched >> place & 1)
    covered = (
        m.out_of_service and not UNIT_RULES[place].in_maintenance,
        place in m.shelves,
        bool(m.suppressed >> place & 1),
    )
    for cover, holds in zip(COVERS, covered, strict=True):
        if holds:
            return m.states[place] is cover
    if stands:
        return m.states[place] in (AlarmState.UNACK, AlarmState.ACKED)
    return m.states[place] in (
        (AlarmState.LATUN, AlarmState.LATACK) if latched else (AlarmState.NORM, AlarmState.RTNUN)
    )


@settings(max_examples=300, deadline=None)
@given(st.lists(STEPS, max_size=40))
def test_no_order_of_things_leads_to_a_state_that_the_facts_deny(steps: list[tuple[str, object]]) -> None:
    rig = AlarmRig()
    for what, which in steps:
        play(rig, what, which)

        assert all(agrees(rig, place) for place in range(len(UNIT_RULES)))


@settings(max_examples=300, deadline=None)
@given(st.lists(STEPS.filter(lambda step: step[0] != "reset"), max_size=40))
def test_without_a_reset_a_latched_alarm_never_clears(steps: list[tuple[str, object]]) -> None:
    rig = AlarmRig()
    rig.latched = {Event.MOTOR_PROTECTOR}
    rig.come(Event.MOTOR_PROTECTOR)
    for what, which in steps:
        play(rig, what, which)

        assert rig.state("motor protector open") not in (AlarmState.NORM, AlarmState.RTNUN)
        assert rig.first_out() == "motor protector open"


@settings(max_examples=200, deadline=None)
@given(st.lists(STEPS, max_size=40), st.integers(0, 40))
def test_a_copy_of_the_memory_goes_on_the_same(steps: list[tuple[str, object]], cut: int) -> None:
    rig = AlarmRig()
    for what, which in steps[:cut]:
        play(rig, what, which)
    twin = AlarmRig()
    twin.scope.memory = rig.scope.memory.copy()
    twin.now_ms, twin.in_maintenance = rig.now_ms, rig.in_maintenance
    twin.events, twin.latched = set(rig.events), set(rig.latched)
    twin.conditions, twin.bank = set(rig.conditions), set(rig.bank)
    kept = twin.scope.memory.copy()

    for what, which in steps[cut:]:
        play(rig, what, which)
    assert twin.scope.memory == kept
    for what, which in steps[cut:]:
        play(twin, what, which)

    assert twin.scope.memory == rig.scope.memory


@settings(max_examples=200, deadline=None)
@given(st.lists(STEPS, max_size=30))
def test_when_nothing_changes_nothing_is_written_and_no_state_moves(steps: list[tuple[str, object]]) -> None:
    rig = AlarmRig()
    for what, which in steps:
        play(rig, what, which)
    rig.step(40_000)  # every delay and every shelf has run out
    rig.step(40_000)
    shown, lines = rig.shown(), rig.texts()

    for _ in range(3):
        rig.step(40_000)

    assert (rig.shown(), rig.texts()) == (shown, lines)
