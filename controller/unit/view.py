"""One unit in one scan: inputs turned into quantities, beside memory, setpoints and permits.

Rules and guards are plain functions of a View. A quantity is None when its loop is not to be believed;
a rule on it then cannot be judged, and its timer is neither started nor cleared.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.parts.timing import NEVER, held_s
from controller.settings import Setpoints
from controller.signals import UNIT_SIGNALS, UnitInputs, from_ma, signal_named
from controller.unit.memory import UnitMemory
from controller.unit.permits import Permits
from controller.unit.states import Event

_SUCTION, _MEMBRANE, _QUALITY, _PERMEATE, _CONCENTRATE = (
    signal_named(UNIT_SIGNALS, name)
    for name in ("suction_ma", "membrane_ma", "permeate_cond_ma", "permeate_flow_ma", "concentrate_flow_ma")
)
SUCTION, MEMBRANE, QUALITY, PERMEATE, CONCENTRATE = range(5)
"""Places of the loops in UnitMemory.loops."""


@dataclass(slots=True)
class View:
    """Everything that a rule or a guard may look at."""

    s: Setpoints
    m: UnitMemory
    io: UnitInputs
    p: Permits
    now_ms: int
    age_ms: int
    suction_bar: float | None
    membrane_bar: float | None
    tds_mgl: float | None
    concentrate_m3h: float | None
    unit: int
    n_units: int
    blanked: bool  # quality is not judged in this scan

    @property
    def stale(self) -> bool:
        """The unit's I/O image is too old to be judged."""
        return self.age_ms > self.s.io_stale_s * 1000.0

    @property
    def alone(self) -> bool:
        """The coordinator is lost: nobody lends slots."""
        return Event.COORDINATOR_LOST in self.p.events

    def held_s(self, since_ms: int) -> float:
        """Seconds since a moment, -1.0 when it is NEVER."""
        return held_s(since_ms, self.now_ms)

    @property
    def in_state_s(self) -> float:
        """Seconds since the present state was entered."""
        return (self.now_ms - self.m.entered_ms) / 1000.0


def quality_blanked(s: Setpoints, m: UnitMemory, now_ms: int) -> bool:
    """True while permeate quality is not judged: pump off, just started, in or just after a flush."""
    if m.pump_ms == NEVER or m.flush_ms != NEVER:
        return True
    if held_s(m.pump_ms, now_ms) < s.tds_blank_start_s:
        return True
    return 0.0 <= held_s(m.flushed_on_ms, now_ms) < s.tds_blank_purge_s


def look(
    s: Setpoints, m: UnitMemory, io: UnitInputs, age_ms: int, p: Permits, now_ms: int, seat: tuple[int, int]
) -> View:
    """Judge the loops and build the View of this scan; updates the loops' memory.

    ``seat`` is the unit's number and the number of units.
    """
    loops = m.loops
    suction = from_ma(_SUCTION, io.suction_ma) if loops[SUCTION].judge(io.suction_ma, now_ms) else None
    membrane = from_ma(_MEMBRANE, io.membrane_ma) if loops[MEMBRANE].judge(io.membrane_ma, now_ms) else None
    tds = None
    if loops[QUALITY].judge(io.permeate_cond_ma, now_ms):
        tds = from_ma(_QUALITY, io.permeate_cond_ma) * s.tds_per_us
    loops[PERMEATE].judge(io.permeate_flow_ma, now_ms)
    concentrate = None
    if loops[CONCENTRATE].judge(io.concentrate_flow_ma, now_ms):
        concentrate = from_ma(_CONCENTRATE, io.concentrate_flow_ma)
    return View(
        s, m, io, p, now_ms, age_ms, suction, membrane, tds, concentrate, *seat, quality_blanked(s, m, now_ms)
    )
