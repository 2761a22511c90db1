"""Feed water for the units: the pre-start order, the booster's speed, the antiscalant dose.

Pre-start: healthy signals, good water, header under pressure, a dosing stroke seen; only then may a unit
open its feed valve. The order is gone through anew whenever the booster has stood.
"""

from __future__ import annotations

from controller.bank.memory import Stage
from controller.bank.view import CHLORINE, FEED_FLOW, FEED_TEMP, HEADER, LEVEL, SPEED, BankView
from controller.parts.timing import NEVER, since
from controller.signals import BANK_SIGNALS, signal_named, to_ma
from controller.unit.states import Event

PRESTART_ABOVE_READY_BAR = 0.3  # header against shut valves: ready, but not at full pressure
NO_DRAW_S = 2.0  # so long against shut valves stops a booster that nobody needs any more
GAIN_HZ_PER_BAR, GAIN_HZ_PER_BAR_S = 2.0, 1.5
RUN_UP_MOST_S, ARRIVED_HZ = 30.0, 1.0  # own choices: a drive of 1 Hz/s comes to 25 Hz in that time
STILL_S = 2.0
LAST_STROKE_S = 5.0  # own choice: a stroke begun before the dosing pump was let go is over by then
PROVING_RATE_PCT = 100.0

_SPEED = signal_named(BANK_SIGNALS, "booster_speed_cmd_ma")
_RATE = signal_named(BANK_SIGNALS, "dosing_rate_cmd_ma")
_BOOSTER_ON = (Stage.RAISE_HEADER, Stage.PROVE_DOSING, Stage.READY)
_STOPS_BOOSTER = (Event.FLOOR_LEAK, Event.BOOSTER_FAULT)


def step_stage(v: BankView) -> None:
    """Keep the pre-start timers and go one step on, or back to the beginning."""
    m, s = v.m, v.s
    _timers(v)
    if m.stage is not Stage.STOPPED and _must_stop(v):
        _enter(v, Stage.STOPPED)
        return
    done = {
        Stage.STOPPED: _water_wanted(v),
        Stage.CHECK_HEALTH: v.held_s(m.healthy_ms) >= s.health_s,
        Stage.CHECK_WATER: v.held_s(m.water_ms) >= s.water_good_s,
        Stage.RAISE_HEADER: v.held_s(m.header_ready_ms) >= s.header_ready_s,
        Stage.PROVE_DOSING: m.proven,
        Stage.READY: False,
    }[m.stage]
    if done:
        stages = tuple(Stage)
        _enter(v, stages[stages.index(m.stage) + 1])


def _timers(v: BankView) -> None:
    m, s = v.m, v.s
    healthy = not v.stale and v.io.estop_healthy and not m.latched and v.good(HEADER) and v.good(LEVEL)
    m.healthy_ms = since(healthy, m.healthy_ms, v.now_ms)
    temp, chlorine, header = v.values[FEED_TEMP], v.values[CHLORINE], v.values[HEADER]
    good_water = (
        temp is not None
        and chlorine is not None
        and temp < s.temp_trip_degc
        and chlorine < s.chlorine_trip_mgl
        and v.io.source_wet
        and v.io.sump_ok
    )
    m.water_ms = since(good_water, m.water_ms, v.now_ms)
    m.header_ready_ms = since(
        header is not None and header >= s.header_ready_bar, m.header_ready_ms, v.now_ms
    )
    drawing = any(request.draws_water for request in v.requests)
    low = header is not None and header < s.header_low_bar and drawing
    m.header_low_ms = since(low, m.header_low_ms, v.now_ms)
    # a ready header stands against shut valves from the last closure on, whoever still wants water; on the
    # way there the valves are shut anyway, and a wish that blinks must not make the contactor chatter
    idle = not drawing and (m.stage is Stage.READY or not _water_wanted(v))
    m.no_draw_ms = since(idle, m.no_draw_ms, v.now_ms)


def _water_wanted(v: BankView) -> bool:
    """A unit that must still wait after power return would only have the booster run against its valve."""
    wanted = any(r.wants_water and resumed for r, resumed in zip(v.requests, units_resumed(v), strict=True))
    return wanted and not v.m.latched and v.io.bank_run


def units_resumed(v: BankView) -> list[bool]:
    """Which units may move again after power return: they come back one after another."""
    if v.m.returns >= v.s.brownout_returns:
        return [False] * v.m.n_units  # the supply comes and goes: wait until it is steady
    running_s = v.held_s(v.m.booted_ms)
    return [running_s >= v.s.resume_s + v.s.resume_step_s * index for index in range(v.m.n_units)]


def _must_stop(v: BankView) -> bool:
    m = v.m
    if not v.io.estop_healthy or v.stale or any(event in m.latched for event in _STOPS_BOOSTER):
        return True
    return header_lost(v) or (v.held_s(m.no_draw_ms) >= NO_DRAW_S and not _water_wanted(v))


def _enter(v: BankView, stage: Stage) -> None:
    m = v.m
    m.stage, m.stage_ms = stage, v.now_ms
    if stage is Stage.RAISE_HEADER:
        m.header_ready_ms = NEVER
        m.setpoint_bar = 0.0  # not what is left in the header, which the drive is about to raise by itself
        m.speed_hz = m.integral_hz = v.s.booster_min_hz
    elif stage is Stage.PROVE_DOSING:
        m.proven = False


def header_lost(v: BankView) -> bool:
    """Units draw and the header has no pressure."""
    return v.held_s(v.m.header_low_ms) >= v.s.header_low_s


def drive_booster(v: BankView, dt_s: float) -> tuple[bool, float]:
    """Run command and speed reference in mA.

    Proportional and integral action on a ramped setpoint, so that the header rises without a shock.
    With a transmitter that is not to be believed the speed stays as it is.
    """
    m, s = v.m, v.s
    run = m.stage in _BOOSTER_ON
    m.booster_ms = since(run, m.booster_ms, v.now_ms)
    if not run:
        m.speed_hz = 0.0
        return False, to_ma(_SPEED, 0.0)
    header = v.values[HEADER]
    if header is not None and not _running_up(v):
        drawing = any(request.draws_water for request in v.requests)
        goal = s.header_bar if drawing else min(s.header_ready_bar + PRESTART_ABOVE_READY_BAR, s.header_bar)
        step = s.header_ramp_bar_s * dt_s
        m.setpoint_bar += min(max(goal - m.setpoint_bar, -step), step)
        error = m.setpoint_bar - header
        m.integral_hz = _clamp(
            m.integral_hz + GAIN_HZ_PER_BAR_S * error * dt_s, s.booster_min_hz, s.booster_max_hz
        )
        m.speed_hz = _clamp(m.integral_hz + GAIN_HZ_PER_BAR * error, s.booster_min_hz, s.booster_max_hz)
    return True, to_ma(_SPEED, m.speed_hz)


def _running_up(v: BankView) -> bool:
    """A drive just started is still on its way to its least speed: no ramp begins that it could not follow.

    It is not waited for without a measurement of its speed, nor for ever.
    """
    speed_hz = v.values[SPEED]
    if v.m.stage is not Stage.RAISE_HEADER or speed_hz is None or v.held_s(v.m.stage_ms) >= RUN_UP_MOST_S:
        return False
    return speed_hz < v.s.booster_min_hz - ARRIVED_HZ


def _clamp(value: float, lo: float, hi: float) -> float:
    return min(max(value, lo), hi)


def drive_dosing(v: BankView) -> tuple[bool, float]:
    """Run command and rate in mA: in proportion to the feed, never into still water but to prove it."""
    m, s = v.m, v.s
    flow = v.values[FEED_FLOW]
    if flow is None:
        # a BAD flow meter: dose for the units that draw, for as long as the grace of the dosing lasts
        flow = s.unit_feed_m3h * sum(request.draws_water for request in v.requests)
    m.still_ms = since(flow < s.dosing_flow_min_m3h, m.still_ms, v.now_ms)
    # strokes of a pump that reports a fault prove nothing: it would go on into still water
    proving = m.stage is Stage.PROVE_DOSING and v.io.dosing_healthy
    flowing = flow >= s.dosing_flow_min_m3h or (m.dosing and v.held_s(m.still_ms) < STILL_S)
    m.dosing = proving or (m.stage is Stage.READY and flowing)
    _prove(v, flowing)
    if not m.dosing:
        return False, to_ma(_RATE, 0.0)
    rate_pct = PROVING_RATE_PCT if proving else 100.0 * flow * s.dosing_ml_m3 / s.dosing_full_ml_h
    return True, to_ma(_RATE, _clamp(rate_pct, 0.0, 100.0))


def _prove(v: BankView, flowing: bool) -> None:
    m = v.m
    pulse = v.io.dosing_pulse and not m.pulse_was
    m.pulse_was = v.io.dosing_pulse
    if pulse and v.held_s(m.undosed_ms) >= LAST_STROKE_S:
        m.strays_ms = [*m.strays_ms[-1:], v.now_ms]
    m.undosed_ms = since(not m.dosing, m.undosed_ms, v.now_ms)
    stroke = pulse and v.io.dosing_healthy
    if stroke:
        m.proven = True
    draws = flowing and m.stage is Stage.READY
    m.unproven_ms = NEVER if stroke else since(draws, m.unproven_ms, v.now_ms)
