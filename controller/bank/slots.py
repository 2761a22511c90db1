"""What only so many units may do at once: flush, start a pump, close a feed valve.

A flush slot is lent with an expiry, so that a dead holder cannot keep it; a unit that lost its slot gives
up its flush. A slot is free again only when the holder's flush valve is no longer driven.
"""

from __future__ import annotations

from controller.bank.view import HEADER, BankView
from controller.parts.timing import since
from controller.unit.permits import Want

HEADER_BAND_BAR, HEADER_STEADY_S = 0.3, 5.0  # own choices


def lend_flush_slots(v: BankView) -> frozenset[int]:
    """Take back what is not needed or has expired, then lend by the queue; returns who may flush."""
    m = v.m
    lease_s = v.s.token_lease_s
    expired = set()
    for unit, lent_ms in tuple(m.tokens.items()):
        request = v.requests[unit - 1]
        if not request.flushing and request.want is Want.NONE:
            del m.tokens[unit]
        elif v.held_s(lent_ms) >= lease_s:
            expired.add(unit)  # still counted as occupied until its flush valve is shut
            if not request.flushing:
                del m.tokens[unit]
    queue = sorted(
        (request.want, request.since_ms, unit)
        for unit, request in enumerate(v.requests, start=1)
        if request.want is not Want.NONE and unit not in m.tokens
    )
    # a flush valve that is open without a slot (lost coordinator, expired lease) occupies one too
    strays = sum(1 for unit, r in enumerate(v.requests, start=1) if r.flushing and unit not in m.tokens)
    for _want, _since_ms, unit in queue[: max(v.slots - len(m.tokens) - strays, 0)]:
        m.tokens[unit] = v.now_ms
    return frozenset(m.tokens) - expired


def grant_start(v: BankView) -> int:
    """Unit whose pump may start in this scan, 0 for none: far enough from the last one, header steady.

    A stale image shows the header as it was: nothing starts on that (SR-46).
    """
    m, s = v.m, v.s
    header = v.values[HEADER]
    steady = header is not None and not v.stale and abs(header - s.header_bar) <= HEADER_BAND_BAR
    m.steady_ms = since(steady, m.steady_ms, v.now_ms)
    # a pump comes on some scans after its grant: the distance to the next one counts from there
    m.start_ms = max(m.start_ms, *(request.started_ms for request in v.requests))
    if v.held_s(m.steady_ms) < HEADER_STEADY_S or 0.0 <= v.held_s(m.start_ms) < s.stagger_s:
        return 0
    unit = next((unit for unit, r in enumerate(v.requests, start=1) if r.wants_start), 0)
    if unit:
        m.start_ms = v.now_ms
    return unit


def grant_close(v: BankView) -> int:
    """Unit whose feed valve may close in this scan, 0 for none; the highest number first."""
    m = v.m
    # a valve that its own deadline has shut, without a turn, strikes the pipes like any other
    m.close_ms = max(m.close_ms, *(request.feed_off_ms for request in v.requests))
    if 0.0 <= v.held_s(m.close_ms) < v.s.feed_close_gap_s:
        return 0
    unit = max((unit for unit, r in enumerate(v.requests, start=1) if r.wants_close), default=0)
    if unit:
        m.close_ms = v.now_ms
    return unit
