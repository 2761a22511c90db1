"""A rig that runs the firmware of one unit without a plant, on permits that the test gives.

The field is the simplest that answers: valves and pump act at once, and pressures and flows follow from what
is open. A test overrides single contacts (``skid_dry=False``) or loops in engineering units
(``suction_bar=0.6``) or in milliampere (``suction_ma=3.5``).
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from functools import cache, lru_cache
from typing import NamedTuple, Self

from controller.settings import Setpoints
from controller.signals import (
    SAFE_UNIT_OUTPUTS,
    UNIT_SIGNALS,
    Command,
    Signal,
    UnitInputs,
    UnitOutputs,
    Verb,
    signal_named,
    to_ma,
)
from controller.unit.permits import Permits, Request
from controller.unit.sequencer import Sequencer
from controller.unit.states import UnitState

SCAN_MS = 100

QUICK = Setpoints(
    start_flush_s=30,
    start_flush_volume_l=15,
    start_flush_max_s=60,
    stop_flush_s=20,
    stop_flush_volume_l=10,
    settle_s=3,
    health_s=2,
    water_good_s=10,
    header_ready_s=2,
    min_off_s=80,
    demand_change_s=5,
    min_run_min=0,
    min_rest_min=0,
    resume_s=0,
    resume_step_s=0,
)
"""Short waits, so that a bank test needs few scans; all inside their ranges."""

PERMITTED = Permits(
    call=True,
    ready=True,
    may_start=True,
    hold_s=0.0,
    token=True,
    start_slot=True,
    close_feed=True,
    maintenance_slot=True,
    estop_open=False,
    reset=False,
    header_bar=3.0,
    events=(),
    commands=(),
)
"""A bank that wants the unit and grants everything."""

_LOOP_OF = {
    "suction_bar": "suction_ma",
    "membrane_bar": "membrane_ma",
    "permeate_us": "permeate_cond_ma",
    "permeate_m3h": "permeate_flow_ma",
    "concentrate_m3h": "concentrate_flow_ma",
    "header_bar": "header_ma",
    "feed_m3h": "feed_flow_ma",
    "feed_degc": "feed_temp_ma",
    "feed_ms_cm": "feed_cond_ma",
    "chlorine_mgl": "chlorine_ma",
    "speed_hz": "booster_speed_ma",
    "level_pct": "tank_level_ma",
    "product_us": "product_cond_ma",
}

Values = dict[str, float | bool]


def to_image(table: tuple[Signal, ...], values: Values) -> dict[str, float | bool]:
    """Signals of an image by name; a value in engineering units becomes its loop current."""
    image: dict[str, float | bool] = {}
    for name, value in values.items():
        loop = _LOOP_OF.get(name)
        image[loop or name] = to_ma(signal_named(table, loop), float(value)) if loop else value
    return image


def unit_field(driven: UnitOutputs, header_bar: float = 3.0) -> Values:
    """What a healthy unit shows for the outputs that drive it."""
    feed, flush, pump = driven.feed_valve, driven.flush_valve, driven.pump and driven.enable
    loss = (0.3 if flush else 0.2) if pump else 0.1
    suction = max(header_bar - loss, 0.0) if feed else 0.0
    if pump and feed:
        membrane, permeate, concentrate = (5.5, 0.35, 3.0) if flush else (12.5, 1.4, 0.93)
    else:
        membrane, permeate = suction, 0.0
        concentrate = (2.5 if flush else 0.5) if suction > 0.5 else 0.0
    return {
        "selector_auto": True,
        "isolator_on": True,
        "pump_running": pump,
        "enable_closed": driven.enable,
        "motor_healthy": True,
        "suction_ok": suction > 0.5,
        "discharge_ok": True,
        "permeate_ok": True,
        "skid_dry": True,
        "feed_valve_shut": not feed,
        "flush_valve_shut": not flush,
        "suction_bar": suction,
        "membrane_bar": membrane,
        "permeate_us": 200.0 if pump and not flush else 260.0,
        "permeate_m3h": permeate,
        "concentrate_m3h": concentrate,
    }


def unit_inputs(
    driven: UnitOutputs = SAFE_UNIT_OUTPUTS, header_bar: float = 3.0, **held: float | bool
) -> UnitInputs:
    """Input image of one unit; ``held`` overrides what the field would show."""
    return _unit_inputs(driven, header_bar, tuple(held.items()))


@lru_cache(maxsize=4096)
def _unit_inputs(
    driven: UnitOutputs, header_bar: float, held: tuple[tuple[str, float | bool], ...]
) -> UnitInputs:
    image = to_image(UNIT_SIGNALS, unit_field(driven, header_bar)) | to_image(UNIT_SIGNALS, dict(held))
    return UnitInputs(**image)  # type: ignore[arg-type]  # names and kinds are those of the I/O list


class Sample(NamedTuple):
    """One scan of one unit, for assertions over time."""

    t_ms: int
    state: UnitState
    out: UnitOutputs


class UnitRig:
    """One sequencer on permits that the test sets."""

    def __init__(self, setpoints: Setpoints | None = None, unit: int = 1, n_units: int = 1) -> None:
        self.setpoints = setpoints or Setpoints()
        self.sequencer = Sequencer(unit, n_units, self.setpoints)
        self.permits = PERMITTED
        self.held: Values = {}
        self.age_ms = 0
        self.now_ms = 0
        self.out = SAFE_UNIT_OUTPUTS
        self.request: Request | None = None
        self.trace: list[Sample] = []
        self._once: dict[str, object] = {}

    @property
    def state(self) -> UnitState:
        return self.sequencer.memory.state

    def fork(self) -> Self:
        """An independent copy that continues from here with an empty trace."""
        twin = type(self)(self.setpoints, self.sequencer.unit, self.sequencer._seat[1])
        twin.sequencer.memory = copy.deepcopy(self.sequencer.memory)
        twin.permits, twin.held, twin.age_ms = self.permits, dict(self.held), self.age_ms
        twin.now_ms, twin.out, twin.request = self.now_ms, self.out, self.request
        return twin

    def hold(self, **values: float | bool) -> Self:
        """Keep contacts and loops at these values from now on."""
        self.held |= values
        return self

    def free(self, *names: str) -> Self:
        """Let the field answer again; without names, everything."""
        self.held = {name: v for name, v in self.held.items() if names and name not in names}
        return self

    def permit(self, **changes: object) -> Self:
        """Change what the bank grants from now on."""
        self.permits = self.permits._replace(**changes)  # type: ignore[arg-type]  # fields of Permits
        return self

    def command(self, verb: Verb, by: str = "Ada", against: str | None = None) -> Self:
        """Give a command in the next scan, by default against the present state."""
        seen = self.state.value if against is None else against
        return self._next(commands=(Command(verb, self.sequencer.unit, by, seen),))

    def reset(self) -> Self:
        """A valid reset reaches the unit in the next scan."""
        return self._next(reset=True)

    def _next(self, **changes: object) -> Self:
        self._once |= changes
        return self

    def step(self) -> UnitOutputs:
        """One scan."""
        self.now_ms += SCAN_MS
        permits = self.permits._replace(**self._once)  # type: ignore[arg-type]  # fields of Permits
        self._once = {}
        io = unit_inputs(self.out, permits.header_bar or 0.0, **self.held)
        self.out, self.request = self.sequencer.scan(io, self.age_ms, permits, self.now_ms)
        self.trace.append(Sample(self.now_ms, self.state, self.out))
        return self.out

    def run(self, seconds: float) -> UnitOutputs:
        """As many scans as fill that time."""
        for _ in range(round(seconds * 1000 / SCAN_MS)):
            self.step()
        return self.out

    def until(self, condition: Callable[[Self], bool] | UnitState, limit_s: float) -> float:
        """Run until it holds; seconds from the first scan to that one. AssertionError at the limit."""
        first_ms = self.now_ms + SCAN_MS
        while self.now_ms - first_ms < limit_s * 1000:
            self.step()
            if condition is self.state if isinstance(condition, UnitState) else condition(self):
                return (self.now_ms - first_ms) / 1000
        raise AssertionError(
            f"not within {limit_s} s; the unit is in {self.state}, {self.sequencer.waits_for()}"
        )

    def texts(self, kind: str) -> list[str]:
        """Journal lines of one kind, oldest first."""
        return [entry.text for entry in self.sequencer.events if entry.kind == kind]


def path(samples: list[Sample]) -> list[UnitState]:
    """States in the order visited, without repeats."""
    states = [sample.state for sample in samples]
    return [state for index, state in enumerate(states) if index == 0 or state is not states[index - 1]]


def unit_in(state: UnitState, setpoints: Setpoints | None = None) -> UnitRig:
    """A healthy unit that has just entered that state in the ordinary way."""
    return _unit_in(state, setpoints or Setpoints()).fork()


_COMES_FROM = {
    UnitState.START_FLUSH: UnitState.WAIT_PERMIT,
    UnitState.DELAY: UnitState.START_FLUSH,
    UnitState.PUMP_START: UnitState.DELAY,
    UnitState.PRODUCE: UnitState.PUMP_START,
    UnitState.PURGE: UnitState.PRODUCE,
    UnitState.QUALITY_FLUSH: UnitState.PRODUCE,
    UnitState.STOPPING: UnitState.PRODUCE,
    UnitState.STOP_FLUSH: UnitState.PRODUCE,
    UnitState.RETRY_WAIT: UnitState.PRODUCE,
    UnitState.LOCKOUT: UnitState.PRODUCE,
    UnitState.ESTOP: UnitState.PRODUCE,
    UnitState.MAINTENANCE: UnitState.STANDBY,
}


@cache
def _unit_in(state: UnitState, setpoints: Setpoints) -> UnitRig:
    source = _COMES_FROM.get(state)
    rig = unit_in(source, setpoints) if source else UnitRig(setpoints)
    if state is UnitState.BOOT:
        rig.step()
        return rig
    if state is UnitState.OFF:
        rig.hold(selector_auto=False)
    elif state in (UnitState.STANDBY, UnitState.WAIT_PERMIT):
        rig.permit(token=False, call=state is UnitState.WAIT_PERMIT)
    elif state is UnitState.START_FLUSH:
        rig.permit(token=True)
    elif state is UnitState.QUALITY_FLUSH:
        rig.hold(permeate_us=500.0)
    elif state is UnitState.RETRY_WAIT:
        rig.hold(suction_bar=0.1)
    elif state is UnitState.LOCKOUT:
        rig.hold(motor_healthy=False)
    elif state is UnitState.ESTOP:
        rig.permit(estop_open=True)
    elif state is UnitState.MAINTENANCE:
        rig.command(Verb.MAINTAIN)
    elif state in (UnitState.STOPPING, UnitState.STOP_FLUSH):
        rig.permit(call=False)
    rig.until(state, 1000)
    return rig
