"""Causes that concern all units: found here once, latched here, told to every unit.

The table has the same form as a unit's protections. A latched cause stands until a reset, and a reset
is taken only after the cause has been gone for its clear time.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from controller.bank.memory import Stage
from controller.bank.view import CHLORINE, FEED_TEMP, BankView
from controller.parts.timing import NEVER, since
from controller.unit.states import Event


class SharedRule(NamedTuple):
    """One shared cause. ``when`` is asked with ``standing``: True while the cause is latched already."""

    event: Event
    when: Callable[[BankView, bool], bool | None]
    delay: str = ""  # setpoint in seconds or minutes; "" acts at once
    clear_s: float = 0.0


BOOSTER_ANSWER_S = 5.0  # own choice
RESET_LEAST_S, RESET_MOST_S = 0.1, 3.0  # a shorter pulse is a bounce, a longer one a jammed button
HORN_S = 60.0


def tank_high_high(v: BankView, _standing: bool) -> bool:
    """The high-high float has opened; it also stops every pump by wire."""
    return not v.io.tank_not_overfull


def floor_leak(v: BankView, _standing: bool) -> bool:
    """Water on the floor."""
    return not v.io.floor_dry


def sump_high(v: BankView, _standing: bool) -> bool:
    """The drain cannot take more."""
    return not v.io.sump_ok


def feed_hot(v: BankView, standing: bool) -> bool | None:
    """Feed hotter than the membranes bear."""
    value = v.values[FEED_TEMP]
    limit = v.s.temp_clear_degc if standing else v.s.temp_trip_degc
    return None if value is None else value > limit


def oxidant(v: BankView, standing: bool) -> bool | None:
    """Free chlorine in the feed."""
    value = v.values[CHLORINE]
    limit = v.s.chlorine_clear_mgl if standing else v.s.chlorine_trip_mgl
    return None if value is None else value > limit


def oxidant_unknown(v: BankView, _standing: bool) -> bool:
    """A BAD chlorine loop is taken for chlorine after a while."""
    return v.bad_s(CHLORINE) >= v.s.bank_sensor_bad_s


def booster_fault(v: BankView, _standing: bool) -> bool:
    """Drive fault, dry source, lost phase."""
    return not (v.io.drive_healthy and v.io.source_wet and v.io.supply_healthy)


def booster_silent(v: BankView, _standing: bool) -> bool:
    """The booster is commanded and does not run."""
    return v.held_s(v.m.booster_ms) >= BOOSTER_ANSWER_S and not v.io.booster_running


def header_not_made(v: BankView, _standing: bool) -> bool:
    """The header did not come up in its time."""
    limit_s = v.s.header_rise_max_s + v.s.header_ready_s
    return v.m.stage is Stage.RAISE_HEADER and v.held_s(v.m.stage_ms) >= limit_s


def dosing_not_proven(v: BankView, _standing: bool) -> bool:
    """No stroke in the pre-start, or none for long while feed flows."""
    if v.m.stage is Stage.PROVE_DOSING and v.held_s(v.m.stage_ms) >= v.s.dosing_proof_s:
        return True
    return v.held_s(v.m.unproven_ms) >= v.s.dosing_lost_s


def antiscalant_out(v: BankView, _standing: bool) -> bool:
    """The antiscalant tank is low; the delay is the grace in which running units go on."""
    return not v.io.antiscalant_ok


SHARED: tuple[SharedRule, ...] = (
    SharedRule(Event.TANK_HIGH_HIGH, tank_high_high, "", 10.0),
    SharedRule(Event.FLOOR_LEAK, floor_leak, "leak_s", 30.0),
    SharedRule(Event.SUMP_HIGH, sump_high, "leak_s", 60.0),
    SharedRule(Event.FEED_HOT, feed_hot, "water_trip_s", 60.0),
    SharedRule(Event.OXIDANT, oxidant, "water_trip_s", 60.0),
    SharedRule(Event.OXIDANT, oxidant_unknown, "", 60.0),
    SharedRule(Event.BOOSTER_FAULT, booster_fault, "", 10.0),
    SharedRule(Event.BOOSTER_FAULT, booster_silent, "", 0.0),
    SharedRule(Event.BOOSTER_FAULT, header_not_made),
    SharedRule(Event.DOSING_LOST, dosing_not_proven),
    SharedRule(Event.ANTISCALANT_LOW, antiscalant_out, "antiscalant_grace_min"),
)


def latch_causes(v: BankView) -> list[Event]:
    """Evaluate the shared rules; returns the causes latched anew in this scan."""
    m, fresh = v.m, []
    present: set[Event] = set()  # also what cannot be judged: it has not gone
    for index, rule in enumerate(SHARED):
        standing = rule.event in m.latched
        holds = rule.when(v, standing)
        if holds is False:
            m.rule_ms[index] = NEVER
            continue
        present.add(rule.event)
        if holds is None or standing:
            continue
        m.rule_ms[index] = since(True, m.rule_ms[index], v.now_ms)
        if v.held_s(m.rule_ms[index]) >= (v.s.seconds(rule.delay) if rule.delay else 0.0):
            m.latched.append(rule.event)
            fresh.append(rule.event)
    for event in m.latched:
        m.gone_ms[event] = since(event not in present, m.gone_ms.get(event, NEVER), v.now_ms)
    return fresh


def latch_float(v: BankView) -> list[Event]:
    """The high-high float of an image that is stale; what is latched anew.

    Whoever showed it open is the right device, however old that is; closed, it would prove nothing.
    """
    m, event = v.m, Event.TANK_HIGH_HIGH
    if v.io.tank_not_overfull:
        return []
    m.gone_ms[event] = NEVER
    if event in m.latched:
        return []
    m.latched.append(event)
    return [event]


def clear_causes(v: BankView) -> list[Event]:
    """A reset has been given: release what has been gone long enough; returns what was released."""
    m = v.m
    clear_s = {event: max(rule.clear_s for rule in SHARED if rule.event is event) for event in m.latched}
    released = [event for event in m.latched if v.held_s(m.gone_ms[event]) >= clear_s[event]]
    for event in released:
        m.latched.remove(event)
        del m.gone_ms[event]
    return released


def reset_given(v: BankView) -> bool:
    """The reset button was pressed and let go again, neither bounced nor jammed."""
    m = v.m
    if not v.io.reset_button:
        pressed_s = v.held_s(m.pressed_ms)
        m.pressed_ms, m.released = NEVER, True
        return RESET_LEAST_S <= pressed_s <= RESET_MOST_S
    if m.released:
        m.pressed_ms = since(True, m.pressed_ms, v.now_ms)
    return False


def horn(v: BankView, fresh: bool) -> bool:
    """Sounds for a new latch; the reset button silences it, and it gives up after a while."""
    m = v.m
    if fresh:
        m.horn_ms = v.now_ms
    if v.io.reset_button or v.held_s(m.horn_ms) >= HORN_S:
        m.horn_ms = NEVER
    return m.horn_ms != NEVER
