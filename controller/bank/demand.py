"""How many units the tank wants, and which.

Between ``tank_first_pct`` and ``tank_last_pct`` the steps are spread evenly over the units. A unit is called
one at a time; the one with the fewest run hours starts, the one with the most stops.
"""

from __future__ import annotations

from controller.bank.view import FEED_TEMP, HEADER, LEVEL, PRODUCT, BankView
from controller.parts.timing import NEVER, since
from controller.settings import Setpoints

HEADER_BAD_S = 10.0  # own choice


def call_below_pct(s: Setpoints, n_units: int, count: int) -> float:
    """Tank level below which ``count`` units are wanted."""
    if n_units == 1:
        return s.tank_first_pct
    return s.tank_first_pct - (s.tank_first_pct - s.tank_last_pct) * (count - 1) / (n_units - 1)


def release_above_pct(s: Setpoints, n_units: int, count: int) -> float:
    """Tank level above which fewer than ``count`` units are wanted; the last one runs until full."""
    if count == 1:
        return s.tank_stop_pct
    return min(call_below_pct(s, n_units, count) + s.tank_release_pct, s.tank_stop_pct)


def update(v: BankView) -> None:
    """Follow the level; changes ``called`` by at most one unit, except that a full tank calls off all."""
    m, s = v.m, v.s
    _time_poor_product(v)
    for index, request in enumerate(v.requests):
        if not request.available:
            m.called[index] = False
    level = v.values[LEVEL]
    if not v.io.bank_run or _blind(v) or (level is not None and level >= s.tank_stop_pct):
        m.called = [False] * m.n_units
        m.wanted = 0
        m.full = True
        return
    if level is None:
        m.full = True  # running units go on for a while, nobody new starts
        return
    _follow(v, level)


def _blind(v: BankView) -> bool:
    """A shared loop has been BAD for so long that nobody may go on.

    Without the level the floats alone may serve for some hours, if a person has set it so.
    """
    limit_s = v.s.bank_sensor_bad_s
    level_limit_s = max(limit_s, 3600.0 * v.s.level_fallback_h)
    return v.bad_s(LEVEL) >= level_limit_s or v.bad_s(FEED_TEMP) >= limit_s or v.bad_s(HEADER) >= HEADER_BAD_S


def _follow(v: BankView, level: float) -> None:
    m, s = v.m, v.s
    m.full = level >= s.tank_first_pct
    if m.full:
        # none starts above the first step: also those called, but not yet pumping, stay back
        for index, request in enumerate(v.requests):
            m.called[index] = m.called[index] and request.pumping
    while m.wanted < m.n_units and level < call_below_pct(s, m.n_units, m.wanted + 1):
        m.wanted += 1
    while m.wanted and level >= release_above_pct(s, m.n_units, m.wanted):
        m.wanted -= 1
    if 0.0 <= v.held_s(m.demand_ms) < s.demand_change_s:
        return
    unit = _next_change(v)
    if unit:
        m.called[unit - 1] = not m.called[unit - 1]
        m.released_ms[unit - 1] = NEVER if m.called[unit - 1] else v.now_ms
        m.demand_ms = v.now_ms


def _next_change(v: BankView) -> int:
    """Unit whose call changes now, 0 for none."""
    m = v.m
    running = sum(m.called)
    if running < m.wanted and not m.full:
        return _next_to_start(v)
    if running > m.wanted:
        return _next_to_stop(v)
    return _worst_of_poor_product(v) or _next_to_rotate(v)


def _time_poor_product(v: BankView) -> None:
    product = v.values[PRODUCT]
    poor = product is not None and product * v.s.tds_per_us > v.s.product_tds_mgl
    pumping = any(request.pumping for request in v.requests)  # what stands in the pipe is nobody's product
    v.m.poor_ms = since(poor and pumping, v.m.poor_ms, v.now_ms)


def _worst_of_poor_product(v: BankView) -> int:
    """The blend has been too poor for a while: the unit with the poorest permeate, 0 when it is not."""
    if v.held_s(v.m.poor_ms) < 60.0 * v.s.product_tds_min:
        return 0
    v.m.poor_ms = v.now_ms  # after a change the blend gets its time again
    running = [
        (r.tds_mgl, unit)
        for unit, r in enumerate(v.requests, start=1)
        if r.pumping and v.m.called[unit - 1]  # one that is on its way to stop rests soon anyway
    ]
    return max(running)[1] if running else 0


def _next_to_rotate(v: BankView) -> int:
    """The unit that has run too long without a break, when another is ready in its place."""
    limit_s = 3600.0 * v.s.rotation_h
    overdue = [
        (run_s, unit)
        for unit, request in enumerate(v.requests, start=1)
        if v.m.called[unit - 1] and (run_s := v.held_s(request.started_ms)) >= limit_s
    ]
    return max(overdue)[1] if overdue and _next_to_start(v) else 0


def _next_to_start(v: BankView) -> int:
    rest_s = 60.0 * v.s.min_rest_min
    ready = [
        (request.quality_poor, request.run_ms, unit)
        for unit, request in enumerate(v.requests, start=1)
        if request.available
        and not v.m.called[unit - 1]
        and not 0.0 <= v.held_s(v.m.released_ms[unit - 1]) < rest_s
    ]
    return min(ready)[2] if ready else 0


def _next_to_stop(v: BankView) -> int:
    run_s = 60.0 * v.s.min_run_min
    candidates = [
        (request.run_ms, -unit)
        for unit, request in enumerate(v.requests, start=1)
        if v.m.called[unit - 1] and not 0.0 <= v.held_s(request.started_ms) < run_s
    ]
    return -max(candidates)[1] if candidates else 0
