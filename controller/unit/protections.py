"""Protective rules of one unit as data: which event, on what evidence, held how long.

A rule's ``when`` answers True, False or None. None means that it cannot be judged in this scan because
its loop is broken: an on-delay that runs goes on running, one that does not is not started. ``delay`` names a
setpoint, so a changed setpoint changes the rule. ``clear_s`` is how long the cause must be gone before a
reset is accepted.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from controller.parts.analogue import Quality
from controller.parts.timing import NEVER
from controller.unit.states import Event, UnitState
from controller.unit.view import CONCENTRATE, MEMBRANE, PERMEATE, QUALITY, SUCTION, View

FEED_PROOF_S, FEED_PROOF_HEADER_BAR = 10.0, 1.8  # own choices, narrative 3.7
FEED_LEAK_S, FEED_LEAK_BAR, FEED_LEAK_M3H = 60.0, 0.5, 0.1
FLUSH_PROOF_S, FLUSH_PROOF_BAR = 10.0, 1.0
FLUSH_SHUT_RATIO = 0.6


class Rule(NamedTuple):
    """One protective rule."""

    event: Event
    when: Callable[[View], bool | None]
    delay: str = ""  # setpoint in seconds; "" acts at once
    clear_s: float = 0.0
    only_with: str = ""  # setpoint that says whether the instrument is fitted; "" always


def isolated(v: View) -> bool:
    """Maintenance isolator reads off."""
    return not v.io.isolator_on


def selector_off(v: View) -> bool:
    """Selector is not in AUTO."""
    return not v.io.selector_auto


def suction_judged(v: View) -> bool:
    """Low suction means something only once the feed valve has had time to open."""
    return v.m.feed_ms != NEVER and v.held_s(v.m.feed_ms) >= v.s.suction_blank_s


def suction_low(v: View) -> bool | None:
    """Suction below the trip limit."""
    if not suction_judged(v):
        return False
    return None if v.suction_bar is None else v.suction_bar < v.s.suction_trip_bar


def suction_gone(v: View) -> bool | None:
    """Suction all but gone."""
    if not suction_judged(v):
        return False
    return None if v.suction_bar is None else v.suction_bar < v.s.suction_fast_bar


def suction_switch(v: View) -> bool:
    """The suction pressure switch says low; it backs up the transmitter."""
    return suction_judged(v) and not v.io.suction_ok


def high_discharge(v: View) -> bool | None:
    """Membrane pressure above the trip limit."""
    return None if v.membrane_bar is None else v.membrane_bar > v.s.discharge_trip_bar


def discharge_switch(v: View) -> bool:
    """The hard-wired discharge switch is open."""
    return not v.io.discharge_ok


def motor_protector(v: View) -> bool:
    """The motor protector is open."""
    return not v.io.motor_healthy


def feedback_missing(v: View) -> bool:
    """Pump commanded, contactor does not answer."""
    return v.m.pump_ms != NEVER and not v.io.pump_running


def pressure_missing(v: View) -> bool:
    """Pump runs but the membrane pressure does not come: air, worn, or turning backwards."""
    if v.m.state is not UnitState.PUMP_START or v.in_state_s < v.s.pressure_rise_s:
        return False
    return v.membrane_bar is None or v.membrane_bar < v.s.pressure_rise_bar


def pump_welded(v: View) -> bool:
    """Contactor answers although nothing is commanded."""
    return v.m.pump_ms == NEVER and v.io.pump_running


def suction_bad(v: View) -> bool:
    """Suction transmitter is BAD."""
    return v.m.loops[SUCTION].quality is Quality.BAD


def quality_bad(v: View) -> bool:
    """Permeate conductivity is BAD."""
    return v.m.loops[QUALITY].quality is Quality.BAD


def membrane_bad(v: View) -> bool:
    """Membrane pressure transmitter is BAD."""
    return v.m.loops[MEMBRANE].quality is Quality.BAD


def flow_bad(v: View) -> bool:
    """A flow transmitter is BAD."""
    loops = v.m.loops
    return loops[PERMEATE].quality is Quality.BAD or loops[CONCENTRATE].quality is Quality.BAD


def feed_not_open(v: View) -> bool | None:
    """The header has pressure, the unit never saw it: feed valve or hand valve shut, prefilter blocked."""
    if v.m.feed_proven or v.held_s(v.m.feed_ms) < FEED_PROOF_S:
        return False
    if v.suction_bar is None or v.p.header_bar is None:
        return None
    return v.p.header_bar >= FEED_PROOF_HEADER_BAR and v.suction_bar < v.s.suction_trip_bar


def feed_not_closed(v: View) -> bool | None:
    """Long after closing there is still pressure or flow."""
    if v.m.feed_ms != NEVER or v.held_s(v.m.feed_off_ms) < FEED_LEAK_S:
        return False
    if v.suction_bar is None or v.concentrate_m3h is None:
        return None
    return v.suction_bar > FEED_LEAK_BAR or v.concentrate_m3h > FEED_LEAK_M3H


def flush_not_open(v: View) -> bool | None:
    """Feed under pressure and both valves driven, but the flow of a flush is missing."""
    if (
        v.m.state not in (UnitState.START_FLUSH, UnitState.STOP_FLUSH)
        or v.held_s(v.m.both_ms) < FLUSH_PROOF_S
    ):
        return False
    if v.concentrate_m3h is None or v.suction_bar is None:
        return None
    return v.suction_bar >= FLUSH_PROOF_BAR and v.concentrate_m3h < v.s.flush_proof_m3h


def flush_too_long(v: View) -> bool:
    """The start flush used up its time without the volume."""
    return v.m.state is UnitState.START_FLUSH and v.held_s(v.m.both_ms) >= v.s.start_flush_max_s


def purge_unproven(v: View) -> bool:
    """The second flush in a row, pump on, shows no sign of an open flush valve."""
    m = v.m
    if m.state not in (UnitState.PURGE, UnitState.QUALITY_FLUSH) or m.purge_failures == 0:
        return False
    return not m.evidence and v.in_state_s >= v.s.purge_evidence_s


def flush_not_closed(v: View) -> bool | None:
    """The unit behaves as if the flush valve were open, in a state that does not drive it."""
    m = v.m
    if m.state is UnitState.DELAY:
        return None if v.concentrate_m3h is None else v.concentrate_m3h > v.s.settled_flow_m3h
    if m.state is UnitState.PRODUCE and m.reference_bar > 0.0:
        return None if v.membrane_bar is None else v.membrane_bar < FLUSH_SHUT_RATIO * m.reference_bar
    return False


def feed_proof_wrong_open(v: View) -> bool:
    """The closed proof does not leave although the feed valve is driven."""
    return v.m.feed_ms != NEVER and v.io.feed_valve_shut


def feed_proof_wrong_shut(v: View) -> bool:
    """The closed proof does not come although the feed valve is let go."""
    return v.m.feed_ms == NEVER and not v.io.feed_valve_shut


def flush_proof_wrong_open(v: View) -> bool:
    """The closed proof does not leave although the flush valve is driven."""
    return v.m.flush_ms != NEVER and v.io.flush_valve_shut


def flush_proof_wrong_shut(v: View) -> bool:
    """The closed proof does not come although the flush valve is let go."""
    return v.m.flush_ms == NEVER and not v.io.flush_valve_shut


def skid_leak(v: View) -> bool:
    """The skid leak detector is wet."""
    return not v.io.skid_dry


def permeate_pressure(v: View) -> bool:
    """The permeate side is blocked."""
    return not v.io.permeate_ok


def purge_overdue(v: View) -> bool:
    """Production has gone on for two purge intervals without a purge."""
    return v.m.state is UnitState.PRODUCE and v.held_s(v.m.purge_from_ms) >= 2.0 * v.s.purge_interval_s


def motor_must_rest(v: View) -> bool:
    """Least off time or most starts in an hour not met."""
    m = v.m
    return 0.0 <= v.held_s(m.pump_off_ms) < v.s.min_off_s or len(m.starts_ms) >= v.s.max_starts_per_h


def tds_alarm(v: View) -> bool | None:
    """Permeate above the quality alarm, judged only outside blanking."""
    if v.blanked:
        return False
    return None if v.tds_mgl is None else v.tds_mgl > v.s.tds_alarm_mgl


def tds_lockout(v: View) -> bool | None:
    """Permeate above the quality lockout, judged only outside blanking."""
    if v.blanked:
        return False
    return None if v.tds_mgl is None else v.tds_mgl > v.s.tds_lockout_mgl


RULES: tuple[Rule, ...] = (
    Rule(Event.SELECTOR_OFF, selector_off),
    Rule(Event.LOW_SUCTION, suction_low, "suction_trip_s", 10.0),
    Rule(Event.LOW_SUCTION, suction_gone, "suction_fast_s", 10.0),
    Rule(Event.LOW_SUCTION, suction_switch, "suction_fast_s", 10.0),
    Rule(Event.QUALITY_ALARM, tds_alarm, "tds_alarm_s"),
    Rule(Event.QUALITY_LOCKOUT, tds_lockout, "tds_lockout_s"),
    Rule(Event.HIGH_DISCHARGE, high_discharge, "discharge_trip_s", 10.0),
    Rule(Event.DISCHARGE_SWITCH, discharge_switch, "", 10.0),
    Rule(Event.MOTOR_PROTECTOR, motor_protector, "", 60.0),
    Rule(Event.PUMP_NOT_PROVEN, feedback_missing, "feedback_s"),
    Rule(Event.PUMP_NOT_PROVEN, pressure_missing),
    Rule(Event.PUMP_WELDED, pump_welded, "feedback_s"),
    Rule(Event.SUCTION_SENSOR_BAD, suction_bad),
    Rule(Event.QUALITY_SENSOR_BAD, quality_bad, "quality_bad_s"),
    Rule(Event.MEMBRANE_SENSOR_BAD, membrane_bad, "quality_bad_s"),
    Rule(Event.OTHER_SENSOR_BAD, flow_bad),
    Rule(Event.FEED_NOT_OPEN, feed_not_open),
    Rule(Event.FEED_NOT_CLOSED, feed_not_closed),
    Rule(Event.FLUSH_NOT_OPEN, flush_not_open),
    Rule(Event.FLUSH_NOT_OPEN, flush_too_long),
    Rule(Event.FLUSH_NOT_OPEN, purge_unproven),
    Rule(Event.FLUSH_NOT_CLOSED, flush_not_closed, "flush_shut_s"),
    Rule(Event.FEED_NOT_OPEN, feed_proof_wrong_open, "valve_travel_s", only_with="position_proofs"),
    Rule(Event.FEED_NOT_CLOSED, feed_proof_wrong_shut, "valve_travel_s", only_with="position_proofs"),
    Rule(Event.FLUSH_NOT_OPEN, flush_proof_wrong_open, "valve_travel_s", only_with="position_proofs"),
    Rule(Event.FLUSH_NOT_CLOSED, flush_proof_wrong_shut, "valve_travel_s", only_with="position_proofs"),
    Rule(Event.SKID_LEAK, skid_leak, "leak_s", 30.0),
    Rule(Event.PERMEATE_PRESSURE, permeate_pressure, "permeate_trip_s", 10.0),
    Rule(Event.PURGE_OVERDUE, purge_overdue),
    Rule(Event.ISOLATED, isolated),
    Rule(Event.STARTS_LIMIT, motor_must_rest),
)

CLEAR_S: dict[Event, float] = {
    event: max(rule.clear_s for rule in RULES if rule.event is event) for event in {r.event for r in RULES}
}
CLEAR_S[Event.LOW_SUCTION_SPENT] = CLEAR_S[Event.LOW_SUCTION]
